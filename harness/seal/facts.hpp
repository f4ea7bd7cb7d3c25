#pragma once
/// The numbers of a rig without any venue, each under a name: what a person wrote, and what the calibration makes of
/// it.
/// Claim    facts are what the file means, not how it is written: comments, order of tables and of equaliser bands,
///          spelling of units and defaults written out or left out make no difference.
#include <string>
#include <string_view>
#include <vector>

#include "harness/calibration/compile.hpp"

namespace rackproof::seal {

struct Fact {
  std::string key;    ///< dotted, as in the rig file; `computed.` for what the calibration makes
  std::string value;  ///< a quantity with its unit, a plain number, or a word; the shortest that reads back
  friend bool operator==(const Fact&, const Fact&) = default;
};
using Facts = std::vector<Fact>;

/// Compiles the rig without a venue. Throws what `compile` throws.
Facts facts_of(const rig::Rig& rig);

/// Whether two values say the same: to a millionth where the calibration computed them (another machine's logarithm may
/// differ in its last digit), to a part in 10^9 where a person wrote them (the same length in other units).
bool same_value(std::string_view key, const std::string& was, const std::string& now);

}  // namespace rackproof::seal
