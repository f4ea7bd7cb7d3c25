#include "harness/proof/stimulation.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <numbers>

#include <fmt/format.h>

#include "dsp/chain/limiter_latency.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/wide.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::proof {

Row samples_of(const stimuli::Signal& signal, std::size_t frames) {
  const std::vector<double> samples = stimuli::take(signal, frames);
  Row row(frames);
  std::transform(samples.begin(), samples.end(), row.begin(), [](double x) { return static_cast<float>(x); });
  return row;
}
Row scaled(Row row, double gain) {
  for (float& x : row) x = static_cast<float>(gain * static_cast<double>(x));
  return row;
}

const char* name_of(Feeding feeding) {
  switch (feeding) {
    case Feeding::together:
      return "on all feeds";
    case Feeding::opposed:
      return "on the feeds in antiphase";
    default:
      return "on one feed";
  }
}
Rows fed(const Row& signal, std::size_t feeds, Feeding feeding) {
  Rows rows(feeds, signal);
  for (std::size_t f = 1; f < feeds; ++f) {
    if (feeding == Feeding::one) std::ranges::fill(rows[f], 0.0f);
    if (feeding == Feeding::opposed && f % 2 == 1)
      for (float& x : rows[f]) x = -x;
  }
  return rows;
}
Rows fed_to(const OutputPlan& output, const Row& signal, std::size_t feeds) {
  Rows rows(feeds, Row(signal.size(), 0.0f));
  for (std::size_t f = 0; f < feeds; ++f)
    if (output.hears(f)) rows[f] = signal;
  return rows;
}

Rows run(Device& device, const Rows& feeds, std::size_t outputs, std::size_t block) {
  device.reset();
  return run_on(device, feeds, outputs, block);
}
Rows run_on(Device& device, const Rows& feeds, std::size_t outputs, std::size_t block) {
  const std::size_t frames = feeds.empty() ? 0 : feeds.front().size();
  Rows out(outputs, Row(frames));
  std::vector<const float*> from(feeds.size());
  std::vector<float*> to(outputs);
  for (std::size_t done = 0; done < frames; done += block) {
    for (std::size_t f = 0; f < feeds.size(); ++f) from[f] = feeds[f].data() + done;
    for (std::size_t o = 0; o < outputs; ++o) to[o] = out[o].data() + done;
    device.process(from, to, std::min(block, frames - done));
  }
  return out;
}

double greatest_magnitude(std::span<const float> row) {
  float greatest = 0;
  for (const float x : row) greatest = std::max(greatest, std::abs(x));
  return static_cast<double>(greatest);
}
std::size_t differing(const Rows& a, const Rows& b) {
  std::size_t count = a.size() == b.size() ? 0 : 1;
  for (std::size_t r = 0; r < std::min(a.size(), b.size()); ++r) {
    const std::size_t common = std::min(a[r].size(), b[r].size());
    count += std::max(a[r].size(), b[r].size()) - common;
    for (std::size_t n = 0; n < common; ++n)
      count += std::bit_cast<std::uint32_t>(a[r][n]) != std::bit_cast<std::uint32_t>(b[r][n]) ? 1 : 0;
  }
  return count;
}

namespace {

/// Of points 1/8 .. 7/8 behind a sample: taps over the 23 samples ahead of it, itself, and the 24 behind.
struct Kernel {
  static constexpr std::size_t kPoints = WaveCrest::kPoints, kTaps = WaveCrest::kTaps;
  std::array<std::array<float, kPoints - 1>, kTaps> at_tap{};
  double most_gain = 1;  ///< the greatest sum of magnitudes
  Kernel() {
    constexpr std::size_t kMiddle = kTaps / 2 - 1;
    constexpr double kBeta = 6.76;  // 70 dB, J. F. Kaiser's formula 0.1102 (A - 8.7)
    const double top = std::cyl_bessel_i(0.0, kBeta);
    for (std::size_t p = 0; p + 1 < kPoints; ++p) {
      std::array<double, kTaps> exact{};
      double sum = 0, magnitudes = 0;
      for (std::size_t k = 0; k < kTaps; ++k) {
        const double t = static_cast<double>(p + 1) / kPoints - (static_cast<double>(k) - static_cast<double>(kMiddle));
        const double edge = t / (kTaps / 2.0);
        exact[k] = std::sin(std::numbers::pi * t) / (std::numbers::pi * t) *
                   std::cyl_bessel_i(0.0, kBeta * std::sqrt(std::max(0.0, 1 - edge * edge))) / top;
        sum += exact[k];
      }
      for (std::size_t k = 0; k < kTaps; ++k) {
        at_tap[k][p] = static_cast<float>(exact[k] / sum);
        magnitudes += std::abs(exact[k] / sum);
      }
      most_gain = std::max(most_gain, magnitudes);
    }
  }
};
const Kernel& kernel() {
  static const Kernel made;
  return made;
}

/// Of every sample of a run the points behind it, one row a point: rows[0] holds the samples themselves.
using Points = std::array<std::array<float, WaveCrest::kRun>, Kernel::kPoints>;
/// Some points of a row at a time: kept in registers, whatever the optimiser makes of loops. A `typedef`, as clang takes
/// no lesser alignment in a `using`.
typedef float Floats __attribute__((vector_size(64), aligned(alignof(float)), may_alias));
static_assert(alignof(Floats) == alignof(float));
constexpr std::size_t kAtOnce = sizeof(Floats) / sizeof(float);
static_assert(WaveCrest::kRun % kAtOnce == 0);
RACKPROOF_WIDE void interpolate(const Kernel& k, const float* window, Points& points) {
  for (std::size_t i = 0; i < WaveCrest::kRun; i += kAtOnce) {
    Floats sum[Kernel::kPoints - 1]{};
    for (std::size_t t = 0; t < Kernel::kTaps; ++t) {
      const Floats x = *reinterpret_cast<const Floats*>(window + i + t);
      for (std::size_t p = 0; p + 1 < Kernel::kPoints; ++p) sum[p] += k.at_tap[t][p] * x;
    }
    for (std::size_t p = 0; p + 1 < Kernel::kPoints; ++p) *reinterpret_cast<Floats*>(points[p + 1].data() + i) = sum[p];
  }
}
/// By the bits of the magnitudes, which stand in the same order; what is no number comes last.
RACKPROOF_WIDE float greatest_of(const Points& points) {
  std::uint32_t greatest = 0;
  for (const auto& row : points)
    for (const float x : row) {
      const std::uint32_t bits = std::bit_cast<std::uint32_t>(x) & 0x7fffffffu;
      greatest = bits > greatest ? bits : greatest;
    }
  return std::bit_cast<float>(greatest);
}

}  // namespace

WaveCrest::WaveCrest() : window_(kTaps - 1 + kRun) {}

void WaveCrest::add(std::span<const float> samples) {
  const Kernel& k = kernel();
  constexpr std::size_t kHistory = kTaps - 1, kAhead = kTaps / 2 - 1;
  for (std::size_t done = 0; done < samples.size(); done += kRun) {
    const std::size_t count = std::min(kRun, samples.size() - done);
    std::copy_n(samples.data() + done, count, window_.data() + kHistory);
    const double most = greatest_magnitude(std::span(window_).first(kHistory + count));
    // The parabola adds less than a hundredth to the greatest of its points.
    if (!(most * k.most_gain * 1.01 <= greatest_)) {
      Points points{};
      std::copy_n(window_.data() + kAhead, count, points[0].data());
      interpolate(k, window_.data(), points);
      const bool higher = !(static_cast<double>(greatest_of(points)) * 1.01 <= greatest_);
      const auto at = [&](std::size_t j) { return static_cast<double>(std::abs(points[j % kPoints][j / kPoints])); };
      for (std::size_t j = 0; higher && j < count * kPoints; ++j) {
        const double here = at(j);
        if (here * 1.01 <= greatest_) continue;
        greatest_ = std::max(greatest_, here);
        if (j == 0 || j + 1 == count * kPoints) continue;
        const double left = at(j - 1), right = at(j + 1), bend = left - 2 * here + right;
        if (here >= left && here >= right && bend < 0 && std::min(left, right) > 0.9 * here)
          greatest_ = std::max(greatest_, here - (right - left) * (right - left) / (8 * bend));
      }
    }
    std::copy(window_.begin() + static_cast<std::ptrdiff_t>(count),
              window_.begin() + static_cast<std::ptrdiff_t>(count + kHistory), window_.begin());
  }
}

double wave_crest(std::span<const float> row) {
  WaveCrest crest;
  crest.add(row);
  return crest.greatest();
}

LimitersAlone::LimitersAlone(const dsp::ChainSettings& original, std::size_t which, bool with_power) {
  output = original.outputs[which];
  output.loudspeaker = 0;
  output.way = 0;
  output.muted = false;
  output.sections = {};
  output.gain = 1.0f;
  output.delay = {};
  const std::uint32_t late = dsp::limiter_latency(output);
  output.power.enabled = output.power.enabled && with_power;
  output.delay.whole_samples = late - dsp::limiter_latency(output);  // as late without the only limiter as with it
  settings = original;
  settings.latency_samples = 0;  // without delays it is another
  settings.feeds = std::span(&feed, 1);
  settings.loudspeakers = std::span(&loudspeaker, 1);
  settings.outputs = std::span(&output, 1);
}

LimitersAbreast::LimitersAbreast(const LimitersAlone& one, std::size_t copies)
    : feeds(copies, one.feed), loudspeakers(copies, one.loudspeaker), outputs(copies, one.output) {
  for (std::size_t c = 0; c < copies; ++c) {
    loudspeakers[c].source = static_cast<std::int16_t>(c);
    outputs[c].loudspeaker = static_cast<std::uint8_t>(c);
  }
  settings = one.settings;
  settings.feeds = feeds;
  settings.loudspeakers = loudspeakers;
  settings.outputs = outputs;
}

std::vector<WorstInput> worst_inputs(const Subject& subject) {
  const auto& plans = subject.unlimited.outputs;
  const std::size_t feeds = subject.rig.feeds.size(), outputs = plans.size();
  const std::size_t chunk = subject.rig.controller.sample_rate_hz / 4, most_chunks = 80;
  const auto hears = [&](std::size_t o, std::size_t f) { return plans[o].hears(f); };
  std::vector<WorstInput> worst(outputs);
  std::vector<Rows> responses(outputs, Rows(feeds));
  const std::unique_ptr<Device> device = subject.make(subject.unlimited.settings());
  for (std::size_t f = 0; f < feeds; ++f) {
    device->reset();
    Rows in(feeds, Row(chunk, 0.0f));
    in[f][0] = 1.0f;
    bool all_quiet = false;
    std::vector<double> total(outputs, 0.0);
    for (std::size_t c = 0; c < most_chunks && !all_quiet; ++c) {
      const Rows out = run_on(*device, in, outputs);
      in[f][0] = 0.0f;
      all_quiet = true;
      for (std::size_t o = 0; o < outputs; ++o) {
        if (!hears(o, f)) continue;
        double sum = 0;
        for (const float h : out[o]) sum += std::abs(static_cast<double>(h));
        total[o] += sum;
        responses[o][f].insert(responses[o][f].end(), out[o].begin(), out[o].end());
        // A delay longer than a chunk begins with silence: that is not yet the end.
        all_quiet = all_quiet && total[o] > 0 && sum <= 1e-7 * total[o];
      }
    }
    for (std::size_t o = 0; o < outputs; ++o)
      if (hears(o, f)) worst[o].died_away = worst[o].died_away && all_quiet;
  }
  for (std::size_t o = 0; o < outputs; ++o) {
    std::size_t length = 0;
    for (const Row& h : responses[o]) length = std::max(length, h.size());
    worst[o].at = length == 0 ? 0 : length - 1;
    for (const Row& h : responses[o]) {
      Row& in = worst[o].feeds.emplace_back(length, 0.0f);
      for (std::size_t n = 0; n < h.size(); ++n) {
        worst[o].bound += std::abs(static_cast<double>(h[n]));
        in[length - 1 - n] = h[n] == 0.0f ? 0.0f : std::copysign(1.0f, h[n]);
      }
    }
  }
  return worst;
}

audio::FeedStream open_programme(const Subject& subject, const std::filesystem::path& file) {
  return {file,
          {.feeds = subject.rig.feeds,
           .sample_rate_hz = subject.rig.controller.sample_rate_hz,
           .resample = subject.resample}};
}

namespace {

double in_band(double low_edge_hz, double high_edge_hz, double sample_rate_hz, double share) {
  const double low = std::max(low_edge_hz, 20.0);
  const double high = high_edge_hz > 0 ? std::min(high_edge_hz, 0.49 * sample_rate_hz)
                                       : std::clamp(2 * low, 0.3 * sample_rate_hz, 0.45 * sample_rate_hz);
  if (high <= low) return std::sqrt(low * high) * 1.00173;  // edges the wrong way round: loudest between them
  const double inside = std::min(std::numbers::sqrt2, std::pow(high / low, 0.25));
  const double from = low * inside;
  const double most = (from < 0.2 * sample_rate_hz ? 0.2 : 0.998 * kDetectorBand) * sample_rate_hz;
  const double to = std::max(from, std::min(high / inside, most));
  return from * std::pow(to / from, share) * 1.00173;
}

}  // namespace

double in_band_hz(const OutputPlan& output, double sample_rate_hz, double share) {
  return in_band(output.low_edge_hz, output.high_edge_hz, sample_rate_hz, share);
}
double in_band_hz(const Subject& subject, const OutputPlan& output, double share) {
  double high_hz = output.high_edge_hz;
  const auto end_at = [&](const std::vector<rig::EqBand>& eq) {
    for (const rig::EqBand& band : eq)
      if (band.type == rig::EqType::lowpass && (high_hz == 0 || band.at_hz < high_hz)) high_hz = band.at_hz;
  };
  if (output.high_edge_hz == 0) end_at(way_of(subject, output).eq);
  if (subject.rig.points.empty()) end_at(subject.rig.system_eq);
  return in_band(output.low_edge_hz, high_hz, subject.rig.controller.sample_rate_hz, share);
}

double gain_at(const Subject& subject, std::size_t output, double frequency_hz) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  return std::abs(spectrum(linear_responses(subject)[output], std::span(&frequency_hz, 1), rate_hz).front());
}

std::size_t latest_samples(const CompiledRig& compiled) {
  double delay = 0;
  for (const OutputPlan& plan : compiled.outputs) delay = std::max(delay, plan.delay_samples);
  return compiled.latency_samples + static_cast<std::size_t>(std::ceil(delay));
}

double finite_db(double ratio) { return ratio > 1e-20 ? analysis::db_from_ratio(ratio) : -400.0; }
std::string key(const OutputPlan& output, const std::string& tail) { return "way." + output.way + "." + tail; }
std::string decibels_text(double decibels) { return fmt::format("{:g} dB", std::ceil(decibels * 10 - 1e-6) / 10); }
std::string line_of(const Change& change) {
  return change.value.empty() ? change.key + " taken out" : change.key + " = " + change.value;
}
const rig::Way& way_of(const Subject& subject, const OutputPlan& output) { return subject.rig.ways[output.way_index]; }
const rig::OutputLayer* own_layer_of(const Subject& subject, const OutputPlan& output) {
  const auto& layers = way_of(subject, output).output;
  const auto found = layers.find(output.feed);
  return found == layers.end() ? nullptr : &found->second;
}
double set_delay_s(const Subject& subject, const OutputPlan& output) {
  const rig::OutputLayer* const own = own_layer_of(subject, output);
  double delay_s = subject.rig.delay_s + way_of(subject, output).delay_s + (own != nullptr ? own->delay_s : 0);
  if (subject.venue != nullptr)
    if (const auto tonight = subject.venue->loudspeaker.find(subject.rig.loudspeaker);
        tonight != subject.venue->loudspeaker.end())
      delay_s += tonight->second.delay_s;
  return delay_s;
}
int set_polarity(const Subject& subject, const OutputPlan& output) {
  const rig::OutputLayer* const own = own_layer_of(subject, output);
  return way_of(subject, output).inverted != (own != nullptr && own->inverted) ? -1 : 1;
}

}  // namespace rackproof::proof
