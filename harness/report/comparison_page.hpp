#pragma once
/// Two candidates as one page of HTML that needs nothing else: their curves over one another, and tables.
/// Theorem  what a rig file or a file's name says appears as text and nothing else. The same comparison and facts give
///          the same bytes.
#include <string>

#include "harness/compare/comparison.hpp"

namespace rackproof::report {

/// What stands in the page's head beside the titles.
struct ComparisonFacts {
  std::string a_file, b_file, venue_file;  ///< as a person names them; no venue: empty
  std::string machine;                     ///< on which the cost was measured
  std::string part;                        ///< what the cost was counted on; empty: nothing
  std::string made, program;               ///< when, in words; name and version
};

std::string comparison_page(const compare::Candidate& a, const compare::Candidate& b,
                            const compare::Comparison& comparison, const ComparisonFacts& facts);

}  // namespace rackproof::report
