// The chain in 8 lanes, built with -march=x86-64-v3 and called only where the machine has that.
#include "dsp/chain/engine_level.hpp"
namespace rackproof::dsp {
const EngineTable& engine_of_8_lanes() noexcept;
const EngineTable& engine_of_8_lanes() noexcept { return kEngineTable<8>; }
}  // namespace rackproof::dsp
