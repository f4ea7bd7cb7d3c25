// Must hold, for whatever settings: all levels of the machine take them or refuse them alike; what leaves a rig's chain
// is finite, never above a peak limiter's ceiling, and the same to the bit at every level and in whatever blocks.
// The memory that is lent is exactly what was asked for, at an odd address. The bytes are the settings, then the
// signal's kinds; the last are the blocks. Most settings are such as a rig makes; some are any numbers.
#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <deque>
#include <limits>
#include <memory>
#include <span>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/fractional_delay.hpp"

namespace {
using namespace rackproof::dsp;

void must(bool holds) {
  if (!holds) std::abort();
}

/// Numbers from the input; zeros when it is used up.
class Numbers {
 public:
  explicit Numbers(std::span<const std::uint8_t> bytes) : bytes_(bytes) {}
  bool are_left() const { return !bytes_.empty(); }
  std::uint32_t whole(std::uint32_t below) {
    std::uint32_t value = 0;
    for (std::uint32_t reach = below - 1; reach > 0; reach >>= 8) value = value << 8 | byte();
    return value % below;
  }
  double share() { return whole(1u << 16) / 65535.0; }
  double between(double low, double high) { return low + (high - low) * share(); }
  double on_a_log_scale(double low, double high) { return low * std::pow(high / low, share()); }
  bool once_in(std::uint32_t times) { return whole(times) == times - 1; }
  float any() {
    constexpr std::array kOdd{0.0f,
                              -0.0f,
                              1e-45f,
                              1e38f,
                              -1e38f,
                              63.1f,
                              std::numeric_limits<float>::infinity(),
                              std::numeric_limits<float>::quiet_NaN()};
    if (once_in(2)) return kOdd[whole(kOdd.size())];
    return std::bit_cast<float>(whole(1u << 16) << 16 | whole(1u << 16));
  }

 private:
  std::uint8_t byte() {
    if (bytes_.empty()) return 0;
    const std::uint8_t first = bytes_.front();
    bytes_ = bytes_.subspan(1);
    return first;
  }
  std::span<const std::uint8_t> bytes_;
};

class Settings {
 public:
  explicit Settings(Numbers& numbers) : from_(numbers) {
    constexpr std::array<std::uint32_t, 4> kRates{44100, 48000, 96000, 192000};
    chain.sample_rate_hz = kRates[from_.whole(kRates.size())];
    const std::size_t ways = 1 + from_.whole(4);
    feeds_.resize(1 + from_.whole(3));
    for (FeedSettings& feed : feeds_) {
      feed.gain = factor();
      feed.sections = sections();
    }
    for (std::size_t p = 0; p + 1 < ways; ++p) points_.push_back(point(p));
    loudspeakers_.resize(1 + from_.whole(5));
    for (LoudspeakerSettings& loudspeaker : loudspeakers_) fill(loudspeaker);
    outputs_.resize(1 + from_.whole(from_.once_in(8) ? 20 : 6));
    for (OutputSettings& output : outputs_) fill(output, ways);
    chain.feeds = feeds_;
    chain.loudspeakers = loudspeakers_;
    chain.outputs = outputs_;
  }
  Settings(const Settings&) = delete;
  ChainSettings chain;
  bool are_sound = true;  ///< but for their range: no number is any

 private:
  float any() {
    are_sound = false;
    return from_.any();
  }
  float factor() {
    if (from_.once_in(64)) return any();
    return static_cast<float>((from_.once_in(2) ? -1 : 1) * from_.on_a_log_scale(1e-3, 16));
  }
  std::span<const Section> sections() {
    std::vector<Section>& list = store_.emplace_back(from_.whole(5));
    for (Section& s : list) {
      if (from_.once_in(64)) {
        for (float* const one : {&s.mix_v, &s.mix_1, &s.mix_2, &s.rate, &s.damp, &s.cross}) *one = any();
        continue;
      }
      const EqSettings eq{EqType::peaking, from_.on_a_log_scale(10, 0.45 * chain.sample_rate_hz),
                          from_.between(-15, 15), EqWidth::q, from_.on_a_log_scale(0.2, 20)};
      static_cast<void>(design(eq, chain.sample_rate_hz, s));
    }
    return list;
  }
  std::span<const Section> keep(const SectionList& list) {
    return store_.emplace_back(list.view().begin(), list.view().end());
  }
  std::span<const Section> keep(const FilterSettings& filter) {
    SectionList list;
    static_cast<void>(design(filter, chain.sample_rate_hz, list));
    return keep(list);
  }
  PointSettings point(std::size_t p) {
    const double at_hz = 60 * std::pow(6, static_cast<double>(p)) * from_.between(1, 3);
    FilterSettings low{Alignment::linkwitz_riley, Pass::low, 2 + 2 * static_cast<int>(from_.whole(2)), at_hz};
    FilterSettings high = low;
    high.pass = Pass::high;
    CrossoverSum sum;
    static_cast<void>(design({low, high, true}, chain.sample_rate_hz, sum));
    return {keep(low), keep(high), keep(rounded(sum.all_pass))};
  }
  void fill(LoudspeakerSettings& l) {
    const auto feeds = static_cast<std::uint32_t>(feeds_.size());
    l.source = static_cast<std::int16_t>(static_cast<int>(from_.whole(feeds + 2)) + kMixOfFeeds);
    if (l.source == kMixOfFeeds) {
      std::vector<float>& factors = mixes_.emplace_back(feeds);
      for (float& factor_of_feed : factors) factor_of_feed = from_.once_in(4) ? 0.0f : factor();
      l.mix = factors;
    }
    if (from_.once_in(64)) l.source = static_cast<std::int16_t>(from_.whole(100));
    if (from_.once_in(2)) l.gain = factor();
    if (from_.once_in(2)) l.sections = sections();
    if (!from_.once_in(8)) l.points = points_;
  }
  void fill(OutputSettings& o, std::size_t ways) {
    o.way =
        static_cast<std::uint8_t>(from_.once_in(64) ? from_.whole(256) : from_.whole(static_cast<std::uint32_t>(ways)));
    o.loudspeaker = static_cast<std::uint8_t>(from_.whole(static_cast<std::uint32_t>(loudspeakers_.size())));
    if (from_.once_in(64)) o.loudspeaker = static_cast<std::uint8_t>(from_.whole(256));
    if (chain_takes(o)) o.way = static_cast<std::uint8_t>(std::min<std::size_t>(o.way, points_of(o).size()));
    o.muted = from_.once_in(16);
    o.sections = sections();
    o.gain = factor();
    o.delay.whole_samples = from_.once_in(8) ? from_.whole(20000) : from_.whole(200);
    o.delay.fractional = from_.once_in(2);
    if (o.delay.fractional) static_cast<void>(fractional_delay(from_.share() * 0.999, o.delay.taps));
    o.power.enabled = from_.once_in(2);
    o.power.threshold_rms = static_cast<float>(from_.on_a_log_scale(1e-3, 8));
    o.power.forget = static_cast<float>(from_.on_a_log_scale(1e-6, 1.0 / 32));
    if (from_.once_in(64)) (from_.once_in(2) ? o.power.forget : o.power.threshold_rms) = any();
    o.peak.enabled = !from_.once_in(4);
    o.peak.ceiling = static_cast<float>(from_.on_a_log_scale(1e-4, 8));
    o.peak.look_ahead_samples = from_.once_in(16) ? from_.whole(1u << 16) : from_.whole(300);
    o.peak.hold_samples = from_.once_in(4) ? from_.whole(2000) : 0;
    o.peak.release_keep = static_cast<float>(1 - from_.on_a_log_scale(1e-6, 1));
    o.peak.true_peak = from_.once_in(2);
    if (from_.once_in(64)) (from_.once_in(2) ? o.peak.ceiling : o.peak.release_keep) = any();
  }

  bool chain_takes(const OutputSettings& o) const { return o.loudspeaker < loudspeakers_.size() && o.way < kMaxWays; }
  std::span<const PointSettings> points_of(const OutputSettings& o) const {
    return loudspeakers_[o.loudspeaker].points;
  }

  Numbers& from_;
  std::deque<std::vector<float>> mixes_;
  std::deque<std::vector<Section>> store_;  // what is in it stays where it is
  std::vector<FeedSettings> feeds_;
  std::vector<PointSettings> points_;
  std::vector<LoudspeakerSettings> loudspeakers_;
  std::vector<OutputSettings> outputs_;
};

using Rows = std::vector<std::vector<float>>;

/// Stretches of silence, noise, lasting full scale, quarter-rate tones, and what no converter sends.
Rows signal(Numbers& numbers, std::size_t feeds, std::size_t frames) {
  Rows rows(feeds, std::vector<float>(frames));
  std::uint32_t noise = 1 + numbers.whole(1u << 16);
  for (std::vector<float>& row : rows)
    for (std::size_t n = 0; n < frames;) {
      const std::uint32_t kind = numbers.whole(8);
      const float level = static_cast<float>(numbers.on_a_log_scale(1e-3, 60));
      for (const std::size_t end = std::min(frames, n + 1 + numbers.whole(400)); n < end; ++n) {
        noise = noise * 1664525u + 1013904223u;
        const float random = static_cast<float>(static_cast<std::int32_t>(noise)) * 0x1p-31f;
        row[n] = kind == 0   ? 0.0f
                 : kind == 1 ? level
                 : kind == 2 ? ((n & 2) != 0 ? level : -level)
                 : kind == 3 ? std::bit_cast<float>(noise)
                 : kind == 4 ? 1e-42f * random
                             : level * random;
      }
    }
  return rows;
}

struct Outcome {
  Setup setup = Setup::ok;
  Rows out;
};

Outcome run(const Settings& all, Level level, const Rows& in, std::span<const std::uint8_t> blocks) {
  const ChainSettings& settings = all.chain;
  const std::size_t bytes = Chain::required_bytes(settings, level);
  const auto memory = std::make_unique<std::byte[]>(bytes + 1);
  Chain chain;
  Outcome outcome{chain.configure(settings, {memory.get() + 1, bytes}, level), {}};
  must(bytes > 0 ? outcome.setup != Setup::memory_too_small : outcome.setup == Setup::out_of_range);
  if (outcome.setup != Setup::ok) return outcome;
  const std::size_t frames = in[0].size();
  outcome.out.assign(settings.outputs.size(), std::vector<float>(frames));
  std::size_t next = 0;
  for (std::size_t done = 0; done < frames;) {
    const std::size_t asked = blocks.empty() ? frames : 1 + blocks[next++ % blocks.size()];
    const std::size_t count = std::min(asked, frames - done);
    std::vector<const float*> from;
    std::vector<float*> to;
    for (const std::vector<float>& row : in) from.push_back(row.data() + done);
    for (std::vector<float>& row : outcome.out) to.push_back(row.data() + done);
    chain.process(from, to, count);
    done += count;
  }
  for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
    const PeakLimiterSettings& peak = settings.outputs[o].peak;
    for (const float y : outcome.out[o])
      must(!all.are_sound || (std::isfinite(y) && (!peak.enabled || std::abs(y) <= peak.ceiling)));
    const Meter meter = chain.take_meter(o);
    must(meter.least_peak_gain >= 0 && meter.least_peak_gain <= 1 && meter.least_power_gain >= 0 &&
         meter.least_power_gain <= 1 && std::isfinite(meter.heat_mean_square));
  }
  return outcome;
}

bool same_bits(const Rows& a, const Rows& b) {
  return std::ranges::equal(a, b, [](const std::vector<float>& x, const std::vector<float>& y) {
    return std::ranges::equal(
        x, y, [](float s, float t) { return std::bit_cast<std::uint32_t>(s) == std::bit_cast<std::uint32_t>(t); });
  });
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::span<const std::uint8_t> bytes(data, size);
  Numbers numbers(bytes);
  const Settings settings(numbers);
  const Rows in = signal(numbers, settings.chain.feeds.size(), 200 + numbers.whole(1200));
  const Outcome first = run(settings, Level::lanes_1, in, {});
  for (const Level level : {Level::lanes_1, Level::lanes_4, Level::lanes_8, Level::lanes_16}) {
    if (!Chain::has(level)) continue;
    const Outcome other = run(settings, level, in, bytes.last(std::min<std::size_t>(size, 16)));
    must(other.setup == first.setup && (!settings.are_sound || same_bits(other.out, first.out)));
  }
  return 0;
}
