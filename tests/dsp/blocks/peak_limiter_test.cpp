// Must hold: the theorem at the top of peak_limiter.hpp. "At or below the ceiling" is compared exactly, without
// tolerance.
#include "dsp/blocks/peak_limiter.hpp"

#include <gtest/gtest.h>

#include <cfenv>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <string>
#include <vector>
namespace {
using namespace rackproof::dsp;
static_assert(noexcept(std::declval<PeakLimiter<1>&>().process({}, {})));

using Track = std::vector<float>;
using Shape = PeakLimiter<1>::Shape;
using Lane = PeakLimiter<1>::LaneSettings;
constexpr float kNaN = std::numeric_limits<float>::quiet_NaN(), kInf = std::numeric_limits<float>::infinity();
constexpr float kNearestToOne = 1.0f - 0x1p-24f;
constexpr std::size_t kDetector = TruePeakDetector<1>::kLatency, kStep = PeakLimiter<1>::kStepFrames;

std::vector<std::uint32_t> bits(std::span<const float> track) {
  std::vector<std::uint32_t> all;
  for (const float x : track) all.push_back(std::bit_cast<std::uint32_t>(x));
  return all;
}
/// A limiter with memory of its own, and a fence behind each piece of it.
template <int W>
class Fenced {
 public:
  using Limiter = PeakLimiter<W>;
  Limiter limiter;

  Fenced(Shape shape, const std::vector<Lane>& lanes) : Fenced(std::vector<Shape>{shape}, lanes) {}
  Fenced(const std::vector<Shape>& shapes, const std::vector<Lane>& lanes) {
    EXPECT_EQ(configure(shapes, lanes), Setup::ok);
  }
  Setup configure(const std::vector<Shape>& shapes, const std::vector<Lane>& lanes) {
    std::vector<typename Limiter::LaneSettings> settings;
    for (const Lane& l : lanes) settings.push_back({l.enabled, l.ceiling, l.release_keep});
    const auto needed = Limiter::required(shapes);
    values_.assign(needed.values + 1, broadcast<W>(42.0f));
    integers_.assign(needed.integers + 1, broadcast_int<W>(42));
    return limiter.configure(shapes, settings, std::span(values_).first(needed.values),
                             std::span(integers_).first(needed.integers));
  }
  ~Fenced() {
    EXPECT_EQ(lane<W>(values_.back(), 0), 42.0f) << "wrote past its values";
    if constexpr (W == 1)
      EXPECT_EQ(integers_.back(), 42) << "wrote past its integers";
    else
      EXPECT_EQ(integers_.back()[0], 42) << "wrote past its integers";
  }
  Fenced(const Fenced&) = delete;
  Fenced& operator=(const Fenced&) = delete;

  std::vector<Track> run(const std::vector<Track>& tracks, std::size_t cut) {  // in place, as the chain calls it
    std::vector<Pack<W>> packs(tracks[0].size(), Pack<W>{});
    for (std::size_t l = 0; l < tracks.size(); ++l)
      for (std::size_t n = 0; n < packs.size(); ++n) set_lane<W>(packs[n], static_cast<int>(l), tracks[l][n]);
    for (std::size_t n = 0; n < packs.size(); n += cut) {
      const std::span piece(&packs[n], std::min(cut, packs.size() - n));
      limiter.process(piece, piece);
    }
    std::vector<Track> out(tracks.size());
    for (std::size_t l = 0; l < tracks.size(); ++l)
      for (const Pack<W>& pack : packs) out[l].push_back(lane<W>(pack, static_cast<int>(l)));
    return out;
  }
  Track run(const Track& track) { return run(std::vector<Track>{track}, 64)[0]; }

 private:
  std::vector<Pack<W>> values_;
  std::vector<PackInt<W>> integers_;
};
Track run(Shape shape, Lane lane, const Track& track) { return Fenced<1>(shape, {lane}).run(track); }

float uniform(std::mt19937& rng) { return static_cast<float>(rng() >> 8) * 0x1p-23f - 1.0f; }  // -1 .. 1
Track noise(std::size_t frames, float peak, unsigned seed) {
  Track track(frames);
  std::mt19937 rng(seed);
  for (float& x : track) x = peak * uniform(rng);
  return track;
}
float bounded(float x) { return !std::isfinite(x) ? 0.0f : std::clamp(x, -kMagnitudeBound, kMagnitudeBound); }

struct Attack {
  std::string name;
  Track track;
};
/// What is known to hurt limiters, around a ceiling. `reach` is the look-ahead: distances that matter.
std::vector<Attack> attacks(float ceiling, std::size_t reach, unsigned seed) {
  const std::size_t frames = 1500;
  std::mt19937 rng(seed);
  const float loud = kMagnitudeBound;
  std::vector<Attack> all{{"noise at +36 dB", noise(frames, loud, seed)},
                          {"noise around", noise(frames, 2 * ceiling, seed)}};
  const auto add = [&](const char* name, auto&& sample) {
    Track track(frames);
    for (std::size_t n = 0; n < frames; ++n) track[n] = sample(n);
    all.push_back({name, track});
  };
  float walk = 0;
  add("random walk", [&](std::size_t) { return walk = std::clamp(walk + ceiling * uniform(rng), -loud, loud); });
  add("any bits at all", [&](std::size_t) { return std::bit_cast<float>(static_cast<std::uint32_t>(rng())); });
  add("any magnitude", [&](std::size_t) { return std::ldexp(uniform(rng), static_cast<int>(rng() % 60) - 52); });
  add("alternating", [&](std::size_t n) { return n % 2 == 0 ? 10 * ceiling : -10 * ceiling; });
  add("steps", [&](std::size_t n) {
    return ceiling * (n / (reach + 1) % 3 == 0 ? 0.5f : n / (reach + 1) % 3 == 1 ? 1.5f : 40.0f);
  });
  add("ramp", [&](std::size_t n) { return loud * static_cast<float>(n) / static_cast<float>(frames); });
  add("falling", [&](std::size_t n) { return loud * static_cast<float>(frames - n) / static_cast<float>(frames); });
  add("quarter rate at 45 degrees",
      [&](std::size_t n) { return 4 * ceiling * (n / 2 % 2 == 0 ? 0.7071068f : -0.7071068f); });
  add("just above", [&](std::size_t n) { return n % 3 == 0 ? std::nextafter(ceiling, 100.0f) : ceiling; });
  add("sparse impulses", [&](std::size_t) { return rng() % (reach + 2) == 0 ? loud * uniform(rng) : 0.0f; });
  add("rising impulses",
      [&](std::size_t n) { return n % (reach + 1) == 0 ? ceiling * (1.0f + static_cast<float>(n) / 50) : 0.0f; });
  // What a decision for four frames at a time may miss: every phase of a step, alone, next to another, in a full bed.
  const std::size_t phase = rng() % 16, per = 1 + rng() % (2 * reach + 8);
  const float big = ceiling * std::pow(10.0f, 1.5f * std::abs(uniform(rng)));
  add("impulses at a phase", [&](std::size_t n) { return (n + phase) % per == 0 ? big : 0.999f * ceiling; });
  add("bursts at a phase",
      [&](std::size_t n) { return (n + phase) / per % 2 == 1 ? big * uniform(rng) : 0.99f * ceiling * uniform(rng); });
  add("bursts just above", [&](std::size_t n) {
    return (n + phase) / per % 2 == 1 ? ceiling * (1 + 1e-5f * std::abs(uniform(rng))) : ceiling;
  });
  add("one frame of each step", [&](std::size_t n) { return n % kStep == phase % kStep ? big : ceiling; });
  add("one frame of every second step", [&](std::size_t n) {
    return n % (2 * kStep) != phase % (2 * kStep) ? ceiling : n % 16 < 8 ? big : 1.01f * ceiling;
  });
  add("at the ceiling and an ulp above", [&](std::size_t) {
    const float at = rng() % 5 == 0 ? std::nextafter(ceiling, 100.0f) : std::nextafter(ceiling, 0.0f);
    return rng() % 2 == 0 ? at : -at;
  });
  add("stretches that swell", [&](std::size_t n) {
    return n / (1 + phase) % 2 == 1 ? ceiling : ceiling * (1 + static_cast<float>(n % 97) / 97);
  });
  add("two impulses in a full bed", [&](std::size_t n) {
    return n % 400 == 100 + phase         ? big
           : n % 400 == 100 + phase + per ? -ceiling * (1 + std::abs(uniform(rng)))
                                          : (rng() % 2 == 0 ? ceiling : -ceiling);
  });
  const float odd[] = {kNaN,    kInf,     -kInf,      std::numeric_limits<float>::max(), -1e30f, 1e-42f, -0.0f,
                       ceiling, -ceiling, 7 * ceiling};
  add("what is no number", [&](std::size_t) { return odd[rng() % std::size(odd)]; });
  return all;
}
void expect_held(const Track& out, float ceiling, const std::string& what) {
  for (std::size_t n = 0; n < out.size(); ++n)
    ASSERT_LE(std::abs(out[n]), ceiling) << what << ", frame " << n;  // false for a NaN, too
}

/// What a limiter without look-ahead, hold and release makes of a step of one reading: need, rounding down, two boxes of
/// one value, gain and product, with any margin. At its end it has no memory, so that every reading can be tried.
float alone(float x, float ceiling, float margin) {
  constexpr float kUnit = 0x1p30f, kFactor = 1.0f + 0x1.8p-22f;
  const auto mean_of = [](std::int32_t q) {
    return std::fma(static_cast<float>(q >> 15), 0x1p15f, static_cast<float>(q & 32767));
  };
  const float need = x > ceiling ? kUnit * (1.0f + margin) - kUnit * ceiling / x : 0.0f;
  const auto mean = static_cast<std::int32_t>(mean_of(static_cast<std::int32_t>(need)) * kFactor);
  return x * std::max(0.0f, std::fma(mean_of(mean), -(kFactor / kUnit), 1.0f));
}
// A prime's distance from reading to reading, from the ceiling to the bound; bench/limiter_attack tries every one.
TEST(EveryReading, StaysBelowTheCeilingAndWithoutAMarginSomeDoNot) {
  std::size_t passed_without = 0, tried = 0;
  for (const float ceiling : {1e-6f, 0.011f, 0.3f, 0.70710678f, kNearestToOne, 1.0f, 1.7f, 60.0f}) {
    const auto bound = std::bit_cast<std::uint32_t>(kMagnitudeBound);
    Track readings;
    for (std::uint32_t at = std::bit_cast<std::uint32_t>(ceiling); at <= bound; at += 1009)
      readings.insert(readings.end(), kStep, std::bit_cast<float>(at));
    readings.resize(readings.size() + kStep);  // till the last has left
    const Track out = run({}, {.enabled = true, .ceiling = ceiling}, readings);
    expect_held(out, ceiling, "every reading");
    if (HasFatalFailure()) return;
    for (std::size_t last = kStep - 1; last + kStep < readings.size(); last += kStep) {
      const float reading = readings[last];
      ASSERT_EQ(out[last + kStep - 1], alone(reading, ceiling, 0x1p-23f)) << reading << " " << ceiling;
      passed_without += alone(reading, ceiling, 0) > ceiling ? 1 : 0;
      ++tried;
    }
  }
  EXPECT_GT(tried, 580'000u);
  EXPECT_GT(passed_without, 0u) << "the control: the margin is needed";
}

TEST(PeakLimiter, HoldsTheCeilingForEveryAttackAndSetting) {
  const std::uint32_t look_aheads[] = {0, 1, 2, 3, 7, 48, 63, 64, 97, 240, 1000}, holds[] = {0, 1, 5, 300};
  const float keeps[] = {0.0f, 1e-30f, 0.5f, 0.98f, 0.9998f, kNearestToOne};
  const float ceilings[] = {PeakLimiter<1>::kMinCeiling, 3e-4f, 0.1234567f, 0.5f, 1.0f, 63.0f, kMagnitudeBound};
  std::mt19937 rng(1);
  for (int trial = 0; trial < 120; ++trial) {
    const Shape shape{look_aheads[rng() % std::size(look_aheads)], holds[rng() % std::size(holds)], rng() % 2 == 0};
    const Lane lane{true, ceilings[rng() % std::size(ceilings)], keeps[rng() % std::size(keeps)]};
    Fenced<1> fenced(shape, {lane});
    for (const Attack& a : attacks(lane.ceiling, shape.look_ahead_samples, static_cast<unsigned>(rng()))) {
      if (rng() % 4 != 0) fenced.limiter.reset();  // else from whatever state the last one left
      expect_held(fenced.run(a.track), lane.ceiling,
                  a.name + ", D " + std::to_string(shape.look_ahead_samples) + ", hold " +
                      std::to_string(shape.hold_samples) + ", keep " + std::to_string(lane.release_keep) +
                      ", ceiling " + std::to_string(lane.ceiling) + (shape.true_peak ? ", true peak" : ""));
      if (HasFatalFailure()) return;
    }
  }
}
TEST(PeakLimiter, HoldsWhereTheRoundingsMeet) {
  // A quotient rounded up hurts most just under a power of two, at a few percent of reduction: there the factor of the
  // averages adds too little to hide it, and only the margin is left.
  std::mt19937 rng(2);
  for (int trial = 0; trial < 60; ++trial) {
    const float ceiling = std::ldexp(1.0f - 0.01f * std::abs(uniform(rng)), static_cast<int>(rng() % 6));
    Track track(10000);
    for (float& x : track) x = ceiling * (1.0f + (trial % 2 == 0 ? 0.05f : 1e-5f) * std::abs(uniform(rng)));
    expect_held(run({static_cast<std::uint32_t>(trial % 3), 0, false}, {true, ceiling, 0.0f}, track), ceiling, "near");
    if (HasFatalFailure()) return;
  }
}
TEST(PeakLimiter, HoldsTwoImpulsesAtEveryDistance) {
  for (const std::uint32_t look_ahead : {0u, 1u, 8u, 21u})
    for (const std::uint32_t hold : {0u, 3u})
      for (const float keep : {0.0f, 0.9f}) {
        Fenced<1> fenced({look_ahead, hold, false}, {{true, 0.3f, keep}});
        for (std::size_t distance = 1; distance < 3 * look_ahead + 6; ++distance)
          for (const float second : {0.31f, 1.0f, 50.0f}) {
            Track track(5 * look_ahead + 40, 0.29f);
            track[10] = -1.0f;
            track[10 + distance] = second;
            fenced.limiter.reset();
            expect_held(fenced.run(track), 0.3f, "distance " + std::to_string(distance));
            if (HasFatalFailure()) return;
          }
      }
}
TEST(PeakLimiter, HoldsWhatASearchForTheWorstFinds) {
  double worst_found = 0;
  for (const Shape shape : {Shape{0, 0, false}, Shape{5, 0, false}, Shape{8, 2, true}})
    for (unsigned seed = 0; seed < 8; ++seed) {
      std::mt19937 rng(seed);
      const Lane lane{true, 0.1f + 0.8f * std::abs(uniform(rng)), 0.7f};
      Fenced<1> fenced(shape, {lane});
      Track best = noise(48, 4 * lane.ceiling, seed);
      const auto score = [&](const Track& track) {
        fenced.limiter.reset();
        double most = 0;
        for (const float y : fenced.run(track)) most = std::max(most, static_cast<double>(std::abs(y) / lane.ceiling));
        return most;
      };
      double highest = score(best);
      for (int step = 0; step < 3000; ++step) {
        Track next = best;
        for (auto k = rng() % 3 + 1; k > 0; --k) {
          float& x = next[rng() % next.size()];
          switch (rng() % 4) {
            case 0:
              x = 8 * lane.ceiling * uniform(rng);
              break;
            case 1:
              x = std::nextafter(x, rng() % 2 == 0 ? 100.0f : -100.0f);
              break;
            case 2:
              x *= 1.0f + 0.1f * uniform(rng);
              break;
            default:
              x = -x;
          }
        }
        const double reached = score(next);
        ASSERT_LE(reached, 1.0) << "seed " << seed;
        if (reached >= highest) {
          highest = reached;
          best = next;
        }
      }
      worst_found = std::max(worst_found, highest);
    }
  EXPECT_GT(worst_found, 1.0 - 1e-6);  // control: the search gets to the bound, so it would find a way past it
}

/// The definition, in double, from the peaks of a detector: for each frame the reduction, and what leaves.
struct Definition {
  std::vector<double> out, reduction;
};
Definition define(Shape shape, Lane lane, const Track& track) {
  const std::size_t look_ahead = shape.look_ahead_samples, steps = track.size() / kStep;
  const std::size_t window = 1 + (look_ahead + shape.hold_samples + shape.true_peak + kStep - 1) / kStep;
  const std::size_t ramp = std::max<std::size_t>(1, (look_ahead + 1) / kStep);
  const std::size_t first = (ramp + 1) / 2, second = ramp + 1 - first;
  Track peaks(track.size());
  for (std::size_t n = 0; n < track.size(); ++n) peaks[n] = bounded(track[n]);
  TruePeakDetector<1> detector;
  if (shape.true_peak) detector.process(peaks, peaks);
  const double ceiling = static_cast<double>(lane.ceiling), keep = std::pow(static_cast<double>(lane.release_keep), 4);
  std::vector<double> need, released, once, decided;
  const auto mean_of_last = [](const std::vector<double>& values, std::size_t length) {
    double sum = 0;
    for (std::size_t k = 0; k < std::min(length, values.size()); ++k) sum += values[values.size() - 1 - k];
    return sum / static_cast<double>(length);
  };
  for (std::size_t c = 0; c < steps; ++c) {
    double greatest = 0, most = 0;
    for (std::size_t n = kStep * c; n < kStep * (c + 1); ++n)
      greatest = std::max(greatest, static_cast<double>(std::abs(peaks[n])));
    need.push_back(greatest > ceiling ? 1 - ceiling / greatest : 0.0);
    for (std::size_t k = 0; k < std::min(window, c + 1); ++k) most = std::max(most, need[c - k]);
    released.push_back(std::max(most, c > 0 ? keep * released.back() : 0.0));
    once.push_back(mean_of_last(released, first));
    decided.push_back(mean_of_last(once, second));
  }
  Definition d;
  const std::size_t latency = look_ahead + kStep - 1 + (shape.true_peak ? kDetector : 0);
  for (std::size_t n = 0; n < track.size(); ++n) {
    double reduction = 0;
    if (n >= kStep - 1) {
      const std::size_t c = (n - (kStep - 1)) / kStep, way = (n - (kStep - 1)) % kStep + 1;
      double from = c > 0 ? decided[c - 1] : 0.0;
      if (look_ahead < kStep - 1) from = std::max(from, decided[c]);
      reduction = from + (decided[c] - from) * static_cast<double>(way) / kStep;
    }
    d.reduction.push_back(reduction);
    d.out.push_back(n < latency ? 0.0 : (1 - reduction) * static_cast<double>(bounded(track[n - latency])));
  }
  return d;
}
TEST(PeakLimiter, IsItsDefinition) {
  for (const Shape shape : {Shape{0, 0, false}, Shape{1, 0, false}, Shape{2, 3, false}, Shape{3, 0, false},
                            Shape{4, 1, false}, Shape{7, 0, true}, Shape{30, 0, false}, Shape{31, 0, false},
                            Shape{96, 40, false}, Shape{31, 5, true}, Shape{64, 0, true}})
    for (const float keep : {0.0f, 0.9f, 0.999f, 0.99998f})
      for (const float ceiling : {0.01f, 0.4f, 2.0f}) {
        const Lane lane{true, ceiling, keep};
        Track track = noise(1200, 0.9f, 3);
        for (std::size_t n = 300; n < 350; ++n) track[n] *= 9.0f;
        for (std::size_t n = 700; n < 900; ++n) track[n] *= 0.01f;
        const Track out = run(shape, lane, track);
        const Definition wanted = define(shape, lane, track);
        for (std::size_t n = 0; n < track.size(); ++n) {
          // Of the gain: margin 2^-23, roundings and factors as in the header, 2^-19 of the reduction; the release
          // rounds once a step, half an ulp of d, and its factor is rounded, half an ulp, over as many steps as it
          // remembers; it ends by 2^-40 a step.
          const double remembered = std::min(300.0, 1 / (1 - std::pow(static_cast<double>(keep), 4)));
          const double gain = 0x1p-22 + 0x1p-19 * wanted.reduction[n] + remembered * (0x1p-24 + 0x1p-40);
          ASSERT_NEAR(static_cast<double>(out[n]), wanted.out[n], gain * 8.1)
              << n << ", D " << shape.look_ahead_samples << ", keep " << keep << ", ceiling " << ceiling;
        }
      }
}
TEST(PeakLimiter, TakesNoMoreThanItMust) {  // a limiter that mutes would hold every ceiling
  for (const float over_db : {1.0f, 20.0f, 36.0f}) {
    const float level = std::pow(10.0f, over_db / 20.0f) * 0.25f;
    const Track out = run({240, 0, false}, {true, 0.25f, 0.999f}, Track(2000, level));
    EXPECT_LE(out.back(), 0.25f);
    EXPECT_NEAR(20 * std::log10(out.back() / 0.25f), 0.0f, over_db < 21 ? 2e-4f : 2e-3f) << over_db;
  }
}
TEST(PeakLimiter, IsTheDelayedInputBitForBitBelowTheCeiling) {
  for (const Shape shape : {Shape{0, 0, false}, Shape{0, 0, true}, Shape{1, 7, false}, Shape{240, 100, true}}) {
    const std::size_t latency = PeakLimiter<1>::latency_samples(shape);
    EXPECT_EQ(latency, shape.look_ahead_samples + 3 + (shape.true_peak ? kDetector : 0));
    Track track = noise(4000, 0.4f, 4);  // a true-peak reading is at most 2.21 times its samples
    std::mt19937 rng(5);
    for (std::size_t n = 0; n < track.size(); n += 3) {
      const float odd[] = {-0.0f, 0.0f, 1e-42f, -std::numeric_limits<float>::denorm_min(),
                           shape.true_peak ? 0.0f : 1.0f};
      track[n] = odd[rng() % std::size(odd)];
    }
    Track wanted(latency, 0.0f);
    wanted.insert(wanted.end(), track.begin(), track.end() - static_cast<std::ptrdiff_t>(latency));
    EXPECT_EQ(bits(run(shape, {true, 1.0f, 0.999f}, track)), bits(wanted));
    EXPECT_NE(bits(run(shape, {true, 0.39f, 0.999f}, track)), bits(wanted));  // control
  }
}
TEST(PeakLimiter, IsADelayWhereNotEnabled) {
  const Track track = noise(3000, 60.0f, 6);
  for (const Shape shape : {Shape{0, 0, false}, Shape{50, 9, true}}) {
    const auto latency = static_cast<std::ptrdiff_t>(PeakLimiter<1>::latency_samples(shape));
    Track wanted(static_cast<std::size_t>(latency), 0.0f);
    wanted.insert(wanted.end(), track.begin(), track.end() - latency);
    EXPECT_EQ(bits(run(shape, {false, kNaN, kNaN}, track)), bits(wanted));
  }
  PeakLimiter<1> fresh;  // not configured at all
  Track out(track.size());
  fresh.process(track, out);
  EXPECT_EQ(bits(out), bits(track));
}
/// A ceiling for each cell of 64 frames: anything between a thousandth of what is set and twice that.
std::vector<float> ceilings_of_cells(std::size_t frames, float set, unsigned seed) {
  std::mt19937 rng(seed);
  std::vector<float> ceilings(frames / 64 + 1);
  for (float& c : ceilings) c = rng() % 3 == 0 ? 2 * set : set * std::pow(10.0f, -1.5f - 1.5f * uniform(rng));
  return ceilings;
}
Track run_bounded(PeakLimiter<1>& limiter, const Track& track, const std::vector<float>& ceilings, std::size_t cut) {
  Track out = track;
  for (std::size_t n = 0; n < out.size();) {
    if (n % 64 == 0) limiter.bound_ceiling(ceilings[n / 64]);
    const std::size_t count = std::min({cut, out.size() - n, 64 - n % 64});
    limiter.process({&out[n], count}, {&out[n], count});
    n += count;
  }
  return out;
}
TEST(PeakLimiter, HoldsWhatEnteredAtTheCeilingThatWasThenInForce) {
  double nearest = 0;
  for (const bool true_peak : {false, true})
    for (const std::uint32_t look_ahead : {0u, 1u, 48u, 64u, 97u, 1000u})
      for (unsigned seed = 0; seed < 8; ++seed) {
        const Shape shape{look_ahead, seed % 2 == 0 ? 0u : 30u, true_peak};
        const Lane lane{true, 0.5f, seed % 3 == 0 ? 0.0f : 0.999f};
        const std::size_t latency = PeakLimiter<1>::latency_samples(shape);
        const Track in = seed < 4 ? noise(6400, 3.0f, seed) : attacks(0.5f, look_ahead, seed)[seed].track;
        const std::vector<float> ceilings = ceilings_of_cells(in.size(), lane.ceiling, seed);
        Fenced<1> fenced(shape, {lane});
        const Track out = run_bounded(fenced.limiter, in, ceilings, 64);
        for (std::size_t n = latency; n < out.size(); ++n) {
          const float ceiling = std::min(lane.ceiling, ceilings[(n - latency) / 64]);
          ASSERT_LE(std::abs(out[n]), ceiling) << "D " << look_ahead << ", true peak " << true_peak << ", frame " << n;
          nearest = std::max(nearest, static_cast<double>(std::abs(out[n]) / ceiling));
        }
        for (const std::size_t cut : {std::size_t{1}, std::size_t{7}}) {
          fenced.limiter.reset();
          EXPECT_EQ(bits(run_bounded(fenced.limiter, in, ceilings, cut)), bits(out)) << "blocks of " << cut;
        }
      }
  EXPECT_GT(nearest, 0.999) << "control: it is no mere muting";
}
TEST(PeakLimiter, ABoundThatIsLiftedLeavesNothingBehind) {
  const Shape shape{96, 0, true};
  const Lane lane{true, 0.5f, 0.9f};
  Fenced<1> fenced(shape, {lane}), fresh(shape, {lane});
  run_bounded(fenced.limiter, noise(640, 3.0f, 1), std::vector<float>(10, 0.01f), 64);
  run_bounded(fenced.limiter, Track(6400, 0.0f), std::vector<float>(100, 9.0f), 64);
  const Track after = noise(1280, 3.0f, 2);
  EXPECT_EQ(bits(fenced.run(after)), bits(fresh.run(after)));
  run_bounded(fenced.limiter, noise(640, 3.0f, 1), std::vector<float>(10, 0.01f), 64);
  fenced.limiter.reset();
  fresh.limiter.reset();
  EXPECT_EQ(bits(fenced.run(after)), bits(fresh.run(after))) << "nor does a reset";
  // A lane that is not enabled is held all the same once it is bounded.
  Fenced<1> idle(shape, {{false, kNaN, kNaN}});
  const Track held = run_bounded(idle.limiter, noise(6400, 3.0f, 3), std::vector<float>(100, 0.25f), 64);
  expect_held(held, 0.25f, "not enabled, bounded");
}
TEST(PeakLimiter, AResetIsAsJustConfiguredFromEveryPlaceOfTheGrid) {
  for (const bool true_peak : {false, true})
    for (std::size_t stop = 1; stop <= 64; ++stop) {
      const Shape shape{24, 5, true_peak};
      Fenced<1> used(shape, {{true, 0.5f, 0.99f}}), fresh(shape, {{true, 0.5f, 0.99f}});
      used.run(Track(640 + stop, 8.0f));
      used.limiter.reset();
      // Below the ceiling at first: nothing hides what was left behind. In cuts that part a step.
      std::vector<Track> after{noise(256, 0.4f, 4)};
      const Track loud = noise(256, 3.0f, 5);
      after[0].insert(after[0].end(), loud.begin(), loud.end());
      used.run(Track(1, 0.0f));
      fresh.run(Track(1, 0.0f));
      EXPECT_EQ(used.limiter.gain(0), fresh.limiter.gain(0)) << stop;
      ASSERT_EQ(bits(used.run(after, 3)[0]), bits(fresh.run(after, 3)[0])) << stop << (true_peak ? ", true peak" : "");
    }
}
TEST(PeakLimiter, ComesBackToExactlyOne) {
  for (const float keep : {0.0f, 0.9f, 0.9998f, 0.99999f})
    for (const std::uint32_t hold : {0u, 77u}) {
      const Shape shape{96, hold, false};
      Fenced<1> fenced(shape, {{true, 0.5f, keep}});
      fenced.run(noise(3000, kMagnitudeBound, 7));
      // The window empties, ln(2^25) = 17.4 time constants to half an ulp of a gain of 1, then the averages have to see
      // it; each of the three begins with a step, and the last gain comes a step later.
      const std::size_t latency = PeakLimiter<1>::latency_samples(shape),
                        settled = 97 + hold + static_cast<std::size_t>(17.4 / (1.0 - static_cast<double>(keep))) + 97 +
                                  4 * kStep;
      fenced.run(Track(settled, 0.0f));
      EXPECT_EQ(fenced.limiter.gain(0), 1.0f) << keep;
      const Track after = noise(1000, 0.5f, 8);
      const Track out = fenced.run(after);
      EXPECT_EQ(bits(std::span(out).subspan(latency)), bits(std::span(after).first(after.size() - latency)));
      static_cast<void>(fenced.limiter.take_meter(0));
      fenced.run(after);
      EXPECT_EQ(fenced.limiter.take_meter(0).limited_frames, 0);
    }
}
TEST(PeakLimiter, FallsSilentWithoutSubnormalNumbers) {
  for (const float keep : {0.5f, 0.9f, 0.999f}) {
    Fenced<1> fenced({9, 4, true}, {{true, 0.5f, keep}});
    fenced.run(noise(500, 2.0f, 12));
    std::feclearexcept(FE_ALL_EXCEPT);
    fenced.run(Track(150000, 0.0f));
    EXPECT_EQ(std::fetestexcept(FE_UNDERFLOW), 0) << keep;
  }
}
TEST(PeakLimiter, ReleasesAtItsRate) {
  // An e-th after a time constant: within 1 %, as the header says, for the slowest that it says it for.
  for (const double samples : {100.0, 4800.0, 100000.0}) {
    Fenced<1> fenced({0, 0, false}, {{true, 0.5f, static_cast<float>(std::exp(-1 / samples))}});
    fenced.run({5.0f, 5.0f, 5.0f, 5.0f, 0.0f, 0.0f, 0.0f});  // a step, and until its gain is reached
    const double start = 1 - static_cast<double>(fenced.limiter.gain(0));
    EXPECT_NEAR(start, 0.9, 1e-5);
    fenced.run(Track(static_cast<std::size_t>(samples), 0.0f));
    EXPECT_NEAR((1 - static_cast<double>(fenced.limiter.gain(0))) / start, std::exp(-1.0), 0.01 * std::exp(-1.0))
        << samples;
  }
  Fenced<1> slowest({0, 0, false}, {{true, 0.5f, kNearestToOne}});  // does not stick
  slowest.run(Track(kStep, 5.0f));
  for (int i = 0; i < 20; ++i) {
    const float before = slowest.limiter.gain(0);
    slowest.run(Track(2000, 0.0f));
    EXPECT_GT(slowest.limiter.gain(0), before);
  }
}
// Four frames are released at once, by keep^4 rounded once. After 64 steps a factor that is off by an ulp, 2^-24, is off
// by 64 of them. Else there are roundings that go either way, one a step of 2^-25 at the most, and what is read of the
// means, a few times that: a quarter of it is more than they come to.
TEST(PeakLimiter, ReleasesByTheFourthPowerRoundedOnce) {
  constexpr std::size_t kSteps = 64;
  std::mt19937 rng(8);
  double worst = 0;
  for (int trial = 0; trial < 400; ++trial) {
    const float keep = 0.9965f + 0.0034f * std::abs(uniform(rng));
    Fenced<1> fenced({0, 0, false}, {{true, 0.5f, keep}});
    fenced.run({8.0f, 0.0f, 0.0f, 0.0f, 0.0f, 0.0f, 0.0f});  // to the last gain of the first step
    const double before = 1 - static_cast<double>(fenced.limiter.gain(0));
    fenced.run(Track(kSteps * kStep, 0.0f));
    const double left = (1 - static_cast<double>(fenced.limiter.gain(0))) / before;
    const auto once = static_cast<float>(std::pow(static_cast<double>(keep), 4.0));
    worst = std::max(worst, std::abs(left / std::pow(static_cast<double>(once), kSteps) - 1));
  }
  EXPECT_LE(worst, 0.25 * kSteps * 0x1p-24);
}
TEST(PeakLimiter, DoesNotDriftInALongRun) {
  for (const std::uint32_t look_ahead : {1u, 240u, 5000u}) {
    Fenced<1> fenced({look_ahead, 0, false}, {{true, 0.25f, 0.99f}});
    for (unsigned i = 0; i < 40; ++i) {
      const Track loud = noise(20011, i % 3 == 0 ? 0.26f : 60.0f, i);  // not a multiple of the grid
      expect_held(fenced.run(loud), 0.25f, "long run");
      if (HasFatalFailure()) return;
    }
    fenced.run(Track(2 * look_ahead + 3000, 0.0f));  // window, release, averages
    EXPECT_EQ(fenced.limiter.gain(0), 1.0f);
  }
}
TEST(PeakLimiter, HoldsAtTheExtremesOfItsShape) {
  using Limiter = PeakLimiter<1>;
  const Shape longest{Limiter::kMaxLookAheadSamples, Limiter::kMaxHoldSamples, true};
  Fenced<1> fenced(longest, {{true, 1e-6f, kNearestToOne}});
  // Everything needs the whole reduction for longer than both averages: the sums are at their greatest.
  expect_held(fenced.run(Track(3 * Limiter::kMaxLookAheadSamples, kMagnitudeBound)), 1e-6f, "greatest sums");
  fenced.limiter.reset();
  Track step(2 * Limiter::kMaxLookAheadSamples, 0.0f);
  step[100] = kMagnitudeBound;
  expect_held(fenced.run(step), 1e-6f, "one impulse");
  static_assert(Limiter::kMaxLookAheadSamples + Limiter::kMaxHoldSamples + 2 <= SlidingMaximum<1>::kMaxWindowSamples);
}

template <int W>
void expect_the_bits_of_one_lane() {
  const std::vector<Shape> sets[] = {{{0, 0, false}},
                                     {{33, 2, false}},
                                     {{96, 20, true}},
                                     {{33, 2, false}, {7, 90, false}},
                                     {{1, 0, true}, {48, 200, true}, {96, 20, true}},
                                     {{0, 0, false}, {33, 2, false}, {7, 90, false}, {33, 40, false}},
                                     {{48, 200, true}, {1, 0, true}, {96, 20, true}, {95, 3, true}}};
  for (const std::vector<Shape>& set : sets) {
    std::vector<Shape> shapes;
    std::vector<Track> tracks;
    std::vector<Lane> lanes;
    for (unsigned l = 0; l < static_cast<unsigned>(W); ++l) {
      tracks.push_back(attacks(0.3f, 33, l)[l % 14].track);
      if (l % 2 == 1) tracks[l] = noise(1500, 3.0f, l);
      lanes.push_back({l != 2, 0.1f * static_cast<float>(l + 1), l % 3 == 0 ? 0.9f : 0.9997f});
      shapes.push_back(set[l % set.size()]);
    }
    std::vector<Track> wanted;
    std::vector<std::int32_t> limited;
    for (std::size_t l = 0; l < tracks.size(); ++l) {
      Fenced<1> one(shapes[l], {lanes[l]});
      wanted.push_back(one.run(tracks[l]));
      limited.push_back(one.limiter.take_meter(0).limited_frames);
    }
    Fenced<W> wide(shapes, lanes);
    for (const std::size_t cut : {std::size_t{1}, std::size_t{7}, std::size_t{64}, tracks[0].size()}) {
      wide.limiter.reset();
      const std::vector<Track> out = wide.run(tracks, cut);
      for (std::size_t l = 0; l < tracks.size(); ++l) {
        EXPECT_EQ(bits(out[l]), bits(wanted[l])) << "lane " << l << " of " << W << ", blocks of " << cut;
        EXPECT_EQ(wide.limiter.take_meter(static_cast<int>(l)).limited_frames, limited[l]);
      }
    }
  }
}
TEST(PeakLimiter, TakesLanesThatGoTogether) {
  using Limiter = PeakLimiter<4>;
  std::vector<Shape> shapes = {{1, 0, false}, {2, 0, false}, {1, 0, false}, {3, 0, false}};
  EXPECT_TRUE(Limiter::go_together(shapes));
  EXPECT_FALSE(PeakLimiter<1>::go_together(shapes)) << "one lane has one shape";
  EXPECT_EQ(Limiter::required({2, 0, false}).integers, 2u);
  EXPECT_EQ(Limiter::required({47, 0, false}).integers, 13u) << "a ramp of 12 steps";
  shapes[3].look_ahead_samples = 47;
  EXPECT_EQ(Limiter::required(shapes).integers, 13u) << "the rings of the longest look-ahead serve all";
  shapes[1].true_peak = true;
  EXPECT_FALSE(Limiter::go_together(shapes)) << "one kind of peak for all";
  std::vector<Pack<4>> values(1000);
  std::vector<PackInt<4>> integers(1000);
  Limiter limiter;
  EXPECT_EQ(limiter.configure(shapes, {}, values, integers), Setup::out_of_range);
  EXPECT_EQ(limiter.configure(std::span<const Shape>{}, {}, values, integers), Setup::out_of_range);
  shapes = {{1, 0, false}, {2, 0, false}, {3, 0, false}, {4, 0, false}};
  static_assert(Limiter::kMostShapes == 4);
  EXPECT_TRUE(Limiter::go_together(shapes));
  shapes.push_back({5, 0, false});
  EXPECT_FALSE(Limiter::go_together(shapes));
}
TEST(PeakLimiter, HasTheSameBitsForEveryCutAndWidth) {
  expect_the_bits_of_one_lane<1>();
  expect_the_bits_of_one_lane<4>();
#if defined(__AVX2__)
  expect_the_bits_of_one_lane<8>();
#endif
}
TEST(PeakLimiter, CountsWhatIsNotFiniteAndWhatIsOutOfBounds) {
  Fenced<1> fenced({0, 0, false}, {{true, 1.0f, 0.0f}});
  fenced.run({kNaN, kInf, -kInf, 64.0f, -1e30f, kMagnitudeBound, 0.0f});
  EXPECT_EQ(fenced.limiter.non_finite_samples(0), 3);
  EXPECT_EQ(fenced.limiter.bounded_samples(0), 2);
  fenced.limiter.reset();
  EXPECT_EQ(fenced.limiter.non_finite_samples(0), 0);
  EXPECT_EQ(bits(run({0, 0, false}, {}, {kNaN, -kInf, -1e30f, 64.0f, 1, 1, 1})),
            bits(Track{0, 0, 0, 0, 0, -kMagnitudeBound, kMagnitudeBound}));
}
TEST(PeakLimiter, Meters) {
  Fenced<1> fenced({0, 2, false}, {{true, 0.5f, 0.0f}});
  Track track(200, 0.1f);
  track[100] = 2.0f;
  track[150] = -1.0f;
  fenced.run(track);
  EXPECT_FLOAT_EQ(fenced.limiter.gain(0), 1.0f);
  const auto meter = fenced.limiter.take_meter(0);
  EXPECT_NEAR(meter.least_gain, 0.25f, 1e-5f);
  EXPECT_EQ(meter.limited_frames, 16);  // each peak's step, and the one that its hold of two reaches into
  EXPECT_EQ(fenced.limiter.take_meter(0).least_gain, 1.0f);
  EXPECT_EQ(fenced.limiter.take_meter(0).limited_frames, 0);
}
TEST(PeakLimiter, RefusedSetupLeavesItAsItWas) {
  using Limiter = PeakLimiter<1>;
  const Shape shape{20, 3, true};
  const Lane good{true, 0.5f, 0.9f};
  const Track in = noise(1000, 3.0f, 11), wanted = run(shape, good, in);
  const Limiter::Memory needed = Limiter::required(shape);
  Track values(needed.values), more(100000);
  std::vector<std::int32_t> integers(needed.integers), many(100000);
  Limiter limiter;
  ASSERT_EQ(limiter.configure(shape, {&good, 1}, values, integers), Setup::ok);
  Track out(in.size());
  limiter.process(std::span(in).first(500), std::span(out).first(500));
  for (const Lane bad : {Lane{true, 0.0f, 0.9f}, Lane{true, 64.0f, 0.9f}, Lane{true, kNaN, 0.9f},
                         Lane{true, 0.5f, 1.0f}, Lane{true, 0.5f, -0.1f}, Lane{true, 0.5f, kNaN}})
    EXPECT_EQ(limiter.configure(shape, {&bad, 1}, more, many), Setup::out_of_range);
  const Lane two[2] = {good, good};
  EXPECT_EQ(limiter.configure(shape, two, more, many), Setup::out_of_range);
  EXPECT_EQ(limiter.configure({Limiter::kMaxLookAheadSamples + 1, 0, false}, {&good, 1}, more, many),
            Setup::out_of_range);
  EXPECT_EQ(limiter.configure({0, Limiter::kMaxHoldSamples + 1, false}, {&good, 1}, more, many), Setup::out_of_range);
  EXPECT_EQ(limiter.configure(shape, {&good, 1}, std::span(more).first(needed.values - 1), many),
            Setup::memory_too_small);
  EXPECT_EQ(limiter.configure(shape, {&good, 1}, more, std::span(many).first(needed.integers - 1)),
            Setup::memory_too_small);
  limiter.process(std::span(in).subspan(500), std::span(out).subspan(500));
  EXPECT_EQ(bits(out), bits(wanted));
}

/// Greatest swing of the wave through the samples: 16 points a sample, ideal interpolation with a Kaiser-like window of
/// 2 x 48 samples, in double; its own error up to 0.42 of the rate is below 0.01 dB.
double true_peak(const Track& track, std::size_t from) {
  constexpr int kReach = 48, kPoints = 16;
  double most = 0;
  for (int point = 0; point < kPoints; ++point) {
    std::vector<double> taps;
    for (int k = -kReach + 1; k <= kReach; ++k) {
      const double t = static_cast<double>(point) / kPoints - k, u = std::numbers::pi * t;
      const double shape = std::cos(0.5 * u / kReach);
      taps.push_back((t == 0 ? 1.0 : std::sin(u) / u) * shape * shape);
    }
    for (std::size_t n = from + kReach; n + kReach < track.size(); ++n) {
      double sum = 0;
      for (int k = -kReach + 1; k <= kReach; ++k)
        sum += taps[static_cast<std::size_t>(k + kReach - 1)] *
               static_cast<double>(track[n + static_cast<std::size_t>(k + kReach) - kReach]);
      most = std::max(most, std::abs(sum));
    }
  }
  return most;
}
/// Noise limited to `cutoff` of the sample rate: a sum of sines, so nothing is above it.
Track sines(std::size_t frames, double from, double cutoff, int count, double level, unsigned seed) {
  std::mt19937 rng(seed);
  std::vector<double> sum(frames, 0.0);
  for (int i = 0; i < count; ++i) {
    const double f = from + (cutoff - from) * (static_cast<double>(rng()) * 0x1p-32),
                 phase = static_cast<double>(rng()) * 0x1p-31 * std::numbers::pi;
    for (std::size_t n = 0; n < frames; ++n)
      sum[n] += level * std::sin(2 * std::numbers::pi * f * static_cast<double>(n) + phase);
  }
  return {sum.begin(), sum.end()};
}
TEST(PeakLimiter, HoldsTheWaveBetweenTheSamples) {
  const Lane lane{true, 0.5f, 0.9998f};
  double sines_db = -100, programme_db = -100;
  const auto over_db = [&](const Track& in, bool seen) {
    return 20 * std::log10(true_peak(run({96, 0, seen}, lane, in), 400) / static_cast<double>(lane.ceiling));
  };
  for (const double f : {0.01, 0.1, 0.25, 0.3, 0.37, 0.41999})
    for (unsigned phase = 0; phase < 3; ++phase)
      sines_db = std::max(sines_db, over_db(sines(1600, f, f, 1, 3.0, phase), true));
  for (unsigned seed = 0; seed < 6; ++seed)
    programme_db = std::max(programme_db, over_db(sines(3000, 0.0, 0.42, 40, 0.3, seed), true));
  RecordProperty("sines_db", std::to_string(sines_db));
  RecordProperty("programme_db", std::to_string(programme_db));
  EXPECT_LE(sines_db, 0.21);      // the detector's 0.2 dB for sines, and the oracle's own error
  EXPECT_LE(programme_db, 0.41);  // its 0.4 dB for every wave up to 0.42 of the rate
  // Control: a quarter of the rate at 45 degrees has its crests 3.01 dB above its samples; a limiter of samples lets it
  // by.
  Track between(1600);
  for (std::size_t n = 0; n < between.size(); ++n) between[n] = n / 2 % 2 == 0 ? 2.0f : -2.0f;
  EXPECT_NEAR(over_db(between, false), 3.01, 0.02);
  EXPECT_LE(over_db(between, true), 0.0 + 0.21);
}
}  // namespace
