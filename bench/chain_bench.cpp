// Cost of the reference chain, a stereo frame in to six outputs out, at every level that this machine has.
#include <benchmark/benchmark.h>

#include "bench/reference_chain.hpp"

namespace {
using namespace rackproof;

void chain(benchmark::State& state, bool true_peak) {
  const auto level = static_cast<dsp::Level>(state.range(0));
  const auto block = static_cast<std::size_t>(state.range(1));
  if (!dsp::Chain::has(level)) return state.SkipWithError("this machine has no such level");
  const bench::ReferenceChain reference(true_peak);
  std::vector<std::byte> memory(dsp::Chain::required_bytes(reference.settings, level));
  dsp::Chain chain;
  if (chain.configure(reference.settings, memory, level) != dsp::Setup::ok) return state.SkipWithError("refused");
  const std::size_t frames = 48000;
  const std::vector<float> feeds[2] = {bench::programme(frames, 1), bench::programme(frames, 2)};
  std::vector<float> outputs[6];
  for (auto& output : outputs) output.resize(block);
  std::size_t at = 0;
  for (auto _ : state) {
    const float* from[2] = {&feeds[0][at], &feeds[1][at]};
    float* to[6];
    for (std::size_t o = 0; o < 6; ++o) to[o] = outputs[o].data();
    chain.process(from, to, block);
    benchmark::DoNotOptimize(outputs[5][0]);
    at = at + 2 * block <= frames ? at + block : 0;
  }
  state.counters["s_per_frame"] = benchmark::Counter(
      static_cast<double>(block), benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
  state.counters["operations"] = bench::operations_per_frame(reference.settings);
  state.counters["bytes"] = static_cast<double>(memory.size());
}
void sizes(benchmark::internal::Benchmark* b) {
  for (const int lanes : {1, 4, 8, 16})
    for (const int block : {16, 64, 256, 1024}) b->Args({lanes, block});
}
BENCHMARK_CAPTURE(chain, true_peak, true)->Apply(sizes);
BENCHMARK_CAPTURE(chain, sample_peak, false)->Apply(sizes);
}  // namespace

BENCHMARK_MAIN();
