// Must hold: what a page shows of a measurement is the measurement: its own frequencies, none skipped unseen; smoothing
// as said; group delay by formula; stretches of low coherence found where they are, and told apart from what is clear.
#include "harness/report/measured_curves.hpp"

#include <gtest/gtest.h>

#include <algorithm>

#include "tests/harness/report/invented_measurement.hpp"

namespace rackproof::report {
namespace {

using tune::Measurement;
using Complex = std::complex<double>;

template <class Response>
Measurement measured(const Response& response, double coherence = 1) {
  Measurement m;
  m.kind = "noise";
  m.frequency_hz = tune::measured_frequencies();
  for (const double hz : m.frequency_hz) {
    const Complex h = response(hz);
    m.magnitude_db.push_back(20 * std::log10(std::abs(h)));
    m.phase_deg.push_back(std::arg(h) * 180 / std::numbers::pi);
    m.coherence.push_back(coherence);
  }
  m.each = {{"a.wav", 1, 1, 0, -20, {}, {}}};
  return m;
}
Complex turned(double turns) { return std::polar(1.0, -2 * std::numbers::pi * std::remainder(turns, 1.0)); }

TEST(MeasuredCurves, PlacesAreTheMeasurementsOwnAndNoneIsFarFromTheNext) {
  const Measurement m = tune::invented_measurement();
  const MeasuredCurves curves = curves_of(m);
  const std::vector<double>& hz = curves.frequency_hz;
  EXPECT_TRUE(std::includes(m.frequency_hz.begin(), m.frequency_hz.end(), hz.begin(), hz.end()));
  EXPECT_EQ(hz.front(), m.frequency_hz.front());
  EXPECT_GT(hz.back(), m.frequency_hz.back() * std::exp2(-1.0 / 48));
  for (std::size_t n = 1; n < hz.size(); ++n) {
    ASSERT_GE(std::log2(hz[n] / hz[n - 1]), (1 - 1e-4) / 48);  // 48 an octave at most, but for rounding
    ASSERT_LE(std::log2(hz[n] / hz[n - 1]), 1.0 / 24);         // the windows, as wide, leave nothing between them
  }
}

// Brute force: whichever frequency stands out, a place shows it.
TEST(MeasuredCurves, NothingBetweenTwoPlacesGoesUnseen) {
  Measurement flat = measured([](double) { return Complex(1); });
  flat.phase_deg.clear();  // costs time, and is not looked at
  for (std::size_t i = 1; i + 8 < flat.frequency_hz.size(); i += i < 200 ? 1 : 29) {
    Measurement m = flat;
    m.magnitude_db[i] = 60;
    const MeasuredCurves curves = curves_of(m);
    ASSERT_GT(*std::max_element(curves.magnitude_db.begin(), curves.magnitude_db.end()), 6) << m.frequency_hz[i];
  }
}

TEST(MeasuredCurves, AWireComesOutAsItWentIn) {
  const MeasuredCurves curves = curves_of(measured([](double) { return Complex(-0.5); }));
  EXPECT_EQ(curves.smoothing, 24);
  for (std::size_t n = 0; n < curves.frequency_hz.size(); ++n) {
    ASSERT_NEAR(curves.magnitude_db[n], -6.0206, 1e-4);
    ASSERT_NEAR(std::abs(curves.phase_deg[n]), 180, 1e-6);
    ASSERT_NEAR(curves.coherence[n], 1, 1e-9);
  }
  EXPECT_TRUE(curves.doubtful.empty());
  ASSERT_EQ(curves.clear.size(), 1u);
  EXPECT_NEAR(curves.clear[0].octaves(), std::log2(20400 / 16.0), 0.001);
}

TEST(MeasuredCurves, WhatIsSmoothedEnoughIsLeftAsItIs) {
  Measurement m = tune::invented_measurement();
  for (std::size_t i = 0; i < m.magnitude_db.size(); ++i) m.magnitude_db[i] += i % 2 == 0 ? 3 : -3;
  const auto is_left = [&](const char* smoothing) {
    m.smoothing = smoothing;
    const MeasuredCurves curves = curves_of(m);
    for (std::size_t n = 0; n < curves.frequency_hz.size(); ++n) {
      const auto at = std::lower_bound(m.frequency_hz.begin(), m.frequency_hz.end(), curves.frequency_hz[n]);
      if (std::abs(curves.magnitude_db[n] - m.magnitude_db[static_cast<std::size_t>(at - m.frequency_hz.begin())]) >
          1e-9)
        return false;
    }
    return true;
  };
  EXPECT_TRUE(is_left("1/24"));
  EXPECT_TRUE(is_left("1/3"));
  EXPECT_FALSE(is_left("1/48"));
  EXPECT_FALSE(is_left("none"));
}

// By formula: a delay's own time, and 2 w / (w^2 + (2 pi f)^2) of a first-order all-pass at w; over 1/6 octave its
// curve bends by (ln 2 / 6)^2 / 24 of four times itself at most, 2.2 thousandths.
TEST(MeasuredCurves, GroupDelayIsThatOfTheFormula) {
  constexpr double kDelay_s = 3.7e-3, kCorner = 2 * std::numbers::pi * 200;
  const MeasuredCurves late = curves_of(measured([&](double hz) { return turned(hz * kDelay_s); }));
  const MeasuredCurves all_pass = curves_of(measured([&](double hz) {
    const Complex s(0, 2 * std::numbers::pi * hz);
    return (kCorner - s) / (kCorner + s);
  }));
  std::size_t told = 0;
  for (std::size_t n = 0; n < late.frequency_hz.size(); ++n) {
    const double hz = late.frequency_hz[n], w = 2 * std::numbers::pi * hz;
    const double from_end = std::min(std::log2(hz / 16), std::log2(20400 / hz));
    ASSERT_EQ(std::isfinite(late.group_delay_ms[n]), from_end > 1.0 / 24) << hz;  // half the window
    if (from_end <= 1.0 / 24) continue;
    ++told;
    ASSERT_NEAR(late.group_delay_ms[n], 1e3 * kDelay_s, 1e-6) << hz;
    const double expected = 2e3 * kCorner / (kCorner * kCorner + w * w);
    ASSERT_NEAR(all_pass.group_delay_ms[n], expected, 2.5e-3 * expected) << hz;
  }
  EXPECT_GT(told, 400u);
}

// Two paths T apart, the later one at a: each notch turns the phase back by a T / (1 - a), but there is no energy in
// it. Over a period the mean by energy is a^2 T / (1 + a^2). From 4 kHz on the window holds 2.3 periods and more; what
// is left of the last one moves it by at most a third of T / 2.
TEST(MeasuredCurves, NotchesDoNotMoveTheGroupDelay) {
  constexpr double kApart_s = 5e-3, kLater = 0.99;
  const MeasuredCurves curves = curves_of(measured([&](double hz) { return 1.0 + kLater * turned(hz * kApart_s); }));
  std::size_t told = 0;
  for (std::size_t n = 0; n < curves.frequency_hz.size(); ++n) {
    if (curves.frequency_hz[n] < 4000 || !std::isfinite(curves.group_delay_ms[n])) continue;
    ++told;
    ASSERT_NEAR(curves.group_delay_ms[n], 0.5e3 * kApart_s, 0.5e3 * kApart_s / 3) << curves.frequency_hz[n];
  }
  EXPECT_GT(told, 90u);
}

// A step of coherence from 0.97 to 0.2 passes 0.5 within the window of 1/6 octave around it.
TEST(MeasuredCurves, DoubtfulStretchesAreFoundWhereTheyAre) {
  const Measurement m = tune::invented_measurement();
  const MeasuredCurves curves = curves_of(m);
  const double near = std::exp2(1.0 / 12);
  ASSERT_EQ(curves.doubtful.size(), 2u);
  EXPECT_EQ(curves.doubtful[0].from_hz, 16);
  EXPECT_NEAR(std::log(curves.doubtful[0].to_hz / 28), 0, std::log(near));
  EXPECT_NEAR(std::log(curves.doubtful[1].from_hz / 300), 0, std::log(near));
  EXPECT_NEAR(std::log(curves.doubtful[1].to_hz / 400), 0, std::log(near));
  EXPECT_NEAR(curves.doubtful[1].least_coherence, 0.2, 1e-9);
  ASSERT_EQ(curves.clear.size(), 2u);
  // Each frequency is in one of them, and in one only; phase and delay are gaps in the doubtful ones alone.
  const auto within = [](const auto& stretches, double hz) {
    return std::count_if(stretches.begin(), stretches.end(),
                         [hz](const Stretch& one) { return hz >= one.from_hz && hz <= one.to_hz; });
  };
  for (const double hz : m.frequency_hz) ASSERT_EQ(within(curves.doubtful, hz) + within(curves.clear, hz), 1) << hz;
  for (std::size_t n = 0; n < curves.frequency_hz.size(); ++n)
    ASSERT_EQ(std::isnan(curves.phase_deg[n]), within(curves.doubtful, curves.frequency_hz[n]) == 1);
}

TEST(MeasuredCurves, PitsASixthOfAnOctaveApartAreOne) {
  const auto pits = [](double octaves) {
    Measurement m = measured([](double) { return Complex(1); });
    for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
      const double hz = m.frequency_hz[i];
      if ((hz > 1000 && hz < 2000) || (hz > 2000 * std::exp2(octaves) && hz < 5000)) m.coherence[i] = 0;
    }
    return curves_of(m).doubtful.size();
  };
  EXPECT_EQ(pits(0.12), 1u);
  EXPECT_EQ(pits(0.25), 2u);
}

TEST(MeasuredCurves, NothingIsClearInNoise) {
  const MeasuredCurves curves = curves_of(measured([](double) { return Complex(1); }, 0.1));
  ASSERT_EQ(curves.doubtful.size(), 1u);
  EXPECT_EQ(curves.doubtful[0].to_hz, tune::measured_frequencies().back());
  EXPECT_TRUE(curves.clear.empty());
}

TEST(MeasuredCurves, PlacesHaveTheirNamesAndLevels) {
  Measurement m = tune::invented_measurement(3);
  MeasuredCurves curves = curves_of(m);
  ASSERT_EQ(curves.places.size(), 3u);
  EXPECT_EQ(curves.places[1].name, "place-2.wav");
  for (std::size_t n = 0; n < curves.frequency_hz.size(); ++n)
    ASSERT_NEAR(curves.places[0].magnitude_db[n] - curves.places[2].magnitude_db[n], 4, 1e-9);
  m.each[1].file = "other/place-1.wav";  // two of one name: by their folders, then
  EXPECT_EQ(curves_of(m).places[1].name, "other/place-1.wav");
  EXPECT_TRUE(curves_of(tune::invented_measurement(1)).places.empty());
  m.phase_deg.clear();  // as another program's file may have it
  for (tune::Capture& one : m.each) one.magnitude_db.clear();
  curves = curves_of(m);
  EXPECT_TRUE(curves.places.empty() && curves.phase_deg.empty() && curves.group_delay_ms.empty());
}

}  // namespace
}  // namespace rackproof::report
