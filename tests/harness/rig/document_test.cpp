// Must hold: every value of a TOML file is there once, with the bytes that it was read from: cut out by `begin` and
// `end` they parse to the same value. What is not TOML is refused with its place, in one line that a terminal can show.
#include "harness/rig/document.hpp"

#include <gtest/gtest.h>

#include <random>

#include "example_rig.hpp"
#include "harness/rig/faults.hpp"
#include "tests/harness/refusal.hpp"

namespace {
using namespace rackproof::rig;
using rackproof::InputError;

std::string refusal(const std::string& text) {
  return rackproof::test::refusal_of([&] { parse_document(text, "f.toml"); });
}

void expect_same(const Node& a, const Node& b) {
  EXPECT_EQ(a.kind, b.kind);
  EXPECT_EQ(a.text, b.text);
  EXPECT_EQ(a.whole, b.whole);
  EXPECT_EQ(a.number, b.number);
  EXPECT_EQ(a.boolean, b.boolean);
  ASSERT_EQ(a.items.size(), b.items.size());
  ASSERT_EQ(a.entries.size(), b.entries.size());
  for (std::size_t i = 0; i < a.items.size(); ++i) expect_same(a.items[i], b.items[i]);
  for (std::size_t i = 0; i < a.entries.size(); ++i) {
    EXPECT_EQ(a.entries[i].key, b.entries[i].key);
    expect_same(a.entries[i].value, b.entries[i].value);
  }
}

/// Every value of the tree, cut out and read again on its own; the count of those.
std::size_t cut_out(const Node& node, const std::string& text) {
  std::size_t count = 0;
  for (const Entry& entry : node.entries) count += cut_out(entry.value, text);
  for (const Node& item : node.items) count += cut_out(item, text);
  if (text[node.begin] == '[' && node.kind == Node::Kind::table) return count;  // under a [header]
  if (node.kind == Node::Kind::list && text.compare(node.begin, 2, "[[") == 0) return count;
  if (node.place == Place{}) return count;  // the root
  expect_same(parse_document("x = " + text.substr(node.begin, node.end - node.begin), "").entries.at(0).value, node);
  return count + 1;
}

TEST(Document, EveryValueStandsWhereItSays) {
  std::string windows;
  for (const char c : kExampleRig) windows.append(c == '\n' ? "\r\n" : std::string(1, c));
  const std::string unicode =
      "# caf\u00e9\nt = \"\u00e9\u00e8\U0001F50A\" # \u00e9\nu = { \"\u00e9\" = '\u00e9', v = [ 1, -2.5,\n\t+3e2, "
      "true, 1979-05-27 ] }\n";
  std::size_t values = 0;
  for (const std::string& text : {kExampleRig, windows, kExampleVenue, unicode, "\xEF\xBB\xBF" + unicode})
    values += cut_out(parse_document(text, ""), text);
  EXPECT_GT(values, 200u);
}

TEST(Document, KeepsTheOrderOfTheFileAndCountsInCharacters) {
  const Node root = parse_document("z = 1\n\t\"\u00e9\u00e9\" = [ '\u00e9', 2 ]\nb.c = 3\n[a]\n", "");
  ASSERT_EQ(root.entries.size(), 4u);
  EXPECT_EQ(root.entries[0].key, "z");
  EXPECT_EQ(root.entries[1].key, "\u00e9\u00e9");
  EXPECT_EQ(root.entries[1].place, (Place{2, 2}));
  EXPECT_EQ(root.entries[1].value.items.at(1).place, (Place{2, 16}));
  EXPECT_EQ(root.entries[2].value.find("c")->value.whole, 3);
  EXPECT_EQ(root.entries[2].value.find("z"), nullptr);
  EXPECT_EQ(root.entries[3].value.place, (Place{4, 1}));
  EXPECT_EQ(root.entries[3].value.written, "[a]");
}

TEST(Document, RefusesWhatIsNotToml) {
  EXPECT_EQ(refusal("a = 1\nb = \"\xE9\"\n"), "f.toml:2:5: read bytes that are not UTF-8 text; save the file as UTF-8");
  EXPECT_EQ(
      refusal(std::string("a\0b", 3)),
      "f.toml:1:1: read bytes that are not text; a file of settings is TOML text, saved as UTF-8: is this the right file?");
  EXPECT_EQ(refusal("a = \"\x07\"\n"),
            "f.toml:1:6: read a = \"\\x07\"; a text ends, with its quote, in the line where it began");
  // Found by fuzzing: an assertion of the parser ended the program.
  EXPECT_EQ(refusal("[.a]\n"),
            "f.toml:1:2: read [.a]; this is not TOML: key: expected bare key starting character or string "
            "delimiter, saw '.'");
  // Found by fuzzing: signs beyond ASCII outside quotes were undefined behaviour in the parser.
  EXPECT_EQ(refusal("a = 8 \u03a9\n"),
            "f.toml:1:7: read a = 8 \u03a9; this is not TOML: key-value pair: expected a comment or "
            "whitespace, saw '\u03a9'; a quantity or a word stands in quotes: \"8 \u03a9\"");
  EXPECT_NE(refusal("a = 20 \u00b0C\n").find("; a quantity or a word stands in quotes: \"20 \u00b0C\""),
            std::string::npos);
  EXPECT_EQ(refusal("a = \u201c8 ohm\u201d\n"),
            "f.toml:1:5: read a = \u201c8 ohm\u201d; this is not TOML: value: could not determine "
            "value type; \u201c is no quote here: write \"");
  for (const char* text : {"a = 1,4\n", "a = { q = 1,4 }\n", "a = { f = \"1 Hz\", q =0,14}\n"})
    EXPECT_NE(refusal(text).find("; a number has a decimal point, not a comma: 1.4"), std::string::npos) << text;
  EXPECT_EQ(refusal("a = [ 1,4 } ]\n").find("decimal"), std::string::npos);
  EXPECT_NE(refusal("# numbers\nseal 1\n").find("; this looks like a seal: give the rig file"), std::string::npos);
  EXPECT_EQ(refusal("[way]\nb = 1\n[way]\n"),
            "f.toml:3:1: read [way]; a line above has this name already; where there are several, each has double "
            "brackets: [[way]]");
  EXPECT_EQ(refusal("a = "), "f.toml:1:5: read a =; this is not TOML: key-value pair: encountered end-of-file");
}

TEST(Document, HostileDepthIsRefusedNotStackedUp) {
  EXPECT_NE(refusal("a = " + std::string(100'000, '[')).find("exceeded maximum nested value depth of 16"),
            std::string::npos);
  std::string dotted = "a";
  for (int i = 0; i < 100'000; ++i) dotted += ".a";
  for (const std::string& text : {dotted + " = 1", "[" + dotted + "]", "x = 1\n[[" + dotted + "]]"})
    EXPECT_NE(refusal(text).find(" points in one line; at most 128: break the line"), std::string::npos);
  // As deep as the two limits together allow, which is far deeper than the tree that is kept.
  std::string deep;
  for (int i = 0; i < 128; ++i) deep += "a.";
  std::string text = "[" + deep + "a]\n" + deep + "b = ";
  for (int i = 0; i < 15; ++i) text += "{\n" + deep + "c = ";
  EXPECT_NO_THROW(parse_document(text + "1" + std::string(15, '}') + "\n", ""));
}

TEST(Document, AnyBytesAreReadOrRefusedInOneLine) {
  std::mt19937 random(3);
  const std::string base = kExampleVenue;
  std::size_t refused = 0;
  for (int round = 0; round < 3000; ++round) {
    std::string text = base;
    for (std::size_t n = 1 + random() % 3; n > 0; --n) {
      const std::size_t at = random() % text.size();
      switch (random() % 4) {
        case 0:
          text[at] = static_cast<char>(random());
          break;
        case 1:
          text.erase(at, random() % 9);
          break;
        case 2:
          text.insert(at, text.substr(random() % text.size(), random() % 30));
          break;
        default:
          text.resize(at + 1);
      }
    }
    try {
      parse_document(text, "f.toml");
    } catch (const InputError& error) {
      const std::string what = error.what();
      ASSERT_TRUE(what.starts_with("f.toml:")) << what;
      for (const char c : what) ASSERT_FALSE(static_cast<unsigned char>(c) < 0x20 || c == 0x7F) << what;
      ASSERT_LT(what.size(), 300u) << what;
      ++refused;
    }
  }
  EXPECT_GT(refused, 500u);
}

TEST(Nearest, IsASlipNotAGuess) {
  const std::vector<std::string> known = {"gain", "attenuator", "attenuator_fixed", "bridged", "linkwitz-riley"};
  EXPECT_EQ(nearest("gian", known), "gain");            // changed places
  EXPECT_EQ(nearest("GAIN", known), "gain");            // capitals
  EXPECT_EQ(nearest("atenuatr", known), "attenuator");  // two lost
  EXPECT_EQ(nearest("attenuators", known), "attenuator");
  EXPECT_EQ(nearest("linkwitz", known), "linkwitz-riley");  // its beginning
  EXPECT_EQ(nearest("atten", known), std::nullopt);         // of two
  EXPECT_EQ(nearest("gun", known), std::nullopt);           // two of three letters are another word
  EXPECT_EQ(nearest("zebra", known), std::nullopt);
  EXPECT_EQ(nearest("", known), std::nullopt);
  EXPECT_EQ(nearest(std::string(100'000, 'a'), known), std::nullopt);
  EXPECT_EQ(suggestion("gian", known), "did you mean \"gain\"?");
  EXPECT_EQ(suggestion("x", known), "known here: gain, attenuator, attenuator_fixed, bridged, linkwitz-riley");
  EXPECT_EQ(suggestion("x", {}), "there are none");
}

}  // namespace
