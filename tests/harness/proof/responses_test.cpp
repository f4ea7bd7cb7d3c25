// Must hold: the curves of the report are those of the paths that the plan states (an independent way from the measured
// ones); the band holds the sum, and is as wide as its model says where the model can be done by hand.
#include "harness/proof/responses.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <fstream>
#include <numbers>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/response.hpp"
#include "harness/proof/impulse_response.hpp"
#include "tests/harness/proof/three_ways.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using std::numbers::pi;

rig::Rig shaped() {
  rig::Rig rig = three_ways();
  rig.ways[0].delay_s = 3.3e-3;
  rig.ways[0].gain_db = -2;
  rig.ways[1].delay_s = 1e-3;
  rig.ways[2].delay_s = 1.51e-3;
  rig.ways[2].inverted = true;
  rig.ways[1].eq = {a_band(rig::EqType::peaking, 400, -6, 2)};
  rig.system_gain_db = -4;
  return rig;
}

TEST(Responses, AreThoseOfThePlannedPaths) {
  const Prepared bench(shaped());
  const Responses r = responses_of(bench.subject);
  const double rate = 48000;
  EXPECT_EQ(r.frequency_hz.front(), 10);
  EXPECT_GT(r.frequency_hz.back(), 21500);
  EXPECT_NEAR(std::log2(r.frequency_hz[48] / r.frequency_hz[0]), 1, 1e-9);
  EXPECT_THAT(r.crossover_at_hz, testing::ElementsAre(100, 1600));
  EXPECT_FALSE(r.acoustic);
  ASSERT_EQ(r.curves.size(), 4u);
  EXPECT_EQ(r.curves[3].name, "sum");
  std::vector<std::complex<double>> sum(r.frequency_hz.size());
  const std::size_t outputs[] = {0, 1, 3};
  for (std::size_t w = 0; w < 3; ++w) {
    const OutputPlan& plan = bench.compiled.outputs[outputs[w]];
    const ResponseCurve& curve = r.curves[w];
    EXPECT_EQ(curve.name, plan.way);
    const analysis::LinearPath path(std::span<const dsp::Biquad>(plan.sections),
                                    plan.polarity * analysis::ratio_from_db(plan.gain_db), plan.delay_samples - 48);
    for (std::size_t i = 0; i < r.frequency_hz.size(); ++i) {
      const analysis::PathResponse expected = path.at(r.frequency_hz[i] / rate);
      sum[i] += expected.value;
      if (expected.magnitude_db < -80 || r.frequency_hz[i] > 0.25 * rate) continue;  // rounding; a fraction's taps
      EXPECT_NEAR(curve.magnitude_db[i], expected.magnitude_db, 0.01) << curve.name << " " << r.frequency_hz[i];
      EXPECT_NEAR(std::remainder(curve.phase_deg[i] - std::arg(expected.value) * 180 / pi, 360), 0, 0.5);
      EXPECT_NEAR(curve.group_delay_ms[i], expected.group_delay_samples / 48, 0.01);
    }
  }
  for (std::size_t i = 0; i < sum.size(); ++i) {
    if (r.frequency_hz[i] > 0.25 * rate) continue;
    EXPECT_NEAR(r.curves[3].magnitude_db[i], 20 * std::log10(std::abs(sum[i])), 0.01);
    EXPECT_LE(r.sum_least_db[i], r.curves[3].magnitude_db[i]);
    EXPECT_GE(r.sum_most_db[i], r.curves[3].magnitude_db[i]);
  }
}

TEST(Responses, AreFiniteEverywhere) {
  rig::Rig rig = a_rig();
  rig.points = {a_point(1600, rig::Alignment::linkwitz_riley, 48)};
  rig.ways[0].eq = {a_band(rig::EqType::notch, 1280, 0, 4)};  // on the grid: nothing passes there
  rig.ways[1].gain_db = -40;
  const Responses r = responses_of(Prepared(rig).subject);
  for (const ResponseCurve& curve : r.curves)
    for (const auto* values : {&curve.magnitude_db, &curve.phase_deg, &curve.group_delay_ms}) {
      ASSERT_EQ(values->size(), r.frequency_hz.size());
      for (const double v : *values) ASSERT_TRUE(std::isfinite(v));
    }
  ASSERT_EQ(r.sum_least_db.size(), r.frequency_hz.size());
  for (std::size_t i = 0; i < r.frequency_hz.size(); ++i) ASSERT_LE(r.sum_least_db[i], r.sum_most_db[i]);
}

TEST(Responses, OfOneWaySpreadByItsDriverAlone) {
  rig::Rig rig = one_way(an_amplifier("a", {{500, 8}}, 32), a_driver("d", 8, 300));
  rig.ways[0].delay_s = 10e-3;
  const Responses r = responses_of(Prepared(rig).subject);
  for (std::size_t i = 0; i < r.frequency_hz.size(); ++i) {
    EXPECT_NEAR(r.sum_least_db[i], r.curves[1].magnitude_db[i] - 2, 1e-9);
    EXPECT_NEAR(r.sum_most_db[i], r.curves[1].magnitude_db[i] + 2, 1e-9);
  }
}

// Two boxes, one 3.4 m behind the other, whose delay answers to it: at the point both sides are a half and in phase, so
// at -10 degC the sum is |cos(pi f tau)|, tau = delay (c0 / c - 1), and 2 dB less where both drivers are low.
TEST(Responses, BandIsTheTemperatures) {
  const std::filesystem::path folder = std::filesystem::path(testing::TempDir()) / "responses_band";
  std::filesystem::create_directories(folder);
  rig::Rig rig = a_rig();
  rig.ways[0].highpass.reset();
  rig.ways[0].delay_s = 4e-3;
  for (std::size_t w = 0; w < 2; ++w) {
    rig.ways[w].response = folder / (rig.ways[w].name + ".csv");
    std::ofstream out(*rig.ways[w].response);
    out << "frequency_hz,magnitude_db,phase_deg\n";
    for (double hz = 5; hz < 24000; hz += 5)
      out << hz << ",0," << std::remainder(w == 0 ? 0.0 : -360 * hz * 4e-3, 360.0) << '\n';
  }
  const Responses r = responses_of(Prepared(rig).subject);
  std::filesystem::remove_all(folder);
  EXPECT_TRUE(r.acoustic);
  const auto i = static_cast<std::size_t>(
      std::ranges::min_element(r.frequency_hz, {}, [](double hz) { return std::abs(hz - 1600); }) -
      r.frequency_hz.begin());
  const double hz = r.frequency_hz[i];
  const double tau = 4e-3 * ((331.3 + 0.606 * 20) / (331.3 - 0.606 * 10) - 1);
  EXPECT_NEAR(r.curves[2].magnitude_db[i], 0, 0.02);
  EXPECT_NEAR(r.sum_least_db[i], 20 * std::log10(std::abs(std::cos(pi * hz * tau))) - 2, 0.02);
  EXPECT_NEAR(r.sum_most_db[i], 2, 0.02);  // at 20 degC, which is the rig's
  // The delay of the measured box is in: 4 ms, less the 0 ms that both ways share; the all-pass adds its own.
  EXPECT_NEAR(r.curves[1].group_delay_ms[i], r.curves[0].group_delay_ms[i], 0.01);
  EXPECT_GT(r.curves[1].group_delay_ms[i], 4);
}

TEST(ImpulseResponses, AreWholeAndTheSameWithLimiters) {
  rig::Rig rig = shaped();
  rig.ways[0].eq = {a_band(rig::EqType::peaking, 40, 12, 30)};  // rings for seconds
  const Prepared bench(rig);
  const auto with = impulse_responses(*make_chain(bench.compiled.settings()), bench.compiled);
  const auto without = impulse_responses(*make_chain(bench.unlimited.settings()), bench.unlimited);
  ASSERT_EQ(with.size(), 5u);
  EXPECT_EQ(with, without);
  EXPECT_GT(with[0].size(), 48000u);
  double total = 0, end = 0;
  for (std::size_t n = 0; n < with[0].size(); ++n) {
    total += with[0][n] * with[0][n];
    if (n + 12000 >= with[0].size()) end += with[0][n] * with[0][n];
  }
  EXPECT_LE(end, 1e-14 * total);
}
// Thresholds below the sample's first level of -36 dBFS: it is lowered until the meters say that nothing limits. Single
// precision scales alike, so a millionth of the peak is far beyond what is left.
TEST(ImpulseResponses, AreSentBelowEveryThreshold) {
  rig::Rig rig = shaped();
  for (rig::Driver& driver : rig.drivers) {
    driver.peak_power_watts = 1e-3;
    driver.continuous_power_watts = 1e-4;
  }
  const Prepared bench(rig);
  const auto with = impulse_responses(*make_chain(bench.compiled.settings()), bench.compiled);
  const auto without = impulse_responses(*make_chain(bench.unlimited.settings()), bench.unlimited);
  for (std::size_t o = 0; o < with.size(); ++o) {
    double peak = 0, off = 0;
    for (std::size_t n = 0; n < std::min(with[o].size(), without[o].size()); ++n) {
      peak = std::max(peak, std::abs(without[o][n]));
      off = std::max(off, std::abs(with[o][n] - without[o][n]));
    }
    EXPECT_LE(off, 1e-6 * peak) << "output " << o;
  }
}
TEST(ImpulseResponses, SpectrumAndMomentAreTheirDefinitions) {
  const std::vector<double> h = {0.5, -1, 0, 0, 0.25};
  for (const double hz : {10.0, 997.0, 11000.0, 23999.0}) {
    std::complex<double> value, moment;
    for (std::size_t n = 0; n < h.size(); ++n) {
      const auto turn = std::polar(1.0, -2 * pi * hz / 48000 * static_cast<double>(n));
      value += h[n] * turn;
      moment += static_cast<double>(n) * h[n] * turn;
    }
    EXPECT_LT(std::abs(spectrum(h, std::span(&hz, 1), 48000)[0] - value), 1e-13);
    EXPECT_LT(std::abs(moments(h, std::span(&hz, 1), 48000)[0] - moment), 1e-12);
  }
  // A pure delay over many renewals of the turn.
  std::vector<double> late(100001, 0.0);
  late[100000] = 1;
  const double hz = 1234.5;
  const auto value = spectrum(late, std::span(&hz, 1), 48000)[0];
  EXPECT_LT(std::abs(value - std::polar(1.0, -2 * pi * std::remainder(hz / 48000 * 100000, 1.0))), 1e-9);
}

}  // namespace
}  // namespace rackproof::proof
