#include "harness/compare/comparison.hpp"

#include <algorithm>
#include <cmath>
#include <tuple>
#include <utility>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/sine_fit.hpp"
#include "harness/audio/feed_stream.hpp"
#include "harness/compare/responses.hpp"
#include "harness/listen/ear.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/several.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/tones.hpp"
#include "harness/tasks.hpp"

namespace rackproof::compare {
namespace {

using proof::Side;

proof::Subject subject_of(const Candidate& candidate) {
  return {.rig = candidate.rig,
          .venue = candidate.venue ? &*candidate.venue : nullptr,
          .compiled = candidate.compiled,
          .unlimited = candidate.unlimited};
}

/// What a recording of another rate or without a feed's channel is refused with, before anything long begins.
void must_open(const Candidate& candidate, const std::filesystem::path& file, bool resample) {
  static_cast<void>(audio::FeedStream(
      file,
      {.feeds = candidate.rig.feeds, .sample_rate_hz = candidate.rig.controller.sample_rate_hz, .resample = resample}));
}

/// Total harmonic distortion of a sine that the peak limiter alone holds down from 6 dB over its threshold, dB below
/// the tone.
std::optional<double> distortion_db(const Candidate& candidate, std::size_t output, double hz) {
  constexpr std::size_t kPeriods = 12, kSettling = 6, kHarmonics = 15, kDetector = 64;
  proof::LimitersAlone alone(candidate.compiled.settings(), output, false);
  const dsp::PeakLimiterSettings& peak = alone.output.peak;
  if (!peak.enabled) return std::nullopt;
  const double rate = candidate.rig.controller.sample_rate_hz;
  const auto period = static_cast<std::size_t>(std::ceil(rate / hz));
  const std::size_t measured = kPeriods * period;
  const std::size_t settle = kDetector + peak.look_ahead_samples + peak.hold_samples + kSettling * period;
  const double amplitude = analysis::ratio_from_db(kToneOver_db) * static_cast<double>(peak.ceiling);
  const proof::Row tone =
      proof::samples_of(stimuli::sine({.frequency_hz = hz, .amplitude = amplitude}, rate), settle + measured);
  const proof::Row out = proof::run(*proof::make_chain(alone.settings), {tone}, 1)[0];
  const std::vector<double> steady(out.end() - static_cast<std::ptrdiff_t>(measured), out.end());
  return proof::finite_db(analysis::fit_sine(steady, hz / rate, kHarmonics).thd());
}

std::optional<std::size_t> index_of(const CompiledRig& compiled, const std::string& output) {
  const auto found = std::ranges::find(compiled.outputs, output, &OutputPlan::name);
  if (found == compiled.outputs.end()) return std::nullopt;
  return static_cast<std::size_t>(found - compiled.outputs.begin());
}
/// a's in their order, then what b alone has.
std::vector<std::string> names_of(const Candidate& a, const Candidate& b) {
  std::vector<std::string> names;
  for (const Candidate* one : {&a, &b})
    for (const OutputPlan& plan : one->compiled.outputs)
      if (std::ranges::find(names, plan.name) == names.end()) names.push_back(plan.name);
  return names;
}

Output output_of(const std::string& name, const Both<const Candidate*>& rigs, const Both<const Answers*>& answers,
                 std::span<const double> hz) {
  Output output{.name = name, .a = {}, .b = {}, .response = {}, .at_work = {}};
  const auto fill = [&](const Candidate& rig, const Answers& answer, std::optional<Figures>& figures) {
    const auto index = index_of(rig.compiled, name);
    if (!index) return;
    figures =
        Figures{.index = *index, .response_db = decibels(answer.of(*index, hz)), .distortion_db = {}, .playing = {}};
    const double highest = 0.2 * rig.rig.controller.sample_rate_hz;
    output.tone_hz = std::max(output.tone_hz, std::clamp(rig.compiled.outputs[*index].low_edge_hz, kFrom_hz, highest));
  };
  fill(*rigs.a, *answers.a, output.a);
  fill(*rigs.b, *answers.b, output.b);
  for (const auto& [rig, figures] : {std::pair(rigs.a, &output.a), std::pair(rigs.b, &output.b)})
    if (*figures) (*figures)->distortion_db = distortion_db(*rig, (*figures)->index, output.tone_hz);
  if (!output.a || !output.b) return output;
  const Heard a = [&](std::span<const double> at) { return answers.a->anew(output.a->index, at); };
  const Heard b = [&](std::span<const double> at) { return answers.b->anew(output.b->index, at); };
  output.response = furthest(hz, output.a->response_db, output.b->response_db, kJudged_db, a, b);
  output.at_work = furthest(hz, output.a->response_db, output.b->response_db, kAtWork_db, a, b);
  return output;
}

/// What is heard of each side: its outputs that are not muted.
std::vector<Side> heard_sides_of(const Candidate& candidate) {
  std::vector<Side> sides = proof::sides_of(candidate.rig, candidate.compiled);
  for (Side& side : sides)
    std::erase_if(side.outputs, [&](std::size_t o) { return candidate.compiled.outputs[o].muted; });
  return sides;
}

/// The sum of one side at any frequencies; with `ear`, at the listener.
class SideSum {
 public:
  SideSum(const Side& side, const Answers& answers, const listen::Ear* ear)
      : side_(side), answers_(answers), ear_(ear) {}
  Response kept(std::span<const double> hz) const {
    return of(hz, [&](std::size_t o) { return answers_.of(o, hz); });
  }
  Response anew(std::span<const double> hz) const {
    return of(hz, [&](std::size_t o) { return answers_.anew(o, hz); });
  }

 private:
  template <class Answer>
  Response of(std::span<const double> hz, Answer&& answer) const {
    Response sum(hz.size());
    for (const std::size_t o : side_.outputs) {
      const Response way = answer(o);
      for (std::size_t k = 0; k < hz.size(); ++k) sum[k] += ear_ == nullptr ? way[k] : way[k] * ear_->at(o, hz[k]);
    }
    return sum;
  }
  const Side& side_;
  const Answers& answers_;
  const listen::Ear* ear_;
};

/// An ear in front of each loudspeaker of a rig, or why there is none.
struct Ears {
  explicit Ears(const Candidate& candidate) {
    for (std::size_t p = 0; p < candidate.rig.parts().size(); ++p) {
      std::optional<listen::Ear>& ear = ears.emplace_back();
      std::string& why = why_not.emplace_back();
      try {
        ear.emplace(candidate.rig, candidate.compiled, p);
      } catch (const InputError& error) {
        why = error.what();
      }
    }
  }
  std::vector<std::optional<listen::Ear>> ears;
  std::vector<std::string> why_not;
};

/// One side of each rig, where it has it.
struct SidePair {
  const Side *a = nullptr, *b = nullptr;
};
void fill(Sum& sum, const SidePair& sides, const Both<const Answers*>& answers, const Both<const Ears*>& ears,
          std::span<const double> hz) {
  const auto lay_over = [&](const listen::Ear* of_a, const listen::Ear* of_b, std::optional<std::vector<double>>& a_db,
                            std::optional<std::vector<double>>& b_db, std::optional<Apart>& apart) {
    if (sides.a != nullptr) a_db = decibels(SideSum(*sides.a, *answers.a, of_a).kept(hz));
    if (sides.b != nullptr) b_db = decibels(SideSum(*sides.b, *answers.b, of_b).kept(hz));
    if (!a_db || !b_db) return;
    const SideSum a(*sides.a, *answers.a, of_a), b(*sides.b, *answers.b, of_b);
    apart = furthest(
        hz, *a_db, *b_db, kJudged_db, [&](std::span<const double> at) { return a.anew(at); },
        [&](std::span<const double> at) { return b.anew(at); });
  };
  lay_over(nullptr, nullptr, sum.a_db, sum.b_db, sum.response);
  const listen::Ear *ear_a = nullptr, *ear_b = nullptr;
  for (const auto& [side, of, ear] : {std::tuple(sides.a, ears.a, &ear_a), std::tuple(sides.b, ears.b, &ear_b)}) {
    if (side == nullptr) continue;
    if (of->ears[side->part]) *ear = &*of->ears[side->part];
    if (sum.not_heard.empty()) sum.not_heard = of->why_not[side->part];
  }
  const listen::Ear* const either = ear_a != nullptr ? ear_a : ear_b;
  if (!sum.not_heard.empty() || either == nullptr) return;
  if (ear_a != nullptr && ear_b != nullptr && ear_a->measured() != ear_b->measured()) {
    sum.not_heard =
        "one rig has measured responses for all its ways, the other sensitivities: their levels have no common "
        "reference";
    return;
  }
  sum.heard_in_pascals = !either->measured();
  lay_over(ear_a, ear_b, sum.a_heard_db, sum.b_heard_db, sum.heard);
  // A sine's RMS at the level that is given; where it is measured, the unit is the microphone's own.
  const double over_db =
      kHeardAt_dbfs - (sum.heard_in_pascals ? proof::finite_db(listen::kReference_pa * std::sqrt(2.0)) : 0.0);
  for (auto* heard : {&sum.a_heard_db, &sum.b_heard_db})
    if (*heard)
      for (double& db : **heard) db += over_db;
}

std::vector<Sum> sums_of(const Both<const Candidate*>& rigs, const Both<const Answers*>& answers,
                         std::span<const double> hz) {
  const std::vector<Side> sides_a = heard_sides_of(*rigs.a), sides_b = heard_sides_of(*rigs.b);
  const Ears ears_a(*rigs.a), ears_b(*rigs.b);
  const auto find = [](const std::vector<Side>& sides, const Side& wanted) -> const Side* {
    for (const Side& side : sides)
      if (side.loudspeaker == wanted.loudspeaker && side.feed == wanted.feed) return &side;
    return nullptr;
  };
  std::vector<Sum> sums;
  const auto add_sum = [&](const Side& side, const SidePair& pair) {
    Sum& sum = sums.emplace_back();
    sum.loudspeaker = side.loudspeaker;
    sum.feed = side.feed;
    fill(sum, pair, answers, {&ears_a, &ears_b}, hz);
  };
  for (const Side& side : sides_a) add_sum(side, {&side, find(sides_b, side)});
  for (const Side& side : sides_b)
    if (find(sides_a, side) == nullptr) add_sum(side, {nullptr, &side});
  return sums;
}

Playing playing_of(const proof::Track& track) {
  return {.peak_held = track.peak_held,
          .power_held = track.power_held,
          .rms_volts = track.rms_volts,
          .peak_volts = track.peak_volts};
}
/// Adds a recording of `seconds` to what `before_s` held.
void add(analysis::Held& all, double before_s, const analysis::Held& one, double seconds) {
  const double share = seconds / (before_s + seconds);
  const auto mean = [share](double& x, double y) { x += share * (y - x); };
  mean(all.mean_db, one.mean_db);
  mean(all.over_1_db, one.over_1_db);
  mean(all.over_3_db, one.over_3_db);
  all.p95_db = std::max(all.p95_db, one.p95_db);
  all.greatest_db = std::max(all.greatest_db, one.greatest_db);
}
void add(std::optional<Playing>& all, double before_s, const Playing& one, double seconds) {
  if (!all) {
    all = one;
    return;
  }
  add(all->peak_held, before_s, one.peak_held, seconds);
  add(all->power_held, before_s, one.power_held, seconds);
  const double share = seconds / (before_s + seconds);
  all->rms_volts = std::sqrt((1 - share) * all->rms_volts * all->rms_volts + share * one.rms_volts * one.rms_volts);
  all->peak_volts = std::max(all->peak_volts, one.peak_volts);
}

std::vector<Programme> programmes_of(const Both<const Candidate*>& rigs, std::vector<Output>& outputs,
                                     const Settings& settings) {
  const std::size_t count = settings.programmes.size();
  std::vector<Both<proof::Recording>> recorded(count);
  Both<proof::Subject> subjects{subject_of(*rigs.a), subject_of(*rigs.b)};
  subjects.a.resample = settings.resample;
  subjects.b.resample = settings.resample;
  std::vector<std::function<void()>> tasks;
  for (std::size_t p = 0; p < count; ++p) {
    tasks.emplace_back([&, p] { recorded[p].a = proof::record(subjects.a, settings.programmes[p]); });
    tasks.emplace_back([&, p] { recorded[p].b = proof::record(subjects.b, settings.programmes[p]); });
  }
  run_all(tasks, settings.progress);
  std::vector<Programme> programmes;
  double before_s = 0;
  for (std::size_t p = 0; p < count; ++p) {
    const double seconds = recorded[p].a.seconds;
    Programme& programme = programmes.emplace_back(
        Programme{.file = settings.programmes[p], .seconds = seconds, .outputs = {}, .playing = {}});
    for (Output& output : outputs) {
      programme.outputs.push_back(output.name);
      Both<std::optional<Playing>>& playing = programme.playing.emplace_back();
      if (output.a) playing.a = playing_of(recorded[p].a.tracks[output.a->index]);
      if (output.b) playing.b = playing_of(recorded[p].b.tracks[output.b->index]);
      if (output.a) add(output.a->playing, before_s, *playing.a, seconds);
      if (output.b) add(output.b->playing, before_s, *playing.b, seconds);
    }
    before_s += seconds;
  }
  return programmes;
}

std::vector<Warning> of_one_alone(const std::vector<Warning>& one, const std::vector<Warning>& other) {
  std::vector<Warning> alone;
  for (const Warning& warning : one)
    if (std::ranges::none_of(other, [&](const Warning& w) { return w.code == warning.code && w.text == warning.text; }))
      alone.push_back(warning);
  return alone;
}

Cost cost_of(const Candidate& candidate, const firmware::Part* part) {
  firmware::InstructionCounter counter;
  const double rate_hz = candidate.rig.controller.sample_rate_hz;
  Cost cost{.here = firmware::cost_here(candidate.rig, candidate.compiled, counter), .on_part = {}};
  cost.realtime_share = cost.here.ns.whole.mean * 1e-9 * rate_hz;
  if (part == nullptr) return cost;
  cost.on_part =
      firmware::cost_on(*part, candidate.rig, candidate.venue ? &*candidate.venue : nullptr, candidate.compiled);
  if (cost.on_part->ram_bytes > part->ram_bytes || cost.on_part->flash_bytes > part->flash_bytes)
    throw InputError(
        fmt::format("{}: {} does not hold this chain: {} bytes of {} RAM, {} of {} flash; `budget --target "
                    "{}` says what would help",
                    candidate.rig.file.string(), part->name, cost.on_part->ram_bytes, part->ram_bytes,
                    cost.on_part->flash_bytes, part->flash_bytes, part->name));
  cost.share_of_clock = cost.on_part->instructions.whole.worst_block * rate_hz / part->clock_hz;
  return cost;
}

/// What responses are of: an output that is muted answers as it will when it is heard again.
CompiledRig linear_path_of(const rig::Rig& rig, const std::optional<rig::Venue>& venue) {
  std::optional<rig::Venue> heard_venue;
  if (venue) heard_venue = proof::heard(*venue);
  return compile(proof::heard(rig), heard_venue ? &*heard_venue : nullptr, Bypass::limits);
}

}  // namespace

std::string Comparison::not_heard() const {
  std::vector<std::string> reasons;
  for (const Sum& sum : sums)
    if (!sum.not_heard.empty() && std::ranges::find(reasons, sum.not_heard) == reasons.end())
      reasons.push_back(sum.not_heard);
  return fmt::format("{}", fmt::join(reasons, ". "));
}

Candidate::Candidate(rig::Rig of, std::optional<rig::Venue> tonight)
    : rig(std::move(of)),
      venue(std::move(tonight)),
      compiled(compile(rig, venue ? &*venue : nullptr)),
      unlimited(linear_path_of(rig, venue)) {}

Comparison comparison_of(const Candidate& a, const Candidate& b, const Settings& settings) {
  for (const std::filesystem::path& file : settings.programmes)
    for (const Candidate* one : {&a, &b}) must_open(*one, file, settings.resample);
  Comparison comparison;
  comparison.moved = seal::moves_between(seal::facts_of(a.rig), seal::facts_of(b.rig));
  comparison.frequency_hz = frequencies_for(a, b);
  const std::span<const double> hz = comparison.frequency_hz;
  const Answers answers_a(a), answers_b(b);
  const Both<const Candidate*> rigs{&a, &b};
  const Both<const Answers*> answers{&answers_a, &answers_b};
  for (const std::string& name : names_of(a, b)) comparison.outputs.push_back(output_of(name, rigs, answers, hz));
  comparison.sums = sums_of(rigs, answers, hz);
  comparison.programmes = programmes_of(rigs, comparison.outputs, settings);
  if (settings.with_cost) comparison.cost = {cost_of(a, settings.part), cost_of(b, settings.part)};
  comparison.warnings = {of_one_alone(a.compiled.warnings, b.compiled.warnings),
                         of_one_alone(b.compiled.warnings, a.compiled.warnings)};
  return comparison;
}

}  // namespace rackproof::compare
