// Must hold, for every verb: whatever call of the machine fails, the program says the reason and ends with 3, or it ends
// with 0 and has done what it does without the fault. Old files stay whole, a set is old or new, and nothing temporary
// is left. Killed at any call that changes a file, each file is old or new and whole, a set that has its list is whole,
// and the next run does its work and removes what was left.
//
// The calls fail one at a time, the first, the second and so on until a run comes to its end without a fault. Here some
// of many are tried; all of them with RACKPROOF_FAULTS=all in the environment (of thousands of allocations 300 a verb).
// What was tried is printed.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdlib>
#include <iostream>
#include <map>
#include <nlohmann/json.hpp>
#include <set>
#include <string>
#include <vector>

#include "tests/faults/calls.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::faults {
namespace {

namespace fs = std::filesystem;
using namespace rackproof::test;
using nlohmann::json;

/// All invented. Short look-aheads, so that little is to be computed.
const std::string kRig = R"(format = 1
title = "a rig of the tests"
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
main = 1
[amplifier.small]
ratings = [ { power = "500 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "200 W"
sensitivity = "98 dB"
[driver.horn]
impedance = "8 ohm"
continuous_power = "60 W"
sensitivity = "104 dB"
[system]
eq = [ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ]
[crossover]
points = [ { at = "1 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
[[way]]
name = "low"
amplifier = "small"
driver = "cone"
highpass = { at = "60 Hz", alignment = "butterworth", slope = "24 dB/oct" }
limit = { below_clip = "2 dB", look_ahead = "0.5 ms" }
thermal = { below_rating = "1 dB" }
[[way]]
name = "high"
amplifier = "small"
driver = "horn"
limit = { below_clip = "6 dB", look_ahead = "0.5 ms" }
)";
const std::string kVenue = "format = 1\ntitle = \"a room\"\n[venue]\ngain = \"-3 dB\"\n";

struct Ended {
  int status = 0;  ///< negative: of a signal
  std::string out, err;
};
struct Fault {
  std::string_view call;  ///< of kCallNames, or "signal"
  std::uint64_t number = 0;
  int error = EIO;  ///< or the signal
};

/// What a file may hold, by its name below the folder.
using Tree = std::map<std::string, std::string>;

struct Verb {
  std::string name, command;
  std::size_t runs_a_call = 3;  ///< that are tried of many
  bool one_set = false;         ///< with a list: all files are old, or all are new
  bool no_list = false;         ///< several files without one: a kill may leave the first ones new, until the next run
  bool is_slow = false;         ///< a second or more; and what it prints or writes is not the same twice
  std::string keeps = {};       ///< where what it replaces goes first: killed, it may have done that alone
};
void PrintTo(const Verb& verb, std::ostream* out) { *out << verb.command; }  // NOLINT: GoogleTest's name
/// Those that the program has; each leaves what it writes in `out`, and finds an older one there.
const std::vector<Verb>& verbs() {
  static const std::vector<Verb> all{
      {.name = "plan", .command = "plan rig.toml --venue venue.toml"},
      {.name = "render", .command = "render rig.toml in.wav -o out/set --jobs 1 --json --quiet", .one_set = true},
      {.name = "render_anew",
       .command = "render rig.toml in.flac -o out/new/deep --jobs 1 --quiet --venue venue.toml",
       .one_set = true},
      {.name = "render_many",
       .command = "render rig.toml in.wav short.wav -o out/many --jobs 2 --subtype pcm24 --quiet",
       .runs_a_call = 2},
      {.name = "render_heard",
       .command = "render rig.toml in.wav -o out/heard --listen out/heard/heard.wav --jobs 1 --quiet",
       .runs_a_call = 2,
       .one_set = true},
      {.name = "compare",
       .command = "compare rig.toml old.toml --quiet --report out/both.html",
       .runs_a_call = 1,
       .is_slow = true},
      {.name = "prove", .command = "prove rig.toml --quiet --report out/proof.html", .runs_a_call = 1, .is_slow = true},
      {.name = "stimulus",
       .command = "stimulus burst -o out/tone.wav --seconds 0.02 --sample-rate 8000 --frequency 997",
       .one_set = true},
      {.name = "measure",
       .command = "measure --sent sent.wav --captured heard.wav -o out/m.json --quiet",
       .runs_a_call = 2,
       .one_set = true},
      {.name = "flatten",
       .command = "flatten m.json --into out/venue.toml --from 200 --to 4000 --points 2 --quiet",
       .runs_a_call = 2,
       .one_set = true},
      {.name = "align",
       .command = "align rig.toml --way low=low.json --way high=high.json --into out/aligned.toml --quiet",
       .runs_a_call = 2,
       .one_set = true,
       .no_list = true},
      {.name = "align_unsealed",
       .command = "align rig.toml --way low=low.json --way high=high.json --into out/rig.toml --unseal --quiet",
       .runs_a_call = 2,
       .one_set = true,
       .no_list = true,
       .keeps = "out/rig.kept-1.toml"},
      {.name = "seal", .command = "seal out/rig.toml --again --json", .one_set = true},
      {.name = "drift", .command = "drift out/rig.toml"},
      {.name = "export", .command = "export rig.toml -o out/firmware --core --quiet", .one_set = true},
      {.name = "export_anew",
       .command = "export rig.toml -o out/fresh/firmware --venue venue.toml --quiet",
       .one_set = true},
      {.name = "budget", .command = "budget rig.toml --json --quiet", .runs_a_call = 1, .is_slow = true},
      {.name = "help", .command = "help render --format man", .runs_a_call = 2},
  };
  return all;
}

std::vector<std::string> words_of(const std::string& command) {
  std::vector<std::string> words;
  for (std::size_t at = 0; at < command.size();) {
    const std::size_t end = std::min(command.find(' ', at), command.size());
    words.push_back(command.substr(at, end - at));
    at = end + 1;
  }
  return words;
}

/// The folder in which all of it happens, with what the verbs read, and what the library counts.
class Bench {
 public:
  Bench() {
    put(scratch_ / "calls", std::string(sizeof(Calls), '\0'));
    const int descriptor = ::open((scratch_ / "calls").c_str(), O_RDWR | O_CLOEXEC);
    calls_ = static_cast<Calls*>(::mmap(nullptr, sizeof(Calls), PROT_READ | PROT_WRITE, MAP_SHARED, descriptor, 0));
    ::close(descriptor);
    fs::create_directories(place() / "out/set");
    put(place() / "rig.toml", kRig);
    put(place() / "venue.toml", kVenue);
    write_audio(place() / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, noise(400, 1));
    write_audio(place() / "in.flac", SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 1, 48000, noise(400, 2));
    write_audio(place() / "short.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1, 48000, noise(100, 3));
    const std::vector<float> sent = noise(26000, 4);
    std::vector<float> later(40);
    for (const float x : sent) later.push_back(0.5f * x);
    write_audio(place() / "sent.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1, 48000, sent);
    write_audio(place() / "heard.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1, 48000, later);
  }
  ~Bench() { ::munmap(calls_, sizeof(Calls)); }
  Bench(const Bench&) = delete;
  Bench& operator=(const Bench&) = delete;

  fs::path place() const { return scratch_ / "place"; }
  const Calls& calls() const { return *calls_; }

  Ended run(const std::string& command, const Fault& fault, rlim_t most_bytes_of_a_file = RLIM_INFINITY) {
    new (calls_) Calls();
    const pid_t child = ::fork();
    if (child == 0) {
      std::vector<std::string> words = words_of(command);
      words.insert(words.begin(), RACKPROOF_PROGRAM);
      std::vector<char*> argv;
      for (std::string& word : words) argv.push_back(word.data());
      argv.push_back(nullptr);
      if (::chdir(place().c_str()) != 0) ::_exit(126);
      for (const int number : {SIGINT, SIGTERM, SIGHUP, SIGXFSZ})
        ::signal(number, SIG_DFL);  // not as in a background job
      ::dup2(::open((scratch_ / "stdout").c_str(), O_CREAT | O_TRUNC | O_WRONLY, 0600), STDOUT_FILENO);
      ::dup2(::open((scratch_ / "stderr").c_str(), O_CREAT | O_TRUNC | O_WRONLY, 0600), STDERR_FILENO);
      ::closefrom(3);
      const std::string what =
          std::string(fault.call) + ":" + std::to_string(fault.number) + ":" + std::to_string(fault.error);
      ::setenv("LD_PRELOAD", RACKPROOF_FAILING_CALLS, 1);
      ::setenv("RACKPROOF_FAULT", what.c_str(), 1);
      ::setenv("RACKPROOF_CALLS", (scratch_ / "calls").c_str(), 1);
      ::setenv("ASAN_OPTIONS", "verify_asan_link_order=0:detect_leaks=0", 1);
      ::setenv("TMPDIR", place().c_str(), 1);
      const rlimit limit{most_bytes_of_a_file, most_bytes_of_a_file};
      ::setrlimit(RLIMIT_FSIZE, &limit);
      ::alarm(60);  // one that hangs
      ::execv(argv[0], argv.data());
      ::_exit(127);
    }
    int status = 0;
    ::waitpid(child, &status, 0);
    return {WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status), bytes_of(scratch_ / "stdout"),
            bytes_of(scratch_ / "stderr")};
  }
  Ended run(const std::string& command) { return run(command, {"open", 0, 0}); }

  Tree tree() const {
    Tree tree;
    for (const auto& entry : fs::recursive_directory_iterator(place())) {
      const std::string name = fs::relative(entry.path(), place()).string();
      tree[name] = entry.is_directory() ? "a folder" : bytes_of(entry.path());
    }
    return tree;
  }
  /// As it was, whatever has happened.
  void restore(const Tree& before) {
    const Tree now = tree();
    for (auto entry = now.rbegin(); entry != now.rend(); ++entry)
      if (!before.contains(entry->first)) fs::remove(place() / entry->first);
    for (const auto& [name, content] : before) {
      if (const auto found = now.find(name); found != now.end() && found->second == content) continue;
      if (content == "a folder")
        fs::create_directories(place() / name);
      else
        put(place() / name, content);
    }
  }

 private:
  const Scratch scratch_;
  Calls* calls_ = nullptr;
};

/// What is the same in two runs.
std::string comparable(const Verb& verb, const std::string& out) {
  if (verb.is_slow) return {};
  json document = json::parse(out, nullptr, false);
  if (!document.is_object()) return out;
  document.erase("realtime_factor");
  document.erase("warnings");  // what stood there before
  return document.dump();
}

/// Files that are to be written: how many are as before, and how many as they will be. What is neither is a failure.
struct OldAndNew {
  std::size_t old_ones = 0, new_ones = 0;
};

struct Tally {
  std::map<std::string, std::map<std::string, std::size_t>> faults;
  std::map<std::string, std::size_t> kills, signals, calls;
};
Tally& tally() {
  static Tally all;
  return all;
}

class Faults : public testing::TestWithParam<Verb> {
 protected:
  static void SetUpTestSuite() {
    bench = std::make_unique<Bench>();
    const auto must = [&](const std::string& command) {
      const Ended ended = bench->run(command);
      ASSERT_EQ(ended.status, 0) << command << ": " << ended.err;
    };
    must("measure --sent sent.wav --captured heard.wav -o m.json --quiet");
    must("render rig.toml sent.wav -o ways --quiet --jobs 1");
    for (const std::string way : {"low", "high"})
      must("measure --sent sent.wav --captured ways/" + way + ".main.wav -o " + way + ".json --quiet");
    fs::remove_all(bench->place() / "ways");
    // Older ones of all that is going to be written.
    std::string old_rig = kRig;
    old_rig.replace(old_rig.find("-3.5 dB"), 7, "-2.5 dB");
    put(bench->place() / "old.toml", old_rig);
    must("render old.toml in.wav -o out/set --quiet --jobs 1");
    must("render old.toml in.wav short.wav -o out/many --quiet --jobs 1");
    must("export old.toml -o out/firmware --core --quiet");
    must("stimulus sine -o out/tone.wav --seconds 0.03 --sample-rate 8000 --quiet");
    for (const char* page : {"out/proof.html", "out/both.html"})
      put(bench->place() / page, "<!doctype html>an older page");
    put(bench->place() / "out/m.json", "{\"sample_rate_hz\": 48000}\n");
    put(bench->place() / "out/venue.toml", kVenue);
    put(bench->place() / "out/aligned.toml", kRig);
    put(bench->place() / "out/rig.toml", old_rig);
    must("seal out/rig.toml --quiet");
    put(bench->place() / "out/rig.toml", kRig);
    before = bench->tree();
    ASSERT_EQ(before.count("out/set/render.json") + before.count("out/firmware/export.json"), 2u);
  }
  static void TearDownTestSuite() {
    std::size_t faults = 0, kills = 0, signals = 0;
    for (const auto& [verb, calls] : tally().faults) {
      std::cout << verb << ":";
      for (const auto& [call, runs] : calls) {
        std::cout << " " << call << " " << runs << " of " << tally().calls[verb + call] << ",";
        faults += runs;
      }
      std::cout << " killed " << tally().kills[verb] << ", signalled " << tally().signals[verb] << "\n";
      kills += tally().kills[verb];
      signals += tally().signals[verb];
    }
    rusage used{};
    ::getrusage(RUSAGE_CHILDREN, &used);
    std::cout << faults << " calls made to fail, " << kills << " runs killed, " << signals << " signalled, "
              << used.ru_utime.tv_sec + used.ru_stime.tv_sec << " s of processors\n";
    bench.reset();
  }
  void SetUp() override { bench->restore(before); }

  /// What the verb does when nothing fails.
  struct Done {
    Tree after;
    std::string out;
    int status = 0;
    std::map<std::string_view, std::uint64_t> made;  ///< calls of each kind
    std::uint64_t changes = 0;                       ///< calls that change a file or a folder
  };
  static const Done& done() {
    static std::map<std::string, Done> all;
    const auto [found, fresh] = all.try_emplace(GetParam().name);
    Done& done = found->second;
    if (!fresh) return done;
    const Ended ended = bench->run(GetParam().command);
    EXPECT_GE(ended.status, 0);
    EXPECT_LE(ended.status, 1) << ended.err;
    done.out = comparable(GetParam(), ended.out);
    done.status = ended.status;
    for (std::size_t call = 0; call < kCallNames.size(); ++call)
      done.made[kCallNames[call]] = bench->calls().made[call];
    done.changes = bench->calls().changes;
    done.after = bench->tree();
    bench->restore(before);
    return done;
  }
  bool is_new(const std::string& content, const std::string& expected) const {
    return content == expected || (GetParam().is_slow && content.ends_with("</html>\n"));
  }

  OldAndNew count(const Tree& now, const Tree& after) const {
    OldAndNew counted;
    for (const auto& [name, content] : after) {
      const bool was_there = before.contains(name);
      if (was_there && before.at(name) == content) continue;
      if (now.contains(name) ? was_there && now.at(name) == before.at(name) : !was_there)
        ++counted.old_ones;
      else if (now.contains(name) && is_new(now.at(name), content))
        ++counted.new_ones;
      else
        ADD_FAILURE() << name << " is neither old nor new";
    }
    return counted;
  }

  static std::unique_ptr<Bench> bench;
  static Tree before;
};
std::unique_ptr<Bench> Faults::bench;
Tree Faults::before;

bool all_are_tried() {
  static const bool all = std::getenv("RACKPROOF_FAULTS") != nullptr;
  return all;
}
/// All numbers up to `last`, or as many as `most` of them from the first to the last, spread evenly; of all that are
/// asked for `most_of_all`.
std::vector<std::uint64_t> numbers_up_to(std::uint64_t last, std::size_t most, std::size_t most_of_all = SIZE_MAX) {
#ifdef RACKPROOF_SANITIZED
  most = (most + 3) / 4;  // each run costs several times as much
#endif
  if (all_are_tried()) most = most_of_all;
  std::vector<std::uint64_t> numbers;
  if (last <= most) {
    for (std::uint64_t n = 1; n <= last; ++n) numbers.push_back(n);
    return numbers;
  }
  for (std::size_t i = 0; i < most; ++i) numbers.push_back(most == 1 ? last : 1 + (last - 1) * i / (most - 1));
  return numbers;
}

TEST_P(Faults, EachCallThatFailsIsSaidAndLosesNothing) {
  const Verb& verb = GetParam();
  const auto& [after, out, status, calls_made, changes] = done();
  for (const std::string_view call : kCallNames) {
    if (call == "unlink" || (verb.is_slow && call != "rename" && !all_are_tried())) continue;
    const std::uint64_t made = calls_made.at(call);
    tally().calls[verb.name + std::string(call)] = made;
    std::size_t& runs = tally().faults[verb.name][std::string(call)];
    const int error = call == "write" ? ENOSPC : call == "allocation" ? ENOMEM : call == "lock" ? ENOLCK : EIO;
    const std::size_t most = call != "allocation" ? SIZE_MAX : verb.is_slow ? 10 : 300;
    for (const std::uint64_t number : numbers_up_to(made, verb.runs_a_call, most)) {
      SCOPED_TRACE(testing::Message() << verb.command << " with " << call << " " << number << " of " << made);
      const Ended ended = bench->run(verb.command, {call, number, error});
      const Tree now = bench->tree();
      ++runs;
      const bool said_of_output = ended.err.find("standard output cannot be written") != std::string::npos;
      if (ended.status != 3) {
        EXPECT_EQ(ended.status, status) << ended.err;
        EXPECT_EQ(comparable(verb, ended.out), out);
        for (const auto& [name, content] : after)
          EXPECT_TRUE(now.contains(name) && is_new(now.at(name), content)) << name << " is not what it should be";
      } else {
        EXPECT_EQ(bench->calls().fired, 1u) << "without a reason: " << ended.err;
        EXPECT_NE(ended.err.find("rackproof: "), std::string::npos) << ended.err;
        EXPECT_GT(ended.err.size(), 20u);
        EXPECT_EQ(ended.err.find(".part"), std::string::npos) << ended.err;
        const OldAndNew counted = count(now, after);
        if (!said_of_output && verb.one_set) {
          EXPECT_EQ(counted.new_ones, 0u) << ended.err;
        }
        if (verb.one_set) {
          EXPECT_TRUE(counted.old_ones == 0 || counted.new_ones == 0)
              << counted.old_ones << " old, " << counted.new_ones << " new";
        }
      }
      for (const auto& [name, content] : now)
        EXPECT_TRUE(before.contains(name) ||
                    (after.contains(name) && (ended.status != 3 || said_of_output || !verb.one_set)))
            << name << " was left";
      bench->restore(before);
      if (HasFailure()) FAIL() << "status " << ended.status << ": " << ended.err;
    }
  }
}

TEST_P(Faults, KilledAtAnyCallThatChangesAFileItLeavesWholeFilesAndTheNextRunCleans) {
  const Verb& verb = GetParam();
  const Tree& after = done().after;
  const std::uint64_t made = done().changes;
  for (const std::uint64_t number : numbers_up_to(made, verb.is_slow ? 0 : 9)) {
    SCOPED_TRACE(testing::Message() << verb.command << " killed at change " << number << " of " << made);
    const Ended killed = bench->run(verb.command, {"signal", number, SIGKILL});
    EXPECT_EQ(killed.status, -SIGKILL);
    ++tally().kills[verb.name];
    const Tree now = bench->tree();
    std::size_t old_ones = 0, new_ones = 0;
    bool has_list = false, is_part_of_a_set = false;
    for (const auto& [name, content] : after) {
      const bool is_list = name.ends_with("/render.json") || name.ends_with("/export.json");
      const bool was_there = before.contains(name);
      if (content == "a folder" || (was_there && before.at(name) == content)) continue;
      is_part_of_a_set = is_part_of_a_set || is_list;
      has_list = has_list || (is_list && now.contains(name));
      if (now.contains(name) ? was_there && now.at(name) == before.at(name) : !was_there || is_list)
        ++old_ones;
      else if (now.contains(name) && is_new(now.at(name), content))
        ++new_ones;
      else
        ADD_FAILURE() << name << " is neither old nor new";
    }
    if (!verb.keeps.empty()) {
      EXPECT_TRUE(new_ones == 0 || now.contains(verb.keeps)) << "the old one is gone";
    } else if (verb.one_set && !verb.no_list && (has_list || !is_part_of_a_set)) {
      EXPECT_TRUE(old_ones == 0 || new_ones == 0) << old_ones << " old, " << new_ones << " new, with a list";
    }
    const Ended next = bench->run(verb.command);
    const Tree then = bench->tree();
    EXPECT_LE(next.status, 1) << next.err;
    if (verb.name == "render" && !has_list) {
      EXPECT_NE(next.out.find("earlier-set-not-whole"), std::string::npos) << next.out;
    }
    for (const auto& [name, content] : after)
      EXPECT_TRUE(then.contains(name) && (content == "a folder" || is_new(then.at(name), content))) << name;
    for (const auto& [name, content] : then) EXPECT_TRUE(after.contains(name)) << name << " was left";
    bench->restore(before);
    if (HasFailure()) FAIL() << killed.err << next.err;
  }
}

TEST_P(Faults, ASignalAtAnyCallThatChangesAFileLeavesAllOldOrAllNewAndNothingElse) {
  const Verb& verb = GetParam();
  const Tree& after = done().after;
  const std::uint64_t made = done().changes;
  const std::array signals{SIGTERM, SIGINT, SIGHUP};
  for (const std::uint64_t number : numbers_up_to(made, verb.is_slow ? 0 : 5)) {
    const int signal = signals[number % signals.size()];
    SCOPED_TRACE(testing::Message() << verb.command << " signalled at change " << number << " of " << made);
    const Ended ended = bench->run(verb.command, {"signal", number, signal});
    EXPECT_TRUE(ended.status == -signal) << ended.status << ": " << ended.err;
    ++tally().signals[verb.name];
    const Tree now = bench->tree();
    const OldAndNew counted = count(now, after);
    if (verb.one_set) {
      EXPECT_TRUE(counted.old_ones == 0 || counted.new_ones == 0)
          << counted.old_ones << " old, " << counted.new_ones << " new";
    }
    for (const auto& [name, content] : now)
      EXPECT_TRUE(before.contains(name) || (after.contains(name) && counted.new_ones > 0)) << name << " was left";
    bench->restore(before);
    if (HasFailure()) FAIL() << ended.err;
  }
}

/// A limit on the size of files sends SIGXFSZ, and its write fails: after nothing, and after some.
TEST_P(Faults, ALimitOnTheSizeOfFilesIsSaidAndLosesNothing) {
  const Verb& verb = GetParam();
  const Tree& after = done().after;
  std::size_t most = 0;
  for (const auto& [name, content] : after)
    if (!before.contains(name) || before.at(name) != content) most = std::max(most, content.size());
  if (most < 2 || verb.is_slow) return;  // writes no file
  for (const std::size_t limit : {std::size_t{1}, most / 2, most - 1}) {
    const Ended ended = bench->run(verb.command, {"open", 0, 0}, limit);
    EXPECT_EQ(ended.status, 3) << "limit " << limit << ": " << ended.err;
    const Tree now = bench->tree();
    const OldAndNew counted = count(now, after);  // each recording is a set of its own
    if (verb.name != "render_many") {
      EXPECT_EQ(counted.new_ones, 0u) << "limit " << limit;
    }
    for (const auto& [name, content] : now) EXPECT_TRUE(before.contains(name)) << name << " was left";
    bench->restore(before);
  }
}

INSTANTIATE_TEST_SUITE_P(OfEveryVerb, Faults, testing::ValuesIn(verbs()),
                         [](const auto& verb) { return verb.param.name; });

}  // namespace
}  // namespace rackproof::faults
