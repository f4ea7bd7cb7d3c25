// Must hold: whatever text comes in, what a terminal is sent is UTF-8 without anything that steers it; text that steers
// nothing comes as it is.
#include "harness/files/shown.hpp"

#include <gtest/gtest.h>

#include <random>
#include <string>
#include <utility>

namespace rackproof::files {
namespace {

TEST(Shown, LeavesTextAsItIs) {
  for (const char* text : {"", "rig.toml", "Säule 8 Ω, 2.1 µs → \"oben\"", "a\\b", "日本語.toml", "🔊", "~ ¡ÿ"})
    EXPECT_EQ(shown(std::string_view(text)), text);
  EXPECT_EQ(shown(std::filesystem::path("a/b.toml")), "a/b.toml");
}

TEST(Shown, SpellsOutWhatSteersATerminal) {
  using namespace std::string_literals;
  for (const auto& [text, safe] : {std::pair{"\x1b[2J"s, "\\x1b[2J"s},
                                   {"a\nb\tc\rd"s, "a\\nb\\tc\\rd"s},
                                   {"\0x"s, "\\x00x"s},
                                   {"\x7f"s, "\\x7f"s},
                                   {"\xc2\x9b"
                                    "31m"s,
                                    "\\x9b31m"s},                            // CSI as one character (ECMA-48)
                                   {"\x9b"s, "\\x9b"s},                      // and as one byte
                                   {"\xe2\x80\xae.toml"s, "\\u202e.toml"s},  // right-to-left override
                                   {"\xe2\x81\xa6x"s, "\\u2066x"s},
                                   {"\xe2\x80\xa8"s, "\\u2028"s},
                                   {"\xc0\x9b"s, "\\xc0\\x9b"s},           // a long form of a short character
                                   {"\xed\xa0\x80"s, "\\xed\\xa0\\x80"s},  // a surrogate
                                   {"\xf4\x90\x80\x80"s, "\\xf4\\x90\\x80\\x80"s},
                                   {"\xc3"s, "\\xc3"s},
                                   {"\xe2\x82"s, "\\xe2\\x82"s}})
    EXPECT_EQ(shown(text), safe);
  EXPECT_EQ(shown_lines("a\n\x1b\n"), "a\n\\x1b\n");
}

TEST(Shown, OnceIsEnough) {
  std::mt19937 random(7);
  for (int round = 0; round < 2000; ++round) {
    std::string text;
    for (int i = 0; i < 40; ++i) text += static_cast<char>(random() % 3 == 0 ? random() & 0x9f : random());
    const std::string safe = shown(text);
    EXPECT_EQ(shown(safe), safe);
    for (const char c : safe) EXPECT_TRUE(static_cast<unsigned char>(c) >= 0x20 && c != 0x7f);
  }
}

}  // namespace
}  // namespace rackproof::files
