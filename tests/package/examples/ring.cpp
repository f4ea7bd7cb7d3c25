// Shows the ring: a track is read 3 and 5 values late from one memory.
#include <array>
#include <cstdio>
#include <span>

#include "dsp/blocks/ring.hpp"

using namespace rackproof;

int main() {
  std::array<int, 5> memory{};
  dsp::Ring<int> ring{std::span<int>(memory)};
  int wrong = 0, late_3 = 0, late_5 = 0;
  for (int n = 1; n <= 1000; ++n) {
    late_3 = *ring.before(3);
    late_5 = *ring.before(5);
    if (late_3 != (n > 3 ? n - 3 : 0) || late_5 != (n > 5 ? n - 5 : 0)) ++wrong;
    ring.put(n);
  }
  std::printf("ring: at 1000 the values of 3 and 5 ago are %d and %d; %d were wrong\n", late_3, late_5, wrong);
  return wrong == 0 && late_3 == 997 && late_5 == 995 ? 0 : 1;
}
