// Must hold: `stimulus` writes what it says: kind, level, length, channels, the same bytes each time; what cannot be is
// refused with its option named, and nothing is written then.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "harness/analysis/levels.hpp"
#include "harness/analysis/sine_fit.hpp"
#include "harness/audio/reader.hpp"
#include "harness/verbs/verb.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof {
namespace {
using testing::HasSubstr;
using testing::IsEmpty;

class StimulusVerb : public testing::Test {
 protected:
  std::string place(const std::string& name = "x.wav") const { return (scratch_ / name).string(); }
  /// What `run` returns: 2 for bad input or usage. The document and the text for people stay here.
  int status_of(const std::vector<std::string>& words) {
    std::vector<const char*> argv{"rackproof", "stimulus", "--json"};
    for (const std::string& word : words) argv.push_back(word.c_str());
    testing::internal::CaptureStdout();
    testing::internal::CaptureStderr();
    const int status = rackproof::run(static_cast<int>(argv.size()), argv.data());
    document_ = testing::internal::GetCapturedStdout();
    people_ = testing::internal::GetCapturedStderr();
    return status;
  }
  nlohmann::json run(const std::vector<std::string>& words) {
    EXPECT_EQ(status_of(words), 0) << people_;
    return nlohmann::json::parse(document_);
  }
  std::string refusal(const std::vector<std::string>& words) {
    EXPECT_EQ(status_of(words), 2);
    EXPECT_THAT(document_, IsEmpty());
    EXPECT_THAT(scratch_.names(), IsEmpty()) << "something was written";
    return people_;
  }
  static std::vector<std::vector<double>> read(const std::string& file) {
    audio::Reader reader(file);
    std::vector<std::vector<float>> tracks(reader.channels(), std::vector<float>(reader.frames()));
    std::vector<std::uint32_t> picks;
    std::vector<float*> at;
    for (std::vector<float>& track : tracks)
      picks.push_back(static_cast<std::uint32_t>(picks.size())), at.push_back(track.data());
    std::size_t done = 0;
    while (const std::size_t count = reader.read(picks, at, reader.frames() - done)) {
      done += count;
      for (float*& a : at) a += count;
    }
    EXPECT_EQ(done, reader.frames());
    std::vector<std::vector<double>> result;
    for (const std::vector<float>& track : tracks) result.emplace_back(track.begin(), track.end());
    return result;
  }

  test::Scratch scratch_;
  std::string document_, people_;
};

TEST_F(StimulusVerb, PinkHasItsLevelItsCrestFactorAndItsBytes) {
  const auto r =
      run({"pink", "-o", place(), "--seconds", "20 s", "--level", "-18 dBFS", "--crest", "6 dB", "--channels", "2"});
  EXPECT_EQ(r.at("kind"), "pink");
  EXPECT_EQ(r.at("file"), place());
  EXPECT_EQ(r.at("frames"), 960000);
  EXPECT_EQ(r.at("sample_rate_hz"), 48000);
  EXPECT_EQ(r.at("channels"), 2);
  const auto tracks = read(place());
  ASSERT_EQ(tracks.size(), 2u);
  ASSERT_EQ(tracks[0].size(), 960000u);
  EXPECT_EQ(tracks[0], tracks[1]);
  const analysis::Levels levels = analysis::levels_of(tracks[0]);
  EXPECT_NEAR(levels.rms_dbfs(), -18.0, 1e-5);  // rounding to single precision
  EXPECT_NEAR(r.at("rms_dbfs").get<double>(), -18.0, 1e-5);
  EXPECT_NEAR(r.at("peak_dbfs").get<double>(), levels.peak_dbfs(), 1e-9);
  EXPECT_NEAR(levels.peak_dbfs() - levels.rms_dbfs(), 6 - 3.0103, 0.3);
  const auto again =
      run({"pink", "-o", place("y.wav"), "--seconds", "20", "--level", "-18", "--crest", "6", "--channels", "2"});
  EXPECT_EQ(test::bytes_of(place()), test::bytes_of(place("y.wav")));
  run({"pink", "-o", place("z.wav"), "--seconds", "20", "--level", "-18", "--crest", "6", "--channels", "2", "--seed",
       "2"});
  EXPECT_NE(test::bytes_of(place()), test::bytes_of(place("z.wav")));
}

TEST_F(StimulusVerb, SineIsASineOfItsFrequencyAndLevel) {
  const auto r = run({"sine", "-o", place(), "--frequency", "1.7 kHz", "--seconds", "500 ms", "--level", "-6.0206",
                      "--sample-rate", "96 kHz", "--subtype", "pcm24"});
  EXPECT_EQ(r.at("frames"), 48000);
  EXPECT_EQ(r.at("frequency_hz"), 1700.0);
  EXPECT_NEAR(r.at("peak_dbfs").get<double>(), -6.0206, 1e-3);
  const auto tracks = read(place());
  const analysis::SineFit fit = analysis::fit_sine(std::span(tracks[0]).subspan(4800, 38400), 1700.0 / 96000);
  EXPECT_NEAR(fit.amplitude[0], 0.5, 1e-6);
  EXPECT_LT(fit.residual_rms, 1e-7);  // half a step of 24 bits
  EXPECT_LT(std::abs(tracks[0].front()), 1e-6);
  EXPECT_LT(std::abs(tracks[0].back()), 1e-4);
}

TEST_F(StimulusVerb, SweepAndBurst) {
  const auto sweep = run({"sweep", "-o", place(), "--from", "50 Hz", "--to", "16 kHz", "--seconds", "2"});
  EXPECT_EQ(sweep.at("frames"), 96000);
  EXPECT_EQ(sweep.at("from_hz"), 50.0);
  EXPECT_NEAR(sweep.at("peak_dbfs").get<double>(), -20.0, 1e-3);
  const auto burst = run({"burst", "-o", place("b.wav"), "--frequency", "1 kHz", "--length", "10 ms", "--every",
                          "100 ms", "--flank", "0", "--seconds", "1", "--level", "0"});
  EXPECT_NEAR(burst.at("peak_dbfs").get<double>(), 0.0, 1e-6);
  EXPECT_NEAR(burst.at("rms_dbfs").get<double>(), -10.0, 1e-3);  // a tenth of the time
  const auto tracks = read(place("b.wav"));
  EXPECT_NEAR(tracks[0][4812], 1.0, 1e-6);
  EXPECT_EQ(tracks[0][5300], 0.0);
}

TEST_F(StimulusVerb, WorstCaseIsOfOneOutputOfARig) {
  const std::string rig = RACKPROOF_SOURCE_DIR "/audio_fixtures/two-way-top.toml";
  const auto r = run({"worst-case", "-o", place(), "--rig", rig, "--output", "high.right"});
  EXPECT_EQ(r.at("output"), "high.right");
  EXPECT_EQ(r.at("channels"), 2);
  EXPECT_EQ(r.at("peak_dbfs"), 0.0);
  EXPECT_GT(r.at("peak_ahead_of_limiter_dbfs").get<double>(), r.at("limit_dbfs_peak").get<double>());
  const auto tracks = read(place());
  for (const double x : tracks[0]) ASSERT_EQ(x, 0.0);
  for (const double x : tracks[1]) ASSERT_EQ(std::abs(x), 1.0);
  EXPECT_THAT(people_, HasSubstr("not for loudspeakers"));
  const auto softer =
      run({"worst-case", "-o", place("s.wav"), "--rig", rig, "--output", "high.right", "--level", "-6 dBFS"});
  EXPECT_NEAR(r.at("peak_ahead_of_limiter_dbfs").get<double>() - softer.at("peak_ahead_of_limiter_dbfs").get<double>(),
              6.0, 1e-9);
}

TEST_F(StimulusVerb, RefusesWhatCannotBeAndWritesNothing) {
  const std::string rig = RACKPROOF_SOURCE_DIR "/audio_fixtures/two-way-top.toml";
  EXPECT_THAT(refusal({"hum", "-o", place()}), HasSubstr("pink, sweep, sine, burst, worst-case"));
  EXPECT_THAT(refusal({"sine", "-o", place(), "--frequency", "24 kHz"}), HasSubstr("--frequency: read 24 kHz"));
  EXPECT_THAT(refusal({"sine", "-o", place(), "--frequency", "3 ms"}), HasSubstr("--frequency: read"));
  EXPECT_THAT(refusal({"sine", "-o", place(), "--level", "+1 dBFS"}), HasSubstr("--level"));
  EXPECT_THAT(refusal({"sine", "-o", place(), "--seed", "3"}), HasSubstr("--seed: sine has no such option"));
  EXPECT_THAT(refusal({"pink", "-o", place(), "--level", "-3", "--crest", "12"}), HasSubstr("-9.0 dBFS at most"));
  EXPECT_THAT(refusal({"pink", "-o", place(), "--seconds", "0"}), HasSubstr("--seconds"));
  EXPECT_THAT(refusal({"pink", "-o", place(), "--subtype", "mp3"}), HasSubstr("--subtype: read mp3"));
  EXPECT_THAT(refusal({"sweep", "-o", place(), "--from", "200", "--to", "100"}), HasSubstr("--from"));
  EXPECT_THAT(refusal({"burst", "-o", place(), "--every", "10 ms"}),
              HasSubstr("--every: read 10 ms; right would be 0.1 s (--length) or longer, or the bursts overlap"));
  EXPECT_THAT(refusal({"burst", "-o", place(), "--length", "2 s"}),
              HasSubstr("--length: read 2 s; right would be 1 s at most, or the bursts overlap; or --every \"2 s\""));
  EXPECT_THAT(refusal({"burst", "-o", place(), "--flank", "80 ms"}), HasSubstr("--flank"));
  EXPECT_THAT(refusal({"sine", "-o", place(), "--sample-rate", "1"}), HasSubstr("--sample-rate"));
  EXPECT_THAT(refusal({"worst-case", "-o", place()}), HasSubstr("--rig"));
  EXPECT_THAT(refusal({"worst-case", "-o", place(), "--rig", rig, "--output", "middle"}), HasSubstr("low.left"));
  EXPECT_THAT(refusal({"worst-case", "-o", place(), "--rig", rig, "--output", "low.left", "--channels", "1"}),
              HasSubstr("2 at least"));
  EXPECT_THAT(refusal({"sine", "-o", place(), "--channels", "0"}),
              HasSubstr("--channels: read 0; right would be a whole number from 1 to 64"));
  EXPECT_THAT(refusal({"sine"}), HasSubstr("--file is required"));
}

}  // namespace
}  // namespace rackproof
