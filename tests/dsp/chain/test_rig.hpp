#pragma once
/// Rigs in plain numbers for the tests of the chain: one to four ways, mono or more feeds, all limiters or none.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <deque>
#include <random>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "dsp/chain/limiter_latency.hpp"
#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/fractional_delay.hpp"
#include "dsp/design/time_constants.hpp"

namespace rackproof::dsp::test {

struct TestRig {
  double sample_rate_hz = 48000;
  bool limiters = true;

  TestRig(std::size_t feeds, std::size_t ways, bool with_limiters, double rate = 48000)
      : sample_rate_hz(rate), limiters(with_limiters) {
    for (std::size_t f = 0; f < feeds; ++f)
      feeds_.push_back(
          {1.0f / (1.0f + 0.25f * static_cast<float>(f)),
           keep({peaking(60.0 + 40.0 * static_cast<double>(f), -4), peaking(2500, 3), peaking(9000, -2)})});
    for (std::size_t p = 0; p + 1 < ways; ++p) {
      const double at_hz = 90 * std::pow(8, static_cast<double>(p));
      CrossoverSum sum;
      FilterSettings low{Alignment::linkwitz_riley, Pass::low, 4, at_hz}, high = low;
      high.pass = Pass::high;
      static_cast<void>(design({low, high, true}, sample_rate_hz, sum));
      points_.push_back({keep(low), keep(high), keep(rounded(sum.all_pass))});
    }
    for (std::size_t way = 0; way < ways; ++way) {
      const bool mono = way == 0 && ways > 2;  // the lowest of three and more is fed the mean
      for (std::size_t f = 0; f < (mono ? 1 : feeds); ++f)
        outputs_.push_back(output(way, mono ? kMeanOfFeeds : int(f)));
    }
    settings.sample_rate_hz = static_cast<std::uint32_t>(sample_rate_hz);
    settings.feeds = feeds_;
    settings.loudspeakers = loudspeakers_;
    settings.outputs = outputs_;
  }
  TestRig(const TestRig&) = delete;

  std::vector<OutputSettings>& outputs() { return outputs_; }
  /// One more loudspeaker of as many ways as `points` and one, with an output for each.
  void add(const LoudspeakerSettings& loudspeaker) {
    loudspeakers_.push_back(loudspeaker);
    for (std::size_t way = 0; way <= loudspeaker.points.size(); ++way) {
      outputs_.push_back(output(way, 0));
      outputs_.back().loudspeaker = static_cast<std::uint8_t>(loudspeakers_.size() - 1);
    }
    settings.loudspeakers = loudspeakers_;
    settings.outputs = outputs_;
  }
  std::span<const Section> eq(double at_hz, double gain_db) { return keep({peaking(at_hz, gain_db)}); }
  std::vector<FeedSettings>& feeds() { return feeds_; }
  std::vector<LoudspeakerSettings>& loudspeakers() { return loudspeakers_; }
  std::span<const PointSettings> points() const { return points_; }

  ChainSettings settings;

 private:
  Section peaking(double at_hz, double gain_db) const {
    Section s;
    static_cast<void>(design(EqSettings{EqType::peaking, at_hz, gain_db, EqWidth::q, 1.4}, sample_rate_hz, s));
    return s;
  }
  std::span<const Section> keep(const SectionList& list) {
    const auto view = list.view();
    return store_.emplace_back(view.begin(), view.end());
  }
  std::span<const Section> keep(std::initializer_list<Section> list) { return store_.emplace_back(list); }
  std::span<const Section> keep(const FilterSettings& filter) {
    SectionList list;
    static_cast<void>(design(filter, sample_rate_hz, list));
    return keep(list);
  }
  /// The loudspeaker that takes `source`, made where there is none.
  std::uint8_t loudspeaker_of(int source) {
    const auto takes_it = [source](const LoudspeakerSettings& l) { return l.source == source; };
    const auto found = std::find_if(loudspeakers_.begin(), loudspeakers_.end(), takes_it);
    const auto at = static_cast<std::uint8_t>(found - loudspeakers_.begin());
    if (found == loudspeakers_.end()) {
      loudspeakers_.emplace_back();
      loudspeakers_.back().source = static_cast<std::int16_t>(source), loudspeakers_.back().points = points_;
    }
    return at;
  }
  OutputSettings output(std::size_t way, int source) {
    OutputSettings o;
    o.way = static_cast<std::uint8_t>(way);
    o.loudspeaker = loudspeaker_of(source);
    SectionList highpass;
    static_cast<void>(design({Alignment::butterworth, Pass::high, 4, 32.0 + 10.0 * static_cast<double>(way)},
                             sample_rate_hz, highpass));
    std::vector<Section> own(highpass.view().begin(), highpass.view().end());
    for (std::size_t k = 0; k < 3 - way % 2; ++k) own.push_back(peaking(400 * static_cast<double>(k + way + 1), 2));
    o.sections = store_.emplace_back(own);
    o.gain = way % 2 != 0 ? -0.7f : 1.3f;
    o.delay.whole_samples = 10 * static_cast<std::uint32_t>(way + 1);
    o.delay.fractional = way % 2 == 0;
    if (o.delay.fractional) static_cast<void>(fractional_delay(0.3 + 0.1 * static_cast<double>(way), o.delay.taps));
    o.peak.look_ahead_samples = 96;
    o.peak.hold_samples = way == 0 ? 100 : 0;
    if (limiters) {
      o.power.enabled = true;
      o.power.threshold_rms = 0.12f;
      static_cast<void>(forget_per_grid(0.05, sample_rate_hz, o.power.forget));
      o.peak.enabled = true;
      o.peak.ceiling = 0.2f;
      static_cast<void>(keep_per_sample(0.05, sample_rate_hz, o.peak.release_keep));
    }
    return o;
  }

  std::deque<std::vector<Section>> store_;  // a deque: what is in it stays where it is
  std::vector<FeedSettings> feeds_;
  std::vector<PointSettings> points_;
  std::vector<LoudspeakerSettings> loudspeakers_;
  std::vector<OutputSettings> outputs_;
};

/// One loudspeaker without a split for each feed.
inline std::vector<LoudspeakerSettings> one_a_feed(std::size_t feeds) {
  std::vector<LoudspeakerSettings> all(feeds);
  for (std::size_t f = 0; f < feeds; ++f) all[f].source = static_cast<std::int16_t>(f);
  return all;
}

using Signals = std::vector<std::vector<float>>;

inline double uniform(std::mt19937& rng) { return static_cast<double>(rng()) / 2147483648.0 - 1.0; }

/// Noise with silences, loud bursts and a low tone: every state of the limiters.
inline Signals programme(std::size_t feeds, std::size_t frames, double sample_rate_hz) {
  Signals signals(feeds, std::vector<float>(frames));
  for (std::size_t f = 0; f < feeds; ++f) {
    std::mt19937 rng(static_cast<unsigned>(f) + 1);
    for (std::size_t n = 0; n < frames; ++n) {
      const double loud = n % 5000 < 1200 ? 2.0 : n % 5000 < 2500 ? 0.0 : 0.3;
      const double tone = std::sin(6.283185307179586 * 70 * static_cast<double>(n) / sample_rate_hz);
      signals[f][n] = static_cast<float>(loud * (0.5 * tone + 0.5 * uniform(rng)));
    }
  }
  return signals;
}

/// The linear path in long double: sections in order by their four equations, gain, and the delay's taps.
inline std::vector<long double> by_definition(const TestRig& rig, const OutputSettings& o, const Signals& in) {
  const auto run = [](std::vector<long double> x, std::span<const Section> sections) {
    for (const Section& s : sections) {
      long double s1 = 0, s2 = 0;
      for (long double& sample : x) {
        const long double v = sample - s2, before = s1;
        sample = s.mix_v * v + s.mix_1 * s1 + s.mix_2 * s2;
        s1 += s.rate * v - s.damp * s1;
        s2 += s.cross * v + s.rate * before;
      }
    }
    return x;
  };
  std::vector<std::vector<long double>> feeds;
  for (std::size_t f = 0; f < in.size(); ++f) {
    std::vector<long double> x(in[f].begin(), in[f].end());
    for (long double& sample : x) sample *= rig.settings.feeds[f].gain;
    feeds.push_back(run(std::move(x), rig.settings.feeds[f].sections));
  }
  const LoudspeakerSettings& from = rig.settings.loudspeakers[o.loudspeaker];
  std::vector<long double> x(in[0].size(), 0);
  for (std::size_t n = 0; n < x.size(); ++n)
    if (from.source == kMeanOfFeeds) {
      for (const auto& feed : feeds) x[n] += feed[n] / static_cast<long double>(feeds.size());
    } else if (from.source == kMixOfFeeds) {
      for (std::size_t f = 0; f < feeds.size(); ++f) x[n] += from.mix[f] * feeds[f][n];
    } else {
      x[n] = feeds[static_cast<std::size_t>(from.source)][n];
    }
  for (long double& sample : x) sample *= from.gain;
  x = run(std::move(x), from.sections);
  const auto points = from.points;
  for (std::size_t p = 0; p < o.way; ++p) x = run(std::move(x), points[p].high_pass);
  if (o.way < points.size()) x = run(std::move(x), points[o.way].low_pass);
  for (std::size_t p = o.way + std::size_t{1}; p < points.size(); ++p) x = run(std::move(x), points[p].all_pass);
  x = run(std::move(x), o.sections);
  std::vector<long double> y(x.size(), 0);
  const std::size_t late = o.delay.whole_samples + limiter_latency(o);
  for (std::size_t n = late; n < y.size(); ++n)
    if (o.delay.fractional) {
      for (std::size_t k = 0; k < kFractionTaps && k + late <= n; ++k) y[n] += o.delay.taps[k] * x[n - late - k];
    } else {
      y[n] = x[n - late];
    }
  for (long double& sample : y) sample *= o.gain;
  return y;
}

/// What `runs`, a chain or a switch of them, makes of `in`, in blocks; `act(frame)` ahead of each.
template <class Runs, class Act>
Signals in_blocks(Runs& runs, const Signals& in, std::size_t block, Act&& act) {
  const std::size_t frames = in.empty() ? 0 : in[0].size();
  Signals out(runs.outputs(), std::vector<float>(frames));
  for (std::size_t n = 0; n < frames; n += block) {
    act(n);
    std::vector<const float*> from;
    std::vector<float*> to;
    for (const auto& feed : in) from.push_back(&feed[n]);
    for (auto& output : out) to.push_back(&output[n]);
    runs.process(from, to, std::min(block, frames - n));
  }
  return out;
}

/// A chain with memory of its own, at an odd address and with a fence behind it.
class LentChain {
 public:
  explicit LentChain(const ChainSettings& settings, Level level = Chain::best())
      : memory_(Chain::required_bytes(settings, level) + 1 + kFence, std::byte{42}) {
    setup = chain.configure(settings, std::span(memory_).subspan(1, memory_.size() - 1 - kFence), level);
  }
  bool fence_stands() const {
    return std::all_of(memory_.end() - kFence, memory_.end(), [](std::byte b) { return b == std::byte{42}; });
  }
  Signals run(const Signals& in, std::size_t block) {
    return in_blocks(chain, in, block, [](std::size_t) {});
  }

  Chain chain;
  Setup setup = Setup::out_of_range;

 private:
  static constexpr std::ptrdiff_t kFence = 64;
  std::vector<std::byte> memory_;
};

}  // namespace rackproof::dsp::test
