// Must hold: a table of numbers is read as people and programs write them; one that is none, or whose numbers cannot be
// meant, is refused with file, line, column, what was read and what would be right.
#include "harness/rig/number_table.hpp"

#include <gmock/gmock.h>

#include <array>

#include "harness/errors.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::rig {
namespace {

using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::StartsWith;

constexpr std::array kColumns{NumberColumn{"frequency_hz", 1e-3, 1e6, "a frequency in Hz, above 0", true},
                              NumberColumn{"level_db", -60, 60, "a level in dB within +-60"}};

NumberTable parsed(std::string_view text, TableHead head = TableHead::optional) {
  return parse_number_table(text, "m.txt", kColumns, head, 2);
}
std::string refusal(std::string_view text, TableHead head = TableHead::optional) {
  return test::refusal_of([&] { parsed(text, head); });
}

TEST(NumberTable, IsReadAsItIsWritten) {
  for (const char* text : {
           "100,-1.5\n1000,2\n",
           "frequency_hz,level_db\n100,-1.5\n1000,2\n",
           "\xEF\xBB\xBF"
           "Hz;dB\r\n100;-1.5\r\n1000;+2\r\n",
           "100\t-1.5\r1000\t2",
           "  100   -1.5\n1e3 2.0\n",
           "# house curve\n\n100, -1.5 # and so on\n; more\n* words\n% of\n// others\n1000 , 2\n",
           "\"Sensitivity: -38 dB, number 7\"\n100 -1.5 0.3\n1000 2 0.1\n",
           "\"frequency_hz\",\"level_db\"\n\"100\",\"-1.5\"\n1000,2\n",
           "a microphone of ours\nHz dB deg\n100\t\t-1.5\t0\n1000\t\t2\t0\n",
           "level_db,phase,frequency_hz\n-1.5,0,100\n2,0,1000\n",
       }) {
    const NumberTable table = parsed(text);
    EXPECT_THAT(table.columns[0], ElementsAre(100, 1000)) << text;
    EXPECT_THAT(table.columns[1], ElementsAre(-1.5, 2)) << text;
  }
  EXPECT_THAT(parsed("# one\n100,1\r\n\r\n200,2\r\n").lines, ElementsAre(2, 4));
}

TEST(NumberTable, IsRefusedWithItsPlace) {
  EXPECT_EQ(refusal(""), "m.txt: read 0 lines of numbers; right would be 2 or more, with frequency_hz,level_db");
  EXPECT_EQ(refusal("100,1"), "m.txt: read 1 line of numbers; right would be 2 or more, with frequency_hz,level_db");
  EXPECT_EQ(refusal("100,1\n200\n"), "m.txt:2: level_db: read 200; a level in dB within +-60 in column 2 of the line");
  EXPECT_EQ(refusal("100,1\n200,x\n"),
            "m.txt:2: level_db: read \"x\"; a level in dB within +-60, a point as the decimal mark");
  EXPECT_EQ(refusal("100,1\n200,60.001\n"), "m.txt:2: level_db: read 60.001; a level in dB within +-60");
  EXPECT_EQ(refusal("100,1\n200,60\n"), "taken");
  EXPECT_EQ(refusal("100,1\n100,2\n"),
            "m.txt:2: frequency_hz: read 100 after 100; a frequency in Hz, above 0, each above the one before");
  EXPECT_THAT(refusal("0,1\n100,2\n"), StartsWith("m.txt:1: frequency_hz: read 0;"));
  EXPECT_THAT(refusal("-5,1\n100,2\n"), StartsWith("m.txt:1: frequency_hz: read -5;"));
  EXPECT_THAT(refusal("100,1\nwords\n200,2\n"), StartsWith("m.txt:2: frequency_hz: read \"words\""));
  // A decimal comma is a column too many or a wrong number, never half of one.
  EXPECT_THAT(refusal("100;1,5\n200;2\n"), StartsWith("m.txt:1: level_db: read \"1,5\""));
}

TEST(NumberTable, TabsAndBlanksPartAlike) {
  for (const char* text : {"100\t-1.5 0\n1000\t2 0\n", "100 -1.5\t0\n1000 2\t0\n", "100 \t -1.5 0\n1000\t2   0 1\n",
                           "Hz dB deg\n100\t-1.5 0\n1000\t2 0\n", "frequency_hz level_db\n100\t-1.5\n1000\t2\n",
                           "frequency_hz\ta pair\tlevel_db\n100\t3.0 0\t-1.5\n1000\t3 1\t2\n",
                           "frequency_hz\tnote\tlevel_db\n100\tas it is\t-1.5\n1000\tnone\t2\n"}) {
    const NumberTable table = parsed(text);
    EXPECT_THAT(table.columns[0], ElementsAre(100, 1000)) << text;
    EXPECT_THAT(table.columns[1], ElementsAre(-1.5, 2)) << text;
  }
  // Thousands that are set apart are no two numbers.
  EXPECT_THAT(refusal("1 000\t-1.5\n2 000\t2\n"), StartsWith("m.txt:1: frequency_hz: read \"1 000\""));
}

TEST(NumberTable, ASlipAtTheTopIsNoHead) {
  for (const char* text : {"1O0,1\n200,2\n300,3", "nan,1\n200,2\n300,3", "inf,1\n200,2\n300,3", "-,1\n200,2\n300,3",
                           ",1\n200,2\n300,3", "1e999,1\n200,2\n300,3", "++1,1\n200,2\n300,3", "0x10,1\n200,2\n300,3"})
    EXPECT_THAT(refusal(text), HasSubstr("m.txt:1: frequency_hz: read \"")) << text;
}

TEST(NumberTable, HasAHeadWhereOneIsRequired) {
  constexpr TableHead kHead = TableHead::required;
  EXPECT_EQ(refusal("# ours\nfrequency_hz,level_db\n1,1\n2,2", kHead), "taken");
  EXPECT_THAT(refusal("1,1\n2,2", kHead), AllOf(StartsWith("m.txt:1: frequency_hz: read a first line without"),
                                                HasSubstr("frequency_hz,level_db")));
  EXPECT_THAT(refusal("frequency_hz,db\n1,1\n2,2", kHead), StartsWith("m.txt:1: level_db: read a first line without"));
  EXPECT_THAT(refusal("# nothing\n", kHead), HasSubstr("no line that names the columns"));
}

TEST(NumberTable, BytesThatAreNoText) {
  using namespace std::string_view_literals;
  EXPECT_THAT(refusal("100,1\n200,2\n\0"sv), HasSubstr("bytes that are not text"));
  EXPECT_THAT(refusal("\xff\xfe\x31\0"sv), HasSubstr("bytes that are not text"));
  EXPECT_THAT(refusal("100,\x1b[2J\n200,2\n"), HasSubstr("\"\\x1b[2J\""));
}

}  // namespace
}  // namespace rackproof::rig
