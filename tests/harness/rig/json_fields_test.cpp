// Must hold: whatever bytes come as JSON, they are read as a small tree of finite numbers and whole texts, or refused
// with the file, the key, what was read and what would be right; deep, long, doubled and cut ones too.
#include "harness/rig/json_fields.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <limits>

#include "harness/errors.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::rig {
namespace {

using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::StartsWith;

JsonNode parsed(const std::string& text) { return parse_json(text, "m.json", "a measurement"); }
std::string refusal(const std::string& text) {
  return test::refusal_of([&] { parsed(text); });
}
std::string repeated(const std::string& text, std::size_t times) {
  std::string all;
  for (std::size_t i = 0; i < times; ++i) all += text;
  return all;
}

TEST(JsonDocument, IsReadAsItStands) {
  const std::string text =
      R"({"a": [1, -2.5, 1e-3], "b": {"c": "d\u00e4\n", "e": null}, "f": true, "": 18446744073709551615})";
  for (const std::string& whole : {text, "\xEF\xBB\xBF" + text, " \r\n\t" + text + "\n\n"}) {
    const JsonNode root = parsed(whole);
    ASSERT_THAT(root.keys, ElementsAre("a", "b", "f", ""));
    const JsonNode& a = *root.find("a");
    ASSERT_EQ(a.items.size(), 3u);
    EXPECT_EQ(a.items[1].number, -2.5);
    EXPECT_EQ(a.items[2].number, 1e-3);
    EXPECT_EQ(root.find("b")->find("c")->text, "d\u00e4\n");
    EXPECT_EQ(root.find("b")->find("e")->kind, JsonNode::Kind::null);
    EXPECT_TRUE(root.find("f")->boolean);
    EXPECT_EQ(root.find("")->number, 18446744073709551616.0);  // to the nearest double
    EXPECT_EQ(root.find("z"), nullptr);
  }
}

TEST(JsonDocument, IsRefusedWithItsPlace) {
  EXPECT_THAT(refusal("RIFF...."), AllOf(StartsWith("m.json:1:1: read RIFF"), HasSubstr("not whole JSON"),
                                         HasSubstr("a measurement is wanted here")));
  EXPECT_THAT(refusal(""), HasSubstr("m.json:1:1: read the end of the file"));
  EXPECT_THAT(refusal("{\"a\": 1,\n  \"b\": [1, 2"), HasSubstr("m.json:2:13: read the end of the file"));
  EXPECT_THAT(refusal("{\"a\": 1,\n  b: 2}"), HasSubstr("m.json:2:3: read b: 2}"));
  EXPECT_THAT(refusal("{\"a\": 1} {"), HasSubstr("m.json:1:10: read {"));
  EXPECT_THAT(refusal("[1]"), HasSubstr("read a list of 1; a measurement is wanted"));
  EXPECT_THAT(refusal("7"), HasSubstr("read 7; a measurement is wanted"));
  EXPECT_THAT(refusal("{\"a\": NaN}"), HasSubstr("no numbers for what is infinite or undefined"));
  EXPECT_THAT(refusal("{\"a\": -Infinity}"), HasSubstr("no numbers for what is infinite or undefined"));
  EXPECT_THAT(refusal("{\"a\": \"\xff\"}"), HasSubstr("not whole JSON"));
  EXPECT_THAT(refusal("{\"a\": \"\\ud800\"}"), HasSubstr("not whole JSON"));
  EXPECT_THAT(refusal("{\"a\": \"\x1b[2J\"}"), AllOf(HasSubstr("not whole JSON"), HasSubstr("\\x1b")));
  EXPECT_THAT(refusal("{\"a\": 1} // so"), HasSubstr("not whole JSON"));
}

TEST(JsonDocument, ANulIsNeitherAnEndNorABlank) {
  using namespace std::string_literals;
  for (const std::string& text :
       {"{\"a\": 1}\0"s, "{\"a\": 1}\0\0\0garbage"s, "{\"a\": \0 1}"s, "\0{}"s, "\xff\xfe{\0}\0"s /* UTF-16 */})
    EXPECT_THAT(refusal(text), HasSubstr("m.json: read bytes that are not text; a measurement is wanted here"));
}

TEST(JsonDocument, NumbersBeyondADoubleAreNamedByTheirKey) {
  EXPECT_THAT(refusal(R"({"a": {"b": [1, 1e999]}})"),
              StartsWith("m.json: a.b[1]: read 1e999; a number that a computer can hold"));
  EXPECT_THAT(refusal(R"({"a b": -1e999})"), StartsWith("m.json: \"a b\": read -1e999;"));
  EXPECT_EQ(parsed(R"({"a": 1e-999})").find("a")->number, 0);  // smaller than any: nothing
}

TEST(JsonDocument, AKeyStandsOnce) {
  EXPECT_THAT(refusal(R"({"a": 1, "b": {"c": 1, "c": 2}})"), StartsWith("m.json: b.c: read the key twice"));
  EXPECT_THAT(refusal(R"({"a": 1, "\u0061": 2})"), StartsWith("m.json: a: read the key twice"));
  EXPECT_EQ(parsed(R"({"a": {"c": 1}, "b": {"c": 2}})").find("b")->find("c")->number, 2);
}

// Found by trying: 200 000 brackets under any key ended the program.
TEST(JsonDocument, NestingEnds) {
  for (const auto& [open, close] : {std::pair{"[", "]"}, {"{\"a\":", "}"}, {"[{\"a\":[", "]}]"}}) {
    const std::string deep = repeated(open, 200'000);
    EXPECT_THAT(refusal("{\"frequency_hz\": " + deep), HasSubstr("lists and tables more than 16 deep"));
    EXPECT_THAT(refusal("{\"x\": " + deep + repeated(close, 200'000) + "}"), HasSubstr("m.json: x"));
    EXPECT_THAT(refusal(deep), HasSubstr("more than 16 deep"));
  }
  const auto nested = [](std::size_t depth) {
    return "{\"a\": " + repeated("[", depth - 1) + repeated("]", depth - 1) + "}";
  };
  EXPECT_EQ(refusal(nested(kMaxJsonDepth)), "taken");
  EXPECT_NE(refusal(nested(kMaxJsonDepth + 1)), "taken");
}

TEST(JsonDocument, ValuesEnd) {
  const auto list = [](std::size_t count) { return "{\"a\": [" + repeated("0,", count - 1) + "0]}"; };
  EXPECT_EQ(refusal(list(kMaxJsonValues - 2)), "taken");  // and the list, and the table
  EXPECT_THAT(refusal(list(kMaxJsonValues - 1)), StartsWith("m.json: a[524286]: read more than 524288 values"));
}

class JsonFieldsTest : public testing::Test {
 protected:
  std::string refused(auto ask) const {
    try {
      ask(fields);
    } catch (const InputError& error) {
      return error.what();
    }
    return "taken";
  }
  const std::filesystem::path file = "m.json";
  const JsonNode root = parsed(R"({"n": 2.5, "w": 3, "t": "text", "l": [1, 2, 3], "x": [1, null], "o": {"n": 1e4},
                                   "ts": [{"n": 1}, {"n": "two"}], "z": null, "b": false})");
  const JsonFields fields{root, file};
};

TEST_F(JsonFieldsTest, GiveWhatStandsThere) {
  EXPECT_EQ(fields.number("n", {0, 3}), 2.5);
  EXPECT_EQ(fields.number("n", {2.5, 2.5}), 2.5);  // both ends are in
  EXPECT_EQ(fields.whole("w", 3, 3), 3);
  EXPECT_EQ(fields.text("t"), "text");
  EXPECT_EQ(fields.flag("b"), false);
  EXPECT_THAT(*fields.numbers("l", {1, 3}), ElementsAre(1, 2, 3));
  EXPECT_EQ(fields.table("o")->number("n", {0, 1e4}), 1e4);
  ASSERT_EQ(fields.tables("ts").size(), 2u);
  for (const char* absent : {"z", "nowhere"}) {
    EXPECT_FALSE(fields.has(absent));
    EXPECT_EQ(fields.number(absent, {0, 1}), std::nullopt);
    EXPECT_EQ(fields.whole(absent, 0, 1), std::nullopt);
    EXPECT_EQ(fields.text(absent), std::nullopt);
    EXPECT_EQ(fields.flag(absent), std::nullopt);
    EXPECT_EQ(fields.numbers(absent, {0, 1}), std::nullopt);
    EXPECT_FALSE(fields.table(absent).has_value());
    EXPECT_TRUE(fields.tables(absent).empty());
  }
}

TEST_F(JsonFieldsTest, RefuseWhatIsWrong) {
  using F = const JsonFields&;
  EXPECT_EQ(refused([](F f) {
              f.number("n", {0, std::nextafter(2.5, 0)});
            }),
            "m.json: n: read 2.5; 0 to 2.5 is allowed here");
  EXPECT_EQ(refused([](F f) {
              f.number("n", {std::nextafter(2.5, 3), 3, "Hz"});
            }),
            "m.json: n: read 2.5; 2.5 to 3 Hz is allowed here");
  EXPECT_EQ(refused([](F f) { f.number("t", {0, 1}); }), "m.json: t: read \"text\"; a number is wanted here");
  EXPECT_EQ(refused([](F f) { f.number("l", {0, 1}); }), "m.json: l: read a list of 3; a number is wanted here");
  EXPECT_EQ(refused([](F f) { f.whole("n", 0, 9); }), "m.json: n: read 2.5; a whole number is wanted here");
  EXPECT_EQ(refused([](F f) { f.whole("w", 4, 9); }), "m.json: w: read 3; 4 to 9 is allowed here");
  EXPECT_EQ(refused([](F f) { f.text("n"); }), "m.json: n: read 2.5; a text is wanted here");
  EXPECT_EQ(refused([](F f) { f.text("t", 3); }), "m.json: t: read a text of 4 bytes; at most 3 are wanted");
  EXPECT_EQ(refused([](F f) { f.flag("n"); }), "m.json: n: read 2.5; true or false is wanted here");
  EXPECT_EQ(refused([](F f) { f.numbers("x", {0, 1}); }), "m.json: x[1]: read null; a number is wanted here");
  EXPECT_EQ(refused([](F f) { f.numbers("l", {0, 2}); }), "m.json: l[2]: read 3; 0 to 2 is allowed here");
  EXPECT_EQ(refused([](F f) { f.numbers("o", {0, 2}); }), "m.json: o: read a table; a list of numbers is wanted here");
  EXPECT_EQ(refused([](F f) { f.table("o")->number("n", {0, 1}); }), "m.json: o.n: read 10000; 0 to 1 is allowed here");
  EXPECT_EQ(refused([](F f) {
              f.tables("ts")[1].number("n", {0, 1});
            }),
            "m.json: ts[1].n: read \"two\"; a number is wanted here");
  EXPECT_EQ(refused([](F f) { f.tables("l"); }), "m.json: l[0]: read 1; a table is wanted here");
  EXPECT_EQ(refused([](F f) { f.missing("q", "a thing"); }), "m.json: q: read no such key; a thing");
}

TEST(JsonFieldsOf, AWholeNumberThatNoIntegerHolds) {
  const JsonNode root = parsed(R"({"captures": 1e300})");
  const std::filesystem::path file = "m.json";
  try {
    JsonFields(root, file).whole("captures", 1, std::numeric_limits<std::int64_t>::max());
    ADD_FAILURE() << "taken";
  } catch (const InputError& error) {
    EXPECT_THAT(error.what(), HasSubstr("captures: read 1e+300"));
  }
}

}  // namespace
}  // namespace rackproof::rig
