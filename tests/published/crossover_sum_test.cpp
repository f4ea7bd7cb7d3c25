// What the measuring path of a proof reads from the running chain, against sums of crossovers computed outside this
// project (filters_reference.json names their makers). Tolerance 2e-4 dB unless said: two sides of single precision,
// each within 1e-4 dB (filters_test.cpp).
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>

#include "harness/proof/impulse_response.hpp"
#include "tests/harness/proof/three_ways.hpp"

namespace rackproof::proof {
namespace {

using namespace test;

using rig::Alignment;
using Json = nlohmann::json;

const Json& published() {
  static const Json document = [] {
    std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/filters_reference.json");
    return Json::parse(file);
  }();
  return document;
}

/// Ways one above the other with nothing but a crossover between them; `inverted`: every second one.
rig::Rig ways_with(std::vector<rig::Point> points, double rate_hz, bool inverted) {
  rig::Rig rig = one_way(an_amplifier("a", {{500, 8}}, 32), a_driver("d", 8, 300));
  rig.controller.sample_rate_hz = static_cast<std::uint32_t>(rate_hz);
  rig.points = std::move(points);
  for (std::size_t p = 0; p < rig.points.size(); ++p) {
    rig.ways.push_back(a_way("way" + std::to_string(p + 1), "a", "d"));
    rig.ways.back().inverted = inverted && p % 2 == 0;
  }
  return rig;
}
/// Level of every way and, last, of the sum, in dB, as the running chain has them.
std::vector<std::vector<double>> levels(const rig::Rig& rig, const std::vector<double>& frequency_hz) {
  const Prepared bench(rig);
  std::vector<std::vector<double>> all;
  std::vector<std::complex<double>> sum(frequency_hz.size());
  for (const Impulse& h : impulse_responses_of(bench.subject, rig)) {
    std::vector<double> level;
    const auto values = spectrum(h, frequency_hz, rig.controller.sample_rate_hz);
    for (std::size_t i = 0; i < values.size(); ++i) {
      sum[i] += values[i];
      level.push_back(finite_db(std::abs(values[i])));
    }
    all.push_back(std::move(level));
  }
  std::vector<double>& level = all.emplace_back();
  for (const auto& value : sum) level.push_back(finite_db(std::abs(value)));
  return all;
}
double sum_at(const rig::Rig& rig, double hz) { return levels(rig, {hz}).back().front(); }
double worst(const rig::Rig& rig) {
  const Prepared bench(rig);
  return check_crossover_sum(bench.subject).front().measured;
}
bool flat(const rig::Rig& rig) {
  const Prepared bench(rig);
  return check_crossover_sum(bench.subject).front().holds;
}

// Source: S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", JAES 24(1), 1976 (named by the set, which
// computed branches with scipy 1.10.1 and the sums with mpmath): flat with the right polarity, a null with the wrong
// one, both sides -6.0206 dB at the point.
TEST(PublishedCrossovers, LinkwitzRileySumsAsMeasured) {
  ASSERT_EQ(published().at("lr_crossovers").size(), 8u);
  for (const Json& entry : published().at("lr_crossovers")) {
    SCOPED_TRACE(entry.at("id").get<std::string>());
    const double at = entry.at("freq"), rate = entry.at("fs");
    const bool inverted = entry.at("high_polarity_for_flat_sum").get<int>() == -1;
    const std::vector<rig::Point> points = {a_point(at, Alignment::linkwitz_riley, 6 * entry.at("order").get<int>())};
    const std::vector<double> hz = entry.at("freqs_hz");
    const rig::Rig right = ways_with(points, rate, inverted), wrong = ways_with(points, rate, !inverted);
    const auto measured = levels(right, hz), turned = levels(wrong, hz), at_point = levels(right, {at});
    for (std::size_t i = 0; i < hz.size(); ++i) {
      EXPECT_NEAR(measured[2][i], 0, 2e-4) << hz[i];
      const Json& expected = entry.at("wrong_polarity_mag_db")[i];
      if (expected.is_null() || expected.get<double>() < -60) {
        EXPECT_LT(turned[2][i], -60) << hz[i];
      } else {
        EXPECT_NEAR(turned[2][i], expected.get<double>(), 1e-3) << hz[i];  // near a null rounding is magnified
      }
    }
    EXPECT_NEAR(at_point[0][0], entry.at("low_mag_db_at_fc").get<double>(), 1e-4);
    EXPECT_NEAR(at_point[1][0], entry.at("high_mag_db_at_fc").get<double>(), 1e-4);
    EXPECT_TRUE(flat(right));
    EXPECT_FALSE(flat(wrong));
    EXPECT_GT(worst(wrong), 60);
  }
}

// Source: mpmath, as named in the file: three ways are flat with the all-pass of the upper point in the lowest, and dip
// without it (by 0.086 dB at 250 Hz for 24 dB/oct, by 0.129 at 1 kHz for 12).
TEST(PublishedCrossovers, ThreeWaysAsMeasured) {
  ASSERT_EQ(published().at("lr_three_way").size(), 2u);
  for (const Json& entry : published().at("lr_three_way")) {
    SCOPED_TRACE(entry.at("id").get<std::string>());
    const int slope = 6 * entry.at("order").get<int>();
    const std::vector<double> hz = entry.at("freqs_hz");
    rig::Rig rig = ways_with({a_point(entry.at("f1"), Alignment::linkwitz_riley, slope),
                              a_point(entry.at("f2"), Alignment::linkwitz_riley, slope)},
                             entry.at("fs"), slope % 24 != 0);
    const auto with = levels(rig, hz);
    rig.phase_matched = false;
    const auto without = levels(rig, hz);
    double deepest = 0;
    for (std::size_t i = 0; i < hz.size(); ++i) {
      EXPECT_NEAR(with[3][i], 0, 3e-4) << hz[i];
      EXPECT_NEAR(without[3][i], entry.at("sum_mag_db_uncompensated")[i].get<double>(), 1e-3) << hz[i];
      deepest = std::min(deepest, without[3][i]);
    }
    EXPECT_NEAR(deepest, slope == 24 ? -0.086 : -0.129, 1e-3);
  }
}

// Follows from the all-pass sum of a Linkwitz-Riley crossover, by arithmetic: an octave above the point (as the
// bilinear transform warps it) the wrong polarity costs 4.4370, 1.0872 and 0.0679 dB.
TEST(PublishedCrossovers, WrongPolarityAnOctaveUp) {
  const double at = 1000, rate = 48000, octave = rate / M_PI * std::atan(2 * std::tan(M_PI * at / rate));
  for (const auto& [slope, loss] : {std::pair{12, 4.4370}, {24, 1.0872}, {48, 0.0679}})
    EXPECT_NEAR(sum_at(ways_with({a_point(at, Alignment::linkwitz_riley, slope)}, rate, slope % 24 == 0), octave),
                -loss, 3e-4)
        << slope;
}

// Derivation: both branches are a half and in phase at the point. 0.1 ms at 1.6 kHz costs 1.1469 dB, 1 ms at 100 Hz
// 0.4359; +1 dB on a branch adds 0.5144, -3 dB takes 1.3711.
TEST(PublishedCrossovers, DelayOrLevelErrorOnOneWay) {
  for (const auto& [at, delay_s, gain_db, expected] : {std::tuple{1600.0, 0.1e-3, 0.0, -1.1469},
                                                       {100.0, 1e-3, 0.0, -0.4359},
                                                       {1600.0, 0.0, 1.0, 0.5144},
                                                       {1600.0, 0.0, -3.0, -1.3711}}) {
    rig::Rig rig = ways_with({a_point(at)}, 48000, false);
    rig.ways[1].delay_s = delay_s;
    rig.ways[1].gain_db = gain_db;
    EXPECT_NEAR(sum_at(rig, at), expected, 1e-3);
  }
}

// Textbook, from memory; identities checked with mpmath by those who computed the set: odd Butterworth crossovers are
// flat in either polarity (of first order in one), the second order peaks by 3.0103 dB inverted and has a null else,
// the fourth peaks by 3.0103 dB.
TEST(PublishedCrossovers, ButterworthSumsAsMeasured) {
  const auto crossover = [](int order, bool inverted) {
    return ways_with({a_point(1000, Alignment::butterworth, 6 * order)}, 48000, inverted);
  };
  for (const double hz : {20.0, 500.0, 1000.0, 3000.0, 20000.0}) {
    EXPECT_NEAR(sum_at(crossover(1, false), hz), 0, 2e-4);
    EXPECT_NEAR(sum_at(crossover(3, false), hz), 0, 2e-4);
    EXPECT_NEAR(sum_at(crossover(3, true), hz), 0, 2e-4);
  }
  EXPECT_NEAR(sum_at(crossover(2, true), 1000), 3.0103, 3e-4);
  EXPECT_NEAR(sum_at(crossover(4, false), 1000), 3.0103, 3e-4);
  EXPECT_NEAR(worst(crossover(4, false)), 3.0103, 3e-4);
  EXPECT_LT(sum_at(crossover(2, false), 1000), -60);
  EXPECT_TRUE(flat(crossover(1, false)) && flat(crossover(3, false)) && flat(crossover(3, true)));
  EXPECT_FALSE(flat(crossover(2, false)) || flat(crossover(2, true)) || flat(crossover(4, false)));
  for (const int order : {1, 2, 3, 4}) EXPECT_NEAR(levels(crossover(order, false), {1000})[0][0], -3.0103, 1e-4);
}

}  // namespace
}  // namespace rackproof::proof
