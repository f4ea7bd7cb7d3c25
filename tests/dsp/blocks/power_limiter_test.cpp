// Must hold: the theorem at the top of power_limiter.hpp.
#include "dsp/blocks/power_limiter.hpp"

#include <gtest/gtest.h>

#include <cfenv>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <vector>
namespace {
using namespace rackproof::dsp;
static_assert(noexcept(std::declval<PowerLimiter<1>&>().process({}, {})));

using Track = std::vector<float>;
using Lane = PowerLimiter<1>::LaneSettings;
constexpr float kNaN = std::numeric_limits<float>::quiet_NaN(), kInf = std::numeric_limits<float>::infinity();

double forget_of(double time_s, double sample_rate_hz) {
  return -std::expm1(-1.0 * kGridFrames / (time_s * sample_rate_hz));
}
std::vector<std::uint32_t> bits(const Track& track) {
  std::vector<std::uint32_t> all;
  for (const float x : track) all.push_back(std::bit_cast<std::uint32_t>(x));
  return all;
}
Track noise(std::size_t frames, float peak, unsigned seed) {
  Track track(frames);
  std::mt19937 rng(seed);
  for (float& x : track) x = peak * (static_cast<float>(rng() >> 8) * 0x1p-23f - 1.0f);
  return track;
}
Track sine(std::size_t frames, double peak, double cycles_per_sample) {
  Track track(frames);
  for (std::size_t n = 0; n < frames; ++n)
    track[n] = static_cast<float>(peak * std::sin(2 * std::numbers::pi * cycles_per_sample * static_cast<double>(n)));
  return track;
}
double rms(const Track& track, std::size_t from) {
  double sum = 0;
  for (std::size_t n = from; n < track.size(); ++n)
    sum += static_cast<double>(track[n]) * static_cast<double>(track[n]);
  return std::sqrt(sum / static_cast<double>(track.size() - from));
}
/// Lane l gets track l; the others are silent and not enabled.
template <int W>
std::vector<Track> run(const std::vector<Track>& tracks, const std::vector<Lane>& lanes, std::size_t cut) {
  std::vector<typename PowerLimiter<W>::LaneSettings> settings;
  for (const Lane& l : lanes) settings.push_back({l.enabled, l.threshold_rms, l.forget});
  PowerLimiter<W> limiter;
  EXPECT_EQ(limiter.configure(settings), Setup::ok);
  std::vector<Pack<W>> packs(tracks[0].size() + 1, Pack<W>{});
  packs.back() = broadcast<W>(42.0f);  // a fence
  for (std::size_t l = 0; l < tracks.size(); ++l)
    for (std::size_t n = 0; n < tracks[l].size(); ++n) set_lane<W>(packs[n], static_cast<int>(l), tracks[l][n]);
  for (std::size_t n = 0; n + 1 < packs.size(); n += cut) {
    const std::span piece(&packs[n], std::min(cut, packs.size() - 1 - n));
    limiter.process(piece, piece);
  }
  EXPECT_EQ(lane<W>(packs.back(), 0), 42.0f);
  std::vector<Track> out(tracks.size());
  for (std::size_t l = 0; l < tracks.size(); ++l)
    for (std::size_t n = 0; n + 1 < packs.size(); ++n) out[l].push_back(lane<W>(packs[n], static_cast<int>(l)));
  return out;
}
Track run(const Track& track, const Lane& lane, std::size_t cut = 64) { return run<1>({track}, {lane}, cut)[0]; }

/// The definition, in double: the gain of every frame, and how far float arithmetic may be from it.
struct Definition {
  std::vector<double> gains, allowed;
};
Definition define(const Track& track, double threshold, double forget) {
  Definition d;
  double mean_square = 0, start = 1, goal = 1, sum = 0;
  double error = 0, start_error = 0, goal_error = 0;  // of the mean square, and what it does to the gains
  for (std::size_t n = 0; n < track.size(); ++n) {
    const double x = static_cast<double>(track[n]), part = static_cast<double>(n % kGridFrames) / kGridFrames;
    d.gains.push_back(start + (goal - start) * part);
    d.allowed.push_back(std::max(start_error, goal_error) +
                        8 * 0x1p-24 * std::max(start, goal));  // line, root, product
    sum += x * x;
    if (n % kGridFrames != kGridFrames - 1) continue;
    const double cell = sum / kGridFrames;
    // Sum of 64 squares, 65 roundings of the cell; the difference and the product, of what is forgotten.
    error = (1 - forget) * error + forget * 0x1p-24 * (65 * cell + 3 * (cell + mean_square));
    mean_square += forget * (cell - mean_square);
    start = goal, start_error = goal_error, sum = 0;
    goal = mean_square > threshold * threshold ? threshold / std::sqrt(mean_square) : 1.0;
    goal_error = goal * error / (mean_square + 1e-20);
  }
  return d;
}

TEST(PowerLimiter, PassesWhatIsBelowTheThresholdBitForBit) {
  Track track = noise(40000, 1.7f, 1);  // RMS 0.98, a cell of it below 1.3
  for (std::size_t n = 0; n < 4000; n += 4)
    track[n] = -0.0f, track[n + 1] = 1e-42f, track[n + 2] = -std::numeric_limits<float>::denorm_min();
  for (const float forget : {1.0f, 0.1f, 1e-6f}) EXPECT_EQ(bits(run(track, {true, 1.3f, forget})), bits(track));
  EXPECT_NE(bits(run(track, {true, 0.8f, 0.1f})), bits(track));  // control: the threshold is what does it
}
TEST(PowerLimiter, PassesAnythingWhereNotEnabled) {
  const Track loud = noise(10000, 60.0f, 2);
  EXPECT_EQ(bits(run(loud, {false, kNaN, kNaN})), bits(loud));
  PowerLimiter<1> fresh;
  Track out(loud.size());
  fresh.process(loud, out);
  EXPECT_EQ(bits(out), bits(loud));
}
TEST(PowerLimiter, IsItsDefinition) {
  Track track = noise(64 * 700, 3.0f, 3);
  for (std::size_t n = 64 * 300; n < 64 * 500; ++n) track[n] *= 0.01f;
  for (const float forget : {1.0f, 0.3f, 0.01f, 1e-3f})
    for (const float threshold : {1e-3f, 0.3f, 1.5f, 50.0f}) {
      const Track out = run(track, {true, threshold, forget});
      const Definition d = define(track, static_cast<double>(threshold), static_cast<double>(forget));
      for (std::size_t n = 0; n < track.size(); ++n) {
        const double x = static_cast<double>(track[n]);
        ASSERT_NEAR(static_cast<double>(out[n]), d.gains[n] * x, d.allowed[n] * std::abs(x)) << n;
      }
    }
}
TEST(PowerLimiter, SettlesAtTheThreshold) {
  const double rate = 48000;
  const Lane lane{true, 0.25f, static_cast<float>(forget_of(0.1, rate))};
  for (const double hz : {30.0, 1000.0, 15000.0}) {
    const Track in = sine(96000, 1.2, hz / rate), out = run(in, lane);
    // The mean square of a sine swings at twice its frequency; what the pole leaves of it moves the gain.
    const double ripple_db = 20 * std::log10(1 + 0.5 / (2 * std::numbers::pi * 2 * hz * 0.1));
    EXPECT_NEAR(20 * std::log10(rms(out, 72000) / 0.25), 0.0, ripple_db + 1e-3) << hz;
  }
  const Track out = run(noise(480000, 1.0f, 4), lane);
  // Mean square of noise over 0.1 s: 4800 independent values, twice that in effect; relative deviation 0.9 /
  // sqrt(9600).
  EXPECT_NEAR(20 * std::log10(rms(out, 96000) / 0.25), 0.0, 0.05);
  EXPECT_GT(rms(noise(480000, 1.0f, 4), 96000), 0.5);  // control: it was above
}
TEST(PowerLimiter, NeverAmplifies) {
  Track track = noise(64 * 2000, 1.0f, 5);
  std::mt19937 rng(6);
  for (std::size_t cell = 0; cell < 2000; ++cell) {
    const float level = std::ldexp(1.0f, static_cast<int>(rng() % 40) - 34);
    for (std::size_t n = 0; n < 64; ++n) track[64 * cell + n] *= level;
  }
  for (const float forget : {1.0f, 0.5f, 0.01f})
    for (const float threshold : {PowerLimiter<1>::kMinThreshold, 0.01f, 1.0f, kMagnitudeBound}) {
      const Track out = run(track, {true, threshold, forget});
      for (std::size_t n = 0; n < track.size(); ++n) ASSERT_LE(std::abs(out[n]), std::abs(track[n]));
    }
}
TEST(PowerLimiter, StepsAsASmoothedMeanSquareDoes) {
  // Step of 1 into y += (1 - a)(x^2 - y), a = exp(-1 / (tau 48000)): 10 log10(1 - a^(n+1)), computed from that formula.
  // Frames on our grid only: between its points the mean square stands still.
  struct Row {
    double time_s;
    std::size_t frames;
    double level_db;
  };
  for (const Row& row : {Row{1.0, 4800, -10.2153}, Row{1.0, 48000, -1.9920}, Row{1.0, 96000, -0.6315},
                         Row{1.0, 240000, -0.0294}, Row{0.3, 14400, -1.9920}}) {
    ASSERT_EQ(row.frames % kGridFrames, 0u);
    PowerLimiter<1> limiter;
    const Lane lane{true, 0.5f, static_cast<float>(forget_of(row.time_s, 48000))};
    ASSERT_EQ(limiter.configure(std::span(&lane, 1)), Setup::ok);
    Track ones(row.frames, 1.0f);
    limiter.process(ones, ones);
    EXPECT_NEAR(10 * std::log10(static_cast<double>(limiter.mean_square(0))), row.level_db, 1e-4) << row.frames;
  }
}
TEST(PowerLimiter, SlowPolesDoNotStall) {
  const double forget = forget_of(60, 192000);  // 5.6e-6
  PowerLimiter<1> limiter;
  const Lane lane{true, 1.0f, static_cast<float>(forget)};
  ASSERT_EQ(limiter.configure(std::span(&lane, 1)), Setup::ok);
  const Track cell(64, 0.9f);
  Track out(64);
  double mean_square = 0;
  float plain = 0;
  for (int i = 0; i < 1000000; ++i) {
    limiter.process(cell, out);
    mean_square += static_cast<double>(lane.forget) * (0.9 * 0.9 - mean_square);
    plain += lane.forget * (0.81f - plain);
  }
  EXPECT_NEAR(static_cast<double>(limiter.mean_square(0)) / mean_square, 1.0, 64 * 0x1p-24);
  EXPECT_GT(std::abs(static_cast<double>(plain) / mean_square - 1.0), 2e-3);  // control: a plain pole stalls
}
TEST(PowerLimiter, NoInputHarmsIt) {
  const Track in = noise(64 * 400, 2.0f, 7);
  Track bad = in;
  for (std::size_t n = 0; n < 64 * 20; n += 3) bad[n] = n % 2 == 0 ? kNaN : n % 5 == 0 ? -kInf : kInf;
  for (std::size_t n = 1; n < 64 * 20; n += 3) bad[n] = std::numeric_limits<float>::max();
  PowerLimiter<1> limiter;
  const Lane lane{true, 0.5f, 0.1f};
  ASSERT_EQ(limiter.configure(std::span(&lane, 1)), Setup::ok);
  Track out(bad.size());
  limiter.process(std::span(bad).first(64 * 20), std::span(out).first(64 * 20));
  EXPECT_GT(limiter.mean_square(0), 100.0f);  // what is huge counts as the greatest that the core carries
  EXPECT_LE(limiter.mean_square(0), kMagnitudeBound * kMagnitudeBound);
  limiter.process(std::span(bad).subspan(64 * 20), std::span(out).subspan(64 * 20));
  const Track clean = run(in, lane);
  for (std::size_t n = in.size() - 640; n < in.size(); ++n) ASSERT_NEAR(out[n], clean[n], 1e-5f);  // forgotten
}
TEST(PowerLimiter, FallsToExactlyOneAndZeroNeverSubnormal) {
  for (const float forget : {0.5f, 0.01f}) {
    PowerLimiter<1> limiter;
    const Lane lane{true, 0.01f, forget};
    ASSERT_EQ(limiter.configure(std::span(&lane, 1)), Setup::ok);
    Track out = noise(6400, 1.0f, 8);
    limiter.process(out, out);
    std::feclearexcept(FE_ALL_EXCEPT);
    for (int cell = 0; cell < 10000; ++cell) {
      const Track quiet(64, cell % 2 == 0 ? 1e-20f : 1e-30f);
      out.resize(64);
      limiter.process(quiet, out);
      ASSERT_NE(std::fpclassify(limiter.mean_square(0)), FP_SUBNORMAL);
    }
    EXPECT_EQ(std::fetestexcept(FE_UNDERFLOW), 0);
    EXPECT_EQ(limiter.mean_square(0), 0.0f);
    static_cast<void>(limiter.take_least_gain(0));
    limiter.process(out, out);
    EXPECT_EQ(limiter.take_least_gain(0), 1.0f);
  }
}
TEST(PowerLimiter, HasTheSameBitsForEveryCutAndWidth) {
  std::vector<Track> tracks;
  std::vector<Lane> lanes;
  for (unsigned l = 0; l < 8; ++l) {
    tracks.push_back(noise(3000, 0.5f * static_cast<float>(l), 20 + l));
    tracks[l][500 + l] = kInf, tracks[l][900] = kNaN;
    lanes.push_back({l != 3, 0.05f * static_cast<float>(l + 1), l % 2 == 0 ? 0.9f : 0.01f});
  }
  std::vector<Track> wanted;
  for (std::size_t l = 0; l < 8; ++l) wanted.push_back(run(tracks[l], lanes[l], 64));
  const auto check = [&]<int W>(std::integral_constant<int, W>) {
    for (const std::size_t cut : {1u, 7u, 64u, 3000u}) {
      const std::vector<Track> in(tracks.begin(), tracks.begin() + W);
      const auto out = run<W>(in, {lanes.begin(), lanes.begin() + W}, cut);
      for (std::size_t l = 0; l < out.size(); ++l)
        EXPECT_EQ(bits(out[l]), bits(wanted[l])) << W << ' ' << cut << ' ' << l;
    }
  };
  check(std::integral_constant<int, 1>{});
  check(std::integral_constant<int, 4>{});
#if defined(__AVX2__)
  check(std::integral_constant<int, 8>{});
#endif
}
TEST(PowerLimiter, MetersTheLeastGainSinceItWasRead) {
  Track track = noise(64 * 60, 2.0f, 9);
  std::fill(track.begin() + 64 * 30, track.end(), 1.0f);
  for (const std::size_t cut : {1u, 7u, 64u, 640u}) {
    PowerLimiter<1> limiter;
    const Lane lane{true, 0.5f, 0.2f};
    ASSERT_EQ(limiter.configure(std::span(&lane, 1)), Setup::ok);
    EXPECT_EQ(limiter.take_least_gain(0), 1.0f);
    const std::vector<double> gains = define(track, 0.5, static_cast<double>(0.2f)).gains;
    for (std::size_t n = 0; n < track.size(); n += 640) {  // read after each 640
      float least = 1.0f;
      for (std::size_t k = n; k < n + 640; ++k) least = std::min(least, static_cast<float>(gains[k]));
      for (std::size_t k = n; k < n + 640; k += cut) {
        const std::span piece(&track[k], std::min(cut, n + 640 - k));
        Track out(piece.size());
        limiter.process(piece, out);
      }
      EXPECT_NEAR(limiter.take_least_gain(0), least, 1e-5f) << n << ' ' << cut;
    }
  }
}
TEST(PowerLimiter, RefusedSetupLeavesItAsItWas) {
  const Track in = noise(1280, 2.0f, 10);
  const Lane good{true, 0.25f, 0.5f};
  const Track wanted = run(in, good);
  PowerLimiter<1> limiter;
  ASSERT_EQ(limiter.configure(std::span(&good, 1)), Setup::ok);
  Track out(in.size());
  limiter.process(std::span(in).first(640), std::span(out).first(640));
  for (const Lane& bad : {Lane{true, 0.0f, 0.5f}, Lane{true, 100.0f, 0.5f}, Lane{true, kNaN, 0.5f},
                          Lane{true, 1.0f, 0.0f}, Lane{true, 1.0f, 1.1f}, Lane{true, 1.0f, kNaN}})
    EXPECT_EQ(limiter.configure(std::span(&bad, 1)), Setup::out_of_range);
  const Lane two[2] = {good, good};
  EXPECT_EQ(limiter.configure(two), Setup::out_of_range);
  limiter.process(std::span(in).subspan(640), std::span(out).subspan(640));
  EXPECT_EQ(bits(out), bits(wanted));
}
}  // namespace
