// Must hold: ways that an exact crossover parts, each with any delay and polarity of its own, come back to a sum that
// loses nothing; a delay is never a period off; what cannot be aligned by is refused.
#include "harness/tune/align.hpp"

#include <gmock/gmock.h>

#include <algorithm>
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
    for (std::size_t i = 0; i < one->measured.frequency_hz.size(); ++i) {
      one->measured.magnitude_db[i] = 0;
      one->measured.phase_deg[i] = 0;
    }
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

// Warm air shortens the longer path more. A phase that stands 40 degrees off at all frequencies leaves, at the best delay
// there is, more below the point than above: so that it tells whether the upper way comes earlier or later. Here the
// upper way is 2 m further off: in colder air it comes later, by 2 m (1/c(0) - 1/c(20)) = 0.213 ms.
TEST(Align, ColdAirMakesTheFartherWayLater) {
  const std::vector<double> points{400};
  MeasuredWay low = way("low", points, 0, 0, 1), high = way("high", points, 1, 0, 1);
  for (MeasuredWay* one : {&low, &high})
    for (std::size_t i = 0; i < one->measured.frequency_hz.size(); ++i) {
      one->measured.magnitude_db[i] = 0;
      one->measured.phase_deg[i] = one == &high ? 40 : 0;
    }
  low.distance_m = {2};
  high.distance_m = {4};
  AlignOptions options;
  options.temperatures_degc = {0};
  const Alignment made = align({low, high}, points, options);
  const double added_s = made.ways[1].delay_s - made.ways[0].delay_s, later_s = 2 * (1 / 331.3 - 1 / 343.42);
  const auto loss_db = [&](double late_s) {
    double worst = 0;
    for (const double hz : {400 / std::numbers::sqrt2, 400 * std::numbers::sqrt2})
      worst = std::max(worst, -20 * std::log10(std::abs(std::cos(0.5 * (40 * kPi / 180 - 2 * kPi * hz * late_s)))));
    return worst;
  };
  EXPECT_NEAR(made.points[0].loss_at_temperatures_db[0], loss_db(added_s + later_s), 0.01);
  EXPECT_GT(std::abs(loss_db(added_s + later_s) - loss_db(added_s - later_s)), 0.1) << "either sign would do";
}

// What drove the ways then: delay and polarity count from there, and a gain that was turned since turns the level.
TEST(Align, StartsFromWhatDroveTheWays) {
  const std::vector<double> points{1600};
  const Drive now{"rig.toml", 48000, {{"low", 0, 2e-3, 1, {}, {}}, {"high", -6, 0, 1, {}, {}}}};
  Drive then = now;
  then.ways[0].delay_s = 0.5e-3;
  then.ways[1].gain_db = -2;
  then.ways[1].polarity = -1;
  std::vector<MeasuredWay> ways{way("low", points, 0, 0, 1, 2), way("high", points, 1, 0.2, 1)};
  const double before_db = ways[1].measured.magnitude_db.at(300);
  for (MeasuredWay& one : ways) one.measured.driven_by = then;
  const Start start = start_from(now, points, ways);
  EXPECT_TRUE(start.warnings.empty());
  EXPECT_EQ(ways[0].delay_s, 0.5e-3);
  EXPECT_EQ(ways[1].polarity, -1);
  EXPECT_NEAR(ways[1].measured.magnitude_db.at(300), before_db - 4, 1e-12);
  EXPECT_EQ(start.driven[1].gain_db, -6);
  EXPECT_EQ(start.driven[0].delay_s, 0.5e-3);
  // The control: nothing is known, the rig as it stands counts, and that is said.
  std::vector<MeasuredWay> unknown{way("low", points, 0, 0, 1, 2), way("high", points, 1, 0.2, 1)};
  const Start rig = start_from(now, points, unknown);
  EXPECT_EQ(unknown[0].delay_s, 2e-3);
  ASSERT_EQ(rig.warnings.size(), 1u);
  EXPECT_EQ(rig.warnings[0].code, "rig-unknown");
}

bool warns(const Alignment& made, const std::string& code) {
  return std::ranges::any_of(made.warnings, [&](const Warning& warning) { return warning.code == code; });
}
// One clock: a reference beside every capture, or all ways out of one recording of one thing sent.
TEST(Align, SaysWhereNoClockIsShared) {
  const std::vector<double> points{1600};
  const MeasuredWay low = way("low", points, 0, 0, 1), high = way("high", points, 1, 0.2, 1);
  const auto warned = [&](auto change) {
    std::vector<MeasuredWay> ways{low, high};
    change(ways[0].measured, ways[1].measured);
    return warns(align(ways, points), "no-common-clock");
  };
  EXPECT_TRUE(warned([](Measurement&, Measurement&) {}));
  EXPECT_TRUE(warned([](Measurement& a, Measurement&) { a.reference_channel = 2; }));
  EXPECT_FALSE(warned([](Measurement& a, Measurement& b) { a.reference_channel = b.reference_channel = 2; }));
  const auto recorded = [](Measurement& m, const char* captured, const char* sent) {
    m.recordings = {captured};
    m.sent_fingerprint = sent;
  };
  EXPECT_TRUE(warned([&](Measurement& a, Measurement& b) {
    recorded(a, "1", "s");
    recorded(b, "2", "s");
  }));
  EXPECT_TRUE(warned([&](Measurement& a, Measurement& b) {
    recorded(a, "1", "s");
    recorded(b, "1", "t");
  }));
  EXPECT_FALSE(warned([&](Measurement& a, Measurement& b) {
    recorded(a, "1", "s");
    recorded(b, "1", "s");
  }));
}
TEST(Align, WaysThatArriveFarApartAreMeantOrRefused) {
  const std::vector<double> points{100};
  for (const auto& [late_ms, refused] : {std::pair{9.99, false}, {-9.99, false}, {10.01, true}, {-30.0, true}}) {
    const std::vector<MeasuredWay> ways{way("low", points, 0, 0, 1), way("high", points, 1, late_ms, 1)};
    std::string says = "taken";
    try {
      align(ways, points);
    } catch (const InputError& error) {
      says = error.what();
    }
    if (refused)
      EXPECT_THAT(says, testing::AllOf(HasSubstr("--far"), HasSubstr("--reference-channel"))) << late_ms;
    else
      EXPECT_EQ(says, "taken") << late_ms;
    AlignOptions far;
    far.far = true;
    EXPECT_NO_THROW(align(ways, points, far));
  }
}
// An eighth of a period at 1.6 kHz is 0.078 ms.
TEST(Align, WarnsOfArrivalsThatAreNotKnownWellEnough) {
  const std::vector<double> points{1600};
  for (const auto& [error_ms, warned] : {std::pair{0.0385, false}, {0.0395, true}}) {
    std::vector<MeasuredWay> ways{way("low", points, 0, 0, 1), way("high", points, 1, 0.2, 1)};
    for (MeasuredWay& one : ways) one.measured.clock_error_ms = error_ms;
    EXPECT_EQ(warns(align(ways, points), "clock-error"), warned) << error_ms;
  }
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

// Reflections at 0.77 of the direct sound, 2 and 3 ms later, and the upper way turned over: phases agree by 80 % at best,
// and the sum loses 4.1 dB at one frequency of the octave, each by a sum over a grid computed apart from this program.
TEST(Align, SaysWhereTheSumLosesThoughPhasesAgree) {
  const std::vector<double> points{1200};
  for (const double share : {0.0, 0.77}) {
    std::vector<MeasuredWay> ways{way("low", points, 0, 0, 1), way("high", points, 1, 0, -1)};
    for (std::size_t w = 0; w < 2; ++w) {
      Measurement& m = ways[w].measured;
      for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
        const Complex heard = 1.0 + std::polar(share, -2 * kPi * m.frequency_hz[i] * (w == 0 ? 2e-3 : 3e-3));
        m.magnitude_db[i] += 20 * std::log10(std::abs(heard));
        m.phase_deg[i] += std::arg(heard) * 180 / kPi;
      }
    }
    const Alignment made = align(ways, points);
    EXPECT_FALSE(warns(made, "phase-apart"));
    const auto loses = std::ranges::find(made.warnings, "sum-loses", &Warning::code);
    ASSERT_EQ(loses != made.warnings.end(), share > 0);
    EXPECT_EQ(made.ways[1].polarity, -1);
    if (share > 0) {
      EXPECT_NEAR(made.points[0].agreement, 0.805, 0.005);  // between the measurement's frequencies lines are straight
      EXPECT_NEAR(made.points[0].sum_loss_db, 4.08, 0.25);  // and cut the edge of a dip
      EXPECT_THAT(loses->text, HasSubstr("the sum of low and high turned over loses"));
    }
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
  low.from_hz = 50;
  low.delay_s = 0.9e-3;
  high.from_hz = 500;
  high.delay_s = 0.1e-3;
  high.polarity = -1;
  const std::vector<double> points{1600};
  const auto filtered = [&](const std::vector<double>& sent, bool is_high) {
    std::vector<double> wave = sent;
    rig::EqBand band;
    band.type = is_high ? rig::EqType::highpass : rig::EqType::lowpass;
    band.at_hz = 1600;
    const dsp::Biquad s = dsp::biquad_of(section_of(band, kRate));
    for (int twice = 0; twice < 2; ++twice) {
      double a = 0, b = 0;
      for (double& x : wave) {
        const double y = s.b0 * x + a;
        a = s.b1 * x - s.a1 * y + b;
        b = s.b2 * x - s.a2 * y;
        x = y;
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
    recorder.drift_ppm = 50;
    recorder.noise_rms = 3e-4;
    recorder.seed = is_high ? 3 : 4;
    const Recording captured[] = {recorded(*driver, paths, filtered(sent.samples, is_high), recorder)};
    ways.push_back({is_high ? "high" : "low", measure(sent, captured), 0, 1, {}});
  }
  const Alignment made = align(ways, points);
  // The box's own highpass and the horn's (500 Hz) turn the phase by some ten degrees at the point.
  const double wanted_s = 0.9e-3 - 0.1e-3 + (std::hypot(3, 0.4) - 3) / rig::speed_of_sound(20);
  EXPECT_NEAR(made.ways[1].delay_s - made.ways[0].delay_s, wanted_s, 0.1e-3);
  EXPECT_EQ(made.ways[0].polarity, 1);
  EXPECT_EQ(made.ways[1].polarity, -1);
  EXPECT_LT(made.points[0].sum_loss_db, 0.5);
}

}  // namespace
}  // namespace rackproof::tune
