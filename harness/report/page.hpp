#pragma once
/// A proof as one page of HTML that needs nothing else: no network, no other file.
/// Theorem  what a rig file or a file's name says appears as text and nothing else: it opens no element, no attribute
///          and no script. The same proof and facts give the same bytes. Recordings of any length cost the page about
///          30 kB an output each.
#include <string>

#include "harness/proof/proof.hpp"

namespace rackproof::report {

/// What stands in the page's head beside the title.
struct PageFacts {
  std::string rig_file, venue_file;    ///< as a person names them; no venue: empty
  std::string seal;                    ///< a sentence on the rig's seal; may be empty
  std::string made;                    ///< when, in words; may be empty
  std::string program;                 ///< name and version
  std::vector<Warning> warnings = {};  ///< of the files, as `plan` tells them, of the seal and of what is accepted
};

std::string page(const proof::Proof& proof, const PageFacts& facts);

/// What became of a finding: an accepted one does not count.
enum class Outcome { holds, falls, accepted };
inline Outcome outcome_of(const proof::Finding& finding) {
  if (finding.holds) return Outcome::holds;
  return finding.accepted ? Outcome::accepted : Outcome::falls;
}
/// How many of them are what.
struct Tally {
  std::size_t hold = 0, fall = 0, accepted = 0, not_judged = 0;
};
Tally tally_of(const std::vector<proof::Finding>& findings);
inline const char* name_of(Outcome outcome) {
  constexpr const char* kNames[] = {"holds", "falls", "accepted"};
  return kNames[static_cast<std::size_t>(outcome)];
}

}  // namespace rackproof::report
