// Must hold: what is written, times what drove the way, is what was measured, in level and in phase, between all ways'
// common time and the measurement's; and it ends where the filters or the noise leave nothing to tell.
#include "harness/tune/acoustic_response.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/response.hpp"
#include "harness/calibration/filters.hpp"
#include "harness/proof/way_response.hpp"
#include "tests/harness/refusal.hpp"

namespace rackproof::tune {
namespace {

using testing::HasSubstr;
constexpr double kRate = 48000;

dsp::Biquad section(rig::EqType type, double at_hz, double gain_db = 0) {
  rig::EqBand band;
  band.type = type;
  band.at_hz = at_hz;
  band.gain_db = gain_db;
  return dsp::biquad_of(section_of(band, kRate));
}
struct Case {
  DrivenWay way;
  Measurement measured;
};
/// A horn with a bump, 9 ms away, behind a high-pass of 24 dB/oct, inverted, 3.7 ms late.
Case a_horn() {
  Case c;
  c.way = {"high", -7, 3.7e-3, -1, {}, {}};
  for (int twice = 0; twice < 2; ++twice) c.way.sections.push_back(section(rig::EqType::highpass, 1600));
  const dsp::Biquad bump = section(rig::EqType::peaking, 4000, 5);
  const analysis::LinearPath horn{std::span<const dsp::Biquad>(&bump, 1)};
  Measurement& m = c.measured;
  m.file = "high.json";
  m.arrival_ms = 9 + 3.7;
  m.frequency_hz = analysis::log_frequencies(50, 20000, 96);
  for (const double hz : m.frequency_hz) {
    DrivenWay on_time = c.way;
    on_time.delay_s = 0;  // the arrival is taken out of the phase
    const std::complex<double> h = response_of(on_time, hz, kRate) * std::complex<double>(horn.at(hz / kRate).value);
    m.magnitude_db.push_back(analysis::db_from_ratio(std::abs(h)));
    m.phase_deg.push_back(std::arg(h) * 180 / std::numbers::pi);
    m.coherence.push_back(0.98);
  }
  return c;
}

TEST(AcousticResponse, TimesWhatDroveItIsWhatWasMeasured) {
  const Case c = a_horn();
  for (const double common_s : {9e-3, 4e-3}) {
    const proof::WayResponse box =
        proof::parse_way_response(acoustic_response(c.measured, c.way, kRate, common_s), "w");
    EXPECT_LT(box.from_hz(), 900);  // 24 dB/oct: -30 dB lies at 675 Hz
    EXPECT_GT(box.from_hz(), 600);
    EXPECT_GT(box.to_hz(), 19500);
    for (std::size_t i = 0; i < c.measured.frequency_hz.size(); ++i) {
      const double hz = c.measured.frequency_hz[i];
      if (hz < box.from_hz() || hz > box.to_hz()) continue;
      const std::complex<double> put_back = box.at(hz) * response_of(c.way, hz, kRate) *
                                            std::polar(1.0, -2 * std::numbers::pi * std::remainder(hz * common_s, 1.0));
      // A window of 1/12 octave and lines 1/24 octave apart, over a bump of q 0.7.
      ASSERT_NEAR(std::abs(put_back / c.measured.whole_way(i)), 1, 0.005) << hz;
      ASSERT_NEAR(std::arg(put_back / c.measured.whole_way(i)), 0, 0.02) << hz;
    }
  }
}
TEST(AcousticResponse, FiltersThatNoRigMakesAreRefused) {
  Case c = a_horn();
  c.way.sections.assign(100, dsp::Biquad{1e9, 0, 0, 0, 0});
  EXPECT_THAT(test::refusal_of([&] { acoustic_response(c.measured, c.way, kRate, 9e-3); }),
              HasSubstr("high.json: driven_by: the filters of way high"));
}
TEST(AcousticResponse, EndsWhereNothingCanBeTold) {
  Case c = a_horn();
  for (std::size_t i = 0; i < c.measured.frequency_hz.size(); ++i)
    if (c.measured.frequency_hz[i] > 9000) c.measured.coherence[i] = 0.3;
  const proof::WayResponse box = proof::parse_way_response(acoustic_response(c.measured, c.way, kRate, 9e-3), "w");
  EXPECT_LT(box.to_hz(), 9600);  // the window of 1/6 octave over coherence
  EXPECT_GT(box.to_hz(), 8400);
  std::fill(c.measured.coherence.begin(), c.measured.coherence.end(), 0.3);
  EXPECT_THAT(test::refusal_of([&] { acoustic_response(c.measured, c.way, kRate, 9e-3); }),
              HasSubstr("high.json: less than an octave of way high"));
}

}  // namespace
}  // namespace rackproof::tune
