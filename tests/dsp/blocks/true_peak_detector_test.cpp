// Must hold: the theorem at the top of true_peak_detector.hpp.
#include "dsp/blocks/true_peak_detector.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <utility>
#include <vector>

namespace {
using namespace rackproof::dsp;
using Track = std::vector<float>;
constexpr std::uint32_t kLatency = TruePeakDetector<1>::kLatency;
static_assert(noexcept(std::declval<TruePeakDetector<1>&>().process({}, {})));

double db(double ratio) { return 20 * std::log10(ratio); }
double uniform(std::mt19937& rng) { return static_cast<double>(rng()) / 2147483648.0 - 1.0; }

/// Blocks of `size`; silence after the end, so that peaks[n] is of track[n].
Track peaks_of(const Track& track, std::size_t size = kGridFrames, bool in_place = false) {
  Track in = track, out;
  in.resize(track.size() + kLatency);
  TruePeakDetector<1> detector;
  out.resize(in.size());
  for (std::size_t n = 0; n < in.size(); n += size) {
    const std::size_t count = std::min(size, in.size() - n);
    const std::span<float> to(in_place ? &in[n] : &out[n], count);
    detector.process({&in[n], count}, to);
    if (in_place) std::ranges::copy(to, &out[n]);
  }
  return Track(out.begin() + kLatency, out.end());
}
std::vector<std::uint32_t> bits_of(const Track& track) {
  std::vector<std::uint32_t> bits;
  for (const float x : track) bits.push_back(std::bit_cast<std::uint32_t>(x));
  return bits;
}

/// A wave of 100 samples' period, so that it is known between its samples too: a sum of harmonics up to 42, that is
/// 0.42 of the sample rate.
struct Wave {
  static constexpr int kPeriod = 100;
  std::vector<double> cosines, sines;  // of harmonics 0, 1, ...
  double at(double t) const {
    double sum = cosines[0];
    for (std::size_t k = 1; k < cosines.size(); ++k) {
      const double a = 2 * std::numbers::pi * static_cast<double>(k) * t / kPeriod;
      sum += cosines[k] * std::cos(a) + sines[k] * std::sin(a);
    }
    return sum;
  }
  Track samples(int frames) const {
    Track track;
    for (int n = 0; n < frames; ++n) track.push_back(static_cast<float>(at(n)));
    return track;
  }
};

// (2), by the sample: frequencies x phases. The crest that lies in [n, n + 1] is at the middle of the track.
struct Reading {
  double own, next;  // of n, and of n + 1, in dB of the sine's amplitude
  double any;        // greatest of the whole stretch
};
Reading read_sine(double frequency, double crest_after) {  // crest this far after n, 0 .. 1
  constexpr std::size_t kMiddle = 24;
  Track track;
  for (std::size_t n = 0; n < 2 * kMiddle; ++n) {
    const double t = static_cast<double>(n) - kMiddle - crest_after;
    track.push_back(static_cast<float>(-0.8 * std::cos(2 * std::numbers::pi * frequency * t)));
  }
  const Track peaks = peaks_of(track);
  // The middle, where neither start nor end is within reach.
  const double any = *std::max_element(peaks.begin() + 9, peaks.end() - 10);
  return {db(peaks[kMiddle] / 0.8), db(peaks[kMiddle + 1] / 0.8), db(any / 0.8)};
}
TEST(TruePeakDetector, ReadsEverySine) {
  for (int i = 1; i <= 210; ++i) {
    const double frequency = i / 500.0;
    for (int j = 0; j <= 32; ++j) {
      const Reading reading = read_sine(frequency, j / 32.0);
      ASSERT_GE(std::max(reading.own, reading.next), -0.2) << frequency << " " << j;
      ASSERT_LE(reading.any, frequency <= 0.3 ? 0.05 : 0.201) << frequency << " " << j;
    }
  }
}
// `own` alone sees to 0.081 samples before n + 1, where x[n + 1] takes over. The negative controls: at 0.45 the
// detector does read low, and within the range the sample alone would.
TEST(TruePeakDetector, TheSineTestCanFail) {
  for (int j = 0; j <= 29; ++j) ASSERT_GE(read_sine(0.42, j / 32.0).own, -0.2) << j;
  const Reading beyond = read_sine(0.45, 0.5);
  EXPECT_LT(std::max(beyond.own, beyond.next), -0.5);
  EXPECT_LT(db(std::cos(std::numbers::pi * 0.42)), -10);
}

// (1) For every input: random samples of every size and sign, and the signs that make most of each filter.
TEST(TruePeakDetector, IsNeverBelowTheSampleNorAboveTheBound) {
  std::mt19937 rng(3);
  Track track(6000);
  for (float& x : track) {
    do x = std::bit_cast<float>(static_cast<std::uint32_t>(rng()));
    while (!(magnitude<1>(x) <= kMagnitudeBound));
  }
  for (std::size_t n = 3000; n < track.size(); ++n) track[n] = rng() & 1 ? kMagnitudeBound : -kMagnitudeBound;
  const Track peaks = peaks_of(track);
  for (std::size_t n = 9; n + 9 < track.size(); ++n) {
    ASSERT_GE(peaks[n], magnitude<1>(track[n]));
    float greatest = 0;
    for (std::size_t k = n - 8; k <= n + 9; ++k) greatest = greater(greatest, magnitude<1>(track[k]));
    ASSERT_LE(peaks[n], 2.2042f * greatest);
  }
}
TEST(TruePeakDetector, TheBoundIsReached) {
  Track signs(18);  // as those of the long even part, which alternate from the middle outwards
  for (std::size_t k = 0; k < 9; ++k) signs[8 - k] = signs[9 + k] = k % 2 == 0 ? 1.0f : -1.0f;
  EXPECT_NEAR(peaks_of(signs)[8], 2.2042, 1e-4);
}

// (2), exact where the crest is a sample.
TEST(TruePeakDetector, ConstantsAndSlowCrestsAreReadToTheBit) {
  std::mt19937 rng(8);
  for (int i = 0; i < 2000; ++i) {
    const float x = static_cast<float>(std::pow(10.0, 5 * uniform(rng) - 3.5)) * (rng() & 1 ? 1.0f : -1.0f);
    const Track peaks = peaks_of(Track(40, x));
    for (std::size_t n = 9; n < 30; ++n) ASSERT_EQ(peaks[n], magnitude<1>(x)) << x;
  }
  for (const double frequency : {0.0004, 0.001, 0.01, 0.02, 0.03}) {
    Track track;
    for (int n = 0; n < 60; ++n)
      track.push_back(static_cast<float>(0.7 * std::cos(2 * std::numbers::pi * frequency * (n - 30))));
    const Track peaks = peaks_of(track);
    EXPECT_EQ(*std::max_element(peaks.begin() + 9, peaks.end() - 10), 0.7f) << frequency;
  }
  for (const float peak : peaks_of(Track(40, 0.0f))) ASSERT_EQ(peak, 0.0f);
  for (const float peak : peaks_of(Track(40, -0.0f))) ASSERT_EQ(peak, 0.0f);
  for (const float peak : peaks_of(Track(40, 1e-40f))) ASSERT_TRUE(peak >= 0.0f && peak < 1e-38f);
}

// (3) Waves limited to 0.42, against the wave itself on a grid of a 32nd of a sample (0.008 dB coarse at worst, by
// 20 log10 cos(pi 0.42 / 32)). Lowest: wherever it swings furthest, that is within 0.005 dB of its most, by the peak
// of the stretch in which it does, or by the sample at the end of that. Highest: by any peak.
struct Errors {
  double lowest_db, highest_db;
};
Errors errors_of(const Wave& wave) {
  constexpr std::size_t kFine = 32, kPoints = Wave::kPeriod * kFine;
  static const auto kTurn = [] {
    std::vector<std::pair<double, double>> turn(kPoints);
    for (std::size_t i = 0; i < kPoints; ++i) {
      const double a = 2 * std::numbers::pi * static_cast<double>(i) / kPoints;
      turn[i] = {std::cos(a), std::sin(a)};
    }
    return turn;
  }();
  std::vector<double> fine(kPoints, wave.cosines[0]);
  for (std::size_t k = 1; k < wave.cosines.size(); ++k)
    for (std::size_t i = 0; i < kPoints; ++i) {
      const auto& [cosine, sine] = kTurn[i * k % kPoints];
      fine[i] += wave.cosines[k] * cosine + wave.sines[k] * sine;
    }
  double truth = 0;
  for (double& y : fine) {
    y = std::abs(y);
    truth = std::max(truth, y);
  }
  // From the second period on, nothing of the start is within reach.
  const Track track = wave.samples(2 * Wave::kPeriod + 20), peaks = peaks_of(track);
  Errors errors{0, -1000};
  for (std::size_t n = Wave::kPeriod; n < 2 * Wave::kPeriod; ++n) {
    errors.highest_db = std::max(errors.highest_db, db(peaks[n] / truth));
    for (std::size_t i = 0; i < kFine; ++i)
      if (fine[(n - Wave::kPeriod) * kFine + i] > 0.9994 * truth)
        errors.lowest_db = std::min(errors.lowest_db, db(greater(peaks[n], magnitude<1>(track[n + 1])) / truth));
  }
  return errors;
}
Wave noise(std::mt19937& rng, std::size_t harmonics, int slope) {
  Wave wave;
  for (std::size_t k = 0; k <= harmonics; ++k) {
    const double size = std::pow(1.0 + static_cast<double>(k), -0.5 * slope);
    wave.cosines.push_back(size * uniform(rng));
    wave.sines.push_back(k == 0 ? 0.0 : size * uniform(rng));
  }
  return wave;
}
TEST(TruePeakDetector, ReadsNoiseLimitedInBand) {
  std::mt19937 rng(21);
  for (int i = 0; i < 120; ++i) {
    const Errors wide = errors_of(noise(rng, 42, i % 3)), narrow = errors_of(noise(rng, 30, i % 3));
    ASSERT_GE(wide.lowest_db, -0.4);
    ASSERT_LE(wide.highest_db, 0.4);
    ASSERT_GE(narrow.lowest_db, -0.21);
    ASSERT_LE(narrow.highest_db, 0.21);
  }
}
// The worst there is: of all waves of 100 samples' period limited to 0.42, found by linear programming for the taps as
// they are (amplitudes in units of 1e-4). Then an adversary climbs on from there.
struct Extreme {
  int cosines[43], sines[43];
};
constexpr Extreme kReadLow{{59,   160,  270,  405,  513,   546,  485,  338,  148,  -27,  -126, -115,  10,  212, 428,
                            588,  632,  536,  325,  49,    -202, -365, -392, -292, -110, 76,   191,   204, 116, -36,
                            -211, -401, -615, -845, -1008, -923, -390, 604,  1664, 1933, 435,  -3150, 6507},
                           {0,    -191, -319, -341, -244, -58, 165, 360,  475,  486,  399,   257,   120, 43,   59,
                            166,  332,  497,  606,  616,  517, 346, 156,  19,   2,    134,   400,   733, 1023, 1150,
                            1020, 630,  106,  -308, -349, 115, 910, 1514, 1263, -190, -2342, -3648, 1800}};
constexpr Extreme kReadHigh{{433, 785, 569,  280, 1,   -187, -230, -116, 118,  402,   655,   805,  810,  673, 440,
                             181, -28, -127, -90, 64,  285,  502,  651,  692,  621,   467,   286,  139,  73,  96,
                             197, 326, 434,  495, 494, 435,  286,  -71,  -765, -1553, -1012, 4130, -4222},
                            {0,     34,   43,   13,   -54,  -136, -202, -224, -187, -94,  29,   137,  187,  150,  20,
                             -179,  -392, -557, -617, -548, -358, -99,  151,  309,  314,  145,  -164, -535, -865, -1056,
                             -1046, -822, -451, -35,  273,  333,  50,   -495, -875, -202, 2463, 6335, -1269}};
TEST(TruePeakDetector, HoldsAgainstWavesBredToDeceiveIt) {
  for (const Extreme* extreme : {&kReadLow, &kReadHigh}) {
    const bool low = extreme == &kReadLow;
    const auto deceit_db = [low](const Wave& wave) {
      const Errors errors = errors_of(wave);
      return low ? -errors.lowest_db : errors.highest_db;
    };
    Wave best;
    for (std::size_t k = 0; k < 43; ++k)
      best.cosines.push_back(1e-4 * extreme->cosines[k]), best.sines.push_back(1e-4 * extreme->sines[k]);
    double worst_db = deceit_db(best);
    EXPECT_NEAR(worst_db, low ? 0.366 : 0.380, 0.015) << "not the wave that it was";
    std::mt19937 rng(5);
    for (int i = 0; i < 300; ++i) {
      Wave child = best;
      const std::size_t k = rng() % 43;
      const double size = i % 2 == 0 ? 1e-2 : 1e-3;
      child.cosines[k] += size * uniform(rng);
      if (k > 0) child.sines[k] += size * uniform(rng);
      if (const double deceit = deceit_db(child); deceit > worst_db) {
        worst_db = deceit;
        best = child;
      }
    }
    EXPECT_LE(worst_db, 0.4);
    RecordProperty(low ? "low" : "high", std::to_string(worst_db));
  }
}

TEST(TruePeakDetector, SameBitsForEveryCutAndInPlace) {
  std::mt19937 rng(14);
  Track track(1500);
  for (float& x : track) x = static_cast<float>(uniform(rng));
  const auto expected = bits_of(peaks_of(track, track.size() + kLatency));
  for (const std::size_t cut : {1u, 7u, 63u, 64u, 65u, 480u})
    for (const bool in_place : {false, true})
      ASSERT_EQ(bits_of(peaks_of(track, cut, in_place)), expected) << "blocks of " << cut;
  TruePeakDetector<1> detector;
  for (int life = 0; life < 2; ++life, detector.reset())  // as good as new, from any state
    for (std::size_t n = 0; n < track.size(); ++n) {
      const float peak = detector.step(track[n]);
      if (n >= kLatency) {
        ASSERT_EQ(std::bit_cast<std::uint32_t>(peak), expected[n - kLatency]);
      } else {
        // Before the first sample there was silence.
        float before[18]{};
        for (std::size_t k = 0; k <= n; ++k) before[17 - k] = track[n - k];
        ASSERT_EQ(peak, TruePeakDetector<1>::peak_of(before));
      }
    }
}
template <int kWidth>
void expect_the_bits_of_one_lane() {
  constexpr std::size_t kFrames = 300;
  std::mt19937 rng(kWidth);
  std::vector<Track> tracks(kWidth, Track(kFrames));
  std::vector<Pack<kWidth>> packs(kFrames);
  for (std::size_t n = 0; n < kFrames; ++n)
    for (int l = 0; l < kWidth; ++l) {
      float& x = tracks[static_cast<std::size_t>(l)][n];
      x = static_cast<float>(uniform(rng) * std::pow(10.0, l - 4));
      set_lane<kWidth>(packs[n], l, x);
    }
  TruePeakDetector<kWidth> detector;
  detector.process(packs, packs);
  for (int l = 0; l < kWidth; ++l) {
    const Track expected = peaks_of(tracks[static_cast<std::size_t>(l)]);
    for (std::size_t n = kLatency; n < kFrames; ++n)
      ASSERT_EQ(std::bit_cast<std::uint32_t>(lane<kWidth>(packs[n], l)),
                std::bit_cast<std::uint32_t>(expected[n - kLatency]));
  }
}
TEST(TruePeakDetector, HasTheSameBitsInEveryWidth) {
  expect_the_bits_of_one_lane<4>();
#if defined(__AVX2__)
  expect_the_bits_of_one_lane<8>();
#endif
#if defined(__AVX512F__)
  expect_the_bits_of_one_lane<16>();
#endif
}
}  // namespace
