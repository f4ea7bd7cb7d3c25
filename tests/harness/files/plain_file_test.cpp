// Must hold: a plain file is read as it is; a pipe, a socket, a device, a folder and what is too large are refused at
// once, in words that name the file as it was given.
#include "harness/files/plain_file.hpp"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstring>

#include "harness/errors.hpp"
#include "tests/harness/refusal.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::files {
namespace {

using test::put;
using testing::AllOf;
using testing::HasSubstr;
using testing::StartsWith;

constexpr FileWanted kSmall{100, "a measurement", "'this' makes one"};

std::string refusal(const std::filesystem::path& file) {
  return test::refusal_of([&] { read_plain_file(file, kSmall); });
}

TEST(PlainFile, IsReadAsItIs) {
  const test::Scratch scratch;
  for (const std::string& text : {std::string(), std::string("a\r\n\0b", 5), std::string(100, 'x')}) {
    put(scratch / "f", text);
    EXPECT_EQ(read_plain_file(scratch / "f", kSmall), text);
    EXPECT_EQ(beginning_of(scratch / "f", 3), text.substr(0, 3));
  }
  std::filesystem::create_symlink("f", scratch / "link");
  EXPECT_EQ(read_plain_file(scratch / "link", kSmall), std::string(100, 'x'));
  put(scratch / "long", std::string(200'000, 'y'));
  EXPECT_EQ(read_plain_file(scratch / "long", {200'000}), std::string(200'000, 'y'));
  EXPECT_EQ(beginning_of(scratch / "none", 3), std::nullopt);
  EXPECT_EQ(beginning_of(scratch / "f" / "none", 3), std::nullopt);
}

TEST(PlainFile, IsRefusedWhereItIsNone) {
  const test::Scratch scratch;
  EXPECT_THAT(refusal(scratch / "none"),
              AllOf(StartsWith((scratch / "none").string()), HasSubstr("there is no such file; 'this' makes one")));
  EXPECT_THAT(refusal(scratch.folder()), HasSubstr("this is a folder; the name of a measurement is wanted"));
  EXPECT_THAT(refusal(scratch / std::string(300, 'n')), HasSubstr("there is no such file"));
  std::filesystem::create_symlink("loop", scratch / "loop");
  EXPECT_THAT(refusal(scratch / "loop"), HasSubstr("there is no such file"));
  put(scratch / "large", std::string(101, 'x'));
  EXPECT_THAT(refusal(scratch / "large"), HasSubstr("more than 100 bytes; a measurement is smaller"));
}

TEST(PlainFile, NeverWaitsForAPipeOrADevice) {
  const test::Scratch scratch;
  ASSERT_EQ(::mkfifo((scratch / "pipe").c_str(), 0600), 0);
  EXPECT_THAT(refusal(scratch / "pipe"), HasSubstr("this is a pipe, a socket or a device; a measurement in a plain"));
  EXPECT_THAT(refusal("/dev/zero"), HasSubstr("this is a pipe"));  // would never end
  EXPECT_THAT(refusal("/dev/null"), HasSubstr("this is a pipe"));
  EXPECT_THROW(beginning_of(scratch / "pipe", 1), InputError);
  const int held = ::socket(AF_UNIX, SOCK_STREAM, 0);
  sockaddr_un name{};
  name.sun_family = AF_UNIX;
  const std::string place = (scratch / "socket").string();
  ASSERT_LT(place.size(), sizeof name.sun_path);
  std::memcpy(name.sun_path, place.c_str(), place.size() + 1);
  ASSERT_EQ(::bind(held, reinterpret_cast<const sockaddr*>(&name), sizeof name), 0);
  EXPECT_THAT(refusal(scratch / "socket"), HasSubstr("this is a pipe"));
  ::close(held);
}

TEST(PlainFile, ThatCannotBeReadIsTheMachines) {
  if (!std::filesystem::exists("/proc/self/mem")) GTEST_SKIP() << "no such file here";
  try {
    read_plain_file("/proc/self/mem", kSmall);  // opens, and cannot be read at its beginning, even by root
    ADD_FAILURE() << "was read";
  } catch (const MachineError& error) {
    EXPECT_STREQ(error.what(), "/proc/self/mem: cannot be read: Input/output error");
  }
}

TEST(PlainFile, NamesAreShownWithoutControls) {
  EXPECT_THAT(refusal("no\x1b[2Jsuch\nfile"), StartsWith("no\\x1b[2Jsuch\\nfile: there is no such file"));
}

}  // namespace
}  // namespace rackproof::files
