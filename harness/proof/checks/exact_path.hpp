#pragma once
/// A second way to run the linear path, which shares no code with the core: its sections' equations in long double.
#include <vector>

#include "dsp/chain/chain_settings.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::proof {

/// What the settings' outputs would be without their limiters; a row an output, as long as the feeds.
std::vector<std::vector<long double>> exact_outputs(const dsp::ChainSettings& settings, const Rows& feeds);

/// Of the poles that the section's input moves, the greatest magnitude; 0 where it moves none. Below 1: it dies away.
double pole_radius(const dsp::Section& section);

}  // namespace rackproof::proof
