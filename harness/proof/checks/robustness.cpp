/// Whatever comes in and however it is cut: bad samples, block sizes, bypasses. All to the bit.
#include <algorithm>
#include <cmath>
#include <limits>
#include <random>

#include <fmt/format.h>

#include "dsp/grid.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/noise.hpp"

namespace rackproof::proof {
namespace {

constexpr const char* kNotTheFile = "No line of the file mends that: do not drive loudspeakers with this build.";

/// Noise of its own on each feed, `gain` over full scale; so long that every output has answered for `seconds`.
Rows noise(const Subject& subject, double seconds, double gain) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  const std::size_t frames =
      static_cast<std::size_t>((subject.brief ? 0.1 : 1.0) * seconds * rate_hz) + latest_samples(subject.compiled);
  Rows rows;
  for (std::size_t f = 0; f < subject.rig.feeds.size(); ++f)
    rows.push_back(scaled(samples_of(stimuli::uniform_noise(41 + static_cast<std::uint32_t>(f)), frames), gain));
  return rows;
}
Finding of_the_rig(const char* id, std::size_t differences, std::string held, const std::string& fell) {
  const bool holds = differences == 0;
  return {.id = id,
          .output = {},
          .holds = holds,
          .measured = static_cast<double>(differences),
          .allowed = 0,
          .unit = "samples",
          .accepted = {},
          .text = holds ? std::move(held) : fell + " " + kNotTheFile};
}
Rows output_of(const Subject& subject, const CompiledRig& compiled, const Rows& feeds) {
  return run(*subject.make(compiled.settings()), feeds, compiled.outputs.size());
}

/// With everything out of the way an output is its feed, or the mean, later by the latency.
std::size_t wrong_of_all(const Subject& subject) {
  const CompiledRig bare = compile(subject.rig, subject.venue, Bypass::all);
  const Rows in = noise(subject, 0.2, 1.3), out = output_of(subject, bare, in);
  Rows expected;
  for (const OutputPlan& plan : bare.outputs) {
    Row row(in[0].size(), 0.0f);
    for (std::size_t n = bare.latency_samples; n < row.size(); ++n) {
      const std::size_t at = n - bare.latency_samples;
      if (plan.source == dsp::kMixOfFeeds) {
        for (std::size_t f = 0; f < in.size(); ++f)
          if (plan.hears(f)) row[n] += static_cast<float>(plan.mix[f]) * in[f][at];
      } else if (plan.source == dsp::kMeanOfFeeds) {
        float sum = in[0][at];
        for (std::size_t f = 1; f < in.size(); ++f) sum += in[f][at];
        row[n] = sum / static_cast<float>(in.size());
      } else {
        row[n] = in[static_cast<std::size_t>(plan.source)][at];
      }
    }
    expected.push_back(std::move(row));
  }
  return differing(out, expected);
}
/// Without limits the path is linear (four times as much in, four times as much out: a power of two rounds alike), and
/// it is the path that the limiters leave alone when nothing is loud.
std::size_t wrong_of_limits(const Subject& subject) {
  // What the core would have to bound, four times as loud, is left out: that is not linear, and not meant to be.
  double bound = 1;
  for (const WorstInput& worst : worst_inputs_of(subject)) bound = std::max(bound, worst.bound);
  double most = 1;
  while (4 * most * bound > static_cast<double>(dsp::kMagnitudeBound)) most /= 2;
  const Rows once = noise(subject, 0.2, most), played = output_of(subject, subject.unlimited, once);
  Rows loud = once;
  for (Row& row : loud) row = scaled(std::move(row), 4);
  Rows four_times = played;
  for (Row& row : four_times) row = scaled(std::move(row), 4);
  std::size_t wrong = differing(output_of(subject, subject.unlimited, loud), four_times);

  double share = 1;
  for (std::size_t o = 0; o < subject.compiled.outputs.size(); ++o) {
    const OutputPlan& plan = subject.compiled.outputs[o];
    const double least_volts = std::min(plan.limit_volts_peak, plan.thermal_volts_rms.value_or(plan.limit_volts_peak));
    const double reached = greatest_magnitude(played[o]);
    if (reached > 0) share = std::min(share, least_volts / plan.full_scale_volts_peak / reached);
  }
  Rows quiet = once;
  for (Row& row : quiet) row = scaled(std::move(row), share / 4);
  return wrong + differing(output_of(subject, subject.compiled, quiet), output_of(subject, subject.unlimited, quiet));
}
std::size_t unlike(const Subject& subject, const CompiledRig& a, const CompiledRig& b) {
  const Rows in = noise(subject, 0.2, 1);
  return differing(output_of(subject, a, in), output_of(subject, b, in));
}

}  // namespace

std::vector<Finding> check_bad_samples(const Subject& subject) {
  constexpr float kInfinity = std::numeric_limits<float>::infinity();
  constexpr float kBad[] = {
      std::numeric_limits<float>::quiet_NaN(),    kInfinity, -kInfinity, std::numeric_limits<float>::max(),
      std::numeric_limits<float>::lowest(),       1e30f,     -100.0f,    std::numeric_limits<float>::denorm_min(),
      std::numeric_limits<float>::signaling_NaN()};
  Rows bad = noise(subject, 0.3, 1), mended = bad;
  std::mt19937 random(5);
  for (std::size_t f = 0; f < bad.size(); ++f)
    for (std::size_t n = 0; n < bad[f].size(); ++n) {
      // Strewn, and a run of them as a broken link makes it.
      if (random() % 97 != 0 && !(n >= 2000 && n < 2200)) continue;
      bad[f][n] = kBad[random() % std::size(kBad)];
      mended[f][n] =
          std::isfinite(bad[f][n]) ? std::clamp(bad[f][n], -dsp::kMagnitudeBound, dsp::kMagnitudeBound) : 0.0f;
    }
  const Rows out = output_of(subject, subject.compiled, bad);
  std::size_t wrong = differing(out, output_of(subject, subject.compiled, mended));
  for (const Row& row : out)
    wrong += static_cast<std::size_t>(std::ranges::count_if(row, [](float x) { return !std::isfinite(x); }));
  return {
      of_the_rig("bad-samples", wrong,
                 "Samples that are no numbers, infinite or far out of bounds end at the input: the first count as "
                 "silence, the last as +36 dBFS, and none leaves a trace.",
                 fmt::format("Bad samples at the input reach the outputs or stay in the filters: {} samples are not "
                             "what they should be. One of them can throw a cone out of its gap.",
                             wrong))};
}

std::vector<Finding> check_block_size(const Subject& subject) {
  const Rows in = noise(subject, 0.15, 4);
  const std::size_t outputs = subject.compiled.outputs.size();
  const std::unique_ptr<Device> device = subject.make(subject.compiled.settings());
  const Rows whole = run(*device, in, outputs, in[0].size());
  std::size_t wrong = 0;
  std::string worst;
  for (const std::size_t block : {std::size_t{1}, std::size_t{7}, std::size_t{63}, std::size_t{64}, std::size_t{65},
                                  std::size_t{480}, std::size_t{subject.rig.controller.block_frames}}) {
    const std::size_t different = differing(run(*device, in, outputs, block), whole);
    if (different > wrong) {
      wrong = different;
      worst = fmt::format("in blocks of {}", block);
    }
  }
  return {of_the_rig("block-size", wrong, "However the stream is cut into blocks, the outputs are the same to the bit.",
                     fmt::format("Cut {} frames, {} samples come out otherwise than in one piece: what was proved here "
                                 "need not hold at the show.",
                                 worst, wrong))};
}

std::vector<Finding> check_bypass(const Subject& subject) {
  const rig::Rig& rig = subject.rig;
  rig::Rig no_system = rig;
  no_system.system_gain_db = 0;
  no_system.system_eq.clear();
  struct Part {
    const char* name;
    std::size_t wrong;
  };
  const Part parts[] = {
      {"all", wrong_of_all(subject)},
      {"limits", wrong_of_limits(subject)},
      {"venue", unlike(subject, compile(rig, subject.venue, Bypass::venue), compile(rig))},
      {"system", unlike(subject, compile(rig, subject.venue, Bypass::system), compile(no_system, subject.venue))},
  };
  std::size_t wrong = 0;
  std::string names;
  for (const Part& part : parts) {
    wrong += part.wrong;
    if (part.wrong > 0) names += (names.empty() ? "" : ", ") + std::string(part.name);
  }
  return {
      of_the_rig("bypass", wrong,
                 fmt::format("Bypassed, each output is its feed {} samples late, bit for bit; without limits, venue "
                             "or system the rest stays as it is.",
                             subject.compiled.latency_samples),
                 fmt::format("A bypass ({}) does not leave what it should: {} samples differ. A comparison by ear "
                             "would compare something else.",
                             names, wrong))};
}

}  // namespace rackproof::proof
