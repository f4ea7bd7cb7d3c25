// Must hold: a file is replaced by another of its own kind, and by nothing else.
#include "harness/files/kind.hpp"

#include <gmock/gmock.h>
#include <sys/stat.h>

#include <array>
#include <nlohmann/json.hpp>

#include "harness/errors.hpp"
#include "harness/seal/seal.hpp"
#include "harness/tune/measurement.hpp"
#include "tests/harness/refusal.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::files {
namespace {

using test::put;
using testing::AllOf;
using testing::HasSubstr;

constexpr std::array kAll{Kind::wav,    Kind::measurement_json, Kind::measurement_csv, Kind::page,        Kind::seal,
                          Kind::source, Kind::set_list,         Kind::biquads_text,    Kind::biquads_json};

std::string refusal(const std::filesystem::path& file, Kind kind) {
  return test::refusal_of([&] { must_be_replaceable(file, kind); });
}
bool replaceable(const std::filesystem::path& file, Kind kind) { return refusal(file, kind) == "taken"; }

/// One of each, as the program writes them, in the order of kAll.
std::vector<std::string> examples() {
  tune::Measurement m;
  m.frequency_hz = {100, 200};
  m.magnitude_db = {0, 0};
  m.phase_deg = {0, 0};
  m.coherence = {1, 1};
  return {test::riff(test::format_chunk(3, 1, 48000, 32, 4) + test::chunk("data", "")),
          tune::document_of(m).dump(),
          tune::csv_of(m, 0),
          "<!DOCTYPE html>\n<html lang=\"en\">",
          seal::seal_text({{"a", "1"}}),
          "#pragma once\n// A rig\n",
          "{\n  \"rackproof\": \"0.1.0\",\n",
          "# Biquads of a rig: a rig\n",
          "{\n  \"format\": 1,\n  \"number_format\": \"q2.30\",\n"};
}

TEST(FileKind, ReplacesItsOwnAlone) {
  const test::Scratch scratch;
  const std::vector<std::string> files = examples();
  for (std::size_t is = 0; is < files.size(); ++is) {
    put(scratch / "f", files[is]);
    for (std::size_t wanted = 0; wanted < kAll.size(); ++wanted)
      EXPECT_EQ(replaceable(scratch / "f", kAll[wanted]), is == wanted) << is << " by " << wanted;
  }
  put(scratch / "f", test::riff(test::chunk("data", ""), "RF64"));
  EXPECT_TRUE(replaceable(scratch / "f", Kind::wav));
  put(scratch / "f", "{\n  \"sample_rate_hz\": 48000,\n  \"captures\": 1");
  EXPECT_TRUE(replaceable(scratch / "f", Kind::measurement_json));
}

// Ahead of the key that tells a file's kind the document may say its format. Whole, or cut short behind any byte of it.
TEST(FileKind, IsToldBehindTheFormat) {
  const test::Scratch scratch;
  const auto is = [&](const std::string& text, Kind kind) {
    put(scratch / "f", text);
    return replaceable(scratch / "f", kind);
  };
  EXPECT_TRUE(is("{\"format\":1,\"sample_rate_hz\":48000,\"captures\":1}", Kind::measurement_json));
  EXPECT_TRUE(is("{\n  \"format\": 1,\n  \"rackproof\": \"0.1.0\"}", Kind::set_list));
  EXPECT_FALSE(is("{\n  \"format\": 1,\n  \"rackproof\": \"0.1.0\"}", Kind::measurement_json));
  EXPECT_FALSE(is("{\n  \"format\": 1,\n  \"sample_rate_hz\": 48000}", Kind::set_list));
  const std::string other = "{\"format\": 1, \"rig\": \"a.toml\"}";  // what a verb prints is a person's to keep
  for (std::size_t bytes = 1; bytes <= other.size(); ++bytes)
    for (const Kind kind : {Kind::measurement_json, Kind::set_list})
      EXPECT_FALSE(is(other.substr(0, bytes), kind)) << bytes;
}

TEST(FileKind, NothingThatAPersonWroteIsReplaced) {
  const test::Scratch scratch;
  for (const std::string& text : {std::string("# Lighthouse Field\nformat = 1\n"),
                                  std::string("\xEF\xBB\xBF"
                                              "format = 1\n"),
                                  std::string("notes for tonight\n"), std::string("RIFF of ours"),
                                  std::string("{\"rig\": \"a.toml\"}"), std::string("frequency_hz,level_db\n100,1\n"),
                                  std::string("\x7f"
                                              "ELF\0\0",
                                              6),
                                  std::string("\0", 1), std::string("\n")}) {
    put(scratch / "f", text);
    for (const Kind kind : kAll) EXPECT_FALSE(replaceable(scratch / "f", kind)) << text;
  }
  put(scratch / "rig.toml", "\n# Lighthouse Field: two tops\nformat = 1\n");
  EXPECT_THAT(refusal(scratch / "rig.toml", Kind::wav),
              AllOf(HasSubstr("rig.toml: read a text that begins with \"# Lighthouse Field: two tops\""),
                    HasSubstr("a WAV file is to be written"), HasSubstr("another name")));
  put(scratch / "a.wav", examples()[0]);
  EXPECT_THAT(refusal(scratch / "a.wav", Kind::page), HasSubstr("read a WAV file; a page of HTML"));
}

TEST(FileKind, WhatIsNotThereOrEmptyIsFree) {
  const test::Scratch scratch;
  put(scratch / "empty", "");
  for (const Kind kind : kAll) {
    EXPECT_TRUE(replaceable(scratch / "none", kind));
    EXPECT_TRUE(replaceable(scratch / "empty", kind));
  }
}

TEST(FileKind, PipesDevicesAndFoldersAreNeverReplaced) {
  const test::Scratch scratch;
  ASSERT_EQ(::mkfifo((scratch / "pipe").c_str(), 0600), 0);
  std::filesystem::create_symlink("/dev/null", scratch / "link");
  for (const auto& place : {scratch / "pipe", scratch / "link", scratch.folder(), std::filesystem::path("/dev/null")})
    for (const Kind kind : kAll) EXPECT_FALSE(replaceable(place, kind)) << place;
}

}  // namespace
}  // namespace rackproof::files
