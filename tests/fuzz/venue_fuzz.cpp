// Must hold: any bytes are a venue or an InputError in words; a venue that is taken keeps its own rules, and the rig
// under it compiles to finite numbers.
#include <cmath>

#include "harness/calibration/compile.hpp"
#include "tests/fuzz/refusals.hpp"

namespace {
using namespace rackproof;
using fuzz::must, fuzz::within;

void check(const rig::FeedLayer& layer) {
  must(within(layer.gain_db, -40, 40));
  for (const rig::EqBand& band : layer.eq) {
    must(within(band.at_hz, 1, 24'000) && band.at_hz < 24'000 && within(band.gain_db, -30, 30));
    must(within(band.width_value, 0.01, 100) && band.source.line > 0 && band.source.column > 0);
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::refused_in_words_or([&] {
    const rig::Venue venue = rig::parse_venue(fuzz::text_of(data, size), "venue.toml", fuzz::some_rig());
    check(venue.all);
    for (const auto& [name, layer] : venue.feed) {
      must(name == "left" || name == "right");
      check(layer);
    }
    const CompiledRig made = compile(fuzz::some_rig(), &venue);
    for (const OutputPlan& plan : made.outputs) {
      must(std::isfinite(plan.gain_db) && std::isfinite(plan.limit_dbfs_peak));
      for (const dsp::Biquad& s : plan.sections)
        must(std::isfinite(s.b0) && std::isfinite(s.b1) && std::isfinite(s.b2) && std::isfinite(s.a1) &&
             std::isfinite(s.a2));
    }
  });
  return 0;
}
