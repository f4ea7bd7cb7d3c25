// Must hold: the response that the core itself gives is the one that the plan's sections predict (ties prediction to
// sound); the worst case, run through the core, reaches what was promised, when it was promised; and nothing tried
// beats it.
#include "harness/stimuli/path_worst_case.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/analysis/response.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::stimuli {
namespace {
const char* const kRig = R"(
format = 1
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
left = 1
right = 2
[amplifier.a]
ratings = [ { power = "700 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.d]
impedance = "8 ohm"
continuous_power = "300 W"
[system]
eq = [ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ]
[crossover]
points = [ { at = "300 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
[[way]]
name = "sub"
feeds = "sum"
amplifier = "a"
driver = "d"
delay = "1.01 ms"
highpass = { at = "60 Hz", alignment = "butterworth", slope = "24 dB/oct" }
limit = { below_clip = "2 dB" }
thermal = { below_rating = "1 dB" }
[[way]]
name = "top"
amplifier = "a"
driver = "d"
polarity = "inverted"
eq = [ { type = "highshelf", at = "9 kHz", gain = "+6 dB", q = 0.7 } ]
limit = { below_clip = "2 dB" }
)";
const char* const kVenue =
    "format = 1\n[venue.feed.left]\neq = [ { type = \"peaking\", at = \"1 kHz\", gain = \"+6 dB\", q = 4.0 } ]\n";

struct Compiled {
  rig::Rig rig = rig::parse_rig(kRig, "rig.toml");
  rig::Venue venue = rig::parse_venue(kVenue, "venue.toml", rig);
  CompiledRig plain = compile(rig), tonight = compile(rig, &venue), open = compile(rig, &venue, Bypass::limits);
};
const Compiled& compiled() {
  static const Compiled made;
  return made;
}
// Greatest magnitude and its frame at one output of the core, its limiters out by the rig's own bypass.
std::pair<double, std::uint64_t> run(const std::vector<std::vector<double>>& channels, std::size_t output) {
  const dsp::ChainSettings& settings = compiled().open.settings();
  const std::size_t frames = channels[0].size() + 2000;
  std::vector<std::vector<float>> in, out(settings.outputs.size(), std::vector<float>(frames));
  std::vector<const float*> in_at;
  std::vector<float*> out_at;
  for (const std::vector<double>& channel : channels) in.emplace_back(channel.begin(), channel.end()).resize(frames);
  for (const std::vector<float>& track : in) in_at.push_back(track.data());
  for (std::vector<float>& track : out) out_at.push_back(track.data());
  std::vector<std::byte> memory(dsp::Chain::required_bytes(settings));
  dsp::Chain chain;
  if (chain.configure(settings, memory) != dsp::Setup::ok) throw std::logic_error("refused");
  chain.process(in_at, out_at, frames);
  std::pair<double, std::uint64_t> greatest{0.0, 0};
  for (std::size_t n = 0; n < frames; ++n) {
    const double x = std::abs(static_cast<double>(out[output][n]));
    if (x > greatest.first) greatest = {x, n};
  }
  return greatest;
}
const std::vector<std::vector<std::size_t>> kApart{{0}, {1}};

TEST(ImpulseResponse, IsWhatThePlanPredicts) {
  const CompiledRig& plain = compiled().plain;
  ASSERT_EQ(plain.outputs.size(), 3u);
  for (std::size_t o = 0; o < 3; ++o) {
    const OutputPlan& plan = plain.outputs[o];
    const std::vector<std::size_t> feeds{0, 1};  // both, so that a mean is the whole
    const std::vector<double> h = impulse_response(plain.settings(), o, feeds, 48000);
    const std::vector<analysis::Complex> spectrum = analysis::RealFourier(48000).forward(h);
    analysis::LinearPath path{std::span<const dsp::Biquad>(plan.sections),
                              plan.polarity * analysis::ratio_from_db(plan.gain_db)};
    // Magnitudes: what the fraction of a delay costs is below 0.001 dB up to 16 kHz; rounding in single precision -125
    // dB.
    for (const std::size_t hz : {30u, 60u, 120u, 240u, 300u, 1000u, 4000u, 9000u, 16000u}) {
      const analysis::PathResponse expected = path.at(static_cast<double>(hz) / 48000);
      EXPECT_NEAR(std::abs(spectrum[hz]), std::abs(expected.value), 2e-4 * std::abs(expected.value) + 1e-5)
          << plan.name << " " << hz;
      // Delay from the phase against the prediction: the plan's, and what the chain adds to every output alike.
      if (std::abs(expected.value) < 0.01) continue;
      const analysis::PathResponse next = path.at(static_cast<double>(hz + 1) / 48000);
      const double late =
          -std::arg(spectrum[hz + 1] / spectrum[hz] / (next.value / expected.value)) / (2 * 3.14159265358979) * 48000;
      EXPECT_GT(late, plan.delay_samples - 0.5) << plan.name << " " << hz;
    }
  }
  EXPECT_THROW(impulse_response(plain.settings(), 3, kApart[0], 10), std::invalid_argument);
}

TEST(PathWorstCase, IsReachedInTheCoreWhenPromised) {
  const dsp::ChainSettings& settings = compiled().tonight.settings();
  for (std::size_t o = 0; o < 3; ++o) {
    const PathWorstCase worst = path_worst_case(settings, o, kApart, 96000);
    ASSERT_EQ(worst.channels.size(), 2u);
    ASSERT_EQ(worst.channels[0].size(), worst.channels[1].size());
    for (const std::vector<double>& channel : worst.channels)
      for (const double x : channel) ASSERT_LE(std::abs(x), 1.0);
    const auto [peak, frame] = run(worst.channels, o);
    EXPECT_NEAR(peak / worst.peak, 1.0, 1e-4)
        << compiled().tonight.outputs[o].name;  // sums of 96000 single-precision samples
    EXPECT_GT(worst.peak, 1.0);
    // The limiters' look-ahead is not in the promise: it is what was taken out, the same for every output.
    EXPECT_GE(frame, worst.peak_frame);
    EXPECT_LE(frame, worst.peak_frame + compiled().tonight.latency_samples);
  }
}

TEST(PathWorstCase, CountsTheChannelsThatReachTheOutput) {
  const dsp::ChainSettings& settings = compiled().tonight.settings();
  const auto silent = [](const std::vector<double>& x) {
    return std::all_of(x.begin(), x.end(), [](double v) { return v == 0; });
  };
  const PathWorstCase sub = path_worst_case(settings, 0, kApart, 48000),
                      left = path_worst_case(settings, 1, kApart, 48000);
  EXPECT_FALSE(silent(sub.channels[0]));
  EXPECT_FALSE(silent(sub.channels[1]));
  EXPECT_NE(sub.channels[0], sub.channels[1]);  // the venue treats them unalike
  EXPECT_FALSE(silent(left.channels[0]));
  EXPECT_TRUE(silent(left.channels[1]));
  EXPECT_EQ(path_worst_case(settings, 1, std::vector<std::vector<std::size_t>>{{}}, 1000).peak, 0.0);
}

TEST(PathWorstCase, IsNotBeaten) {
  const PathWorstCase worst = path_worst_case(compiled().tonight.settings(), 0, kApart, 48000);
  std::mt19937 bits(1);
  for (int trial = 0; trial < 40; ++trial) {
    std::vector<std::vector<double>> other(worst.channels);
    for (std::vector<double>& channel : other)
      for (double& x : channel) {
        if (trial % 3 == 0) x = bits() & 1u ? 1.0 : -1.0;
        if (trial % 3 == 1 && bits() % 100 == 0) x = -x;  // the worst case, a little off
        if (trial % 3 == 2) x = static_cast<double>(bits()) / 2147483648.0 - 1.0;
      }
    ASSERT_LT(run(other, 0).first, worst.peak * (1 + 1e-4));
  }
}
}  // namespace
}  // namespace rackproof::stimuli
