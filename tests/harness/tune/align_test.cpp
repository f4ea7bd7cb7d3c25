// Must hold: ways that an exact crossover parts, each with any delay and polarity of its own, come back to a sum that
// loses nothing; a delay is never a period off; what cannot be aligned by is refused.
#include "harness/tune/align.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/rig/rig.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"

namespace rackproof::tune {
namespace {

using testing::HasSubstr;
using Complex = std::complex<double>;
constexpr double kPi = std::numbers::pi;

/// (s^n / B_n(s)^2) of a Linkwitz-Riley side of 4th order: Butterworth of 2nd order, twice.
Complex side(double ratio, bool high) {
  const Complex s(0, ratio), b = (high ? s * s : 1.0) / (s * s + std::numbers::sqrt2 * s + 1.0);
  return b * b;
}
/// A way of a crossover with points at `points_hz`, delayed and perhaps turned over by what is not in the rig.
MeasuredWay way(const std::string& name, const std::vector<double>& points_hz, std::size_t index, double late_ms,
                double sign, double held_ms = 0, int polarity = 1) {
  MeasuredWay one{name, {}, held_ms * 1e-3, polarity, {}};
  Measurement& m = one.measured;
  m.file = name + ".json";
  m.arrival_ms = 10 + late_ms;
  m.frequency_hz = analysis::log_frequencies(20, 20000, 48);
  for (const double f : m.frequency_hz) {
    Complex h = sign;
    if (index > 0) h *= side(f / points_hz[index - 1], true);
    if (index < points_hz.size()) h *= side(f / points_hz[index], false);
    // The all-pass of a point further above, as a phase-matched split has it.
    for (std::size_t p = index + 1; p < points_hz.size(); ++p)
      h *= side(f / points_hz[p], false) + side(f / points_hz[p], true);
    m.magnitude_db.push_back(20 * std::log10(std::abs(h)));
    m.phase_deg.push_back(std::arg(h) * 180 / kPi);
    m.coherence.push_back(0.98);
  }
  return one;
}

TEST(Align, BringsTwoWaysOfAnExactCrossoverIntoStep) {
  for (const double at_hz : {90.0, 1600.0, 6000.0})
    for (const double late_ms : {-1.3, 0.0, 0.0123, 0.35, 4.0})
      for (const double sign : {1.0, -1.0}) {
        SCOPED_TRACE(testing::Message() << at_hz << " Hz, " << late_ms << " ms, " << sign);
        const std::vector<double> points{at_hz};
        const Alignment made = align({way("low", points, 0, 0, 1), way("high", points, 1, late_ms, sign)}, points);
        // The grid is 1/48 octave: its straight lines leave a part in a thousand of a period.
        const double tolerance_s = 2e-3 / at_hz;
        EXPECT_NEAR(made.ways[0].delay_s, std::max(0.0, late_ms) * 1e-3, tolerance_s);
        EXPECT_NEAR(made.ways[1].delay_s, std::max(0.0, -late_ms) * 1e-3, tolerance_s);
        EXPECT_EQ(made.ways[0].polarity, 1);
        EXPECT_EQ(made.ways[1].polarity, sign);
        EXPECT_EQ(std::min(made.ways[0].delay_s, made.ways[1].delay_s), 0);
        EXPECT_NEAR(made.points[0].sum_loss_db, 0, 0.02);
        EXPECT_GT(made.points[0].agreement, 0.99);
        EXPECT_TRUE(sign > 0 || late_ms != 0 || made.points[0].sum_loss_before_db > 20);
      }
}

TEST(Align, CountsFromTheDelaysThatTheRigHoldsAndLeavesNoneInCommon) {
  const std::vector<double> points{100, 1600};
  // Held: 2, 3, 2.5 ms. The mid is 0.4 ms late and the high 1.1 ms early and turned over, against the low.
  const Alignment made = align({way("low", points, 0, 0, 1, 2, 1), way("mid", points, 1, 0.4, 1, 3, -1),
                                way("high", points, 2, -1.1, -1, 2.5, 1)},
                               points);
  // To be added: 0, -0.4, +1.1; so 2, 2.6, 3.6; less 2.
  EXPECT_NEAR(made.ways[0].delay_s, 0, 2e-5);
  EXPECT_NEAR(made.ways[1].delay_s, 0.6e-3, 2e-5);
  EXPECT_NEAR(made.ways[2].delay_s, 1.6e-3, 2e-5);
  EXPECT_EQ(made.ways[0].polarity, 1);
  EXPECT_EQ(made.ways[1].polarity, -1);
  EXPECT_EQ(made.ways[2].polarity, -1);
  EXPECT_NEAR(made.common_delay_s, 2e-3, 1e-12);
  ASSERT_FALSE(made.warnings.empty());
  EXPECT_EQ(made.warnings.back().code, "common-delay");
}

// 20 lg |cos(pi f t)| for two equal ways t apart: 0.1 ms at 1600 Hz is 1.1469 dB.
TEST(Align, TheLossIsThatOfBothInPhase) {
  const std::vector<double> points{1600};
  MeasuredWay low = way("low", points, 0, 0, 1), high = way("high", points, 1, 0, 1);
  for (MeasuredWay* one : {&low, &high})
    for (std::size_t i = 0; i < one->measured.frequency_hz.size(); ++i)
      one->measured.magnitude_db[i] = 0, one->measured.phase_deg[i] = 0;
  low.distance_m = {3, 3, 3};
  high.distance_m = {2, 2.02, 2 + 343.42 * 1e-4};
  AlignOptions options;
  options.temperatures_degc = {20, 0};
  const Alignment made = align({low, high}, points, options);
  const double edge = std::numbers::sqrt2 * 1600;
  ASSERT_EQ(made.points[0].loss_at_places_db.size(), 2u);
  EXPECT_NEAR(made.points[0].sum_loss_db, 0, 1e-6);
  EXPECT_NEAR(made.points[0].loss_at_places_db[0], -20 * std::log10(std::cos(kPi * edge * 0.02 / 343.42)), 0.05);
  EXPECT_NEAR(made.points[0].loss_at_places_db[1], -20 * std::log10(std::cos(kPi * edge * 1e-4)), 0.05);
  ASSERT_EQ(made.points[0].loss_at_temperatures_db.size(), 2u);
  EXPECT_NEAR(made.points[0].loss_at_temperatures_db[0], 0, 1e-6);
  EXPECT_NEAR(made.points[0].loss_at_temperatures_db[1],
              -20 * std::log10(std::cos(kPi * edge * (1 / 331.3 - 1 / 343.42))), 0.05);
}

TEST(Align, KeepsThePolarityWhereEitherWouldDo) {
  const std::vector<double> points{500};
  for (const int held : {1, -1}) {
    MeasuredWay low = way("low", points, 0, 0, 1), high = way("high", points, 1, 0, 1, 0, held);
    for (double& phase : high.measured.phase_deg) phase += 90;  // as the sides of an odd Butterworth stand
    const Alignment made = align({low, high}, points);
    EXPECT_EQ(made.ways[1].polarity, held);
  }
}

TEST(Align, RefusesWhatItCannotAlignBy) {
  const std::vector<double> points{1600};
  const auto refusal = [&](auto change) -> std::string {
    MeasuredWay low = way("low", points, 0, 0, 1), high = way("high", points, 1, 0.2, 1);
    change(high.measured);
    try {
      align({low, high}, points);
    } catch (const InputError& error) {
      return error.what();
    }
    return "it was accepted";
  };
  EXPECT_EQ(refusal([](Measurement&) {}), "it was accepted");
  EXPECT_THAT(refusal([](Measurement& m) { m.phase_deg.clear(); }), HasSubstr("high.json: way high"));
  EXPECT_THAT(refusal([](Measurement& m) { std::fill(m.coherence.begin(), m.coherence.end(), 0.2); }),
              HasSubstr("coherence of 0.20"));
  EXPECT_THAT(refusal([](Measurement& m) {
                m.frequency_hz.resize(200), m.magnitude_db.resize(200), m.phase_deg.resize(200),
                    m.coherence.resize(200);
              }),
              HasSubstr("the octave around its point"));
}

// Measured in a field, one by one, from recordings: two drivers at their own distances, the horn turned over.
TEST(Align, WorksFromRecordings) {
  SimulatedDriver low, high;
  low.from_hz = 50, low.delay_s = 0.9e-3;
  high.from_hz = 500, high.delay_s = 0.1e-3, high.polarity = -1;
  const std::vector<double> points{1600};
  const auto filtered = [&](const std::vector<double>& sent, bool is_high) {
    std::vector<double> wave = sent;
    rig::EqBand band;
    band.type = is_high ? rig::EqType::highpass : rig::EqType::lowpass, band.at_hz = 1600;
    const dsp::Biquad s = dsp::biquad_of(section_of(band, kRate));
    for (int twice = 0; twice < 2; ++twice) {
      double a = 0, b = 0;
      for (double& x : wave) {
        const double y = s.b0 * x + a;
        a = s.b1 * x - s.a1 * y + b, b = s.b2 * x - s.a2 * y, x = y;
      }
    }
    return wave;
  };
  const Recording sent{"pink.wav", kRate, noise_sent(5)};
  std::vector<MeasuredWay> ways;
  for (const SimulatedDriver* driver : {&low, &high}) {
    const bool is_high = driver == &high;
    const auto paths = field_paths({0, 0, is_high ? 2.3 : 1.9}, {3, 0, 2.3});
    Recorder recorder;
    recorder.drift_ppm = 50, recorder.noise_rms = 3e-4, recorder.seed = is_high ? 3 : 4;
    const Recording captured[] = {recorded(*driver, paths, filtered(sent.samples, is_high), recorder)};
    ways.push_back({is_high ? "high" : "low", measure(sent, captured), 0, 1, {}});
  }
  const Alignment made = align(ways, points);
  // The box's own highpass and the horn's (500 Hz) turn the phase by some ten degrees at the point.
  const double wanted_s = 0.9e-3 - 0.1e-3 + (std::hypot(3, 0.4) - 3) / speed_of_sound(20);
  EXPECT_NEAR(made.ways[1].delay_s - made.ways[0].delay_s, wanted_s, 0.1e-3);
  EXPECT_EQ(made.ways[0].polarity, 1);
  EXPECT_EQ(made.ways[1].polarity, -1);
  EXPECT_LT(made.points[0].sum_loss_db, 0.5);
}

}  // namespace
}  // namespace rackproof::tune
