// Eight equaliser sections on 1, 2 and 8 channels, at the core's full accuracy, and beside them, where Debian's
// libliquid-dev is installed, that library's cascade in single precision (-56 dBFS of error at 20 Hz, where ours has
// -130).
#include <benchmark/benchmark.h>

#include <string>
#include <vector>

#include "bench/block_tables.hpp"
#include "bench/reference_chain.hpp"
#ifdef RACKPROOF_LIQUID
#include <liquid/liquid.h>
#endif

namespace {
using namespace rackproof;
// Calls of so many frames as `render` hands over: a cascade of few channels goes over several cells of 64 at once.
constexpr std::size_t kSections = 8, kBlock = 512, kFrames = 48000;

std::vector<dsp::Section> eq() {
  std::vector<dsp::Section> sections(kSections);
  double at_hz = 60, gain_db = -3;
  for (dsp::Section& s : sections) {
    static_cast<void>(
        dsp::design(dsp::EqSettings{dsp::EqType::peaking, at_hz, gain_db, dsp::EqWidth::q, 1.4}, 48000, s));
    at_hz *= 2;
    gain_db = -gain_db;
  }
  return sections;
}
void per_frame(benchmark::State& state) {
  state.counters["s_per_frame"] =
      benchmark::Counter(double{kBlock}, benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
}

/// Planar in and out, as the peer has it.
void cascade(benchmark::State& state, const bench::LevelTables& level) {
  const auto channels = static_cast<std::size_t>(state.range(0));
  const std::vector<dsp::Section> sections = eq();
  bench::BlockArgs args{.sections = kSections, .channels = channels};
  args.eq = sections;
  std::vector<std::byte> memory(level.cascade.bytes(args));
  void* const subject = level.cascade.set_up(memory, args);
  if (subject == nullptr) return state.SkipWithError("refused");
  const std::vector<float> in = bench::programme(kFrames, 1);
  std::vector<float> rows(channels * kBlock);
  std::size_t at = 0;
  for (auto _ : state) {
    level.through_rows(subject, &in[at], rows.data(), kBlock);
    benchmark::DoNotOptimize(rows[0]);
    at = at + 2 * kBlock <= kFrames ? at + kBlock : 0;
  }
  per_frame(state);
}
void register_level(const bench::LevelTables& level) {
  for (const int channels : {1, 2, 8})
    if (channels <= level.lanes)
      benchmark::RegisterBenchmark(("cascade/" + std::to_string(level.lanes)).c_str(), [&level](
                                                                                           benchmark::State& state) {
        cascade(state, level);
      })->Arg(channels);
}

#ifdef RACKPROOF_LIQUID
void liquid(benchmark::State& state) {
  const auto channels = static_cast<std::size_t>(state.range(0));
  std::vector<float> b, a;
  for (const dsp::Section& s : eq()) {
    const dsp::Biquad q = dsp::biquad_of(s);
    for (const double x : {q.b0, q.b1, q.b2}) b.push_back(static_cast<float>(x));
    for (const double x : {1.0, q.a1, q.a2}) a.push_back(static_cast<float>(x));
  }
  std::vector<iirfilt_rrrf> filters(channels);
  for (iirfilt_rrrf& f : filters) f = iirfilt_rrrf_create_sos(b.data(), a.data(), kSections);
  std::vector<float> in = bench::programme(kFrames, 1), out(kBlock);
  std::size_t at = 0;
  for (auto _ : state) {
    for (iirfilt_rrrf f : filters) {
      iirfilt_rrrf_execute_block(f, &in[at], kBlock, out.data());
      benchmark::DoNotOptimize(out[0]);
    }
    at = at + 2 * kBlock <= kFrames ? at + kBlock : 0;
  }
  for (iirfilt_rrrf f : filters) iirfilt_rrrf_destroy(f);
  per_frame(state);
}
BENCHMARK(liquid)->Arg(1)->Arg(2)->Arg(8);
#endif
}  // namespace

int main(int argc, char** argv) {
  register_level(dsp::bench_tables::kTables<1>);
  if (dsp::Chain::has(dsp::Level::lanes_4)) register_level(dsp::bench_tables::kTables<4>);
#ifdef RACKPROOF_X86_LEVELS
  if (dsp::Chain::has(dsp::Level::lanes_8)) register_level(bench::tables_of_8_lanes());
  if (dsp::Chain::has(dsp::Level::lanes_16)) register_level(bench::tables_of_16_lanes());
#endif
  benchmark::Initialize(&argc, argv);
  if (benchmark::ReportUnrecognizedArguments(argc, argv)) return 1;
  benchmark::RunSpecifiedBenchmarks();
  benchmark::Shutdown();
}
