#pragma once
/// A rig of three ways, and faults behind single outputs of a device.
#include <deque>
#include <string>
#include <vector>

#include "harness/proof/stimulation.hpp"
#include "tests/harness/calibration/a_rig.hpp"
#include "tests/harness/proof/proof_rig.hpp"

namespace rackproof::proof::test {

/// Sub in mono below lows and highs, left and right: points at 100 Hz and 1.6 kHz. Outputs: sub, low.left, low.right,
/// high.left, high.right.
inline rig::Rig three_ways() {
  rig::Rig rig = a_rig();
  rig.points.insert(rig.points.begin(), a_point(100));
  rig.ways.insert(rig.ways.begin(), a_way("sub", "lows", "cone"));
  rig.ways[0].sum_of_feeds = true;
  rig.ways[0].highpass = a_filter(30, rig::Alignment::butterworth);
  rig.ways[1].highpass.reset();
  return rig;
}

/// What goes wrong behind a limiter.
struct Fault {
  std::size_t late_frames = 0;
  float gain = 1.0f;
};
inline constexpr std::size_t kEveryOutput = ~std::size_t{0};
inline DeviceMaker with_fault(std::size_t output, Fault fault) {
  return spoiling([=]() -> Spoil {
    return [=, lines = std::vector<std::deque<float>>()](std::span<float* const> outputs, std::size_t frames) mutable {
      if (lines.empty()) lines.assign(outputs.size(), std::deque<float>(fault.late_frames, 0.0f));
      for (std::size_t o = 0; o < outputs.size(); ++o)
        for (std::size_t n = 0; n < frames && (o == output || output == kEveryOutput); ++n) {
          lines[o].push_back(outputs[o][n] * fault.gain);
          outputs[o][n] = lines[o].front();
          lines[o].pop_front();
        }
    };
  });
}

/// Which outputs a check fell on; the whole rig counts as "rig".
inline std::vector<std::string> fallen(const std::vector<Finding>& findings) {
  std::vector<std::string> names;
  for (const Finding& finding : findings)
    if (!finding.holds) names.push_back(finding.output.value_or("rig"));
  return names;
}

}  // namespace rackproof::proof::test
