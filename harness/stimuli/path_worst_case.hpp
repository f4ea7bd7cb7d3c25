#pragma once
/// The input within full scale that drives one output the furthest, ahead of its limiters.
/// Theorem  for a linear path from channels c to an output, |y| <= sum_c sum_n |h_c[n]| for every input within +-1, and
///          the signs of h_c backwards reach it. h_c is not computed: it is what the core itself answers to one sample.
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/chain/chain_settings.hpp"
namespace rackproof::stimuli {

/// What output `output` answers, its limiters taken out, to a single sample of 1.0 at frame 0 on all of `feeds` at
/// once. Throws std::invalid_argument where the core refuses the settings or an index is out of range.
std::vector<double> impulse_response(const dsp::ChainSettings& settings, std::size_t output,
                                     std::span<const std::size_t> feeds, std::size_t frames);

struct PathWorstCase {
  std::vector<std::vector<double>> channels;  ///< +-1 each, all of one length; all 0 where a channel does not count
  double peak = 0;                            ///< what they reach ahead of the limiters; 1.0 is full scale
  std::uint64_t peak_frame = 0;               ///< when, at the output, counted as the input's frames are
};
/// `channels[c]` lists the feeds that channel c drives. At most `most_frames` of the responses count; what is left of
/// their end once it no longer adds a part in a million is not waited for.
PathWorstCase path_worst_case(const dsp::ChainSettings& settings, std::size_t output,
                              std::span<const std::vector<std::size_t>> channels, std::size_t most_frames);

}  // namespace rackproof::stimuli
