#pragma once
/// What firmware knows of its chain before it runs, as constants: how much memory to lend it, and which numbers it has.
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/engine_level.hpp"
#include "dsp/fnv.hpp"
namespace rackproof::dsp {

/// Chain::required_bytes(settings, Level::lanes_1) on the machine that is compiled for, whose pointers count.
constexpr std::size_t bytes_in_one_lane(const ChainSettings& settings) noexcept {
  return required_bytes_of(kEngineTable<1>, settings);
}

/// One number for all numbers of the settings, their bits taken one after another (Fnv1a). It tells other settings, not
/// a forger.
class Fingerprint {
  template <class T>
  constexpr void add(std::span<const T> list) noexcept {
    add(static_cast<std::uint32_t>(list.size()));
    for (const T& one : list) add(one);
  }
  constexpr void add(std::uint32_t number) noexcept { hash_.add(number); }
  constexpr void add(float number) noexcept { hash_.add(number); }
  constexpr void add(const Section& s) noexcept {
    for (const float number : {s.mix_v, s.mix_1, s.mix_2, s.rate, s.damp, s.cross}) add(number);
  }
  constexpr void add(const FeedSettings& feed) noexcept {
    add(feed.gain);
    add(feed.sections);
  }
  constexpr void add(const PointSettings& point) noexcept {
    for (const auto part : {point.low_pass, point.high_pass, point.all_pass}) add(part);
  }
  constexpr void add(const LoudspeakerSettings& one) noexcept {
    add(static_cast<std::uint32_t>(one.source + 2));
    add(one.mix);
    add(one.gain);
    add(one.sections);
    add(one.points);
  }
  constexpr void add(const OutputSettings& out) noexcept {
    add(std::uint32_t{out.loudspeaker});
    add(std::uint32_t{out.way});
    add(out.sections);
    add(out.gain);
    add(out.delay.whole_samples);
    add(std::uint32_t{out.delay.fractional});
    for (const float tap : out.delay.taps) add(tap);
    add(std::uint32_t{out.power.enabled});
    add(out.power.threshold_rms);
    add(out.power.forget);
    add(std::uint32_t{out.peak.enabled});
    add(out.peak.ceiling);
    add(out.peak.look_ahead_samples);
    add(out.peak.hold_samples);
    add(out.peak.release_keep);
    add(std::uint32_t{out.peak.true_peak});
    add(std::uint32_t{out.muted});
  }
  Fnv1a hash_;

 public:
  /// Of all of them, also of those that the chain does not read.
  static constexpr std::uint64_t of(const ChainSettings& settings) noexcept {
    Fingerprint print;
    print.add(settings.sample_rate_hz);
    print.add(settings.latency_samples);
    print.add(settings.feeds);
    print.add(settings.loudspeakers);
    print.add(settings.outputs);
    return print.hash_.value();
  }
};

}  // namespace rackproof::dsp
