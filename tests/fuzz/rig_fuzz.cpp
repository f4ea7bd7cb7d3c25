// Must hold: any bytes are a rig or an InputError in lines that a terminal can show, and a rig that is taken keeps its
// own rules. The bytes are read as a rig, as a venue, and as a quantity.
#include <cmath>
#include <cstdint>
#include <string>

#include "harness/rig/rig.hpp"
#include "harness/rig/units.hpp"
#include "tests/fuzz/refusals.hpp"

namespace {
using namespace rackproof;
using namespace rackproof::rig;
using namespace rackproof::fuzz;

void check(const std::vector<EqBand>& eq, double nyquist_hz) {
  for (const EqBand& band : eq) {
    must(within(band.at_hz, 1, nyquist_hz) && band.at_hz < nyquist_hz && within(band.gain_db, -30, 30));
    must(within(band.width_value, 0.01, 100) && band.source.line > 0 && band.source.column > 0);
  }
}
void check(const Rig& rig) {
  const double nyquist_hz = rig.controller.sample_rate_hz / 2.0;
  must(!rig.ways.empty() && rig.points.size() + 1 == rig.ways.size() && !rig.feeds.empty());
  must(rig.controller.output_full_scale_volts_rms > 0 && rig.controller.block_frames > 0);
  check(rig.system_eq, nyquist_hz);
  for (const Point& point : rig.points) must(point.low.at_hz < nyquist_hz && point.high.at_hz < nyquist_hz);
  for (const Amplifier& amplifier : rig.amplifiers)
    must(!amplifier.ratings.empty() && amplifier.gain_db.has_value() != amplifier.sensitivity_volts_rms.has_value() &&
         (amplifier.bridged || amplifier.rated != Rated::bridged));
  for (const Driver& driver : rig.drivers) {
    must(within(driver.thermal_time_s, 0.05, 60) && within(driver.sensitivity_db.value_or(98), 50, 130));
    must(driver.lowest_hz.value_or(1) <= driver.highest_hz.value_or(1e5));
  }
  for (const Way& way : rig.ways) {
    must(!rig.amplifier_of(way).name.empty() && rig.driver_of(way).continuous_power_watts > 0);
    must(within(way.depth_m.value_or(0), 0, 5) && within(way.delay_s, 0, 1) && within(way.gain_db, -40, 40) &&
         !way.name.empty());
    check(way.eq, nyquist_hz);
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text(reinterpret_cast<const char*>(data), size);
  refused_in_words_or([&] { check(parse_rig(text, "rig.toml")); });
  refused_in_words_or([&] {
    const Venue venue = parse_venue(text, "venue.toml", some_rig());
    check(venue.all.eq, some_rig().controller.sample_rate_hz / 2.0);
  });
  refused_in_words_or([&] {
    const Measure measure =
        read_measure(text.substr(0, 40), {Quantity::time, Quantity::distance, Quantity::voltage, Quantity::gain,
                                          Quantity::frequency, Quantity::temperature});
    must(std::isfinite(measure.value) && read_value(text_of(measure), measure.quantity) == measure.value);
  });
  return 0;
}
