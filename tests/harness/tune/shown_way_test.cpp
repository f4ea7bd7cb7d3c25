// Must hold: files that are swapped, and the whole box in place of a way, are refused with the way that the file looks
// like; ways whose drivers differ, and noise where a way is silent, are not. The thresholds from both sides.
#include "harness/tune/shown_way.hpp"

#include <gmock/gmock.h>

#include <cmath>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/calibration/filters.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::tune {
namespace {

using testing::AllOf;
using testing::HasSubstr;
const std::vector<double> kPoints{120, 1600};

dsp::Biquad side(rig::EqType type, double at_hz) {
  rig::EqBand band;
  band.type = type;
  band.at_hz = at_hz;
  return dsp::biquad_of(section_of(band, 48000));
}
/// A sub, a mid and a top, parted by 24 dB/oct.
Drive three_ways() {
  Drive drive{"rig.toml", 48000, {{"sub", 0, 0, 1, {}, {}}, {"mid", 0, 0, 1, {}, {}}, {"top", 0, 0, 1, {}, {}}}};
  for (std::size_t p = 0; p < kPoints.size(); ++p)
    for (int twice = 0; twice < 2; ++twice) {
      drive.ways[p].sections.push_back(side(rig::EqType::lowpass, kPoints[p]));
      drive.ways[p + 1].sections.push_back(side(rig::EqType::highpass, kPoints[p]));
    }
  return drive;
}
/// What these ways make when they play together, each with a level of its own, over noise without coherence.
Measurement of(const Drive& drive, const std::vector<std::size_t>& on, std::vector<double> level_db = {0, 0, 0},
               double noise_db = -200) {
  Measurement m;
  m.file = "file.json";
  m.frequency_hz = analysis::log_frequencies(25, 18000, 48);
  for (const double hz : m.frequency_hz) {
    std::complex<double> h = 0;
    for (const std::size_t w : on) h += analysis::ratio_from_db(level_db[w]) * response_of(drive.ways[w], hz, 48000);
    const double sound = std::norm(h), noise = analysis::power_from_db(noise_db);
    m.magnitude_db.push_back(analysis::db_from_power(sound + noise));
    m.phase_deg.push_back(std::arg(h) * 57.29578);
    m.coherence.push_back(sound / (sound + noise));
  }
  return m;
}
std::string refused(const Measurement& m, std::size_t way) {
  return test::refusal_of([&] { must_show(m, three_ways(), kPoints, way); });
}

TEST(ShownWay, TheRightFileIsTakenWhateverItsDriver) {
  const Drive drive = three_ways();
  for (std::size_t w = 0; w < 3; ++w) {
    EXPECT_EQ(refused(of(drive, {w}), w), "taken") << w;
    EXPECT_EQ(refused(of(drive, {w}, {-40, -40, -40}, -45), w), "taken") << w << ": noise 5 dB below the sound";
  }
}
TEST(ShownWay, SwappedFilesAreToldApart) {
  const Drive drive = three_ways();
  for (std::size_t w = 0; w < 3; ++w)
    for (std::size_t other = 0; other < 3; ++other)
      if (other != w)
        EXPECT_THAT(refused(of(drive, {other}), w), AllOf(HasSubstr("file.json: given for way " + drive.ways[w].name),
                                                          HasSubstr("looks like way " + drive.ways[other].name)));
}
TEST(ShownWay, TheWholeBoxIsNoWay) {
  const Drive drive = three_ways();
  for (std::size_t w = 0; w < 3; ++w)
    EXPECT_THAT(refused(of(drive, {0, 1, 2}), w), HasSubstr("several ways at once")) << w;
  EXPECT_THAT(refused(of(drive, {0, 1}), 1), HasSubstr("several ways at once"));
}
// The mid with the top beside it: from 6 dB louder on it is the top's file; down to 10 dB softer it is both.
TEST(ShownWay, TheThresholdsFromBothSides) {
  const Drive drive = three_ways();
  EXPECT_THAT(refused(of(drive, {1, 2}, {0, 0, 6.6}), 1), HasSubstr("looks like way top"));
  EXPECT_THAT(refused(of(drive, {1, 2}, {0, 0, 5.4}), 1), HasSubstr("several ways at once"));
  EXPECT_THAT(refused(of(drive, {1, 2}, {0, 0, -9.2}), 1), HasSubstr("several ways at once"));
  EXPECT_EQ(refused(of(drive, {1, 2}, {0, 0, -11.7}), 1), "taken");
}
TEST(ShownWay, OneMeasurementIsNotTwo) {
  const Drive drive = three_ways();
  const Measurement a = of(drive, {1});
  Measurement b = a;
  EXPECT_THAT(test::refusal_of([&] { must_differ(a, "mid", b, "top"); }), HasSubstr("they are one measurement"));
  b.arrival_ms += 1e-6;
  EXPECT_EQ(test::refusal_of([&] { must_differ(a, "mid", b, "top"); }), "taken");
}

TEST(ShownWay, WaysAreNotPlacesOfOneLoudspeaker) {
  const Drive drive = three_ways();
  const auto place = [&](const char* name, const std::vector<std::size_t>& on,
                         std::vector<double> level_db = {0, 0, 0}) {
    Measurement m = of(drive, on, std::move(level_db));
    m.file = name;
    m.driven_by = drive;
    return m;
  };
  const auto refusal = [](const std::vector<Measurement>& measured) {
    return test::refusal_of([&] { must_be_places(measured); });
  };
  EXPECT_THAT(
      refusal({place("mid.json", {1}), place("top.json", {2})}),
      AllOf(HasSubstr("mid.json: in the band of way top"), HasSubstr("and top.json is not"), HasSubstr("align")));
  EXPECT_THAT(refusal({place("whole.json", {0, 1, 2}), place("low.json", {0, 1})}),
              HasSubstr("low.json: in the band of way top"));
  // Places of the whole, of one way alone, and of a loudspeaker whose top was off in all of them.
  EXPECT_EQ(refusal({place("a", {0, 1, 2}), place("b", {0, 1, 2}, {3, -4, -6})}), "taken");
  EXPECT_EQ(refusal({place("a", {1}), place("b", {1})}), "taken");
  EXPECT_EQ(refusal({place("a", {0, 1}), place("b", {0, 1}, {6, 0, 0})}), "taken");
  // 20 dB, from both sides; the mid's skirt, 24 dB/oct from 1.6 kHz, adds to the top's band.
  EXPECT_EQ(refusal({place("a", {0, 1, 2}), place("b", {0, 1, 2}, {0, 0, -19})}), "taken");
  EXPECT_NE(refusal({place("a", {0, 1, 2}), place("b", {0, 1, 2}, {0, 0, -24})}), "taken");
  Measurement unsaid = place("b", {2});
  unsaid.driven_by.reset();
  EXPECT_EQ(refusal({place("a", {1}), unsaid}), "taken") << "what drove it is not known";
}

}  // namespace
}  // namespace rackproof::tune
