// Shows filters designed from what a person says (a crossover and an eq band), and their numbers as biquads:
// y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2].
#include <cmath>
#include <complex>
#include <cstdio>

#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/response.hpp"

using namespace rackproof;

namespace {
void print(const char* name, const dsp::SectionList& sections) {
  for (const dsp::Section& section : sections.view()) {
    const dsp::Biquad b = dsp::biquad_of(section);
    std::printf("%-9s b0 %+.9f  b1 %+.9f  b2 %+.9f  a1 %+.9f  a2 %+.9f\n", name, b.b0, b.b1, b.b2, b.a1, b.a2);
  }
}
double level_db(const dsp::SectionList& sections, double frequency_hz) {
  return 20.0 * std::log10(std::abs(dsp::response(sections, frequency_hz, 48000.0)));
}
}  // namespace

int main() {
  dsp::SectionList low, high, band;
  dsp::Section section;
  if (!dsp::design({dsp::Alignment::linkwitz_riley, dsp::Pass::low, 4, 1200.0}, 48000.0, low)) return 1;
  if (!dsp::design({dsp::Alignment::linkwitz_riley, dsp::Pass::high, 4, 1200.0}, 48000.0, high)) return 1;
  if (!dsp::design({dsp::EqType::peaking, 315.0, -4.5, dsp::EqWidth::q, 2.0}, 48000.0, section)) return 1;
  if (!band.push(section)) return 1;
  print("low-pass", low);
  print("high-pass", high);
  print("eq band", band);

  const double low_db = level_db(low, 1200.0), high_db = level_db(high, 1200.0), band_db = level_db(band, 315.0);
  std::printf("filter_design: both ways at 1200 Hz %.4f and %.4f dB, the eq band at 315 Hz %.4f dB\n", low_db, high_db,
              band_db);
  constexpr double kHalf_db = -6.0206, kTolerance_db = 1e-3;  // coefficients are of single precision
  return std::fabs(low_db - kHalf_db) < kTolerance_db && std::fabs(high_db - kHalf_db) < kTolerance_db &&
                 std::fabs(band_db + 4.5) < kTolerance_db
             ? 0
             : 1;
}
