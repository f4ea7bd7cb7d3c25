// Must hold: README's command for several machines, run as it stands there. Two servers of the test's own stand in for
// the machines; one ends midway, and so does the command. The same command again finishes without that one, and the
// files are those that one machine makes, byte for byte.
#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "tests/harness/scratch.hpp"

namespace {

namespace fs = std::filesystem;
using namespace rackproof::test;
using Clock = std::chrono::steady_clock;

/// The block of README.md that holds the command, without its fence.
std::string command_in_readme() {
  const std::string text = bytes_of(fs::path(RACKPROOF_SOURCE_DIR) / "README.md");
  const std::size_t inside = text.find("--sshlogin");
  const std::size_t from = text.rfind("```sh\n", inside) + 6;
  return inside == std::string::npos ? "" : text.substr(from, text.find("```", from) - from);
}

int free_port() {
  const int socket = ::socket(AF_INET, SOCK_STREAM, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  socklen_t size = sizeof address;
  auto* const plain = reinterpret_cast<sockaddr*>(&address);
  const bool bound = ::bind(socket, plain, size) == 0 && ::getsockname(socket, plain, &size) == 0;
  ::close(socket);
  return bound ? ntohs(address.sin_port) : 0;
}

/// A shell with a process group of its own.
pid_t start(const std::string& line) {
  const pid_t child = ::fork();
  if (child != 0) return child;
  ::setpgid(0, 0);
  const int nothing = ::open("/dev/null", O_RDONLY);
  ::dup2(nothing, STDIN_FILENO);
  ::execl("/bin/sh", "sh", "-c", line.c_str(), nullptr);
  ::_exit(127);
}
int ending_of(pid_t child) {
  int status = 0;
  ::waitpid(child, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}
int run(const std::string& line) { return ending_of(start(line)); }

/// Some put what they start into groups of its own, so they are found by who started them.
void collect_below(pid_t parent, std::vector<pid_t>& all) {
  std::ifstream children("/proc/" + std::to_string(parent) + "/task/" + std::to_string(parent) + "/children");
  for (pid_t child = 0; children >> child;) {
    all.push_back(child);
    collect_below(child, all);
  }
}
void end_with_all_below(pid_t top) {
  std::vector<pid_t> all{top};
  collect_below(top, all);
  for (const pid_t one : all) ::kill(one, SIGKILL);
  ending_of(top);
}

class SeveralMachines : public testing::Test {
 protected:
  void SetUp() override {
    for (const char* program : {"sshd", "ssh", "ssh-keygen", "parallel", "rsync"})
      ASSERT_EQ(run(std::string("PATH=$PATH:/usr/sbin command -v ") + program + " >/dev/null"), 0)
          << program << " is missing: .ci/install test";
    if (::geteuid() == 0) fs::create_directories("/run/sshd");  // where sshd wants a folder when it is root's
    const std::string key = "ssh-keygen -q -t ed25519 -N '' -f ";
    ASSERT_EQ(run(key + at("host") + " && " + key + at("person")), 0);
    fs::create_directories(scratch / "bin");
    fs::create_directories(scratch / "home/.parallel");
    put(scratch / "home/.parallel/will-cite", "");
    fs::create_symlink(RACKPROOF_PROGRAM, scratch / "bin/rackproof");
    std::string known = "Host rack1 rack2\n  HostName 127.0.0.1\n  IdentityFile " + at("person") +
                        "\n  UserKnownHostsFile " + at("known") + "\n  StrictHostKeyChecking no\n  LogLevel ERROR\n" +
                        "  ControlMaster auto\n  ControlPersist 60\n  ControlPath " + at("%n") + ".way\n";
    for (const std::string machine : {"rack1", "rack2"}) {
      fs::create_directories(scratch / machine);
      const int port = free_port();
      ASSERT_NE(port, 0);
      known += "Host " + machine + "\n  Port " + std::to_string(port) + "\n";
      put(scratch / (machine + ".conf"),
          "ListenAddress 127.0.0.1:" + std::to_string(port) + "\nHostKey " + at("host") + "\nAuthorizedKeysFile " +
              at("person.pub") +
              "\nStrictModes no\nUsePAM no\nPidFile none\nSetEnv HOME=" + at(machine) +  // no ~/.bashrc
              "\nForceCommand cd " + at(machine) + " && HOME=" + at(machine) + " PATH=" + at("bin") +
              ":$PATH exec sh -c \"$SSH_ORIGINAL_COMMAND\"\n");
      servers[machine] = start("exec /usr/sbin/sshd -D -f " + at(machine + ".conf") + " -E " + at(machine + ".log"));
    }
    put(scratch / "ssh.conf", known);
    for (const std::string machine : {"rack1", "rack2"}) {
      int status = 1;
      for (const auto until = Clock::now() + std::chrono::seconds(20); status != 0 && Clock::now() < until;)
        if ((status = run("ssh -F " + at("ssh.conf") + " " + machine + " true 2>/dev/null")) != 0)
          std::this_thread::sleep_for(std::chrono::milliseconds(50));
      ASSERT_EQ(status, 0) << bytes_of(scratch / (machine + ".log"));
    }
    fs::create_directories(scratch / "monday");
    fs::copy_file(fs::path(RACKPROOF_SOURCE_DIR) / "audio_fixtures/two-way-top.toml", scratch / "rig.toml");
    for (int i = 0; i < kRecordings; ++i)
      write_audio(scratch / ("monday/set " + std::to_string(i) + ".wav"), SF_FORMAT_WAV | SF_FORMAT_PCM_16, 2, 48000,
                  noise(2 * 4800 * static_cast<std::size_t>(i + 1), static_cast<unsigned>(i)));
  }
  void TearDown() override {
    for (const auto& [machine, server] : servers) end(machine);
  }
  /// What was asked of a machine goes on there when the one who asked has ended.
  bool is_at_rest(const std::string& machine) {
    std::vector<pid_t> all;
    collect_below(servers[machine], all);
    return std::all_of(all.begin(), all.end(), [](pid_t one) {
      const std::string name = bytes_of("/proc/" + std::to_string(one) + "/comm");
      return name.empty() || name == "sshd\n";
    });
  }
  void end(const std::string& machine) {
    if (servers[machine] > 0) end_with_all_below(std::exchange(servers[machine], 0));
  }
  std::string at(const std::string& name) const { return (scratch / name).string(); }
  std::string with_surroundings(const std::string& command) const {
    return "cd " + scratch.folder().string() + " && export HOME=" + at("home") + " PATH=" + at("bin") +
           ":$PATH PARALLEL_SSH='ssh -F " + at("ssh.conf") + "' && " + command;
  }
  std::size_t sets_in_place() const {
    std::size_t sets = 0;
    for (int i = 0; i < kRecordings; ++i)
      sets += fs::exists(scratch / ("out/set " + std::to_string(i)) / "render.json") ? 1 : 0;
    return sets;
  }
  /// What a killed rsync had on its way stays, under a name that begins with a dot; README.md says so.
  static std::map<std::string, std::string> files_in(const fs::path& folder) {
    std::map<std::string, std::string> files;
    for (const auto& entry : fs::recursive_directory_iterator(folder))
      if (entry.is_regular_file() && !entry.path().filename().string().starts_with('.'))
        files[fs::relative(entry.path(), folder).string()] = bytes_of(entry.path());
    return files;
  }

  /// The names of those that one folder has and the other has not, or not the same.
  static std::vector<std::string> unlike(const std::map<std::string, std::string>& one,
                                         const std::map<std::string, std::string>& other) {
    std::vector<std::string> names;
    for (const auto& [name, bytes] : one)
      if (const auto twin = other.find(name); twin == other.end() || twin->second != bytes) names.push_back(name);
    for (const auto& [name, bytes] : other)
      if (!one.contains(name)) names.push_back(name);
    return names;
  }

  static constexpr int kRecordings = 4;
  const Scratch scratch;
  std::map<std::string, pid_t> servers;
};

TEST_F(SeveralMachines, MakeTheFilesThatOneMakesThoughOneOfThemEndsMidway) {
  std::string command = command_in_readme();
  const std::size_t at_once = command.find("4/rack1,4/rack2");
  ASSERT_NE(at_once, std::string::npos) << "README.md has another command: " << command;
  command.replace(at_once, 15, "1/rack1,1/rack2");  // so that there is a midway

  ASSERT_EQ(run(with_surroundings("rackproof render rig.toml monday/*.wav -o alone --quiet")), 0);
  const pid_t first = start(with_surroundings("{ " + command + "} 2>first.log"));
  for (const auto until = Clock::now() + std::chrono::seconds(60); sets_in_place() == 0 && Clock::now() < until;)
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
  EXPECT_GE(sets_in_place(), 1u) << bytes_of(scratch / "first.log");
  end("rack2");
  end_with_all_below(first);
  const std::size_t before = sets_in_place();
  EXPECT_LT(before, static_cast<std::size_t>(kRecordings)) << "it was over before it could be ended";
  for (const auto until = Clock::now() + std::chrono::seconds(60); !is_at_rest("rack1") && Clock::now() < until;)
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
  ASSERT_TRUE(is_at_rest("rack1"));

  EXPECT_EQ(run(with_surroundings("{ " + command + "} 2>second.log")), 0) << bytes_of(scratch / "second.log");
  EXPECT_THAT(unlike(files_in(scratch / "out"), files_in(scratch / "alone")), testing::IsEmpty());
  EXPECT_EQ(files_in(scratch / "alone").size(), static_cast<std::size_t>(kRecordings) * 5);
  // What is whole is left alone; what was ended between two of its files is not whole, though render.json is there.
  const auto written = fs::last_write_time(scratch / "out/set 0/render.json");
  fs::create_directories(scratch / "out/set 1/.~tmp~");
  fs::rename(scratch / "out/set 1/low.left.wav", scratch / "out/set 1/.~tmp~/low.left.wav");
  EXPECT_EQ(run(with_surroundings("{ " + command + "} 2>third.log")), 0) << bytes_of(scratch / "third.log");
  EXPECT_EQ(fs::last_write_time(scratch / "out/set 0/render.json"), written);
  EXPECT_THAT(unlike(files_in(scratch / "out"), files_in(scratch / "alone")), testing::IsEmpty());
  // A run that comes to its end leaves nothing on the machine: what is there is of the one that was ended.
  const std::size_t left = files_in(scratch / "rack1").size();
  fs::remove_all(scratch / "out");
  EXPECT_EQ(run(with_surroundings("{ " + command + "} 2>fourth.log")), 0) << bytes_of(scratch / "fourth.log");
  EXPECT_THAT(unlike(files_in(scratch / "out"), files_in(scratch / "alone")), testing::IsEmpty());
  EXPECT_EQ(files_in(scratch / "rack1").size(), left);
}

}  // namespace
