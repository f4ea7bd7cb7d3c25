// What each block costs, a frame, at every width of lanes that this machine has: sections 1 to 16 on 1 to 16 channels
// in blocks of 16 to 1024 frames, the split, the delay, the sliding maximum and the limiters at their windows; of the
// peak limiter every block's own time as well (its worst over the mean). And what the machine allows: `limit`. Names:
// block/lanes/..., as the arguments are called in the registrations at the end.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <chrono>
#include <functional>
#include <string>
#include <vector>

#include "bench/block_tables.hpp"
#include "bench/reference_chain.hpp"

namespace {
using namespace rackproof;
using bench::BlockArgs, bench::BlockTable, bench::LevelTables;

constexpr std::size_t kFrames = 4096;  // of programme, over and over: it stays in the nearest memory but one

/// Memory at the boundary of a cache line.
template <class T>
class Aligned {
 public:
  explicit Aligned(std::size_t count) : store_(count + 64 / sizeof(T)) {
    const auto address = reinterpret_cast<std::uintptr_t>(store_.data());
    first_ = (64 - address % 64) % 64 / sizeof(T);
  }
  T* data() { return store_.data() + first_; }

 private:
  std::vector<T> store_;
  std::size_t first_ = 0;
};

void per_frame(benchmark::State& state, double frames) {
  state.counters["s_per_frame"] =
      benchmark::Counter(frames, benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
}

void time_block(benchmark::State& state, const BlockTable& table, std::size_t lanes, const BlockArgs& args,
                std::size_t block, bool worst) {
  std::vector<std::byte> memory(table.bytes(args));
  void* const subject = table.set_up(memory, args);
  if (subject == nullptr) return state.SkipWithError("refused");
  Aligned<float> programme(kFrames * lanes), samples(block * lanes);
  for (std::size_t l = 0; l < lanes; ++l) {
    const std::vector<float> one = bench::programme(kFrames, static_cast<unsigned>(l) + 1);
    for (std::size_t n = 0; n < kFrames; ++n) programme.data()[n * lanes + l] = one[n];
  }
  std::vector<double> seconds;
  std::size_t at = 0;
  for (auto _ : state) {
    std::copy_n(programme.data() + at * lanes, block * lanes, samples.data());
    const auto began = worst ? std::chrono::steady_clock::now() : std::chrono::steady_clock::time_point{};
    table.process(subject, samples.data(), block);
    benchmark::DoNotOptimize(samples.data()[0]);
    if (worst && seconds.size() < 200000)
      seconds.push_back(std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count());
    at = at + 2 * block <= kFrames ? at + block : 0;
  }
  per_frame(state, static_cast<double>(block));
  if (seconds.size() < 100) return;
  // The machine's own interruptions are in the last per cent; a burst of the block's once a window would not be.
  std::ranges::sort(seconds);
  const std::size_t undisturbed = seconds.size() * 99 / 100;
  double sum = 0;
  for (std::size_t i = 0; i < undisturbed; ++i) sum += seconds[i];
  state.counters["worst_over_mean"] = seconds[undisturbed - 1] * static_cast<double>(undisturbed) / sum;
}

/// `work(rounds)` returns something to be used; the time is that of one of `each` things in a round.
void time_limit(benchmark::State& state, double each, const std::function<float(std::size_t)>& work) {
  constexpr std::size_t kRounds = 1000;
  for (auto _ : state) benchmark::DoNotOptimize(work(kRounds));
  state.counters["s_each"] =
      benchmark::Counter(each * kRounds, benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
}

class Registration {
 public:
  void everything(const LevelTables& level) {
    const auto lanes = static_cast<std::size_t>(level.lanes);
    const std::string at = "/" + std::to_string(lanes);
    for (const std::size_t sections : {1u, 2u, 4u, 8u, 16u})
      for (const std::size_t channels : {1u, 2u, 4u, 8u, 16u})
        for (const std::size_t block : {16u, 64u, 256u, 1024u})
          if (channels <= lanes) {
            BlockArgs args{.sections = sections, .channels = channels};
            args.eq = eq_;
            block_of(level.sections, lanes, args, block,
                     "sections" + at + "/" + std::to_string(sections) + "/" + std::to_string(channels));
          }
    for (const std::size_t block : {16u, 64u, 256u, 1024u}) {
      BlockArgs args;
      args.points = reference_.settings.loudspeakers[0].points;
      block_of(level.split, 1, args, block, "split" + at);
      for (const bool fractional : {false, true}) {
        args.delay = reference_.settings.outputs[0].delay;
        args.delay.fractional = fractional;
        block_of(level.delay, 1, args, block, "delay" + at + (fractional ? "/fractional" : "/whole"));
      }
    }
    const BlockArgs full{.channels = lanes};
    block_of(level.true_peak, lanes, full, 64, "true_peak" + at);
    block_of(level.power_limiter, lanes, full, 64, "power_limiter" + at);
    for (const std::uint32_t window : {48u, 96u, 240u, 480u}) {
      block_of(level.sliding_maximum, lanes, {.window = window}, 64,
               "sliding_maximum" + at + "/" + std::to_string(window));
      for (const bool fine : {false, true})
        block_of(level.peak_limiter, lanes, {.channels = lanes, .window = window, .fine = fine}, 64,
                 "peak_limiter" + at + "/" + std::to_string(window) + (fine ? "/true_peak" : "/sample_peak"), true);
    }
    if (level.narrow_lanes < level.lanes) {
      const auto narrow = static_cast<std::size_t>(level.narrow_lanes);
      block_of(level.narrow_peak_limiter, narrow, {.channels = narrow, .window = 240}, 64,
               "narrow_peak_limiter" + at + "/240/sample_peak");
    }
    limit("recurrence" + at, 1, [&level](std::size_t rounds) { return level.recurrence(0.1f, rounds); });
    limit("arithmetic" + at, double(bench::kMixed * lanes),
          [&level](std::size_t rounds) { return level.arithmetic(0.1f, rounds); });
    limit("reading" + at, 4096 * sizeof(float),
          [&level, this](std::size_t rounds) { return level.reading(values_.data(), 4096, rounds); });
  }

 private:
  void block_of(const BlockTable& table, std::size_t lanes, const BlockArgs& args, std::size_t block,
                const std::string& name, bool worst = false) {
    benchmark::RegisterBenchmark((name + "/" + std::to_string(block)).c_str(),
                                 [&table, lanes, args, block, worst](benchmark::State& state) {
                                   time_block(state, table, lanes, args, block, worst);
                                 });
  }
  void limit(const std::string& name, double each, std::function<float(std::size_t)> work) {
    benchmark::RegisterBenchmark(("limit/" + name).c_str(),
                                 [each, work](benchmark::State& state) { time_limit(state, each, work); });
  }
  static std::vector<dsp::Section> eq() {
    std::vector<dsp::Section> list(16);
    double at_hz = 40;
    for (dsp::Section& s : list) {
      static_cast<void>(dsp::design(dsp::EqSettings{dsp::EqType::peaking, at_hz, -3, dsp::EqWidth::q, 1.4}, 48000, s));
      at_hz *= 1.4;
    }
    return list;
  }

  const bench::ReferenceChain reference_;
  const std::vector<dsp::Section> eq_ = eq();
  Aligned<float> values_{4096};
};
}  // namespace

int main(int argc, char** argv) {
  Registration registration;
  registration.everything(dsp::bench_tables::kTables<1>);
  if (dsp::Chain::has(dsp::Level::lanes_4)) registration.everything(dsp::bench_tables::kTables<4>);
#ifdef RACKPROOF_X86_LEVELS
  if (dsp::Chain::has(dsp::Level::lanes_8)) registration.everything(bench::tables_of_8_lanes());
  if (dsp::Chain::has(dsp::Level::lanes_16)) registration.everything(bench::tables_of_16_lanes());
#endif
  benchmark::Initialize(&argc, argv);
  if (benchmark::ReportUnrecognizedArguments(argc, argv)) return 1;
  benchmark::RunSpecifiedBenchmarks();
  benchmark::Shutdown();
}
