// Must hold, on a JACK server of the test's own: in freewheel the outputs are what `render` writes, bit for bit, at every
// period, also where the program is stopped for a while; in real time ceilings, counters and silence hold; and the
// program ends as it says where the server does.
#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <netinet/in.h>

#include <array>
#include <cmath>
#include <cstdlib>
#include <iostream>
#include <numeric>
#include <sstream>

#include "dsp/chain/chain.hpp"
#include "tests/harness/live/played.hpp"
#if __has_include(<jack/jack.h>)
#include "tests/harness/live/jack_drive.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::bytes_of;
using rackproof::test::put;
using rackproof::test::read_audio;
using rackproof::test::write_audio;
using namespace test;

constexpr std::size_t kFrames = 72'000;
constexpr double kTail_s = 0.1;

class OnAServer : public WithAServer {
 protected:
  /// Loud bursts and quiet between them, so that limiters act and let go.
  static Rows programme() {
    Rows rows = noise_rows(2, kFrames, 1.0f, 11);
    for (std::vector<float>& row : rows)
      for (std::size_t n = 0; n < row.size(); ++n) row[n] *= n / 12'000 % 2 == 0 ? 0.05f : 3.0f;
    return rows;
  }
  /// What a chain gives for the rows with `ahead` frames of silence ahead of them, from the rows' first frame on.
  static Rows right_for(const Rows& rows, std::size_t total, std::size_t ahead) {
    const Tuning tuning = tuning_of(two_way());
    dsp::Chain chain;
    std::vector<std::byte> memory(dsp::Chain::required_bytes(tuning.compiled.settings()));
    EXPECT_EQ(chain.configure(tuning.compiled.settings(), memory), dsp::Setup::ok);
    Rows in = rows;
    for (std::vector<float>& row : in) {
      row.insert(row.begin(), ahead, 0.0f);
      row.resize(ahead + total, 0.0f);
    }
    Rows out = play(chain, in, 4, 480);
    for (std::vector<float>& row : out) row.erase(row.begin(), row.begin() + static_cast<std::ptrdiff_t>(ahead));
    return out;
  }
  static float ceiling(std::size_t output) {
    static const Tuning tuning = tuning_of(two_way());
    return tuning.compiled.settings().outputs[output].peak.ceiling;
  }
  /// Memory of a process that is not on disk.
  static long resident_kb(pid_t pid) {
    std::istringstream status(bytes_of("/proc/" + std::to_string(pid) + "/status"));
    for (std::string word; status >> word;) {
      long kb = 0;
      if (word == "VmRSS:" && status >> kb) return kb;
    }
    return 0;
  }
  static std::size_t above_ceilings(const Rows& rows) {
    std::size_t above = 0;
    for (std::size_t o = 0; o < rows.size(); ++o)
      for (const float x : rows[o]) above += !(std::fabs(x) <= ceiling(o));
    return above;
  }
  /// In freewheel, with the program stopped for so long once a third has been recorded.
  void equal_bits_at(std::uint32_t period, const std::vector<int>& stops_ms) {
    const Server server(scratch_.folder(), period, {"-R"});
    ASSERT_TRUE(server.runs()) << bytes_of(scratch_ / "jackd.err");
    Program program(scratch_.folder(), server.name());
    ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
    const auto client = static_cast<pid_t>(program.state()["pid"].get<int>());
    const Rows rows = programme();
    const std::size_t total = kFrames + static_cast<std::size_t>(kTail_s * 48'000);
    Drive drive(server.name(), rows, total);
    ASSERT_TRUE(drive.ready());
    ASSERT_TRUE(drive.freewheel(true));
    drive.go();
    for (std::size_t i = 0; i < stops_ms.size(); ++i) {
      ASSERT_TRUE(soon([&] { return drive.recorded() > (i + 1) * total / 8; }));
      ::kill(client, SIGSTOP);
      pause_ms(stops_ms[i]);
      EXPECT_LT(drive.recorded(), total) << "it was stopped while it played";
      ::kill(client, SIGCONT);
    }
    ASSERT_TRUE(drive.done()) << program.said();
    ASSERT_TRUE(drive.freewheel(false));
    // The grid of 64 frames counts from the program's own first period: the stimulus begins at one of these of it.
    bool equal = false;
    for (std::size_t ahead = 0; ahead < 64 && !equal; ahead += std::gcd(period, 64u))
      equal = drive.got == right_for(rows, total, ahead);
    EXPECT_TRUE(equal) << period << " frames a period";
    ASSERT_FALSE(program.process().ended()) << program.said();
    EXPECT_EQ(program.ask("quit").substr(0, 2), "ok");
    EXPECT_EQ(program.process().end(), 0) << program.said();
  }
};

TEST_F(OnAServer, InFreewheelTheBitsAreThoseOfRender) {
  const Rows rows = programme();
  std::vector<float> interleaved(2 * kFrames);
  for (std::size_t n = 0; n < kFrames; ++n)
    for (std::size_t f = 0; f < 2; ++f) interleaved[2 * n + f] = rows[f][n];
  write_audio(scratch_ / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48'000, interleaved);
  const std::string line = "'" RACKPROOF_PROGRAM "' render --quiet '" + (scratch_ / "rig.toml").string() + "' '" +
                           (scratch_ / "in.wav").string() + "' -o '" + (scratch_ / "render").string() + "'";
  ASSERT_EQ(std::system(line.c_str()), 0);
  const Rows right = right_for(rows, kFrames, 0);
  for (std::size_t o = 0; o < 4; ++o) {
    static const char* const kNames[] = {"low.left", "low.right", "high.left", "high.right"};
    std::vector<float> rendered = read_audio(scratch_ / (std::string("render/") + kNames[o] + ".wav")).interleaved;
    rendered.resize(kFrames);
    ASSERT_TRUE(rendered == right[o]) << "the chain of this test is that of render: " << kNames[o];
  }
  for (const std::uint32_t period : {32u, 48u, 64u, 128u, 256u, 1024u}) {
    SCOPED_TRACE(period);
    equal_bits_at(period, {});
  }
}

TEST_F(OnAServer, InFreewheelTheBitsStayWhereTheProgramIsStopped) { equal_bits_at(64, {100, 700}); }

TEST(JackLibrary, WhyThereIsNoClientIsTold) {
  const auto why = [](int status) {
    return why_no_client(static_cast<jack_status_t>(JackFailure | status), "stage", "rackproof", "start one");
  };
  EXPECT_EQ(why(JackServerFailed), "no JACK server 'stage' runs here for this user (status 0x11); start one");
  EXPECT_EQ(why(JackNameNotUnique),
            "the JACK server 'stage' has a client called 'rackproof' already; --name gives another name");
  EXPECT_EQ(
      why(JackServerError),
      "the JACK server 'stage' runs, but does not take the client 'rackproof' (status 0x21): start this again, and "
      "where that does not help the server");
}

TEST_F(OnAServer, WithoutAServerItEndsWithThreeAndAtAnotherRateWithTwo) {
  {
    Program program(scratch_.folder(), "no-such-server");
    EXPECT_EQ(program.process().end(), 3);
    EXPECT_NE(program.said().find("no JACK server 'no-such-server'"), std::string::npos) << program.said();
    EXPECT_FALSE(std::filesystem::exists(scratch_ / "s"));
  }
  const Server server(scratch_.folder(), 1024, {"-R"}, 44'100);
  ASSERT_TRUE(server.runs());
  Program program(scratch_.folder(), server.name());
  EXPECT_EQ(program.process().end(), 2);
  EXPECT_NE(program.said().find("48000 Hz"), std::string::npos) << program.said();
  EXPECT_NE(program.said().find("44100 Hz"), std::string::npos) << program.said();
}

TEST_F(OnAServer, AKilledServerEndsItWithThree) {
  Server server(scratch_.folder(), 1024);
  ASSERT_TRUE(server.runs());
  Program program(scratch_.folder(), server.name());
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  const auto before = std::chrono::steady_clock::now();
  server.process().tell(SIGKILL);
  EXPECT_EQ(program.process().end(), 3);
  const double ms = std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - before).count();
  std::cout << "ended " << ms << " ms after the server\n";
  EXPECT_NE(program.said().find("is gone"), std::string::npos) << program.said();
  EXPECT_FALSE(std::filesystem::exists(scratch_ / "s")) << "the socket goes with it";
  // A killed server keeps one of the machine's eight places, until one of its name has come and gone.
  EXPECT_EQ(server.process().end(), 128 + SIGKILL);
  const Server again(scratch_.folder(), 1024, {"-R"}, 48'000, server.name());
  EXPECT_TRUE(again.runs());
}

TEST_F(OnAServer, EndsWithARampAndZeroOnATermination) {
  if (!is_real_time_allowed()) GTEST_SKIP() << "no real-time priority here: periods are lost where the machine is busy";
  const Server server(scratch_.folder(), 256);
  ASSERT_TRUE(server.runs());
  for (const int signal : {SIGTERM, SIGINT}) {
    Program program(scratch_.folder(), server.name());
    ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
    // A loud tone: its steps are small, so that a cut shows.
    Rows tone(1, std::vector<float>(48'000));
    for (std::size_t n = 0; n < tone[0].size(); ++n)
      tone[0][n] = std::sin(2 * 3.14159265f * 300 * static_cast<float>(n) / 48'000);
    Drive drive(server.name(), tone, 48'000, {"rackproof:low.left"}, true);
    ASSERT_TRUE(drive.ready());
    drive.go();
    ASSERT_TRUE(soon([&] { return drive.recorded() > 9'600; }));
    program.process().tell(signal);
    EXPECT_EQ(program.process().end(), 0) << program.said();
    ASSERT_TRUE(drive.done());
    const std::vector<float>& row = drive.got[0];
    std::size_t last = row.size();
    while (last > 0 && row[last - 1] == 0) --last;
    ASSERT_GT(last, 9'600u);
    ASSERT_LT(last, 48'000u);
    float step = 0, most = 0;
    for (std::size_t n = 4'800; n < last; ++n) {
      step = std::max(step, std::fabs(row[n] - row[n - 1]));
      most = std::max(most, std::fabs(row[n]));
    }
    // The ramp ends in small samples: 1/64 of the last cell's at most.
    EXPECT_LT(std::fabs(row[last - 1]), most / 16);
    EXPECT_GT(most, 0.01f);
  }
}

TEST_F(OnAServer, ListensToLinesAndToTheSavedFileWhileItPlays) {
  const Server server(scratch_.folder(), 256);
  ASSERT_TRUE(server.runs());
  Program program(scratch_.folder(), server.name(), {"--json", "--muted"});
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  Drive drive(server.name(), noise_rows(2, 48'000, 3.0f, 5), 20 * 48'000, {}, true);
  ASSERT_TRUE(drive.ready());
  drive.go();
  pause_ms(150);
  EXPECT_EQ(program.state()["outputs"][0]["muted"], true) << "--muted";
  std::size_t heard_from = drive.recorded();
  for (std::size_t o = 0; o < 4; ++o)
    for (std::size_t n = 0; n < heard_from; ++n) ASSERT_EQ(drive.got[o][n], 0.0f);
  EXPECT_EQ(program.ask("unmute"), "ok: all outputs heard");
  EXPECT_EQ(program.ask("mute high.left"), "ok: high.left muted");
  pause_ms(300);
  const nlohmann::json state = program.state();
  EXPECT_EQ(state["format"], 1);
  EXPECT_EQ(state["outputs"][2]["name"], "high.left");
  EXPECT_EQ(state["outputs"][2]["muted"], true);
  EXPECT_EQ(state["outputs"][2]["peak_volts"], 0.0);
  EXPECT_GT(state["outputs"][0]["peak_volts"].get<double>(), 1.0);
  EXPECT_LE(state["outputs"][0]["peak_volts"].get<double>(),
            state["outputs"][0]["limit_volts_peak"].get<double>() * (1 + 1e-6));
  EXPECT_GT(state["outputs"][0]["peak_reduction_db"].get<double>(), 0.5);
  EXPECT_EQ(program.ask("mute sub").substr(0, 8), "refused:");
  EXPECT_EQ(program.ask("bypass limits").substr(0, 8), "refused:") << "a word alone takes no limit away";
  EXPECT_EQ(program.ask("dance").substr(0, 8), "refused:");

  // Saved: heard within a second or so. A file that is none: told, and what was heard goes on.
  put(scratch_ / "rig.toml", replaced(two_way(), "gain = \"-6 dB\"", "gain = \"-12 dB\""));
  ASSERT_TRUE(program.comes_to("retunes", 1)) << program.said();
  put(scratch_ / "rig.toml", replaced(two_way(), "gain = \"-6 dB\"", "gain = \"loud\""));
  EXPECT_TRUE(program.says("system.gain")) << program.said();
  EXPECT_TRUE(program.says("what was heard before goes on")) << program.said();
  EXPECT_EQ(program.state()["retunes"], 1);
  put(scratch_ / "rig.toml", replaced(two_way(), "gain = \"-6 dB\"", "gain = \"+30 dB\""));
  ASSERT_TRUE(program.comes_to("retunes", 2)) << program.said();
  EXPECT_TRUE(program.says("gain-large")) << program.said() << "; a warning that the first file did not get";
  // The high-pass of the way, moved to where `bypass system` would take it along.
  put(scratch_ / "rig.toml",
      replaced(
          replaced(two_way(), "highpass = { at = \"55 Hz\", alignment = \"butterworth\", slope = \"24 dB/oct\" }", ""),
          "  { type = \"peaking\", at = \"240 Hz\"",
          "  { type = \"highpass\", at = \"55 Hz\", q = 0.7 },\n  { type = \"peaking\", at = \"240 Hz\""));
  ASSERT_TRUE(program.comes_to("retunes", 3)) << program.said();
  EXPECT_EQ(program.ask("bypass system").substr(0, 8), "refused:") << "no word takes the only high-pass away";
  const std::string moved = bytes_of(scratch_ / "rig.toml");
  put(scratch_ / "rig.toml", two_way());
  ASSERT_TRUE(program.comes_to("retunes", 4)) << program.said();
  EXPECT_EQ(program.ask("bypass system").substr(0, 3), "ok:") << "here the way has its own";
  ASSERT_TRUE(program.comes_to("retunes", 5)) << program.said();
  put(scratch_ / "rig.toml", moved);
  EXPECT_TRUE(program.says("nothing that is typed or saved")) << program.said() << "; nor does a save";
  put(scratch_ / "rig.toml", two_way());
  ASSERT_TRUE(program.comes_to("retunes", 6)) << program.said();
  EXPECT_EQ(program.ask("bypass none").substr(0, 3), "ok:");
  ASSERT_TRUE(program.comes_to("retunes", 7)) << program.said();
  EXPECT_EQ(program.ask("venue none.toml").substr(0, 8), "refused:");
  put(scratch_ / "tonight.toml", "format = 1\n[venue]\ngain = \"-3 dB\"\n");
  EXPECT_EQ(program.ask("venue " + (scratch_ / "tonight.toml").string()).substr(0, 3), "ok:");
  ASSERT_TRUE(program.comes_to("retunes", 8)) << program.said();
  EXPECT_EQ(program.state()["venue"], (scratch_ / "tonight.toml").string());
  EXPECT_EQ(program.ask("bypass venue").substr(0, 3), "ok:");
  ASSERT_TRUE(program.comes_to("retunes", 9)) << program.said();
  EXPECT_EQ(program.state()["bypass"], "venue");
  EXPECT_EQ(program.ask("quit").substr(0, 2), "ok");
  EXPECT_EQ(program.process().end(), 0) << program.said();
  EXPECT_EQ(above_ceilings(drive.got), 0u);
  // A document a second, a line each.
  const std::string lines = bytes_of(scratch_ / "out");
  const nlohmann::json first = nlohmann::json::parse(lines.substr(0, lines.find('\n')), nullptr, false);
  ASSERT_TRUE(first.is_object()) << lines;
  EXPECT_EQ(first.begin().key(), "bad_samples") << "sorted by this reader";
  EXPECT_EQ(lines.substr(0, 11), "{\"format\":1");
}

/// What a browser on this machine gets from the page whose address the program has said; nothing where it has said none.
std::string page_of(const Program& program) {
  const std::string said = program.said();
  const std::size_t at = said.find("http://127.0.0.1:");
  if (at == said.npos) return {};
  const std::size_t host = at + 7, path = said.find('/', host), end = said.find_first_of(" \n", path);
  sockaddr_in to{};
  to.sin_family = AF_INET;
  to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  to.sin_port = htons(static_cast<std::uint16_t>(std::stoi(said.substr(said.find(':', host) + 1))));
  const std::string asked = "GET " + said.substr(path, end - path) +
                            " HTTP/1.1\r\nHost: " + said.substr(host, path - host) + "\r\nConnection: close\r\n\r\n";
  const int socket = ::socket(AF_INET, SOCK_STREAM, 0);
  std::string text;
  if (::connect(socket, reinterpret_cast<const sockaddr*>(&to), sizeof to) == 0 &&
      ::send(socket, asked.data(), asked.size(), MSG_NOSIGNAL) > 0) {
    std::array<char, 65536> bytes{};
    for (ssize_t count = 1; (count = ::recv(socket, bytes.data(), bytes.size(), 0)) > 0;)
      text.append(bytes.data(), static_cast<std::size_t>(count));
  }
  ::close(socket);
  return text;
}
#if __has_include(<httplib.h>)
constexpr bool kServesPages = true;
#else
constexpr bool kServesPages = false;  // nor does the program that was built here
#endif
constexpr const char* kNoLimit = "data-head=\"limit, V peak\">none<";

TEST_F(OnAServer, NoWordTakesAwayMoreThanTheStartDid) {
  const Server server(scratch_.folder(), 256);
  ASSERT_TRUE(server.runs());
  {
    Words words{"--bypass", "limits"};
    if (kServesPages) words.emplace_back("--page");
    Program program(scratch_.folder(), server.name(), words);
    ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
    EXPECT_TRUE(program.says("CAUTION: without limits")) << program.said();
    if (kServesPages) {
      ASSERT_TRUE(program.says("http://")) << program.said();
      EXPECT_NE(page_of(program).find(kNoLimit), std::string::npos) << page_of(program).substr(0, 2000);
    }
    EXPECT_EQ(program.said().find("without crossovers"), std::string::npos) << program.said();
    EXPECT_EQ(program.ask("bypass none").substr(0, 3), "ok:");
    ASSERT_TRUE(program.comes_to("retunes", 1)) << program.said();
    EXPECT_GT(program.state()["outputs"][0]["limit_volts_peak"].get<double>(), 1.0);
    if (kServesPages) {
      EXPECT_TRUE(soon([&] { return page_of(program).find(kNoLimit) == std::string::npos; })) << "limits hold now";
      EXPECT_NE(page_of(program).find("data-head=\"limit, V peak\">"), std::string::npos);
    }
    EXPECT_EQ(program.ask("bypass limits").substr(0, 3), "ok:") << "as it was started";
    ASSERT_TRUE(program.comes_to("retunes", 2)) << program.said();
    EXPECT_EQ(program.ask("bypass all").substr(0, 38), "refused: without limits and crossovers");
    const nlohmann::json state = program.state();
    EXPECT_EQ(state["bypass"], "limits");
    EXPECT_TRUE(state["outputs"][0]["limit_volts_peak"].is_null()) << "nothing limits it";
    program.ask("quit");
    EXPECT_EQ(program.process().end(), 0) << program.said();
  }
  Program program(scratch_.folder(), server.name(), {"--bypass", "all"});
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  EXPECT_TRUE(program.says("CAUTION: without crossovers")) << program.said();
  EXPECT_TRUE(program.says("CAUTION: without limits")) << program.said();
  EXPECT_EQ(program.ask("bypass limits").substr(0, 3), "ok:") << "less than what was left out at the start";
}

// In freewheel an hour of sound takes a minute: RACKPROOF_LIVE_SECONDS=3600 asks for it.
TEST_F(OnAServer, ItsMemoryStaysFlatAndNoPeriodIsLostHoweverLongItRunsAndChanges) {
  const char* const asked = std::getenv("RACKPROOF_LIVE_SECONDS");
  const double seconds = asked != nullptr ? std::atof(asked) : 60;
  const std::size_t total = 48'000 * static_cast<std::size_t>(seconds);
  constexpr int kSettled = 4, kFewest = 8;  // changes until all memory has been asked for once, and at the least
  ::alarm(900);
  const Server server(scratch_.folder(), 1024);
  ASSERT_TRUE(server.runs());
  Program program(scratch_.folder(), server.name());
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  const auto client = static_cast<pid_t>(program.state()["pid"].get<int>());
  Drive drive(server.name(), noise_rows(2, 48'000, 3.0f, 9), std::size_t{1} << 40, {}, true);
  ASSERT_TRUE(drive.ready());
  ASSERT_TRUE(drive.freewheel(true));
  drive.go();
  const std::uint64_t missed = program.state()["missed_cycles"].get<std::uint64_t>();
  // Quieter, and limited lower, and back: the greater ceiling is that of the file as it is.
  const std::array<std::string, 2> files{replaced(replaced(two_way(), "gain = \"-6 dB\"", "gain = \"-12 dB\""),
                                                  "below_clip = \"2 dB\"", "below_clip = \"5 dB\""),
                                         two_way()};
  long settled_kb = 0, most_kb = 0;
  int changes = 0;
  while (drive.recorded() < total || changes < kFewest) {
    put(scratch_ / "rig.toml", files[static_cast<std::size_t>(changes) % 2]);
    ASSERT_TRUE(program.comes_to("retunes", ++changes, 30)) << program.said();
    const long now_kb = resident_kb(client) + resident_kb(program.process().pid());
    long& most = changes <= kSettled ? settled_kb : most_kb;
    most = std::max(most, now_kb);
  }
  const nlohmann::json state = program.state();
  EXPECT_EQ(state["missed_cycles"].get<std::uint64_t>(), missed);
  EXPECT_EQ(state["bad_samples"], 0);
  EXPECT_GT(state["frames"].get<std::uint64_t>(), total);
  EXPECT_GT(settled_kb, 0);
  // What an allocator keeps for itself moves by some pages. A change that leaked its chain (31 kB) would show in an hour.
  EXPECT_LE(most_kb, settled_kb + 256) << changes << " changes";
  ASSERT_TRUE(drive.freewheel(false));
  for (std::size_t o = 0; o < 4; ++o) {
    EXPECT_LE(drive.peaks[o], ceiling(o)) << o;
    EXPECT_GT(drive.peaks[o], 0.9f * ceiling(o)) << o << ": the limits were reached";
  }
  std::cout << static_cast<double>(drive.recorded()) / 48'000 << " s with " << changes << " changes; memory "
            << settled_kb << " kB, then " << most_kb << " kB at the most\n";
  EXPECT_EQ(program.ask("quit").substr(0, 2), "ok");
  EXPECT_EQ(program.process().end(), 0) << program.said();
}

TEST_F(OnAServer, ThePeriodMayChangeWhileItPlays) {
  const Server server(scratch_.folder(), 256);
  ASSERT_TRUE(server.runs());
  Program program(scratch_.folder(), server.name());
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  Drive drive(server.name(), noise_rows(2, 48'000, 3.0f, 6), 2 * 48'000, {}, true);
  ASSERT_TRUE(drive.ready());
  drive.go();
  for (const std::uint32_t period : {512u, 1024u, 256u}) {
    pause_ms(100);
    ASSERT_TRUE(drive.set_period(period));
    EXPECT_TRUE(program.comes_to("period_frames", period)) << program.said();
  }
  ASSERT_TRUE(drive.done()) << program.said();
  EXPECT_EQ(above_ceilings(drive.got), 0u);
  EXPECT_EQ(program.ask("quit").substr(0, 2), "ok");
  EXPECT_EQ(program.process().end(), 0) << program.said();
}

TEST_F(OnAServer, ConnectsEachOutputAndKeepsStrangersOff) {
  const Server server(scratch_.folder(), 1024);
  ASSERT_TRUE(server.runs());
  put(scratch_ / "rig.toml", two_way() +
                                 "\n[live.connect]\nleft = \"system:capture_1\"\nlow.left = \"system:playback_1\"\n"
                                 "low.right = \"system:playback_2\"\nhigh.left = \"system:playback_3\"\n"
                                 "high.right = \"system:playback_4\"\n");
  {
    Program program(scratch_.folder(), server.name(), {"--connect", "high.right=system:playback_99"});
    EXPECT_EQ(program.process().end(), 2);
    EXPECT_NE(program.said().find("system:playback_99"), std::string::npos) << program.said();
  }
  for (const bool sole : {false, true}) {
    Program program(scratch_.folder(), server.name(), sole ? Words{"--sole"} : Words{});
    ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
    Drive drive(server.name(), noise_rows(1, 64, 0.1f, 1), 64, {"rackproof:low.left"});
    ASSERT_TRUE(drive.ready());
    EXPECT_EQ(drive.connected_to("system:playback_3"), Words{"rackproof:high.left"});
    EXPECT_EQ(drive.connected_to("system:capture_1"), Words{"rackproof:left"});
    drive.join("player:out0", "system:playback_3");
    if (sole) {
      EXPECT_TRUE(program.says("player:out0 was disconnected from system:playback_3")) << program.said();
      EXPECT_TRUE(soon([&] { return drive.connected_to("system:playback_3") == Words{"rackproof:high.left"}; }));
    } else {
      EXPECT_TRUE(program.says("player:out0 plays into system:playback_3 as well")) << program.said();
      EXPECT_EQ(drive.connected_to("system:playback_3").size(), 2u);
    }
  }
}

TEST_F(OnAServer, WhatItRecordsIsWhatRenderMakesOfTheRecordedFeeds) {
  const Server server(scratch_.folder(), 256);
  ASSERT_TRUE(server.runs());
  Program program(scratch_.folder(), server.name(), {"--record", (scratch_ / "take").string()});
  Drive* drive = nullptr;
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  {
    Drive played(server.name(), noise_rows(2, 48'000, 3.0f, 7), 48'000, {"rackproof:low.left"}, true);
    drive = &played;
    ASSERT_TRUE(drive->ready());
    drive->go();
    ASSERT_TRUE(drive->done());
  }
  const std::uint64_t sure = program.state()["frames"].get<std::uint64_t>();
  program.process().tell(SIGTERM);
  EXPECT_EQ(program.process().end(), 0) << program.said();
  EXPECT_EQ(program.said().find("lost"), std::string::npos) << program.said();
  Rows feeds;
  for (const char* name : {"left", "right"})
    feeds.push_back(read_audio(scratch_ / (std::string("take/") + name + ".wav")).interleaved);
  ASSERT_GT(feeds[0].size(), sure - 4'800);
  const Rows right = right_for(feeds, feeds[0].size(), 0);
  const char* const names[] = {"low.left", "low.right", "high.left", "high.right"};
  for (std::size_t o = 0; o < 4; ++o) {
    const std::vector<float> row = read_audio(scratch_ / (std::string("take/") + names[o] + ".wav")).interleaved;
    ASSERT_EQ(row.size(), feeds[0].size());
    std::size_t from = 0, to = row.size(), wrong = 0, heard = 0;
    while (from < to && row[from] == 0) ++from;  // muted until primed, then a cell's ramp
    while (to > from && row[to - 1] == 0) --to;  // and at the end, for as long as a busy machine takes
    for (std::size_t n = from + 128; n + 128 < to; ++n) {
      wrong += row[n] != right[o][n];
      heard += row[n] != 0;
    }
    EXPECT_EQ(wrong, 0u) << names[o];
    EXPECT_GT(heard, 24'000u) << names[o];
  }
}

TEST_F(OnAServer, WhereTheProgramStandsStillTheGuardEndsItAndTheConverterGetsSilence) {
  if (!is_real_time_allowed()) GTEST_SKIP() << "no real-time priority here: periods are lost where the machine is busy";
  constexpr std::uint32_t kPeriod = 256;
  const Server server(scratch_.folder(), kPeriod, {"-R", "-L", "8"});
  ASSERT_TRUE(server.runs());
  struct Buzz {
    std::size_t frames = 0;  ///< from the stop until the last sample that is not zero
    bool ends_silent = false;
  };
  const auto stopped = [&](bool with_guard, Buzz& buzz) {
    Program program(scratch_.folder(), server.name(), {"--stall", "15 ms"});
    ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
    const auto client = static_cast<pid_t>(program.state()["pid"].get<int>());
    ASSERT_NE(client, program.process().pid()) << "two processes";
    const Words captured{"loopback:capture_1"};
    Drive drive(server.name(), noise_rows(2, 48'000, 3.0f, 8), 2 * 48'000, captured, true);
    ASSERT_TRUE(drive.ready());
    drive.join("rackproof:low.left", "loopback:playback_1");
    drive.go();
    ASSERT_TRUE(soon([&] { return drive.recorded() > 9'600; }));
    if (!with_guard) program.process().tell(SIGSTOP);
    const std::size_t at = drive.recorded();
    ::kill(client, SIGSTOP);
    pause_ms(600);
    if (!with_guard) program.process().tell(SIGCONT);
    EXPECT_EQ(program.process().end(), 3);
    EXPECT_NE(program.said().find("the audio stood still"), std::string::npos) << program.said();
    ASSERT_TRUE(drive.done());
    std::size_t last = drive.got[0].size();
    while (last > 0 && drive.got[0][last - 1] == 0) --last;
    buzz = {last - std::min(last, at), last + 9'600 < drive.got[0].size()};
  };
  Buzz with, without;
  stopped(true, with);
  stopped(false, without);
  std::cout << "the converter got " << with.frames / 48.0 << " ms after the stop with the guard, "
            << without.frames / 48.0 << " ms while the guard was stopped as well\n";
  EXPECT_TRUE(with.ends_silent);
  EXPECT_GT(without.frames, 48u * 500) << "the control: the server repeats what was last";
  EXPECT_LT(with.frames, without.frames / 2);
}

}  // namespace
}  // namespace rackproof::live
#else
namespace {
TEST(OnAServer, NeedsJacksHeaders) { GTEST_SKIP() << "built without JACK: install libjack-jackd2-dev and jackd2"; }
}  // namespace
#endif
