#pragma once
/// The chain that every speed figure refers to, in plain numbers: two feeds with ten eq sections each, three ways at
/// 24 dB/oct, phase matched; per output five sections, a fractional delay, power limiter and peak limiter of 240
/// samples.
#include <array>
#include <cmath>
#include <deque>
#include <random>
#include <vector>

#include "dsp/blocks/split.hpp"
#include "dsp/chain/chain.hpp"
#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/fractional_delay.hpp"
#include "dsp/design/time_constants.hpp"

namespace rackproof::bench {

struct ReferenceChain {
  static constexpr double kRate = 48000;
  static constexpr std::uint32_t kLookAhead = 240;

  explicit ReferenceChain(bool true_peak = true) {
    using namespace dsp;
    for (int f = 0; f < 2; ++f) feeds_.push_back({0.9f, eq(10, 60)});
    for (const double at_hz : {100.0, 1600.0}) {
      CrossoverSum sum;
      FilterSettings low{Alignment::linkwitz_riley, Pass::low, 4, at_hz}, high{low};
      high.pass = Pass::high;
      static_cast<void>(design({low, high, true}, kRate, sum));
      points_.push_back({filter(low), filter(high), keep(rounded(sum.all_pass))});
    }
    for (std::uint8_t way = 0; way < 3; ++way)
      for (std::uint8_t feed = 0; feed < 2; ++feed) {
        OutputSettings o;
        o.way = way;
        o.loudspeaker = feed;
        o.sections = eq(5, 40.0 * std::pow(4, way));
        o.gain = 0.8f;
        o.delay.whole_samples = 100u + 10u * way;
        o.delay.fractional = fractional_delay(0.37, o.delay.taps);
        o.power.enabled = true;
        o.power.threshold_rms = 0.2f;
        static_cast<void>(forget_per_grid(2.0, kRate, o.power.forget));
        o.peak = {true, 0.35f, kLookAhead, 0, 0, true_peak};
        static_cast<void>(keep_per_sample(0.1, kRate, o.peak.release_keep));
        outputs_.push_back(o);
      }
    loudspeakers_.resize(2);
    for (std::size_t f = 0; f < 2; ++f) {
      loudspeakers_[f].source = static_cast<std::int16_t>(f);
      loudspeakers_[f].points = points_;
    }
    settings.feeds = feeds_;
    settings.loudspeakers = loudspeakers_;
    settings.outputs = outputs_;
  }
  ReferenceChain(const ReferenceChain&) = delete;

  dsp::ChainSettings settings;

 private:
  std::span<const dsp::Section> eq(int count, double from_hz) {
    std::vector<dsp::Section> sections(static_cast<std::size_t>(count));
    double at_hz = from_hz, gain_db = -3;
    for (dsp::Section& s : sections) {
      static_cast<void>(
          dsp::design(dsp::EqSettings{dsp::EqType::peaking, at_hz, gain_db, dsp::EqWidth::q, 1.4}, kRate, s));
      at_hz *= 1.7;
      gain_db = -gain_db;
    }
    return store_.emplace_back(std::move(sections));
  }
  std::span<const dsp::Section> keep(const dsp::SectionList& list) {
    return store_.emplace_back(list.view().begin(), list.view().end());
  }
  std::span<const dsp::Section> filter(const dsp::FilterSettings& side) {
    dsp::SectionList list;
    static_cast<void>(dsp::design(side, kRate, list));
    return keep(list);
  }

  std::deque<std::vector<dsp::Section>> store_;
  std::vector<dsp::FeedSettings> feeds_;
  std::vector<dsp::PointSettings> points_;
  std::vector<dsp::LoudspeakerSettings> loudspeakers_;
  std::vector<dsp::OutputSettings> outputs_;
};

/// What a frame comes to in operations (an addition, a product, an fma, a maximum: one each), by the "Cost" at the top
/// of each block; ways share what they have in common. Nothing for copies, for turning rows into frames, or for the
/// grid.
inline double operations_per_frame(const dsp::ChainSettings& settings) {
  constexpr double kSection = 14, kDelayTaps = 16, kPower = 12, kDetector = 33;
  constexpr double kPeak = 5 + 5 + 4 + 26;  // admission, demand, sliding maximum; release, two means, gain
  double total = 0;
  for (const dsp::FeedSettings& feed : settings.feeds)
    total += 3 + kSection * static_cast<double>(feed.sections.size());
  for (std::size_t l = 0; l < settings.loudspeakers.size(); ++l) {
    dsp::SplitTree::Wanted wanted{};
    for (const dsp::OutputSettings& o : settings.outputs) wanted[o.way] = wanted[o.way] || o.loudspeaker == l;
    total += kSection * static_cast<double>(dsp::SplitTree::required_stages(settings.loudspeakers[l].points, wanted));
  }
  for (const dsp::OutputSettings& o : settings.outputs) {
    total += 1 + kSection * static_cast<double>(o.sections.size());
    if (o.delay.fractional) total += kDelayTaps;
    if (o.power.enabled) total += kPower;
    if (o.peak.enabled) total += kPeak + (o.peak.true_peak ? kDetector : 0);
  }
  return total;
}

/// Music-like: a low and a middle tone under noise, loud enough that every limiter works.
inline std::vector<float> programme(std::size_t frames, unsigned seed) {
  std::mt19937 rng(seed);
  std::vector<float> x(frames);
  for (std::size_t n = 0; n < frames; ++n) {
    const double t = 6.283185307179586 * static_cast<double>(n) / ReferenceChain::kRate;
    const double noise = static_cast<double>(rng()) / 2147483648.0 - 1.0;
    x[n] = static_cast<float>(0.5 * std::sin(63 * t) + 0.4 * std::sin(440 * t) + 0.4 * noise);
  }
  return x;
}

}  // namespace rackproof::bench
