// The blocks in 8 lanes, built for x86-64-v3 and called only where the machine has that.
#include "bench/block_tables.hpp"
namespace rackproof::bench {
const LevelTables& tables_of_8_lanes() noexcept { return dsp::bench_tables::kTables<8>; }
}  // namespace rackproof::bench
