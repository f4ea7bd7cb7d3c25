// What a converter gets is metered beside the chain: peak, level, and samples that are no numbers.
#include <array>
#include <cmath>
#include <cstdio>
#include <limits>

#include "dsp/blocks/row_meter.hpp"

using rackproof::dsp::RowMeter;

int main() {
  constexpr float kAmplitude = 0.5f;  // -6 dBFS
  RowMeter meter;
  std::array<float, 480> row{};  // ten whole periods of 1 kHz at 48 kHz
  for (std::size_t n = 0; n < row.size(); ++n)
    row[n] = kAmplitude * std::sin(6.2831853f / 48.0f * static_cast<float>(n));
  row[100] = std::numeric_limits<float>::infinity();
  meter.process(row);

  const RowMeter::Reading reading = meter.take();
  const float level_rms = std::sqrt(reading.mean_square);
  std::printf("row_meter: peak %.3f, level %.3f RMS, %d bad sample\n", static_cast<double>(reading.peak),
              static_cast<double>(level_rms), static_cast<int>(reading.bad_samples));
  // A sine's level is its peak less 3 dB; the sample that counts as silence takes 0.03 dB at most.
  const bool right = std::fabs(reading.peak - kAmplitude) < 1e-6f && std::fabs(level_rms - 0.3536f) < 0.002f &&
                     reading.bad_samples == 1 && reading.frames == row.size();
  return right ? 0 : 1;
}
