#include <algorithm>
#include <array>
#include <cstdlib>
#include <string_view>

#include "harness/proof/checks/checks.hpp"
#include "harness/proof/several.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/way_response.hpp"
#include "harness/rig/checks.hpp"
#include "harness/tasks.hpp"

namespace rackproof::proof {
namespace {

constexpr auto kIds = [] {
  std::array<CheckId, rig::kChecks.size()> ids{};
  for (std::size_t k = 0; k < ids.size(); ++k) ids[k] = {rig::kChecks[k].id.data(), !rig::kChecks[k].may_be_accepted};
  return ids;
}();
std::size_t place_of(const std::string& id) {
  return static_cast<std::size_t>(std::ranges::find_if(kIds, [&](const CheckId& c) { return id == c.id; }) -
                                  kIds.begin());
}

/// Why the rig takes a fall of this check: the loudspeaker's own reason, else that of the whole rig.
std::optional<std::string> accepted_by(const rig::Rig& rig, const Finding& finding) {
  const auto reason = [&](const rig::Rig& of) -> std::optional<std::string> {
    const auto found = std::ranges::find(of.accept, finding.id, &rig::Accepted::check);
    if (found == of.accept.end()) return std::nullopt;
    return found->reason;
  };
  const auto own = std::ranges::find(rig.loudspeakers, finding.loudspeaker, &rig::Rig::loudspeaker);
  const std::optional<std::string> by_its_own = own == rig.loudspeakers.end() ? std::nullopt : reason(*own);
  return by_its_own ? by_its_own : reason(rig);
}

void apply_accept(const rig::Rig& rig, std::vector<Finding>& findings) {
  for (Finding& finding : findings)
    if (!finding.holds && !kIds[place_of(finding.id)].protects) finding.accepted = accepted_by(rig, finding);
}

void finish(const rig::Rig& rig, Proof& proof) {
  proof.title = rig.title.empty() ? rig.file.filename().string() : rig.title;
  std::ranges::stable_sort(proof.findings, {}, [](const Finding& f) { return place_of(f.id); });
  apply_accept(rig, proof.findings);
  proof.holds = std::ranges::all_of(proof.findings, [](const Finding& f) { return f.holds || f.accepted.has_value(); });
}

}  // namespace

std::span<const CheckId> check_ids() { return kIds; }

std::vector<Cure> cures_of(const std::vector<Finding>& findings) {
  // `"2.5 dB"` asks more than `"2 dB"`; values of unlike units, or of none, are not compared.
  const auto asks_more = [](const std::string& a, const std::string& b) {
    char *unit_a = nullptr, *unit_b = nullptr;
    const double number_a = std::strtod(a.c_str() + 1, &unit_a), number_b = std::strtod(b.c_str() + 1, &unit_b);
    return number_a > number_b && std::string_view(unit_a) == std::string_view(unit_b);
  };
  std::vector<Cure> cures;
  for (const Finding& finding : findings) {
    if (finding.holds || finding.accepted || !finding.change) continue;
    const auto same = std::ranges::find_if(cures, [&](const Cure& c) { return c.change.key == finding.change->key; });
    Cure& cure = same != cures.end() ? *same : cures.emplace_back(Cure{*finding.change, {}});
    if (asks_more(finding.change->value, cure.change.value)) cure.change = *finding.change;
    cure.mends.push_back(&finding);
  }
  return cures;
}

namespace {

/// Of a rig of the plain form, or of one loudspeaker of several; nothing of it is muted.
Proof prove_one(const rig::Rig& rig, const rig::Venue* venue, const ProveOptions& options,
                std::uint32_t least_latency_samples) {
  const CompiledRig compiled = compile(rig, venue, Bypass::none, least_latency_samples);
  const CompiledRig unlimited = compile(rig, venue, Bypass::limits, least_latency_samples);
  const Subject subject{.rig = rig,
                        .venue = venue,
                        .compiled = compiled,
                        .unlimited = unlimited,
                        .make = options.make,
                        .programmes = options.programmes,
                        .resample = options.resample,
                        .brief = options.brief};
  // What cannot be used is known before the checks begin, which cannot be interrupted.
  static_cast<void>(way_responses(rig));
  for (const std::filesystem::path& file : options.programmes) static_cast<void>(open_programme(subject, file));
  using Check = std::vector<Finding> (*)(const Subject&);
  constexpr Check kChecks[] = {check_ceilings,          check_thermal_limit,   check_limit_onset,
                               check_transparent_below, check_release,         check_limiter_tone,
                               check_worst_case,        check_stability,       check_noise_floor,
                               check_bad_samples,       check_block_size,      check_bypass,
                               check_latency,           check_delay,           check_polarity,
                               check_crossover_sum,     check_crossover_level, check_sum_as_played,
                               check_driver_highpass,   check_driver_band,     check_load};

  Proof proof;
  std::vector<std::vector<Finding>> found(std::size(kChecks));
  proof.recordings.resize(options.programmes.size());
  std::vector<std::function<void()>> tasks;
  for (std::size_t p = 0; p < options.programmes.size(); ++p)
    tasks.emplace_back([&, p] { proof.recordings[p] = record(subject, options.programmes[p]); });
  for (std::size_t k = 0; k < std::size(kChecks); ++k)
    tasks.emplace_back([&, k, check = kChecks[k]] { found[k] = check(subject); });
  tasks.emplace_back([&] { proof.responses = {responses_of(subject)}; });
  tasks.emplace_back([&] { proof.timings = timings_of(subject); });
  tasks.emplace_back([&] { proof.ladders = ladders_of(subject); });
  tasks.emplace_back([&] { proof.basis = basis_of(subject); });
  run_all(tasks, options.progress);

  for (std::vector<Finding>& part : found) std::ranges::move(part, std::back_inserter(proof.findings));
  return proof;
}

}  // namespace

Proof prove(const rig::Rig& rig, const rig::Venue* venue, const ProveOptions& options) {
  Proof proof;
  const CompiledRig compiled = compile(rig, venue);
  if (rig.loudspeakers.empty() && !has_mutes(compiled)) {
    proof = prove_one(rig, venue, options, 0);
    finish(rig, proof);
    return proof;
  }
  std::optional<rig::Venue> heard_venue;
  if (venue != nullptr) heard_venue = heard(*venue);
  const auto parts = static_cast<double>(rig.parts().size());
  double done = 0;
  for (const rig::Rig& part : rig.parts()) {
    ProveOptions of_part = options;
    if (options.progress) of_part.progress = [&](double share) { options.progress((done + share) / parts); };
    Proof one = prove_one(heard(part), heard_venue ? &*heard_venue : nullptr, of_part, compiled.latency_samples);
    if (part.loudspeaker.empty())
      proof = std::move(one);
    else
      add_part(proof, std::move(one), part.loudspeaker);
    ++done;
  }
  proof.findings.push_back(check_whole(rig, venue, compiled, options.make, options.brief));
  finish(rig, proof);
  return proof;
}

}  // namespace rackproof::proof
