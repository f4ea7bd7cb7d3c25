#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <map>
#include <set>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

std::vector<Warning> acceptance_warnings(const rig::Rig& rig, const Proof& proof) {
  std::vector<Warning> warnings;
  // The loudspeakers of which it takes a fall, of `of` alone or of all; a rig of the plain form is one without a name.
  const auto takes = [&](const rig::Accepted& accepted, const std::string* of) {
    std::set<std::string> names;
    for (const Finding& finding : proof.findings)
      if (!finding.holds && finding.id == accepted.check && finding.accepted == accepted.reason &&
          (of == nullptr || finding.loudspeaker == *of))
        names.insert(finding.loudspeaker);
    return names;
  };
  const auto unused = [&](const std::string& key) {
    warnings.push_back(
        {"accept-unused",
         fmt::format("{}: it takes no fall here. Delete the line, unless another venue needs it: it would take a fall "
                     "that nobody has looked at",
                     key)});
  };
  for (const rig::Accepted& accepted : rig.accept) {
    std::set<std::string> names = takes(accepted, nullptr);
    if (names.empty()) unused("accept." + accepted.check);
    names.erase("");  // of the whole rig
    if (!names.empty() && names.size() < rig.loudspeakers.size())
      warnings.push_back(
          {"accept-for-all",
           fmt::format("accept.{0} takes a fall of every loudspeaker, also one that comes later. It takes one of {1} "
                       "today: write accept = {{ {0} = \"why\" }} in {2}, and delete it here",
                       accepted.check, fmt::join(names, ", "),
                       names.size() == 1 ? "that [[loudspeaker]]" : "each of these")});
  }
  for (const rig::Rig& part : rig.loudspeakers)
    for (const rig::Accepted& accepted : part.accept)
      if (takes(accepted, &part.loudspeaker).empty())
        unused(fmt::format("loudspeaker.{}.accept.{}", part.loudspeaker, accepted.check));
  return warnings;
}

std::vector<Warning> recording_warnings(const Proof& proof) {
  constexpr double kQuiet = 0.01, kShort_s = 1;
  std::map<std::string, double> limit_volts;
  for (const Ladder& ladder : proof.ladders)
    for (const Rung& rung : ladder.rungs)
      if (rung.kind == RungKind::limit) limit_volts[ladder.output] = rung.volts;
  std::vector<Warning> warnings;
  for (const Recording& recording : proof.recordings) {
    const bool quiet = std::ranges::all_of(recording.tracks, [&](const Track& track) {
      const auto limit = limit_volts.find(track.output);
      return limit == limit_volts.end() || track.peak_volts < kQuiet * limit->second;
    });
    if (quiet || recording.seconds < kShort_s)
      warnings.push_back(
          {"recording-idle",
           fmt::format("{}: {}: it says nothing of how the limiters work with music. Take a loud part of a show",
                       recording.file.string(),
                       recording.seconds < kShort_s ? "shorter than a second"
                                                    : "no output comes within 40 dB of its threshold")});
  }
  return warnings;
}

}  // namespace rackproof::proof
