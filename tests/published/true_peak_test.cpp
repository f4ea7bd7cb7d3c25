// True peak against what is published, both as the limiter's detector sees it and as the report's meter reads it.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <string>
#include <vector>

#include "dsp/blocks/true_peak_detector.hpp"
#include "harness/analysis/true_peak_meter.hpp"

namespace {
using Track = std::vector<float>;
constexpr double kPi = std::numbers::pi;
double db(double ratio) { return 20 * std::log10(ratio); }

double meter_db(const Track& x) {
  rackproof::analysis::TruePeakMeter meter;
  meter.process(x);
  meter.finish();
  return db(meter.peak_linear());
}
double detector_db(Track x) {
  rackproof::dsp::TruePeakDetector<1> detector;
  x.resize(x.size() + detector.kLatency);
  detector.process(x, x);
  return db(double{*std::ranges::max_element(x)});
}
double samples_db(const Track& x) {
  double peak = 0;
  for (const float y : x) peak = std::max(peak, std::abs(double{y}));
  return db(peak);
}

/// One second at 48 kHz, faded in and out over 10 ms by half a turn of a cosine: a straight fade ends in a kink, which
/// adds 0.002 dB to some readings.
Track tone(double cycles_per_sample, double amplitude, double degrees) {
  constexpr std::size_t kFrames = 48000, kFade = 480;
  Track x;
  for (std::size_t n = 0; n < kFrames; ++n) {
    const double ramp = std::min(1.0, static_cast<double>(std::min(n, kFrames - 1 - n)) / kFade);
    const double edge = 0.5 - 0.5 * std::cos(kPi * ramp);
    const double angle = 2 * kPi * cycles_per_sample * static_cast<double>(n) + degrees * kPi / 180;
    x.push_back(static_cast<float>(amplitude * edge * std::sin(angle)));
  }
  return x;
}

// EBU Tech 3341 (v4, November 2023), Table 1, signals 15 to 19: frequency, peak of 1.0 = full scale, phase, target in
// dBTP; a meter may read 0.2 dB above and 0.4 dB below (section 2.6). The last two columns: what is computed with the
// samples alone and with the table of ITU-R BS.1770-5, Annex 2, on such signals.
struct EbuSignal {
  int number;
  double divisor, amplitude, degrees, target_dbtp, sample_db, table_db;
};
constexpr EbuSignal kEbuSignals[] = {{15, 4, 0.50, 0, -6.0, -6.000, -6.197},
                                     {16, 4, 0.50, 45, -6.0, -9.010, -5.955},
                                     {17, 6, 0.50, 60, -6.0, -7.249, -6.295},
                                     {18, 8, 0.50, 67.5, -6.0, -6.688, -6.007},
                                     {19, 4, 1.41, 45, 3.0, 0.000, 3.055}};
// The targets are rounded: with the exact amplitudes 10^(-6/20) and sqrt 2 the truth is -6.000 and 3.010.
double exact_amplitude(const EbuSignal& s) { return s.number == 19 ? std::numbers::sqrt2 : std::pow(10, -6.0 / 20); }

TEST(EbuTech3341, Signals15To19) {
  for (const EbuSignal& s : kEbuSignals) {
    for (const double amplitude : {s.amplitude, exact_amplitude(s)}) {
      const Track x = tone(1 / s.divisor, amplitude, s.degrees);
      for (const double reading : {meter_db(x), detector_db(x)}) {
        EXPECT_LE(reading, s.target_dbtp + 0.2) << s.number;
        EXPECT_GE(reading, s.target_dbtp - 0.4) << s.number;
      }
      // What the limiter may rely on is closer: 0.2 dB below the truth, 0.05 above.
      EXPECT_LE(detector_db(x), db(amplitude) + 0.05) << s.number;
      EXPECT_GE(detector_db(x), db(amplitude) - 0.2) << s.number;
    }
  }
}
// Negative control: the samples alone fall outside the tolerance, on 16, 17, 18 and 19.
TEST(EbuTech3341, SamplesAloneFail) {
  for (const EbuSignal& s : kEbuSignals)
    EXPECT_EQ(samples_db(tone(1 / s.divisor, exact_amplitude(s), s.degrees)) < s.target_dbtp - 0.4, s.number != 15);
}
// ITU-R BS.1770-5, Annex 2, computed with the table and numpy.convolve; the figures are rounded to 0.001 dB. 15 reads
// lower than its samples there, as that computation left them out: here they count.
TEST(ItuBs1770, MeterReadsAsTheTable) {
  for (const EbuSignal& s : kEbuSignals) {
    const Track x = tone(1 / s.divisor, exact_amplitude(s), s.degrees);
    EXPECT_NEAR(samples_db(x), s.sample_db, 0.001) << s.number;
    EXPECT_NEAR(meter_db(x), std::max(s.table_db, s.sample_db), 0.001) << s.number;
  }
}

// Band-limited pulses x[n] = sinc(0.6 (n - 128 - d)) x Kaiser(10) over +-64 samples, crest 0 dB between the samples:
// own construction. Readings of the samples and of the table (ITU-R BS.1770-5, Annex 2), computed with numpy.
Track pulse(double d) {
  Track x;
  for (int n = 0; n <= 256; ++n) {
    const double t = n - 128 - d, inside = 1 - t * t / (64.0 * 64.0), a = 0.6 * kPi * t;
    const double window = inside <= 0 ? 0 : std::cyl_bessel_i(0, 10 * std::sqrt(inside)) / std::cyl_bessel_i(0, 10.0);
    x.push_back(static_cast<float>((t == 0 ? 1 : std::sin(a) / a) * window));
  }
  return x;
}
TEST(Pulses, CrestBetweenTheSamples) {
  constexpr struct {
    double offset, sample_db, table_db;
  } kPulses[] = {{0, 0.000, -0.085}, {0.25, -0.325, -0.065}, {0.5, -1.329, -0.066}, {0.75, -0.325, -0.065}};
  for (const auto& p : kPulses) {
    const Track x = pulse(p.offset);
    EXPECT_NEAR(samples_db(x), p.sample_db, 0.001) << p.offset;
    EXPECT_NEAR(meter_db(x), std::max(p.table_db, p.sample_db), 0.001) << p.offset;
    EXPECT_LE(std::abs(detector_db(x)), 0.2) << p.offset;
  }
}

// Reading errors over 64 start phases, dB, of the literal table (ITU-R BS.1770-5, Annex 2), computed with numpy;
// rounded to 0.001 dB. The samples, which count here, can only lift the least.
TEST(ItuBs1770, ErrorsOverPhases) {
  constexpr struct {
    double frequency, least_db, greatest_db;
  } kErrors[] = {{0.02, 0.002, 0.009}, {0.1, -0.047, 0.190}, {0.25, -0.197, 0.220}, {0.4, -0.264, 0.152}};
  for (const auto& e : kErrors) {
    double least = 100, greatest = -100, least_seen = 100, greatest_seen = -100;
    for (int phase = 0; phase < 64; ++phase) {
      Track x;
      for (int n = 0; n < 2000; ++n) {  // long fades, so that the ends ring below the crest
        const double edge = std::min(1.0, std::min(n, 1999 - n) / 480.0);
        const double angle = 2 * kPi * (e.frequency * n + phase / 64.0);
        x.push_back(static_cast<float>(edge * std::sin(angle)));
      }
      const double meter = meter_db(x), seen = detector_db(x);
      least = std::min(least, meter);
      greatest = std::max(greatest, meter);
      least_seen = std::min(least_seen, seen);
      greatest_seen = std::max(greatest_seen, seen);
    }
    EXPECT_NEAR(greatest, e.greatest_db, 0.0015) << e.frequency;
    EXPECT_GE(least, e.least_db - 0.0015) << e.frequency;
    EXPECT_LE(least, 0.01) << e.frequency;
    EXPECT_GE(least_seen, -0.2) << e.frequency;
    EXPECT_LE(greatest_seen, e.frequency <= 0.3 ? 0.05 : 0.201) << e.frequency;
  }
}

// ITU-R BS.1770-5, Annex 2, Attachment 1: greatest under-read of an ideal n-times interpolator, 20 log10 cos(pi f / n),
// f in units of the sample rate. The detector sees more than an ideal four-times pick does from where that is past 0.2
// dB.
TEST(ItuBs1770, UnderReadOfAnIdealInterpolator) {
  const auto under_read_db = [](double f, int n) { return -db(std::cos(kPi * f / n)); };
  constexpr struct {
    int times;
    double at_045, at_05;
  } kUnderRead[] = {{4, 0.554, 0.688}, {8, 0.136, 0.169}, {16, 0.034, 0.042}};
  for (const auto& u : kUnderRead) {
    EXPECT_NEAR(under_read_db(0.45, u.times), u.at_045, 0.001);
    EXPECT_NEAR(under_read_db(0.5, u.times), u.at_05, 0.001);
  }
  for (const double f : {0.3, 0.35, 0.4, 0.42}) {
    double least = 100;
    for (int phase = 0; phase < 64; ++phase) {
      Track x;
      for (int n = 0; n < 1200; ++n) {
        const double edge = std::pow(std::sin(kPi * n / 1199.0), 8);
        x.push_back(static_cast<float>(edge * std::cos(2 * kPi * f * (n - 599.5 - phase / 64.0))));
      }
      least = std::min(least, detector_db(x));
    }
    EXPECT_GT(least, -under_read_db(f, 4)) << f;
  }
}
}  // namespace
