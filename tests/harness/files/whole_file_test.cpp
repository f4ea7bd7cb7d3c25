// Must hold: the theorem at the top of whole_file.hpp. What happens when a system call fails, or the process is killed
// at one, is in tests/faults.
#include "harness/files/whole_file.hpp"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <signal.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <string>
#include <thread>
#include <vector>

#include "harness/errors.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::files {
namespace {

namespace fs = std::filesystem;
using namespace rackproof::test;
using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::ThrowsMessage;

mode_t mode_of(const fs::path& file) {
  struct stat facts {};
  ::stat(file.c_str(), &facts);
  return facts.st_mode & 07777;
}

TEST(WholeFile, IsThereWholeOrNotAtAll) {
  const Scratch scratch;
  put(scratch / "a", "the old one");
  {
    WholeFile file(scratch / "a"), fresh(scratch / "b");
    file.write("the new");
    file.write(" one");
    file.finish();
    fresh.write("x");
    EXPECT_EQ(bytes_of(scratch / "a"), "the old one");
    EXPECT_EQ(scratch.names().size(), 3u);
  }
  EXPECT_EQ(bytes_of(scratch / "a"), "the old one");
  EXPECT_THAT(scratch.names(), ElementsAre("a"));
  std::string large(200'001, 'x');
  for (std::size_t i = 0; i < large.size(); ++i) large[i] = static_cast<char>(i * i >> 3);
  for (const std::string& text : {large, std::string("the new one"), std::string()}) {
    write_whole_file(scratch / "a", text);
    EXPECT_EQ(bytes_of(scratch / "a"), text);
    write_whole_file(scratch / ("of " + std::to_string(text.size())), text);
    EXPECT_EQ(bytes_of(scratch / ("of " + std::to_string(text.size()))), text);
  }
  EXPECT_THAT(scratch.names(), ElementsAre("a", "of 0", "of 11", "of 200001"));
}

TEST(WholeFile, KeepsModeAndLinks) {
  const Scratch scratch;
  const mode_t mask = ::umask(0022);
  write_whole_file(scratch / "fresh", "x");
  EXPECT_EQ(mode_of(scratch / "fresh"), 0644u);
  for (const mode_t mode : {0600u, 0664u, 0755u}) {
    put(scratch / "a", "old");
    ::chmod((scratch / "a").c_str(), mode);
    write_whole_file(scratch / "a", "new");
    EXPECT_EQ(mode_of(scratch / "a"), mode);
  }
  ::umask(mask);
  fs::create_symlink("a", scratch / "link");
  write_whole_file(scratch / "link", "through the link");
  EXPECT_TRUE(fs::is_symlink(scratch / "link"));
  EXPECT_EQ(bytes_of(scratch / "a"), "through the link");
  fs::create_symlink("absent", scratch / "dangling");
  write_whole_file(scratch / "dangling", "in its place");
  EXPECT_EQ(bytes_of(scratch / "dangling"), "in its place");
  EXPECT_THAT(scratch.names(), ElementsAre("a", "dangling", "fresh", "link"));
}

TEST(WholeFile, RefusesWhatIsNotAFileToBeReplaced) {
  const Scratch scratch;
  fs::create_directory(scratch / "folder");
  ASSERT_EQ(::mkfifo((scratch / "pipe").c_str(), 0600), 0);
  put(scratch / "kept", "mine");
  ::chmod((scratch / "kept").c_str(), 0444);
  const auto open = [&](const fs::path& place) { return [place] { const WholeFile file(place); }; };
  EXPECT_THAT(open(scratch / "folder"), ThrowsMessage<InputError>(HasSubstr("folder: is a folder")));
  EXPECT_THAT(open(scratch / "pipe"), ThrowsMessage<InputError>(HasSubstr("pipe: is a pipe or a device")));
  EXPECT_THAT(open("/dev/null"), ThrowsMessage<InputError>(HasSubstr("/dev/null: is a pipe or a device")));
  EXPECT_THAT(open(scratch / "kept"), ThrowsMessage<InputError>(HasSubstr("kept: is write-protected")));
  EXPECT_THAT(open(scratch / "absent/a"),
              ThrowsMessage<MachineError>(HasSubstr("absent/a: cannot be written: No such")));
  EXPECT_THAT(open(scratch / "kept/a"), ThrowsMessage<MachineError>(HasSubstr("kept/a: cannot be written: Not a dir")));
  EXPECT_EQ(bytes_of(scratch / "kept"), "mine");
  EXPECT_THAT(scratch.names(), ElementsAre("folder", "kept", "pipe"));
}

TEST(WholeFile, AnyNameThatTheSystemTakesIsTaken) {
  const Scratch scratch;
  for (const std::string& name : {std::string(255, 'n'),
                                  std::string("."
                                              "hidden"),
                                  std::string("a b\n\xff")}) {
    write_whole_file(scratch / name, name);
    EXPECT_EQ(bytes_of(scratch / name), name);
  }
  EXPECT_EQ(scratch.names().size(), 3u);
}

TEST(WholeFile, OfASetTheListIsPutLastAndNothingChangesIfItCannotBe) {
  const Scratch scratch;
  fs::create_directory(scratch / "below");
  const std::vector<std::string> names{"a", "below/b", "list"};
  const auto set = [&](const std::string& text, const auto& before_commit) {
    std::vector<WholeFile> files;
    for (const std::string& name : names) {
      files.emplace_back(scratch / name);
      files.back().write(text + name);
    }
    before_commit();
    std::vector<WholeFile*> but_the_list{&files[0], &files[1]};
    commit_all(but_the_list, &files[2], 3);
  };
  const auto holds = [&](const std::string& text) {
    for (const std::string& name : names) EXPECT_EQ(bytes_of(scratch / name), text + name);
    EXPECT_THAT(scratch.names(), ElementsAre("a", "below", "list"));
    EXPECT_THAT(Scratch::names_in(scratch / "below"), ElementsAre("b"));
  };
  set("first ", [] {});
  holds("first ");
  set("second ", [] {});
  holds("second ");
  // Its folder gone: the second file cannot take its place, after the first has and the list was taken away.
  EXPECT_THAT([&] { set("third ", [&] { fs::rename(scratch / "below", scratch / "elsewhere"); }); },
              ThrowsMessage<MachineError>(HasSubstr("below/b: cannot be")));
  for (const std::string& name : Scratch::names_in(scratch / "elsewhere"))
    if (name != "b") fs::remove(scratch / "elsewhere" / name);  // not where it was left, so it could not be removed
  fs::rename(scratch / "elsewhere", scratch / "below");
  holds("second ");
}

TEST(WholeFile, WhatAKilledProcessLeftIsRemovedByTheNextWhatALivingOneWritesIsNot) {
  const Scratch scratch;
  int ready[2];
  ASSERT_EQ(::pipe(ready), 0);
  const pid_t child = ::fork();
  if (child == 0) {
    WholeFile file(scratch / "a"), another(scratch / "b");
    file.write("half");
    if (::write(ready[1], "x", 1) != 1) ::_exit(1);
    for (;;) ::pause();
  }
  char byte = 0;
  ASSERT_EQ(::read(ready[0], &byte, 1), 1);
  ::close(ready[0]);
  ::close(ready[1]);
  const std::vector<std::string> not_ours{
      ".a.rackproof-1-.part", ".a.rackproof--1.part",    ".a.rackproof-1-2.part.txt", "a.rackproof-1-2.part",
      ".rackproof-1-2.part",  ".a.rackproof-1-2-3.part", ".a.rackproof-1-x.part",     ".a.1.part"};
  for (const std::string& name : not_ours) put(scratch / name, "a person's");
  fs::create_directory(scratch / ".d.rackproof-1-2.part");

  write_whole_file(scratch / "c", "beside the living");
  EXPECT_EQ(scratch.names().size(), not_ours.size() + 4);
  ::kill(child, SIGKILL);
  int status = 0;
  ::waitpid(child, &status, 0);
  write_whole_file(scratch / "c", "after it");
  std::set<std::string> expected(not_ours.begin(), not_ours.end());
  expected.insert({"c", ".d.rackproof-1-2.part"});
  EXPECT_EQ(scratch.names(), expected);
  EXPECT_EQ(bytes_of(scratch / "c"), "after it");
}

/// Two that begin in one folder at once must never take one another's part for a leftover.
TEST(WholeFile, ManyAtOnceInOneFolderAllSucceed) {
  const Scratch scratch;
  constexpr int kThreads = 4, kFiles = 60;
  std::atomic<int> failed = 0;
  std::vector<std::jthread> writers;
  for (int t = 0; t < kThreads; ++t)
    writers.emplace_back([&, t] {
      for (int i = 0; i < kFiles; ++i) {
        try {
          write_whole_file(scratch / std::to_string(i % 7), "by " + std::to_string(t));
        } catch (const std::exception&) {
          ++failed;
        }
      }
    });
  writers.clear();
  EXPECT_EQ(failed, 0);
  EXPECT_EQ(scratch.names().size(), 7u);
}

TEST(WholeFile, ASignalMeanwhileLeavesAllAsItWas) {
  const Scratch scratch;
  put(scratch / "a", "old");
  const pid_t child = ::fork();
  if (child == 0) {
    ::signal(SIGTERM, SIG_DFL);
    try {
      WholeFile file(scratch / "a");
      file.write("new");
      ::raise(SIGTERM);
      file.commit();
    } catch (const Interrupted& interrupted) {
      die_of(interrupted.signal_number);
    }
    ::_exit(0);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  EXPECT_TRUE(WIFSIGNALED(status));
  EXPECT_EQ(WTERMSIG(status), SIGTERM);
  EXPECT_EQ(bytes_of(scratch / "a"), "old");
  EXPECT_THAT(scratch.names(), ElementsAre("a"));
}

TEST(WholeFile, ASetWaitsForAnotherThatIsBeingPut) {
  const Scratch scratch;
  const int folder = ::open(scratch.folder().c_str(), O_RDONLY | O_DIRECTORY);
  ASSERT_EQ(::flock(folder, LOCK_EX), 0);
  std::atomic<bool> there = false;
  std::jthread other([&] {
    WholeFile file(scratch / "a"), list(scratch / "list");
    WholeFile* const one = &file;
    commit_all({&one, 1}, &list);
    there = true;
  });
  std::this_thread::sleep_for(std::chrono::milliseconds(30));
  EXPECT_FALSE(there);
  EXPECT_FALSE(fs::exists(scratch / "a"));
  ::close(folder);
  other.join();
  EXPECT_THAT(scratch.names(), ElementsAre("a", "list"));
}

}  // namespace
}  // namespace rackproof::files
