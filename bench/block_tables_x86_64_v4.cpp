// The blocks in 16 lanes, built for x86-64-v4 and called only where the machine has that.
#include "bench/block_tables.hpp"
namespace rackproof::bench {
const LevelTables& tables_of_16_lanes() noexcept { return dsp::bench_tables::kTables<16>; }
}  // namespace rackproof::bench
