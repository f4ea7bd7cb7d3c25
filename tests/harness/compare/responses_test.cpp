// Must hold: the furthest place is found between the frequencies that are looked at; what is too low, or silent, is a
// number and is judged as said.
#include "harness/compare/responses.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "harness/analysis/bands.hpp"
#include "harness/compare/words.hpp"

namespace rackproof::compare {
namespace {

Heard heard_as(const std::function<double(double)>& db_at) {
  return [db_at](std::span<const double> hz) {
    Response response;
    for (const double at : hz) response.emplace_back(std::pow(10, db_at(at) / 20));
    return response;
  };
}
std::optional<Apart> apart(const std::function<double(double)>& a_db, const std::function<double(double)>& b_db,
                           double within_db = kJudged_db) {
  const std::vector<double> hz = analysis::log_frequencies(20, 20000, 96);
  std::vector<double> a, b;
  for (const double at : hz) {
    a.push_back(a_db(at));
    b.push_back(b_db(at));
  }
  return furthest(hz, a, b, within_db, heard_as(a_db), heard_as(b_db));
}
const auto kFlat = [](double) { return 0.0; };

TEST(FurthestApart, BetweenTheFrequencies) {
  // A hump a hundredth of an octave wide, whose top is at no frequency of the row.
  const double top_hz = 1000 * std::exp2(0.4 / 96);
  const auto hump = [&](double hz) { return 5 * std::exp(-std::pow(std::log2(hz / top_hz) / 0.01, 2)); };
  const auto found = apart(kFlat, hump);
  EXPECT_NEAR(found->db, 5, 0.001);
  EXPECT_NEAR(found->at_hz / top_hz, 1, 1e-4);
  EXPECT_FALSE(found->everywhere);
  EXPECT_NEAR(apart(hump, kFlat)->db, -5, 0.001);
}

TEST(FurthestApart, IsJudgedAsFarAsEitherPlays) {
  // Falls from 1 kHz on by 40 dB an octave; b the same, 3 dB further down from 4.1 kHz on, where it is 81 dB down.
  const auto falls = [](double hz) { return hz < 1000 ? 0.0 : -40 * std::log2(hz / 1000); };
  const auto lower = [&](double hz) { return falls(hz) - (hz > 4100 ? 3 : 0); };
  EXPECT_EQ(apart(falls, lower)->db, 0);
  EXPECT_EQ(apart(falls, lower)->at_hz, 0);
  EXPECT_NEAR(apart(falls, lower, 90)->db, -3, 1e-9);
  // One that plays there is enough.
  EXPECT_GT(apart(falls, kFlat)->db, 99);
  EXPECT_LE(apart(falls, kFlat)->db, kDeepest_db + 1e-9);
}

TEST(FurthestApart, SilenceIsANumberAndOnBothSidesNone) {
  const auto silent = [](double) { return -400.0; };
  EXPECT_NEAR(apart(kFlat, silent)->db, -kDeepest_db, 1e-9);
  EXPECT_NEAR(apart(silent, kFlat)->db, kDeepest_db, 1e-9);
  EXPECT_FALSE(apart(silent, silent).has_value());
  EXPECT_EQ(apart_text(apart(kFlat, silent)), "silent in b");
  EXPECT_EQ(apart_text(apart(silent, kFlat)), "silent in a");
  EXPECT_EQ(place_text(apart(kFlat, silent)), "");
  EXPECT_EQ(apart_text(apart(silent, silent)), "nothing plays");
  const auto down = [](double) { return -2.0; };
  EXPECT_TRUE(apart(kFlat, down)->everywhere);
  EXPECT_NEAR(apart(kFlat, down)->db, -2, 1e-9);
}

}  // namespace
}  // namespace rackproof::compare
