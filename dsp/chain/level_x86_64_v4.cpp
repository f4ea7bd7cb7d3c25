// The chain in 16 lanes, built with -march=x86-64-v4 and called only where the machine has that.
#include "dsp/chain/engine_level.hpp"
namespace rackproof::dsp {
const EngineTable& engine_of_16_lanes() noexcept;
const EngineTable& engine_of_16_lanes() noexcept { return kEngineTable<16>; }
}  // namespace rackproof::dsp
