#pragma once
/// What all readers owe, whatever bytes they are given: a result that keeps its own rules, or an InputError in lines
/// that a terminal can show.
#include <cstdint>
#include <cstdlib>
#include <string>

#include "harness/errors.hpp"
#include "harness/files/shown.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::fuzz {

inline void must(bool holds) {
  if (!holds) std::abort();
}
inline bool within(double value, double low, double high) { return value >= low && value <= high; }

template <typename Load>
void refused_in_words_or(Load load) {
  try {
    load();
  } catch (const InputError& error) {
    const std::string words = error.what();
    must(!words.empty() && files::shown_lines(words) == words);
  }
}

inline const rig::Rig& some_rig() {
  static const rig::Rig rig = rig::parse_rig(R"(format = 1
controller = { sample_rate = "48 kHz", output_full_scale = "+18 dBu" }
feeds = { left = 1, right = 2 }
amplifier.a = { ratings = [ { power = "100 W", load = "8 ohm" } ], gain = "32 dB" }
driver.d = { impedance = "8 ohm", continuous_power = "100 W" }
crossover.points = [ { at = "1.6 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
way = [ { name = "low", amplifier = "a", driver = "d", limit = { below_clip = "2 dB" } },
        { name = "high", amplifier = "a", driver = "d", limit = { below_clip = "2 dB" } } ]
)",
                                             "rig.toml");
  return rig;
}

inline std::string text_of(const std::uint8_t* data, std::size_t size) {
  return {reinterpret_cast<const char*>(data), size};
}

}  // namespace rackproof::fuzz
