// Must hold: a dip is a notch on one side of each threshold of the header and none on the other: 10 dB deep; 6 dB and a
// third of an octave wide; 4 dB where places differ by 4 dB; 4 dB where its third harmonic is a notch; and what is wider
// than an octave is the loudspeaker's.
#include "harness/tune/notches.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <optional>

namespace rackproof::tune {
namespace {

constexpr double kPerOctave = 96;  // finer than `flatten` has it, so that widths are told to a hundredth of an octave
constexpr std::size_t kSize = 8 * 96 + 1, kMiddle = 4 * 96;
constexpr double kStep = 0.02;  // dB and octaves: the thresholds are looked for in such steps

using Levels = std::vector<double>;

/// 0 dB but for a dip in the middle: so deep, so wide at half its depth. Its bottom is round, its flanks are steep.
Levels with_dip(double depth_db, double octaves) {
  Levels level(kSize);
  for (std::size_t k = 0; k < kSize; ++k) {
    const double x = (static_cast<double>(k) - static_cast<double>(kMiddle)) / kPerOctave / (octaves / 2);
    level[k] = -depth_db * std::exp(-std::numbers::ln2 * std::pow(x * x, 4));
  }
  return level;
}
std::vector<Notch> of_one(const Levels& level) { return find_notches(level, std::vector<Levels>{level}, kPerOctave); }
/// Two places, so far apart (standard deviation) that the mean of their levels is `level`.
std::vector<Notch> of_two(const Levels& level, double spread_db) {
  std::vector<Levels> places(2, level);
  for (double& db : places[0]) db += spread_db / std::numbers::sqrt2;
  for (double& db : places[1]) db -= spread_db / std::numbers::sqrt2;
  return find_notches(level, places, kPerOctave);
}
/// The first value from `from` on, upwards or down, at which there is a notch.
std::optional<double> first_found(double from, double to, const std::function<std::vector<Notch>(double)>& at) {
  const double step = to > from ? kStep : -kStep;
  for (double value = from; step > 0 ? value <= to : value >= to; value += step)
    if (!at(value).empty()) return value;
  return std::nullopt;
}

TEST(Notches, NoneInAFlatLineNorInAHump) {
  EXPECT_TRUE(of_one(Levels(kSize, -3.0)).empty());
  Levels hump = with_dip(15, 0.2);
  for (double& db : hump) db = -db;
  EXPECT_TRUE(of_one(hump).empty());
  EXPECT_TRUE(of_one({}).empty());
  EXPECT_TRUE(of_one({1.0, 0.0}).empty());
}

TEST(Notches, ANarrowOneIsSixDecibelsDeep) {
  const auto depth = first_found(4, 9, [](double db) { return of_one(with_dip(db, 0.2)); });
  ASSERT_TRUE(depth);
  const Notch notch = of_one(with_dip(*depth, 0.2))[0];
  EXPECT_GE(notch.depth_db, 6);
  EXPECT_LT(notch.depth_db, 6 + 2 * kStep);
  EXPECT_FALSE(notch.positions_differ);
  // Told under the mean power of the octave around, of which a fifth is the dip itself: by that much less.
  EXPECT_NEAR(*depth, 6 + 10 * std::log10(1 / (1 - 0.2 * (1 - std::pow(10, -0.6)))), 0.2);
}

TEST(Notches, AWiderOneIsTenDecibelsDeep) {
  const auto depth = first_found(6, 16, [](double db) { return of_one(with_dip(db, 0.5)); });
  ASSERT_TRUE(depth);
  const Notch notch = of_one(with_dip(*depth, 0.5))[0];
  EXPECT_GE(notch.depth_db, 10);
  EXPECT_LT(notch.depth_db, 10 + 2 * kStep);
}

TEST(Notches, AThirdOfAnOctaveIsWhereNarrowEnds) {
  const auto wide = [](double octaves) { return of_one(with_dip(9, octaves)); };  // between the two depths
  const auto widest = first_found(0.6, 0.1, wide);
  ASSERT_TRUE(widest);
  EXPECT_NEAR(*widest, 1.0 / 3, 0.04);  // the grid's step, and that half of the told depth is not half of the dip's
  EXPECT_TRUE(wide(*widest + 0.05).empty());
  EXPECT_FALSE(wide(*widest - 0.05).empty());
}

TEST(Notches, WiderThanAnOctaveIsTheLoudspeakers) {
  const auto differing = [](double octaves) { return of_two(with_dip(8, octaves), 6); };
  const auto widest = first_found(1.6, 0.5, differing);
  ASSERT_TRUE(widest);
  EXPECT_NEAR(*widest, 1, 2.5 / kPerOctave);
  for (const double wider : {1.06, 1.2, 1.5}) EXPECT_TRUE(differing(wider).empty()) << wider;
  for (const double narrower : {0.94, 0.7, 0.4}) EXPECT_EQ(differing(narrower).size(), 1u) << narrower;
  // Nor is a deep one that all places have.
  for (const double depth_db : {12.0, 20.0, 30.0}) EXPECT_TRUE(of_one(with_dip(depth_db, 1.3)).empty()) << depth_db;
}

TEST(Notches, PlacesThatDifferByFourDecibels) {
  const auto spread = first_found(2, 7, [](double db) { return of_two(with_dip(5, 0.6), db); });
  ASSERT_TRUE(spread);
  EXPECT_NEAR(*spread, 4, kStep + 1e-9);
  EXPECT_TRUE(of_two(with_dip(5, 0.6), *spread)[0].positions_differ);
  EXPECT_TRUE(of_two(with_dip(5, 0.6), 3.9).empty());
}

TEST(Notches, AndFourDecibelsUnderTheLowerShoulder) {
  const auto depth = first_found(1, 8, [](double db) { return of_two(with_dip(db, 0.6), 6); });
  ASSERT_TRUE(depth);
  EXPECT_NEAR(*depth, 4, kStep + 1e-9);
  // The lower one: a step up to one side makes no notch deeper.
  Levels step = with_dip(3.9, 0.6);
  for (std::size_t k = kMiddle + 48; k < kSize; ++k) step[k] += 6;
  EXPECT_TRUE(of_two(step, 6).empty());
}

TEST(Notches, GoWithTheirFlanksButNoFurther) {
  const std::vector<Notch> found = of_one(with_dip(14, 0.3));
  ASSERT_EQ(found.size(), 1u);
  const double octave_below = static_cast<double>(kMiddle - found[0].first) / kPerOctave,
               octave_above = static_cast<double>(found[0].last - kMiddle) / kPerOctave;
  EXPECT_NEAR(octave_below, octave_above, 1.5 / kPerOctave);
  EXPECT_GT(octave_below, 0.15 - 1 / kPerOctave);  // where it is half as deep
  EXPECT_LT(octave_below, 0.15 + 0.25 + 1 / kPerOctave);
}

/// A dip in the middle of this depth, and a notch 9 dB deep and 0.2 octave wide so far above it.
Levels with_dip_and_notch_above(double depth_db, double octaves_wide, double octaves_above) {
  Levels level = with_dip(depth_db, octaves_wide);
  for (std::size_t k = 0; k < kSize; ++k) {
    const double x = (static_cast<double>(k) - static_cast<double>(kMiddle)) / kPerOctave - octaves_above;
    level[k] -= 9 * std::exp(-std::numbers::ln2 * std::pow(x / 0.1, 8));
  }
  return level;
}
bool holds(const std::vector<Notch>& notches, std::size_t at) {
  return std::ranges::any_of(notches, [at](const Notch& one) { return one.first <= at && at <= one.last; });
}
/// A copy at `share` of the direct sound, whose first null is in the middle. Above its sixth multiple nothing.
Levels comb(double share, double up_to_multiple = 6) {
  Levels level(kSize);
  for (std::size_t k = 0; k < kSize; ++k) {
    const double octaves = (static_cast<double>(k) - static_cast<double>(kMiddle)) / kPerOctave;
    const double multiple = std::min(std::exp2(octaves), up_to_multiple);
    level[k] = 10 * std::log10(1 + share * share + 2 * share * std::cos(std::numbers::pi * multiple));
  }
  return level;
}

TEST(Notches, ACombsFirstNullIsOneAsItsThirdIs) {
  for (const double share : {0.6, 0.7, 0.8}) {
    const std::vector<Notch> found = of_one(comb(share));
    EXPECT_TRUE(holds(found, kMiddle)) << share;
    EXPECT_TRUE(holds(found, kMiddle + static_cast<std::size_t>(std::lround(std::log2(3) * kPerOctave)))) << share;
  }
  // Control: the same hollow with its shoulders, and nothing at three times its frequency, is no proof of a delay.
  EXPECT_FALSE(holds(of_one(comb(0.6, 2)), kMiddle));
}

TEST(Notches, FourDecibelsUnderTheShouldersWhereTheThirdHarmonicIsOne) {
  const auto at_middle = [](const Levels& level) {
    std::vector<Notch> found = of_one(level);
    std::erase_if(found, [](const Notch& one) { return one.first > kMiddle; });
    return found;
  };
  const double third = std::log2(3);
  const auto depth = first_found(1, 8, [&](double db) { return at_middle(with_dip_and_notch_above(db, 0.6, third)); });
  ASSERT_TRUE(depth);
  EXPECT_NEAR(*depth, 4, kStep + 1e-9);
  // As far from there as the smoothing is wide. The bottoms stand on the grid: half of its step, and a step of the
  // search.
  for (const double end : {third - 0.3, third + 0.3}) {
    const auto at =
        first_found(end, third, [&](double octaves) { return at_middle(with_dip_and_notch_above(8, 0.6, octaves)); });
    ASSERT_TRUE(at);
    EXPECT_NEAR(std::abs(*at - third), 1.0 / 12, 0.5 / kPerOctave + kStep);
  }
  // Wider than an octave it is the loudspeaker's still; and a dip below 9 dB that has no such company is none.
  EXPECT_TRUE(at_middle(with_dip_and_notch_above(8, 1.06, third)).empty());
  EXPECT_FALSE(at_middle(with_dip_and_notch_above(8, 0.94, third)).empty());
  EXPECT_TRUE(at_middle(with_dip(8, 0.6)).empty());
}

// Two ways that cancel at their point, Linkwitz-Riley 24 dB/oct, one turned over: |1 - x| / (1 + x), x = (f / point)^4.
TEST(Notches, AWideOneGoesWithAllOfItsFlanks) {
  Levels level(kSize);
  for (std::size_t k = 0; k < kSize; ++k) {
    const double x = std::exp2(4 * (static_cast<double>(k) - static_cast<double>(kMiddle)) / kPerOctave);
    level[k] = 20 * std::log10(std::max(std::abs(1 - x) / (1 + x), 0.03));
  }
  level[kMiddle] -= 0.01;  // one bottom
  const std::vector<Notch> found = of_one(level);
  ASSERT_EQ(found.size(), 1u);
  // The shoulder, an octave from the bottom, is at 15/17, the median around it too; 1 dB below that x is (1 - r) / (1 + r), r = 0.786. To a step
  // of the grid either way.
  const double r = 15.0 / 17 * std::pow(10, -1.0 / 20), octaves = -std::log2((1 - r) / (1 + r)) / 4;
  EXPECT_NEAR(static_cast<double>(kMiddle - found[0].first) / kPerOctave, octaves, 1 / kPerOctave);
  EXPECT_NEAR(static_cast<double>(found[0].last - kMiddle) / kPerOctave, octaves, 1 / kPerOctave);
}

TEST(Notches, AFlankDoesNotClimbAResonance) {
  // A dip 0.2 octave wide, and half an octave from it a hump of 9 dB, above it alone or on both sides.
  const auto beside = [](bool both) {
    Levels level = with_dip(14, 0.2);
    for (std::size_t k = 0; k < kSize; ++k) {
      const double x = (static_cast<double>(k) - static_cast<double>(kMiddle)) / kPerOctave;
      level[k] += 9 * std::exp(-30 * (x - 0.5) * (x - 0.5));
      if (both) level[k] += 9 * std::exp(-30 * (x + 0.5) * (x + 0.5));
    }
    return level;
  };
  const Levels above = beside(false), both = beside(true);
  const std::vector<Notch> one = of_one(above), between = of_one(both);
  ASSERT_EQ(one.size(), 1u);
  ASSERT_EQ(between.size(), 1u);
  // Above alone: 1 dB under the lower shoulder, which is at 0 dB. Between two: no further than 2 dB under the level that
  // the depth is told by.
  for (std::size_t k = one[0].first; k <= one[0].last; ++k) EXPECT_LT(above[k], -1);
  for (std::size_t k = between[0].first; k <= between[0].last; ++k)
    EXPECT_LT(both[k], both[kMiddle] + between[0].depth_db - 2);
}

TEST(Notches, BetweenTwoResonancesIsNone) {
  Levels level(kSize);
  for (std::size_t k = 0; k < kSize; ++k) {
    const double x = (static_cast<double>(k) - static_cast<double>(kMiddle)) / kPerOctave;
    level[k] = 9 * (std::exp(-80 * (x - 0.3) * (x - 0.3)) + std::exp(-80 * (x + 0.3) * (x + 0.3)));
  }
  EXPECT_TRUE(of_one(level).empty());
}

}  // namespace
}  // namespace rackproof::tune
