#pragma once
/// Rigs in plain numbers for the tests of the chain: one to four ways, mono or more feeds, all limiters or none.
#include <cmath>
#include <cstdint>
#include <deque>
#include <random>
#include <vector>

#include "dsp/chain/chain.hpp"
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
    settings.feeds = feeds_, settings.points = points_, settings.outputs = outputs_;
  }
  TestRig(const TestRig&) = delete;

  std::vector<OutputSettings>& outputs() { return outputs_; }
  std::vector<FeedSettings>& feeds() { return feeds_; }

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
  OutputSettings output(std::size_t way, int source) {
    OutputSettings o;
    o.way = static_cast<std::uint8_t>(way), o.source = static_cast<std::int16_t>(source);
    SectionList highpass;
    static_cast<void>(design({Alignment::butterworth, Pass::high, 4, 32.0 + 10.0 * static_cast<double>(way)},
                             sample_rate_hz, highpass));
    std::vector<Section> own(highpass.view().begin(), highpass.view().end());
    for (std::size_t k = 0; k < 3 - way % 2; ++k) own.push_back(peaking(400 * static_cast<double>(k + way + 1), 2));
    o.sections = store_.emplace_back(own);
    o.gain = way % 2 != 0 ? -0.7f : 1.3f;
    o.delay.whole_samples = 10 * static_cast<std::uint32_t>(way + 1);
    o.delay.fractional = way % 2 == 0;
    if (o.delay.fractional) o.delay.taps = fractional_delay(0.3 + 0.1 * static_cast<double>(way));
    o.peak.look_ahead_samples = 96;
    o.peak.hold_samples = way == 0 ? 100 : 0;
    if (limiters) {
      o.power.enabled = true, o.power.threshold_rms = 0.12f;
      static_cast<void>(forget_per_grid(0.05, sample_rate_hz, o.power.forget));
      o.peak.enabled = true, o.peak.ceiling = 0.2f;
      static_cast<void>(keep_per_sample(0.05, sample_rate_hz, o.peak.release_keep));
    }
    return o;
  }

  std::deque<std::vector<Section>> store_;  // a deque: what is in it stays where it is
  std::vector<FeedSettings> feeds_;
  std::vector<PointSettings> points_;
  std::vector<OutputSettings> outputs_;
};

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
    const std::size_t frames = in.empty() ? 0 : in[0].size();
    Signals out(chain.outputs(), std::vector<float>(frames));
    for (std::size_t n = 0; n < frames; n += block) {
      std::vector<const float*> from;
      std::vector<float*> to;
      for (const auto& feed : in) from.push_back(&feed[n]);
      for (auto& output : out) to.push_back(&output[n]);
      chain.process(from, to, std::min(block, frames - n));
    }
    return out;
  }

  Chain chain;
  Setup setup = Setup::out_of_range;

 private:
  static constexpr std::ptrdiff_t kFence = 64;
  std::vector<std::byte> memory_;
};

}  // namespace rackproof::dsp::test
