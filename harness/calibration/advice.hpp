#pragma once
/// What the files advice_*.cpp share: each looks at one side of a rig and adds its warnings. A threshold stands at the
/// top of its file, with its source or "common practice, no source".
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "harness/calibration/compile.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/rig/hertz_text.hpp"

namespace rackproof::advice {

struct Subject {
  const rig::Rig& rig;
  const rig::Venue* venue;  ///< may be null
  const CompiledRig& compiled;
  std::vector<Warning>& warnings;

  template <class... Values>
  void warn(const char* code, fmt::format_string<Values...> text, Values&&... values) const {
    warnings.push_back({code, fmt::format(text, std::forward<Values>(values)...)});
  }
  double rate_hz() const { return rig.controller.sample_rate_hz; }
  /// The first output of a way: what all of them have in common.
  const OutputPlan& output_of(std::size_t way) const;
};

/// A list of equaliser bands, with the keys that lead to it.
struct Layer {
  std::string owner;                      ///< "way.low", "system", "venue", "venue.feed.left"
  const std::vector<rig::EqBand>* bands;  ///< its `eq`
  std::string key(std::size_t band) const { return fmt::format("{}.eq[{}]", owner, band + 1); }
};
/// Those that all ways pass: of the venue, and of the system.
std::vector<Layer> common_layers(const Subject& subject);
inline Layer own_layer(const rig::Way& way) { return {"way." + way.name, &way.eq}; }
/// Those that single outputs of a way have on top of its own.
std::vector<Layer> output_layers(const rig::Way& way);

/// What a band does at a frequency.
double band_db(const rig::EqBand& band, double hz, double rate_hz);
/// An output's whole linear path at a frequency.
double path_db(const OutputPlan& plan, double hz, double rate_hz);
inline bool cuts_an_end(rig::EqType type) {
  return type == rig::EqType::lowpass || type == rig::EqType::highpass || type == rig::EqType::bandpass;
}

/// A way's band by points, high-pass and, at the rig's two ends, its own or the system's high-pass and low-pass bands.
/// 0: open.
struct Edges {
  double low_hz = 0, high_hz = 0;
};
Edges edges_of(const Subject& subject, std::size_t way);

void amplifiers(const Subject& subject);
void bridged(const Subject& subject);
void drivers(const Subject& subject);
void controller(const Subject& subject);
void points(const Subject& subject);
void bands(const Subject& subject);
void levels(const Subject& subject);
void limiters(const Subject& subject);
void delays(const Subject& subject);
void equalisers(const Subject& subject);
void gains(const Subject& subject);
/// Amplifiers, drivers and feeds of the whole rig that no loudspeaker has, and ports that its outputs share.
void what_nothing_uses(const Subject& subject);

}  // namespace rackproof::advice
