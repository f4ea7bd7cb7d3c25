// Must hold, on a JACK server of the test's own: `measure --play` finds what the running rig does, heard through its own
// port and against a cable; all other outputs are muted meanwhile, and all are as before afterwards, however it ends;
// another rig, a bypass, a second player and a missing socket are refused in words.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstring>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/response.hpp"
#include "tests/harness/live/played.hpp"
#if __has_include(<jack/jack.h>)
#include "tests/harness/live/jack_drive.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::bytes_of;
using rackproof::test::put;
using namespace test;

/// A client that hands its input on, in the same cycle: a cable.
class Cable {
 public:
  explicit Cable(const std::string& server)
      : client_(jack_.client_open("cable", Server::options(), nullptr, server.c_str())) {
    in_ = jack_.port_register(client_, "in", JACK_DEFAULT_AUDIO_TYPE, JackPortIsInput, 0);
    out_ = jack_.port_register(client_, "out", JACK_DEFAULT_AUDIO_TYPE, JackPortIsOutput, 0);
    jack_.set_process_callback(
        client_,
        [](jack_nframes_t frames, void* self) {
          const Cable& cable = *static_cast<Cable*>(self);
          std::memcpy(cable.jack_.port_get_buffer(cable.out_, frames), cable.jack_.port_get_buffer(cable.in_, frames),
                      frames * sizeof(float));
          return 0;
        },
        this);
    jack_.activate(client_);
  }
  ~Cable() { jack_.client_close(client_); }
  Cable(const Cable&) = delete;
  Cable& operator=(const Cable&) = delete;
  bool into(const std::string& sink) { return jack_.connect(client_, "cable:out", sink.c_str()) == 0; }

 private:
  const JackLibrary& jack_ = jack_library();
  jack_client_t* client_;
  jack_port_t *in_ = nullptr, *out_ = nullptr;
};

class MeasurePlay : public WithAServer {
 protected:
  void SetUp() override {
    WithAServer::SetUp();
    if (IsSkipped()) return;
    server_.emplace(scratch_.folder(), 2048u);  // 43 ms: hardly a busy machine misses a cycle, and then it is repeated
    ASSERT_TRUE(server_->runs()) << bytes_of(scratch_ / "jackd.err");
    program_.emplace(scratch_.folder(), server_->name());
    ASSERT_TRUE(program_->comes_to("state", "runs")) << program_->said();
  }

  Words measure(const Words& more, const std::string& socket = "s") const {
    Words words{RACKPROOF_PROGRAM, "measure", "--server", server_->name(), "--socket", (scratch_ / socket).string()};
    words.insert(words.end(), more.begin(), more.end());
    return words;
  }
  /// Exit status; what it said is in `said_`.
  int run(const Words& more, const std::string& socket = "s") {
    Process process(measure(more, socket), scratch_ / "m.out", scratch_ / "m.err");
    const int status = process.end(60);
    said_ = bytes_of(scratch_ / "m.out") + bytes_of(scratch_ / "m.err");
    return status;
  }
  Words playing(const std::string& way, const std::string& port, const Words& more = {}) const {
    Words words{
        "--play",         "sweep", "--rig", (scratch_ / "rig.toml").string(), "--way", way, "--microphone-port", port,
        "--play-seconds", "1 s",   "-o",    (scratch_ / "m.json").string()};
    words.insert(words.end(), more.begin(), more.end());
    return words;
  }
  std::vector<bool> mutes() const {
    std::vector<bool> muted;
    const nlohmann::json state = program_->state();
    for (const nlohmann::json& output : state.at("outputs")) muted.push_back(output.at("muted"));
    return muted;
  }
  std::optional<Server> server_;
  std::optional<Program> program_;
  std::string said_;
};

TEST_F(MeasurePlay, FindsWhatTheRunningRigDoesAndBringsTheMutesBack) {
  Cable cable(server_->name());
  ASSERT_EQ(program_->ask("mute low.right").substr(0, 2), "ok");
  const std::vector<bool> before{false, true, false, false};
  ASSERT_EQ(mutes(), before);
  if (!is_real_time_allowed()) GTEST_SKIP() << "without real-time priority cycles are missed, and nothing is measured";
  ASSERT_EQ(run(playing("high", "rackproof:high.left", {"--loopback", "cable:in", "cable:out"})), 0) << said_;
  EXPECT_EQ(mutes(), before);
  // The response is that of the sections that run; the arrival, against the cable, is latency and delay of the way.
  const Tuning tuning = tuning_of(two_way());
  const OutputPlan& plan = tuning.compiled.outputs[2];
  ASSERT_EQ(plan.name, "high.left");
  const analysis::LinearPath path(std::span<const dsp::Biquad>(plan.sections), analysis::ratio_from_db(plan.gain_db));
  const nlohmann::json measured = nlohmann::json::parse(bytes_of(scratch_ / "m.json"));
  const auto& hz = measured.at("frequency_hz");
  std::size_t judged = 0;
  for (std::size_t n = 0; n < hz.size(); ++n) {
    const double at_hz = hz[n];
    if (at_hz < 2000 || at_hz > 12'000) continue;
    // A short sweep in a quiet line: some hundredths of a decibel.
    EXPECT_NEAR(measured.at("magnitude_db")[n].get<double>(), path.at(at_hz / 48'000).magnitude_db, 0.1) << at_hz;
    ++judged;
  }
  EXPECT_GT(judged, 20u);
  const double whole_ms = (tuning.compiled.latency_samples + plan.delay_samples) / 48.0;
  EXPECT_NEAR(measured.at("arrival_ms").get<double>(), whole_ms, 0.1);  // the filters' own delay up there is below it
  // Another output is silent meanwhile: its port hears nothing.
  EXPECT_EQ(run(playing("high", "rackproof:low.left")), 2);
  EXPECT_NE(said_.find("silence"), std::string::npos) << said_;
  EXPECT_EQ(mutes(), before);
  // The whole loudspeaker: what leaves the low way's port is there too, and nobody is said to have driven it alone.
  Words whole = playing("high", "rackproof:low.left");
  whole.erase(std::ranges::find(whole, "--way"), std::ranges::find(whole, "--microphone-port"));
  whole.push_back("--together");
  ASSERT_EQ(run(whole), 0) << said_;
  EXPECT_FALSE(nlohmann::json::parse(bytes_of(scratch_ / "m.json")).contains("driven_by"));
  EXPECT_EQ(mutes(), before);
  // A file that was saved just now: it waits until that is heard. The way is 3 dB down then.
  put(scratch_ / "rig.toml", replaced(two_way(), "driver = \"horn\"", "driver = \"horn\"\ngain = \"-3 dB\""));
  ASSERT_EQ(run(playing("high", "rackproof:high.left", {"--loopback", "cable:in", "cable:out"})), 0) << said_;
  const nlohmann::json lower = nlohmann::json::parse(bytes_of(scratch_ / "m.json"));
  for (std::size_t n = 0; n < hz.size(); ++n)
    if (hz[n] > 2000 && hz[n] < 12'000) {
      ASSERT_NEAR(lower.at("magnitude_db")[n].get<double>() - measured.at("magnitude_db")[n].get<double>(), -3, 0.1);
    }
  // All ways, one after the other.
  std::filesystem::create_directory(scratch_ / "all");
  ASSERT_EQ(run({"--play", "sweep", "--rig", (scratch_ / "rig.toml").string(), "--all", "--microphone-port",
                 "cable:out", "--loopback", "cable:in", "cable:out", "--play-seconds", "1 s", "-o",
                 (scratch_ / "all").string(), "--json"}),
            0)
      << said_;
  EXPECT_TRUE(std::filesystem::exists(scratch_ / "all" / "low.json"));
  EXPECT_TRUE(std::filesystem::exists(scratch_ / "all" / "high.json"));
  // A document for each, one after the other.
  const auto format_at = said_.find("\"format\""), second_at = said_.find("\"format\"", format_at + 1);
  EXPECT_NE(second_at, std::string::npos) << said_;
  EXPECT_EQ(said_.find("\"format\"", second_at + 1), std::string::npos);
  EXPECT_EQ(mutes(), before);
}

TEST_F(MeasurePlay, InterruptedItFadesAndBringsTheMutesBack) {
  ASSERT_EQ(program_->ask("mute high.right").substr(0, 2), "ok");
  const std::vector<bool> before = mutes();
  Process process(measure(playing("low", "rackproof:low.left", {"--play-level", "-30 dBFS"})), scratch_ / "m.out",
                  scratch_ / "m.err");
  ASSERT_TRUE(soon([&] { return mutes() == std::vector<bool>{false, true, true, true}; }));
  process.tell(SIGINT);
  EXPECT_EQ(process.end(), 128 + SIGINT) << bytes_of(scratch_ / "m.err");
  EXPECT_EQ(mutes(), before);
  EXPECT_FALSE(std::filesystem::exists(scratch_ / "m.json"));
}

TEST_F(MeasurePlay, WhatCannotBeMeasuredSoIsRefusedInWords) {
  const auto refused = [this](const Words& more, const std::string& words) {
    EXPECT_EQ(run(more), 2) << said_;
    EXPECT_NE(said_.find(words), std::string::npos) << said_;
  };
  refused(playing("mid", "rackproof:high.left"), "plays low, low.left");
  refused(playing("high", "nobody:out"), "nobody:out");
  refused(playing("high", "rackproof:high.left", {"--play-level", "0 dBFS"}), "--play-level");
  refused(playing("high", "rackproof:high.left", {"--together"}), "one of --way NAME, --all and --together");
  refused(playing("high", "rackproof:high.left", {"--sent", "x.wav"}), "--sent");
  refused({"--way", "high", "--sent", "x.wav", "--captured", "y.wav", "-o", (scratch_ / "m.json").string()}, "--play");
  // A second player, which no mute holds.
  {
    Cable cable(server_->name());
    ASSERT_TRUE(cable.into("rackproof:left"));
    refused(playing("high", "rackproof:high.left"), "cable:out also plays into rackproof:left");
  }
  ASSERT_EQ(program_->ask("bypass system").substr(0, 2), "ok");
  refused(playing("high", "rackproof:high.left"), "bypass none");
  ASSERT_EQ(program_->ask("bypass none").substr(0, 2), "ok");
  // Another rig than the one that runs: it is later.
  put(scratch_ / "other.toml", replaced(two_way(), "look_ahead = \"3 ms\"", "look_ahead = \"4 ms\""));
  Words other = playing("high", "rackproof:high.left");
  std::ranges::replace(other, (scratch_ / "rig.toml").string(), (scratch_ / "other.toml").string());
  refused(other, "has other numbers");
  EXPECT_EQ(run(playing("high", "rackproof:high.left"), "none"), 2);
  EXPECT_NE(said_.find("nobody answers there"), std::string::npos) << said_;
  EXPECT_EQ(mutes(), (std::vector<bool>{false, false, false, false}));
}

}  // namespace
}  // namespace rackproof::live
#endif
