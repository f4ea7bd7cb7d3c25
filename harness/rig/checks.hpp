#pragma once
/// The checks of a proof by their ids, as `[accept]` names them.
#include <algorithm>
#include <array>
#include <string_view>

namespace rackproof::rig {

struct Check {
  std::string_view id;
  bool may_be_accepted;  ///< false: what it guards is hearing, a driver or an amplifier
};
inline constexpr std::array kChecks = {
    Check{"converter-clip", false}, Check{"amplifier-clip", false},  Check{"peak-limit", false},
    Check{"true-peak", false},      Check{"limit-onset", true},      Check{"transparent-below", true},
    Check{"release", true},         Check{"thermal-limit", false},   Check{"latency", true},
    Check{"delay", true},           Check{"polarity", true},         Check{"crossover-sum", true},
    Check{"crossover-level", true}, Check{"driver-highpass", false}, Check{"load", false},
    Check{"bypass", true},          Check{"stability", false},       Check{"noise-floor", true},
    Check{"bad-samples", false},    Check{"block-size", true},       Check{"worst-case", true},
    Check{"driver-band", false},    Check{"sum-as-played", true},    Check{"limiter-tone", true},
};

}  // namespace rackproof::rig
