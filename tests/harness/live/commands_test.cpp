// Must hold: what commands.hpp says of a line, and the theorem of command_socket.hpp.
#include "harness/live/commands.hpp"

#include <gtest/gtest.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstring>
#include <string>
#include <vector>

#include "harness/live/command_socket.hpp"
#include "tests/harness/refusal.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::put;
using rackproof::test::refusal_of;
using rackproof::test::Scratch;

TEST(LiveCommands, AreAWordAndWhatItIsOf) {
  const auto is = [](const char* line, Word word, const std::string& of) {
    const Command command = command_of(line);
    EXPECT_EQ(command.word, word) << line;
    EXPECT_EQ(command.of, of) << line;
  };
  is("mute", Word::mute, "");
  is("  mute   high.left \r", Word::mute, "high.left");
  is("unmute\thigh.left", Word::unmute, "high.left");
  is("venue tonight in the hall.toml", Word::venue, "tonight in the hall.toml");
  is("bypass none", Word::bypass, "none");
  is("reload", Word::reload, "");
  is("state", Word::state, "");
  is("quit", Word::quit, "");
}

TEST(LiveCommands, WhatIsNoneIsRefusedWithWhatThereIs) {
  for (const char* line :
       {"", "   ", "mut", "muted", "MUTE", "venue", "bypass", "reload it", "state now", "quit 1", "\x1b[2J"}) {
    const std::string said = refusal_of([&] { command_of(line); });
    EXPECT_NE(said.find("right would be one of: mute [OUTPUT]"), said.npos) << line << ": " << said;
    EXPECT_EQ(said.find('\x1b'), said.npos);
  }
}

TEST(LiveLines, ComeWholeHoweverTheyAreCut) {
  const std::string text = "mute\nstate\n\nunmute high.left\n";
  for (std::size_t piece = 1; piece <= text.size(); ++piece) {
    Lines lines;
    std::vector<std::string> all;
    for (std::size_t at = 0; at < text.size(); at += piece)
      ASSERT_TRUE(
          lines.add(std::string_view(text).substr(at, piece), [&](const std::string& one) { all.push_back(one); }));
    EXPECT_EQ(all, (std::vector<std::string>{"mute", "state", "", "unmute high.left"})) << piece;
  }
  Lines lines;
  const auto nothing = [](const std::string&) {};
  EXPECT_TRUE(lines.add(std::string(Lines::kMostLine, 'x'), nothing));
  EXPECT_FALSE(lines.add("x", nothing));
  Lines others;
  std::string line(Lines::kMostLine, 'x');
  line.push_back('\n');
  EXPECT_TRUE(others.add(line, nothing));
  EXPECT_FALSE(others.add("x" + line, nothing));
}

int joined(const std::filesystem::path& place) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::strncpy(address.sun_path, place.c_str(), sizeof address.sun_path - 1);
  const int socket = ::socket(AF_UNIX, SOCK_STREAM, 0);
  if (::connect(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0) return socket;
  ::close(socket);
  return -1;
}
std::string heard(int socket) {
  std::string text(4096, '\0');
  const ssize_t count = ::recv(socket, text.data(), text.size(), MSG_DONTWAIT);
  text.resize(count > 0 ? static_cast<std::size_t>(count) : 0);
  return text;
}
const std::string kTwice = "aa";
std::string echoed(const std::string& line) { return line + line; }

TEST(LiveSocket, AnswersEachLineToWhoAsked) {
  const Scratch scratch;
  const auto place = scratch / "live.sock";
  CommandSocket socket(place);
  struct stat facts {};
  ASSERT_EQ(::stat(place.c_str(), &facts), 0);
  EXPECT_EQ(facts.st_mode & 0777, 0600u);
  const int first = joined(place), second = joined(place);
  ASSERT_GE(first, 0);
  ASSERT_EQ(::send(first, "a\nb", 3, 0), 3);
  ASSERT_EQ(::send(second, "c\n", 2, 0), 2);
  socket.serve(echoed);
  EXPECT_EQ(heard(first), kTwice + "\n");
  EXPECT_EQ(heard(second), "cc\n");
  ASSERT_EQ(::send(first, "\n", 1, 0), 1);
  socket.serve(echoed);
  EXPECT_EQ(heard(first), "bb\n");
  ::close(first);
  socket.serve(echoed);
  std::vector<pollfd> waited;
  socket.add_to(waited);
  EXPECT_EQ(waited.size(), 2u) << "the socket itself and one that is still there";
  ::close(second);
}

TEST(LiveSocket, ATooLongLineEndsItsConnectionAndTooManyAreClosed) {
  const Scratch scratch;
  CommandSocket socket(scratch / "live.sock");
  std::vector<int> all;
  for (std::size_t i = 0; i < CommandSocket::kMostConnections + 2; ++i) {
    all.push_back(joined(scratch / "live.sock"));
    socket.serve(echoed);
  }
  std::vector<pollfd> waited;
  socket.add_to(waited);
  EXPECT_EQ(waited.size(), CommandSocket::kMostConnections + 1);
  const std::string long_line(5000, 'x');
  ASSERT_EQ(::send(all[0], long_line.data(), long_line.size(), 0), 5000);
  socket.serve(echoed);
  socket.serve(echoed);
  waited.clear();
  socket.add_to(waited);
  EXPECT_EQ(waited.size(), CommandSocket::kMostConnections);
  for (const int one : all) ::close(one);
}

TEST(LiveSocket, TakesOverWhatIsLeftAndRefusesWhatIsInUseOrNoSocket) {
  const Scratch scratch;
  const auto place = scratch / "live.sock";
  {
    CommandSocket socket(place);
    EXPECT_NE(refusal_of([&] { CommandSocket another(place); }).find("in use"), std::string::npos);
    EXPECT_TRUE(std::filesystem::exists(place));
  }
  EXPECT_FALSE(std::filesystem::exists(place)) << "it goes with the program";
  {  // what a program that was killed leaves: a name, and nobody listens
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, place.c_str(), sizeof address.sun_path - 1);
    const int left = ::socket(AF_UNIX, SOCK_STREAM, 0);
    ASSERT_EQ(::bind(left, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
    ::close(left);
  }
  { CommandSocket socket(place); }
  put(scratch / "file", "kept");
  EXPECT_NE(refusal_of([&] { CommandSocket socket(scratch / "file"); }).find("no socket"), std::string::npos);
  EXPECT_EQ(rackproof::test::bytes_of(scratch / "file"), "kept");
  EXPECT_NE(refusal_of([&] { CommandSocket socket(scratch / std::string(200, 'x')); }).find("--socket"),
            std::string::npos);
}

}  // namespace
}  // namespace rackproof::live
