#pragma once
/// What moved between two states of a rig, in the words of those who work with it.
/// Claim    every difference between the facts is told, or is what another one told makes (`computed.` numbers whose
///          causes stand in the list); no difference, no words.
#include <optional>
#include <string>
#include <vector>

#include "harness/seal/facts.hpp"

namespace rackproof::seal {

struct Move {
  std::string key;                      ///< as in the rig file, without a number of a list
  std::optional<std::string> was, now;  ///< nothing: it was not there, it is gone
  std::string text;                     ///< "the low to mid point rose from 1.6 to 1.9 kHz"
};
std::vector<Move> moves_between(const Facts& was, const Facts& now);

}  // namespace rackproof::seal
