#pragma once
/// How `render` and `prove` tell what the limiters of each output hold, and what follows from it: in the same words and
/// under the same keys.
#include <span>
#include <string>
#include <vector>

#include "harness/proof/advice.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

/// `peak_held_mean_db`, `peak_held_p95_db`, `peak_held_time_fraction` (over 1 dB), `peak_held_3_db_time_fraction` (over
/// 3 dB), and the same of `power_held_`.
void add_held(Json& output, const analysis::Held& peak, const analysis::Held& power);
Json advice_json(const std::vector<proof::Advice>& advice);

struct NamedHolding {
  std::string output;
  analysis::Held peak, power;
};
/// Empty where nothing is held at all.
std::string held_table(std::span<const NamedHolding> holdings, std::size_t width);
std::string advice_text(const std::vector<proof::Advice>& advice, std::size_t width);

}  // namespace rackproof
