#pragma once
/// A JACK server of the test's own, the program on it, and a client that plays into it and records what comes out.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <functional>
#include <iostream>
#include <limits>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "harness/live/jack_library.hpp"
#include "tests/harness/live/played.hpp"
#include "tests/harness/scratch.hpp"
#include "tests/sanitized.hpp"

namespace rackproof::live::test {

using Words = std::vector<std::string>;
inline bool there_is_a_server() { return std::system("command -v jackd >/dev/null 2>&1") == 0; }

/// With a rig file in a folder of its own; skipped where there is no server.
class WithAServer : public testing::Test {
 protected:
  void SetUp() override {
    if (rackproof::test::kSanitized) GTEST_SKIP() << "a server's library leaks, and the sanitizer tells of it";
    if (!there_is_a_server()) GTEST_SKIP() << "no jackd here: install jackd2";
    rackproof::test::put(scratch_ / "rig.toml", two_way());
    ::alarm(120);  // a server that hangs holds its clients; all goes with this program then
  }
  void TearDown() override {
    ::alarm(0);
    if (!HasFailure()) return;
    for (const char* file : {"jackd.out", "jackd.err", "out", "err"})
      std::cout << "-- " << file << ":\n" << rackproof::test::bytes_of(scratch_ / file);
  }
  rackproof::test::Scratch scratch_;
};

inline bool soon(const std::function<bool()>& holds, double seconds = 10) {
  const auto limit = std::chrono::steady_clock::now() + std::chrono::duration<double>(seconds);
  while (!holds()) {
    if (std::chrono::steady_clock::now() > limit) return false;
    std::this_thread::sleep_for(std::chrono::milliseconds(2));
  }
  return true;
}
inline void pause_ms(int ms) { std::this_thread::sleep_for(std::chrono::milliseconds(ms)); }

/// A program with its output in files; ended with this object.
class Process {
 public:
  Process(const Words& words, const std::filesystem::path& out, const std::filesystem::path& err) {
    pid_ = ::fork();
    if (pid_ != 0) return;
    ::prctl(PR_SET_PDEATHSIG, SIGTERM);  // nothing outlives a test that is ended
    const auto to = [](const std::filesystem::path& file, int stream) {
      const int descriptor = ::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
      ::dup2(descriptor, stream);
    };
    to(out, 1);
    to(err, 2);
    ::dup2(::open("/dev/null", O_RDONLY), 0);
    std::vector<char*> arguments;
    for (const std::string& word : words) arguments.push_back(const_cast<char*>(word.c_str()));
    arguments.push_back(nullptr);
    ::execvp(arguments[0], arguments.data());
    ::_exit(127);
  }
  ~Process() {
    if (!ended()) {
      tell(SIGCONT);
      tell(SIGTERM);
      if (!soon([this] { return ended(); }, 5)) tell(SIGKILL);
      static_cast<void>(end());
    }
  }
  Process(const Process&) = delete;
  Process& operator=(const Process&) = delete;
  pid_t pid() const { return pid_; }
  void tell(int signal) const {
    if (!status_) ::kill(pid_, signal);
  }
  bool ended() {
    int how = 0;
    if (!status_ && ::waitpid(pid_, &how, WNOHANG) == pid_)
      status_ = WIFEXITED(how) ? WEXITSTATUS(how) : 128 + WTERMSIG(how);
    return status_.has_value();
  }
  /// Its exit status; -1: it did not end.
  int end(double seconds = 10) {
    return soon([this] { return ended(); }, seconds) ? *status_ : -1;
  }

 private:
  pid_t pid_ = 0;
  std::optional<int> status_;
};

/// Where threads get no real-time priority, a busy machine loses periods.
inline bool is_real_time_allowed() {
  const std::array<const char*, 5> words{"chrt", "-f", "10", "true", nullptr};
  const pid_t pid = ::fork();
  if (pid == 0) {
    ::execvp(words[0], const_cast<char* const*>(words.data()));
    ::_exit(127);
  }
  int how = 0;
  return ::waitpid(pid, &how, 0) == pid && WIFEXITED(how) && WEXITSTATUS(how) == 0;
}

/// jackd with its dummy driver, under a name of its own.
class Server {
 public:
  Server(const std::filesystem::path& folder, std::uint32_t period, const Words& before = {"-R"},
         std::uint32_t rate = 48'000, const std::string& name = {})
      : name_(!name.empty() ? name : "rackproof-test-" + std::to_string(::getpid()) + "-" + std::to_string(++count())) {
    Words words{"jackd", "-n", name_, "--no-mlock"};
    words.insert(words.end(), before.begin(), before.end());
    for (const std::string& word :
         Words{"-d", "dummy", "-r", std::to_string(rate), "-p", std::to_string(period), "-C", "2", "-P", "8"})
      words.push_back(word);
    process_.emplace(words, folder / "jackd.out", folder / "jackd.err");
    const JackLibrary& jack = jack_library();
    jack.set_error_function([](const char*) {});
    jack.set_info_function([](const char*) {});
    runs_ = soon([&] {
              jack_client_t* const client = jack.client_open("probe", options(), nullptr, name_.c_str());
              if (client == nullptr) return process_->ended();
              jack.client_close(client);
              return true;
            }) &&
            !process_->ended();
  }
  ~Server() {
    process_.reset();
    std::error_code ignored;  // what a killed one leaves
    for (const auto& entry : std::filesystem::directory_iterator("/dev/shm", ignored))
      if (entry.path().filename().string().find("_" + name_ + "_") != std::string::npos)
        std::filesystem::remove(entry.path(), ignored);
  }
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;
  bool runs() const { return runs_; }
  const std::string& name() const { return name_; }
  Process& process() { return *process_; }
  static jack_options_t options() { return static_cast<jack_options_t>(JackNoStartServer | JackServerName); }

 private:
  static int& count() {
    static int all = 0;
    return all;
  }
  std::string name_;
  std::optional<Process> process_;
  bool runs_ = false;
};

/// `rackproof live rig.toml` in a folder.
class Program {
 public:
  /// `server`: empty, the usual one. `before`: what starts the program.
  Program(const std::filesystem::path& folder, const std::string& server, Words more = {}, const Words& before = {})
      : folder_(folder),
        socket_(folder / "s"),
        process_(words_for(folder, server, std::move(more), before), folder / "out", folder / "err") {}
  Process& process() { return process_; }
  std::string said() const {
    return rackproof::test::bytes_of(folder_ / "out") + rackproof::test::bytes_of(folder_ / "err");
  }

  std::string ask(const std::string& line) const {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, socket_.c_str(), sizeof address.sun_path - 1);
    const int socket = ::socket(AF_UNIX, SOCK_STREAM, 0);
    std::string text;
    const timeval limit{5, 0};
    ::setsockopt(socket, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    if (::connect(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0 &&
        ::send(socket, (line + "\n").data(), line.size() + 1, MSG_NOSIGNAL) > 0) {
      std::array<char, 65536> bytes{};
      while (!text.ends_with('\n')) {
        const ssize_t count = ::recv(socket, bytes.data(), bytes.size(), 0);
        if (count <= 0) break;
        text.append(bytes.data(), static_cast<std::size_t>(count));
      }
    }
    ::close(socket);
    if (text.ends_with('\n')) text.pop_back();
    return text;
  }
  nlohmann::json state() const { return nlohmann::json::parse(ask("state"), nullptr, false); }
  template <class Value>
  bool comes_to(const char* key, const Value& value, double seconds = 10) {
    return soon(
               [&] {
                 if (process_.ended()) return true;
                 const nlohmann::json now = state();
                 return now.is_object() && now.contains(key) && now[key] == value;
               },
               seconds) &&
           !process_.ended();
  }
  bool says(const std::string& words, double seconds = 10) const {
    return soon([&] { return said().find(words) != std::string::npos; }, seconds);
  }

 private:
  static Words words_for(const std::filesystem::path& folder, const std::string& server, Words more,
                         const Words& before) {
    Words words = before;
    words.insert(words.end(),
                 {RACKPROOF_PROGRAM, "live", (folder / "rig.toml").string(), "--socket", (folder / "s").string()});
    if (!server.empty()) words.insert(words.end(), {"--server", server});
    // A busy machine holds a program up for longer than the guard likes: where that is not what is tested it waits.
    if (std::ranges::find(more, "--stall") == more.end()) more.insert(more.end(), {"--stall", "1 s"});
    words.insert(words.end(), more.begin(), more.end());
    return words;
  }
  std::filesystem::path folder_, socket_;
  Process process_;
};

/// Plays rows into the program's inputs and records its outputs from the same cycle on; one client for each.
class Drive {
 public:
  static constexpr std::size_t kMostKept = 4'800'000;  ///< frames of a recording; of a longer one the last

  /// `sources`: what is recorded; empty: the program's outputs, in the order of its ports.
  Drive(const std::string& server, const std::vector<std::vector<float>>& rows, std::size_t total,
        const Words& sources = {}, bool repeats = false)
      : rows_(rows), total_(total), repeats_(repeats) {
    play_ = jack_.client_open("player", Server::options(), nullptr, server.c_str());
    record_ = jack_.client_open("recorder", Server::options(), nullptr, server.c_str());
    if (play_ == nullptr || record_ == nullptr) return;
    const Words inputs = ports(JackPortIsInput), outputs = sources.empty() ? ports(JackPortIsOutput) : sources;
    for (std::size_t i = 0; i < inputs.size(); ++i)
      play_ports_.push_back(jack_.port_register(play_, ("out" + std::to_string(i)).c_str(), JACK_DEFAULT_AUDIO_TYPE,
                                                JackPortIsOutput, 0));
    for (std::size_t i = 0; i < outputs.size(); ++i) {
      record_ports_.push_back(jack_.port_register(record_, ("in" + std::to_string(i)).c_str(), JACK_DEFAULT_AUDIO_TYPE,
                                                  JackPortIsInput, 0));
      got.emplace_back(std::min(total, kMostKept), 0.0f);
      peaks.push_back(0);
    }
    jack_.set_process_callback(
        play_, [](jack_nframes_t n, void* a) { return static_cast<Drive*>(a)->play(n); }, this);
    jack_.set_process_callback(
        record_, [](jack_nframes_t n, void* a) { return static_cast<Drive*>(a)->record(n); }, this);
    jack_.set_freewheel_callback(
        record_, [](int begins, void* a) { static_cast<Drive*>(a)->wheels_ = begins != 0; }, this);
    if (jack_.activate(play_) != 0 || jack_.activate(record_) != 0) return;
    ready_ = true;
    for (std::size_t i = 0; i < inputs.size(); ++i) join(jack_.port_name(play_ports_[i]), inputs[i]);
    for (std::size_t i = 0; i < outputs.size(); ++i) join(outputs[i], jack_.port_name(record_ports_[i]));
  }
  ~Drive() {
    for (jack_client_t* const client : {play_, record_})
      if (client != nullptr) jack_.deactivate(client);
    for (jack_client_t* const client : {play_, record_})
      if (client != nullptr) jack_.client_close(client);
  }
  Drive(const Drive&) = delete;
  Drive& operator=(const Drive&) = delete;
  bool ready() const { return ready_; }
  void join(const std::string& source, const std::string& sink) {
    ready_ = ready_ && jack_.connect(record_, source.c_str(), sink.c_str()) == 0;
  }
  /// The graph is left alone for a while before and after: a server takes connections up between cycles.
  bool freewheel(bool on) {
    pause_ms(100);
    const bool done = jack_.set_freewheel(record_, on ? 1 : 0) == 0 && soon([&] { return wheels_ == on; });
    pause_ms(100);
    return done;
  }
  void go() { go_ = true; }
  std::size_t recorded() const { return recorded_; }
  bool done(double seconds = 30) {
    return soon([this] { return recorded_ >= total_; }, seconds);
  }
  bool set_period(std::uint32_t frames) { return jack_.set_buffer_size(record_, frames) == 0; }
  Words connected_to(const std::string& port) const {
    return names_in(jack_, jack_.port_get_all_connections(record_, jack_.port_by_name(record_, port.c_str())));
  }

  std::vector<std::vector<float>> got;  ///< a row an output
  std::vector<float> peaks;             ///< of all that was recorded; infinity where a sample was not finite

 private:
  Words ports(unsigned long flags) const {
    return names_in(jack_, jack_.get_ports(record_, "^rackproof:", JACK_DEFAULT_AUDIO_TYPE, flags));
  }
  int play(jack_nframes_t frames) {
    const jack_nframes_t now = jack_.last_frame_time(play_);
    if (!started_ && go_) {
      started_ = true;
      origin_ = now;
      has_origin_ = true;
    }
    const std::size_t length = rows_[0].size();
    for (std::size_t i = 0; i < play_ports_.size(); ++i) {
      auto* const out = static_cast<float*>(jack_.port_get_buffer(play_ports_[i], frames));
      const std::vector<float>& row = rows_[i % rows_.size()];
      for (std::size_t n = 0; n < frames; ++n) {
        const std::size_t at = repeats_ ? (played_ + n) % length : played_ + n;
        out[n] = started_ && at < length ? row[at] : 0.0f;
      }
    }
    if (started_) played_ += frames;
    return 0;
  }
  int record(jack_nframes_t frames) {
    const jack_nframes_t now = jack_.last_frame_time(record_);
    if (!has_origin_ || static_cast<std::int32_t>(now - origin_) < 0) return 0;
    const std::size_t at = recorded_, count = std::min<std::size_t>(frames, total_ - at);
    for (std::size_t i = 0; i < record_ports_.size(); ++i) {
      const auto* const from = static_cast<const float*>(jack_.port_get_buffer(record_ports_[i], frames));
      for (std::size_t n = 0; n < count; ++n) {
        got[i][(at + n) % kMostKept] = from[n];
        const float size = std::isfinite(from[n]) ? std::fabs(from[n]) : std::numeric_limits<float>::infinity();
        peaks[i] = std::max(peaks[i], size);
      }
    }
    recorded_ = at + count;
    return 0;
  }

  const JackLibrary& jack_ = jack_library();
  std::vector<std::vector<float>> rows_;
  std::size_t total_, played_ = 0;
  bool repeats_, started_ = false, ready_ = false;
  jack_client_t *play_ = nullptr, *record_ = nullptr;
  std::vector<jack_port_t*> play_ports_, record_ports_;
  std::atomic<bool> go_{false}, has_origin_{false}, wheels_{false};
  std::atomic<jack_nframes_t> origin_{0};
  std::atomic<std::size_t> recorded_{0};
};

}  // namespace rackproof::live::test
