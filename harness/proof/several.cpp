#include "harness/proof/several.hpp"

#include <algorithm>
#include <array>
#include <iterator>
#include <string_view>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/noise.hpp"

namespace rackproof::proof {
namespace {

/// As it stands in the file: `way.low.delay` of a loudspeaker is `loudspeaker.NAME.way.low.delay`.
std::string full_key(const std::string& key, const std::string& loudspeaker) {
  constexpr std::array<std::string_view, 3> kOwn = {"way.", "crossover.", "system."};
  const bool own = std::ranges::any_of(kOwn, [&](std::string_view begin) { return key.starts_with(begin); });
  return own ? fmt::format("loudspeaker.{}.{}", loudspeaker, key) : key;
}

void add_rows(BasisTable& to, const BasisTable& from) {
  for (const std::vector<std::string>& row : from.rows)
    if (std::ranges::find(to.rows, row) == to.rows.end()) to.rows.push_back(row);
}

}  // namespace

rig::Rig heard(rig::Rig rig) {
  rig.muted = false;
  for (rig::Way& way : rig.ways) {
    way.muted = false;
    for (auto& [feed, own] : way.output) own.muted = false;
  }
  for (rig::Rig& part : rig.loudspeakers) part = heard(std::move(part));
  return rig;
}
rig::Venue heard(rig::Venue venue) {
  for (auto& [name, layer] : venue.loudspeaker) layer.muted = false;
  return venue;
}
bool has_mutes(const CompiledRig& compiled) { return std::ranges::any_of(compiled.outputs, &OutputPlan::muted); }

Finding check_whole(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled, const DeviceMaker& make,
                    bool brief) {
  constexpr double kLoud = 4;  // so that every limiter is at work
  const double rate_hz = rig.controller.sample_rate_hz;
  const std::size_t frames = static_cast<std::size_t>((brief ? 0.1 : 1.0) * rate_hz) + latest_samples(compiled);
  Rows in;
  for (std::size_t f = 0; f < rig.feeds.size(); ++f)
    in.push_back(scaled(samples_of(stimuli::uniform_noise(97 + static_cast<std::uint32_t>(f)), frames), kLoud));
  const Rows whole = run(*make(compiled.settings()), in, compiled.outputs.size());

  std::optional<rig::Venue> heard_venue;
  if (venue != nullptr) heard_venue = heard(*venue);
  Rows expected;
  for (const rig::Rig& part : rig.parts()) {
    const CompiledRig alone =
        compile(heard(part), heard_venue ? &*heard_venue : nullptr, Bypass::none, compiled.latency_samples);
    std::ranges::move(run(*make(alone.settings()), in, alone.outputs.size()), std::back_inserter(expected));
  }
  std::vector<std::string> wrong, muted;
  std::size_t differences = 0;
  for (std::size_t o = 0; o < whole.size(); ++o) {
    const OutputPlan& plan = compiled.outputs[o];
    if (plan.muted) {
      muted.push_back(plan.name);
      expected[o].assign(frames, 0.0f);
    }
    const std::size_t differ = differing({whole[o]}, {expected[o]});
    if (differ > 0) wrong.push_back(plan.name);
    differences += differ;
  }
  Finding finding{.id = "block-size",
                  .output = {},
                  .holds = differences == 0,
                  .measured = static_cast<double>(differences),
                  .allowed = 0,
                  .unit = "samples",
                  .accepted = {},
                  .text = {}};
  if (finding.holds) {
    finding.text = "The whole controller gives each output to the bit what its loudspeaker alone gives it";
    finding.text +=
        muted.empty() ? "." : fmt::format(", and exact zeros to what is muted: {}.", fmt::join(muted, ", "));
  } else {
    finding.text = fmt::format(
        "In the whole controller {} samples of {} are not what the loudspeaker alone gives, or not zeros where it is "
        "muted: what was proved of each need not hold at the show. No line of the file mends that: do not drive "
        "loudspeakers with this build.",
        differences, fmt::join(wrong, ", "));
  }
  return finding;
}

void add_part(Proof& whole, Proof part, const std::string& loudspeaker) {
  for (Finding& finding : part.findings) {
    finding.loudspeaker = loudspeaker;
    finding.text = fmt::format("Loudspeaker {}: {}", loudspeaker, finding.text);
    if (finding.change) finding.change->key = full_key(finding.change->key, loudspeaker);
  }
  std::ranges::move(part.findings, std::back_inserter(whole.findings));
  std::ranges::move(part.responses, std::back_inserter(whole.responses));
  std::ranges::move(part.ladders, std::back_inserter(whole.ladders));
  std::ranges::move(part.timings, std::back_inserter(whole.timings));
  whole.recordings.resize(part.recordings.size());
  for (std::size_t r = 0; r < part.recordings.size(); ++r) {
    Recording &to = whole.recordings[r], &from = part.recordings[r];
    to.file = from.file;
    to.seconds = from.seconds;
    to.bucket_seconds = from.bucket_seconds;
    std::ranges::move(from.tracks, std::back_inserter(to.tracks));
    for (Advice& advice : from.advice) advice.text = fmt::format("Loudspeaker {}: {}", loudspeaker, advice.text);
    std::ranges::move(from.advice, std::back_inserter(to.advice));
  }
  constexpr std::size_t kOfTheWholeRig = 3;  // controller, amplifiers, drivers: the same tables for all
  for (std::size_t t = 0; t < part.basis.size(); ++t) {
    if (t >= kOfTheWholeRig) {
      part.basis[t].title = fmt::format("Loudspeaker {}: {}", loudspeaker, part.basis[t].title);
      whole.basis.push_back(std::move(part.basis[t]));
    } else if (t < whole.basis.size()) {
      add_rows(whole.basis[t], part.basis[t]);
    } else {
      whole.basis.push_back(std::move(part.basis[t]));
    }
  }
}

}  // namespace rackproof::proof
