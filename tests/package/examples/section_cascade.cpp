// Shows second-order sections in a row: a high-pass of 24 dB an octave at 80 Hz does what its two biquads do in double
// precision.
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdio>

#include "dsp/blocks/section_cascade.hpp"
#include "dsp/design/alignment.hpp"

using namespace rackproof;
using Cascade = dsp::SectionCascade<1>;

int main() {
  dsp::SectionList sections;
  if (!dsp::design({dsp::Alignment::butterworth, dsp::Pass::high, 4, 80.0}, 48000.0, sections)) return 1;
  std::array<Cascade::Stage, 2> memory;  // a stage for each section; yours
  Cascade cascade;
  if (cascade.configure(sections.view(), memory) != dsp::Setup::ok) return 1;

  std::array<float, 4800> sound{};
  std::array<double, 4800> expected{};
  for (std::size_t n = 0; n < sound.size(); ++n) {
    sound[n] = n % 600 < 300 ? 0.5f : -0.5f;  // a square wave of 80 Hz
    expected[n] = static_cast<double>(sound[n]);
  }
  cascade.process(sound);  // in place
  for (const dsp::Section& section : sections.view()) {
    const dsp::Biquad b = dsp::biquad_of(section);
    double x1 = 0.0, x2 = 0.0, y1 = 0.0, y2 = 0.0;
    for (double& sample : expected) {
      const double x = sample;
      sample = b.b0 * x + b.b1 * x1 + b.b2 * x2 - b.a1 * y1 - b.a2 * y2;
      x2 = x1;
      x1 = x;
      y2 = y1;
      y1 = sample;
    }
  }
  double error = 1e-12;
  for (std::size_t n = 0; n < sound.size(); ++n)
    error = std::fmax(error, std::fabs(static_cast<double>(sound[n]) - expected[n]));
  std::printf("section_cascade: at most %.1f dBFS from double precision\n", 20.0 * std::log10(error));
  return 20.0 * std::log10(error) <= -125.0 ? 0 : 1;  // what the block promises
}
