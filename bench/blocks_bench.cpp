// What each block costs in one lane, a sample: the sections in 1 to 16, the delay, the sliding maximum at its windows,
// the detector, both limiters; means, and for the peak limiter every block's own time as well (its worst over the
// mean).
#include <benchmark/benchmark.h>

#include <algorithm>
#include <chrono>
#include <vector>

#include "bench/reference_chain.hpp"
#include "dsp/blocks/delay_line.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/blocks/power_limiter.hpp"
#include "dsp/blocks/section_cascade.hpp"
#include "dsp/blocks/sliding_maximum.hpp"
#include "dsp/blocks/true_peak_detector.hpp"

namespace {
using namespace rackproof;
constexpr std::size_t kFrames = 48000;

/// Runs `process(in, out)` over the programme in blocks of `block`, and counts seconds a sample.
template <class Process>
void run(benchmark::State& state, std::size_t block, Process&& process) {
  std::vector<float> in = bench::programme(kFrames, 1), out(block);
  std::size_t at = 0;
  for (auto _ : state) {
    process(std::span<const float>(in).subspan(at, block), std::span<float>(out));
    benchmark::DoNotOptimize(out[0]);
    at = at + 2 * block <= kFrames ? at + block : 0;
  }
  state.counters["s_per_sample"] = benchmark::Counter(
      static_cast<double>(block), benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
}

void sections(benchmark::State& state) {
  std::vector<dsp::Section> list(static_cast<std::size_t>(state.range(0)));
  double at_hz = 40;
  for (dsp::Section& s : list) {
    static_cast<void>(dsp::design(dsp::EqSettings{dsp::EqType::peaking, at_hz, -3, dsp::EqWidth::q, 1.4}, 48000, s));
    at_hz *= 1.4;
  }
  std::vector<dsp::SectionCascade<1>::Stage> memory(list.size());
  dsp::SectionCascade<1> cascade;
  static_cast<void>(cascade.configure(list, memory));
  run(state, static_cast<std::size_t>(state.range(1)), [&](std::span<const float> in, std::span<float> out) {
    std::ranges::copy(in, out.begin());
    cascade.process(out);
  });
}
BENCHMARK(sections)->ArgsProduct({{1, 2, 4, 8, 16}, {16, 64, 256, 1024}});

void delay(benchmark::State& state) {
  dsp::DelaySettings settings;
  settings.whole_samples = 100, settings.fractional = state.range(0) != 0;
  if (settings.fractional) settings.taps = dsp::fractional_delay(0.37);
  std::vector<float> memory(dsp::DelayLine::required_values(settings));
  dsp::DelayLine line;
  static_cast<void>(line.configure(settings, memory));
  run(state, 64, [&](std::span<const float> in, std::span<float> out) { line.process(in, out); });
}
BENCHMARK(delay)->Arg(0)->Arg(1);

void sliding_maximum(benchmark::State& state) {
  const dsp::SlidingMaximum<1>::Settings settings{static_cast<std::uint32_t>(state.range(0))};
  std::vector<float> memory(dsp::SlidingMaximum<1>::required_values(settings)), size(64);
  dsp::SlidingMaximum<1> maximum;
  static_cast<void>(maximum.configure(settings, memory));
  run(state, 64, [&](std::span<const float> in, std::span<float> out) {
    std::ranges::transform(in, size.begin(), [](float x) { return x < 0 ? -x : x; });
    maximum.process(size, out);
  });
}
BENCHMARK(sliding_maximum)->Arg(48)->Arg(96)->Arg(240)->Arg(480);

void true_peak(benchmark::State& state) {
  dsp::TruePeakDetector<1> detector;
  run(state, 64, [&](std::span<const float> in, std::span<float> out) { detector.process(in, out); });
}
BENCHMARK(true_peak);

void power_limiter(benchmark::State& state) {
  dsp::PowerLimiter<1> limiter;
  const dsp::PowerLimiter<1>::LaneSettings lane{true, 0.2f, 6e-4f};
  static_cast<void>(limiter.configure({&lane, 1}));
  run(state, 64, [&](std::span<const float> in, std::span<float> out) { limiter.process(in, out); });
}
BENCHMARK(power_limiter);

void peak_limiter(benchmark::State& state) {
  const dsp::PeakLimiter<1>::Shape shape{static_cast<std::uint32_t>(state.range(0)), 0, state.range(1) != 0};
  const auto needed = dsp::PeakLimiter<1>::required(shape);
  std::vector<float> values(needed.values);
  std::vector<std::int32_t> integers(needed.integers);
  const dsp::PeakLimiter<1>::LaneSettings lane{true, 0.3f, 0.9998f};
  dsp::PeakLimiter<1> limiter;
  static_cast<void>(limiter.configure(shape, {&lane, 1}, values, integers));
  std::vector<double> seconds;
  run(state, 64, [&](std::span<const float> in, std::span<float> out) {
    const auto began = std::chrono::steady_clock::now();
    limiter.process(in, out);
    if (seconds.size() < 200000)
      seconds.push_back(std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count());
  });
  if (seconds.size() < 100) return;
  // The machine's own interruptions are in the last per mille; the block's would be in all of them.
  std::ranges::sort(seconds);
  double sum = 0;
  for (const double s : seconds) sum += s;
  state.counters["worst_over_mean"] = seconds[seconds.size() * 99 / 100] * static_cast<double>(seconds.size()) / sum;
}
BENCHMARK(peak_limiter)->ArgsProduct({{48, 96, 240, 480}, {0, 1}});
}  // namespace

BENCHMARK_MAIN();
