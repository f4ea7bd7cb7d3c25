// Shows a crossover at 1 kHz, Linkwitz-Riley of 24 dB an octave: its two ways add to an all-pass, which keeps all of
// an impulse's energy.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdio>

#include "dsp/blocks/split.hpp"
#include "dsp/design/alignment.hpp"

using namespace rackproof;
using Split = dsp::SplitTree;

int main() {
  dsp::SectionList low, high;
  if (!dsp::design({dsp::Alignment::linkwitz_riley, dsp::Pass::low, 4, 1000.0}, 48000.0, low)) return 1;
  if (!dsp::design({dsp::Alignment::linkwitz_riley, dsp::Pass::high, 4, 1000.0}, 48000.0, high)) return 1;
  const dsp::PointSettings point{.low_pass = low.view(), .high_pass = high.view(), .all_pass = {}};  // no way below it
  const Split::Wanted wanted{true, true};
  std::array<Split::Cascade, Split::required_cascades(1)> cascades;
  std::array<Split::Stage, 4> stages;
  if (Split::required_stages({&point, 1}, wanted) > stages.size()) return 1;
  Split split;
  if (split.configure({&point, 1}, wanted, cascades, stages) != dsp::Setup::ok) return 1;

  std::array<float, 4800> impulse{1.0f}, low_way{}, high_way{};
  const std::array<float*, 2> ways{low_way.data(), high_way.data()};
  split.process(impulse, ways);

  double energy_low = 0.0, energy_sum = 0.0;
  for (std::size_t n = 0; n < impulse.size(); ++n) {
    const double from_low = static_cast<double>(low_way[n]), from_high = static_cast<double>(high_way[n]);
    energy_low += from_low * from_low;
    energy_sum += (from_low + from_high) * (from_low + from_high);
  }
  std::printf("split: energy of the low way %.4f, of both ways' sum %.6f (an all-pass has 1)\n", energy_low,
              energy_sum);
  return std::fabs(energy_sum - 1.0) < 1e-5 ? 0 : 1;
}
