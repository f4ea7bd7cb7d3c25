// Must hold: the new text is the old one with one stretch of bytes put in or replaced, and reads as the old tree with
// that one value set; or nothing is changed and the person is told what to write.
#include "harness/rig/edit.hpp"

#include <gmock/gmock.h>
#include <sys/stat.h>
#include <unistd.h>

#include <functional>
#include <thread>

#include "harness/rig/document.hpp"
#include "harness/rig/rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::rig {
namespace {

using testing::AllOf;
using testing::HasSubstr;
namespace fs = std::filesystem;

struct Case {
  const char *name, *before, *table, *key, *written, *after;
};
constexpr Case kCases[] = {
    {"replaces a value and leaves its comment", "[system]\ngain = \"0 dB\" # flat\nq = 1\n", "system", "gain",
     "\"-6 dB\"", "[system]\ngain = \"-6 dB\" # flat\nq = 1\n"},
    {"a list over several lines", "[system]\neq = [\n  1, # one\n  2\n] # end\nq = 1\n", "system", "eq", "[]",
     "[system]\neq = [] # end\nq = 1\n"},
    {"a new key after the last one, ahead of the comment of the next table",
     "[[way]]\nname = \"low\" # cone\n\n# the horn\n[[way]]\nname = \"high\"\n", "way[0]", "delay", "\"1 ms\"",
     "[[way]]\nname = \"low\" # cone\ndelay = \"1 ms\"\n\n# the horn\n[[way]]\nname = \"high\"\n"},
    {"the second item, at the end without a line end", "[[way]]\nname = \"low\"\n[[way]]\nname = \"high\"", "way[1]",
     "delay", "\"1 ms\"", "[[way]]\nname = \"low\"\n[[way]]\nname = \"high\"\ndelay = \"1 ms\"\n"},
    {"not into the table below", "[[way]]\nname = \"low\"\n[way.limit]\nhold = \"1 ms\"\n", "way[0]", "delay",
     "\"1 ms\"", "[[way]]\nname = \"low\"\ndelay = \"1 ms\"\n[way.limit]\nhold = \"1 ms\"\n"},
    {"after dotted keys", "[[way]]\nname = \"low\"\nlimit.hold = \"1 ms\"\n\n[x]\n", "way[0]", "delay", "\"1 ms\"",
     "[[way]]\nname = \"low\"\nlimit.hold = \"1 ms\"\ndelay = \"1 ms\"\n\n[x]\n"},
    {"after an inline table over several lines", "[a]\nt = {\n x = 1,\n y = 2 }\n[b]\n", "a", "k", "3",
     "[a]\nt = {\n x = 1,\n y = 2 }\nk = 3\n[b]\n"},
    {"into an inline table", "way = [ { name = \"low\" }, { name = \"high\" } ]\n", "way[1]", "delay", "\"1 ms\"",
     "way = [ { name = \"low\" }, { name = \"high\", delay = \"1 ms\" } ]\n"},
    {"into an empty inline table", "a = {}\n", "a", "k", "1", "a = {k = 1 }\n"},
    {"an empty table", "[a]\n[b]\nx = 1\n", "a", "k", "1", "[a]\nk = 1\n[b]\nx = 1\n"},
    {"a missing table", "format = 1\n", "venue.feed.left", "gain", "\"1 dB\"",
     "format = 1\n\n[venue.feed.left]\ngain = \"1 dB\"\n"},
    {"a table that only its own tables name", "format = 1\n[venue.feed.left]\ngain = \"1 dB\"\n", "venue", "gain",
     "\"2 dB\"", "format = 1\n[venue.feed.left]\ngain = \"1 dB\"\n\n[venue]\ngain = \"2 dB\"\n"},
    {"from nothing", "", "venue", "gain", "\"1 dB\"", "[venue]\ngain = \"1 dB\"\n"},
    {"the root's new key", "format = 1\n[a]\nx = 1\n", "", "title", "\"t\"", "format = 1\ntitle = \"t\"\n[a]\nx = 1\n"},
    {"other line ends and indents", "[a]\r\n  x = 1\r\n[b]\r\n", "a", "k", "2", "[a]\r\n  x = 1\r\n  k = 2\r\n[b]\r\n"},
    {"a value of several lines", "[a]\r\nk = 1\r\n", "a", "k", "[\n  2,\n]", "[a]\r\nk = [\r\n  2,\r\n]\r\n"},
    {"a byte order mark and letters of several bytes", "\xEF\xBB\xBFtitle = \"Säule\" # für Ωhm\n[a]\nx = \"é\" # ü\n",
     "a", "x", "\"1\"", "\xEF\xBB\xBFtitle = \"Säule\" # für Ωhm\n[a]\nx = \"1\" # ü\n"},
};

TEST(Edit, ChangesOneStretchOfBytesOnly) {
  for (const Case& c : kCases) {
    SCOPED_TRACE(c.name);
    EXPECT_EQ(with_value(c.before, "f.toml", c.table, c.key, c.written), c.after);
  }
}

TEST(Edit, AFileOfThisKindKeepsEveryOtherByte) {
  const std::string text = read_text(RACKPROOF_SOURCE_DIR "/audio_fixtures/two-way-top.toml");
  const Rig before = parse_rig(text, "two-way-top.toml");
  std::string now = text;
  for (const char* way : {"way[0]", "way[1]"}) {
    now = with_value(now, "f.toml", way, "delay", "\"1.25 ms\"");
    now = with_value(now, "f.toml", way, "polarity", "\"inverted\"");
  }
  const Rig rig = parse_rig(now, "f.toml");
  for (std::size_t w = 0; w < 2; ++w) {
    EXPECT_DOUBLE_EQ(rig.ways[w].delay_s, 1.25e-3);
    EXPECT_TRUE(rig.ways[w].inverted);
    EXPECT_FALSE(before.ways[w].inverted);
  }
  // Back again: the values put in were all that was new.
  for (const char* way : {"way[0]", "way[1]"}) now = with_value(now, "f.toml", way, "delay", "\"0.9 m\"");
  for (std::size_t at; (at = now.find("polarity = \"inverted\"\n")) != now.npos;) now.erase(at, 22);
  EXPECT_EQ(now, text);
}

TEST(Edit, WhatCannotBeEditedIsToldAndLeft) {
  for (const auto& [text, table] : std::vector<std::pair<std::string, std::string>>{
           {"[[way]]\nname = \"low\"\n", "way[1]"}, {"system = 3\n", "system"}, {"a = {\n  x = 1, # one\n}\n", "a"}}) {
    SCOPED_TRACE(text);
    try {
      with_value(text, "hall.toml", table, "delay", "\"1 ms\"");
      ADD_FAILURE() << "it was edited";
    } catch (const InputError& error) {
      EXPECT_THAT(error.what(), HasSubstr("hall.toml:"));
      EXPECT_THAT(error.what(), HasSubstr("delay = \"1 ms\""));
    }
  }
  EXPECT_THROW(with_value("[a\n", "f.toml", "a", "k", "1"), InputError);
  EXPECT_THROW(with_value("[a]\n", "f.toml", "a", "k", "1\n[b]"), InputError);
}

class EditedFileTest : public testing::Test {
 protected:
  struct stat facts(const char* name) const {
    struct stat found {};
    EXPECT_EQ(::stat((scratch_ / name).c_str(), &found), 0);
    return found;
  }
  static std::string refusal(auto act) {
    try {
      act();
    } catch (const InputError& error) {
      return error.what();
    }
    return "done";
  }
  test::Scratch scratch_;
};

TEST_F(EditedFileTest, ALinkStaysALinkAndModeAndOwnerStay) {
  test::put(scratch_ / "a.toml", "x = 1\n");
  ASSERT_EQ(::chmod((scratch_ / "a.toml").c_str(), 0640), 0);
  const bool as_root = ::geteuid() == 0;
  if (as_root) {
    ASSERT_EQ(::chown((scratch_ / "a.toml").c_str(), 1234, 4321), 0);
  }
  fs::create_symlink("a.toml", scratch_ / "b.toml");
  EditedFile file(scratch_ / "b.toml");
  EXPECT_EQ(file.text(), "x = 1\n");
  file.replace("x = 2\n");
  EXPECT_TRUE(fs::is_symlink(scratch_ / "b.toml"));
  EXPECT_EQ(test::bytes_of(scratch_ / "a.toml"), "x = 2\n");
  EXPECT_EQ(facts("a.toml").st_mode & 0777, 0640u);
  if (as_root) {
    EXPECT_EQ(facts("a.toml").st_uid, 1234u);
    EXPECT_EQ(facts("a.toml").st_gid, 4321u);
  }
  EXPECT_THAT(scratch_.names(), testing::ElementsAre("a.toml", "b.toml")) << "left something behind";
}

TEST_F(EditedFileTest, MayBeAbsent) {
  EditedFile file(scratch_ / "new.toml");
  EXPECT_EQ(file.text(), std::nullopt);
  file.replace("y = 1\n");
  EXPECT_EQ(test::bytes_of(scratch_ / "new.toml"), "y = 1\n");
  EXPECT_THROW(EditedFile(scratch_ / "no" / "c.toml").replace(""), MachineError);
  fs::create_symlink("nowhere.toml", scratch_ / "astray.toml");
  EXPECT_THAT(refusal([&] { EditedFile(scratch_ / "astray.toml"); }), HasSubstr("a link to nowhere.toml"));
}

TEST_F(EditedFileTest, OneThatChangedMeanwhileStays) {
  const auto saved = [&](const std::string& text) {  // as editors do it: beside it, then renamed
    test::put(scratch_ / "saved", text);
    fs::rename(scratch_ / "saved", scratch_ / "a.toml");
  };
  const auto written_in_place = [&](const std::string& text) { test::put(scratch_ / "a.toml", text); };
  for (const auto& save :
       {std::function<void(const std::string&)>(saved), std::function<void(const std::string&)>(written_in_place)}) {
    test::put(scratch_ / "a.toml", "x = 1\n");
    EditedFile file(scratch_ / "a.toml");
    save("x = 7  # mine\n");
    EXPECT_THAT(refusal([&] { file.replace("x = 2\n"); }),
                AllOf(HasSubstr("a.toml: was changed"), HasSubstr("run this again")));
    EXPECT_EQ(test::bytes_of(scratch_ / "a.toml"), "x = 7  # mine\n");
    EXPECT_THAT(scratch_.names(), testing::ElementsAre("a.toml"));
  }
  // Control: saved anew with the same bytes is no change.
  EditedFile file(scratch_ / "a.toml");
  saved("x = 7  # mine\n");
  EXPECT_EQ(refusal([&] { file.replace("x = 2\n"); }), "done");
  EXPECT_EQ(test::bytes_of(scratch_ / "a.toml"), "x = 2\n");
}

TEST_F(EditedFileTest, OneThatCameOrWentMeanwhileStaysSo) {
  EditedFile absent(scratch_ / "new.toml");
  test::put(scratch_ / "new.toml", "mine = 1\n");
  EXPECT_THAT(refusal([&] { absent.replace("theirs = 2\n"); }), HasSubstr("new.toml: was made"));
  EXPECT_EQ(test::bytes_of(scratch_ / "new.toml"), "mine = 1\n");
  test::put(scratch_ / "old.toml", "x = 1\n");
  EditedFile there(scratch_ / "old.toml");
  fs::remove(scratch_ / "old.toml");
  EXPECT_THAT(refusal([&] { there.replace("x = 2\n"); }), HasSubstr("old.toml: was "));
  EXPECT_THAT(scratch_.names(), testing::ElementsAre("new.toml"));
}

TEST_F(EditedFileTest, WriteProtectedStaysAsItIs) {
  test::put(scratch_ / "a.toml", "x = 1\n");
  ASSERT_EQ(::chmod((scratch_ / "a.toml").c_str(), 0444), 0);
  EXPECT_THAT(refusal([&] { EditedFile(scratch_ / "a.toml"); }), HasSubstr("write-protected"));
  // Protected after it was read.
  ASSERT_EQ(::chmod((scratch_ / "a.toml").c_str(), 0644), 0);
  EditedFile file(scratch_ / "a.toml");
  ASSERT_EQ(::chmod((scratch_ / "a.toml").c_str(), 0444), 0);
  EXPECT_THAT(refusal([&] { file.replace("x = 2\n"); }), HasSubstr("write-protected"));
  EXPECT_EQ(test::bytes_of(scratch_ / "a.toml"), "x = 1\n");
}

TEST_F(EditedFileTest, SeveralToolsAtOnceLoseNothing) {
  constexpr int kTools = 8, kEdits = 10;
  test::put(scratch_ / "a.toml", "x = 0\n");
  std::vector<std::thread> tools;
  for (int tool = 0; tool < kTools; ++tool)
    tools.emplace_back([&] {
      for (int edit = 0; edit < kEdits; ++edit) {
        EditedFile file(scratch_ / "a.toml");
        const std::string& text = *file.text();
        const int x = std::stoi(text.substr(4));
        std::this_thread::yield();
        file.replace("x = " + std::to_string(x + 1) + "\n");
      }
    });
  for (std::thread& tool : tools) tool.join();
  EXPECT_EQ(test::bytes_of(scratch_ / "a.toml"), "x = " + std::to_string(kTools * kEdits) + "\n");
  EXPECT_THAT(scratch_.names(), testing::ElementsAre("a.toml"));
}

}  // namespace
}  // namespace rackproof::rig
