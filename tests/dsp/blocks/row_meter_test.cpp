// Must hold: the theorem at the top of row_meter.hpp.
#include "dsp/blocks/row_meter.hpp"

#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

namespace rackproof::dsp {
namespace {

std::vector<float> noise_of_rows(std::size_t frames, float level) {
  std::mt19937 rng(20);
  std::vector<float> row(frames);
  for (float& x : row) x = level * static_cast<float>(static_cast<std::int32_t>(rng())) * 0x1p-31f;
  return row;
}
double mean_square_by_definition(const std::vector<float>& row) {
  long double sum = 0;
  for (const float x : row) sum += static_cast<long double>(x) * static_cast<long double>(x);
  return static_cast<double>(sum / static_cast<long double>(row.size()));
}

TEST(RowMeter, IsTheDefinitionHoweverTheRowIsCut) {
  const std::vector<float> row = noise_of_rows(1000, 0.7f);
  float peak = 0;
  for (const float x : row) peak = std::max(peak, std::abs(x));
  RowMeter whole;
  whole.process(row);
  const RowMeter::Reading at_once = whole.take();
  EXPECT_EQ(at_once.peak, peak);
  EXPECT_EQ(at_once.frames, 1000u);
  EXPECT_EQ(at_once.bad_samples, 0u);
  EXPECT_NEAR(at_once.mean_square, mean_square_by_definition(row), 1e-5 * mean_square_by_definition(row));
  for (const std::size_t cut : {1u, 7u, 63u, 64u, 65u}) {
    RowMeter meter;
    for (std::size_t n = 0; n < row.size(); n += cut)
      meter.process(std::span(row).subspan(n, std::min(cut, row.size() - n)));
    const RowMeter::Reading reading = meter.take();
    EXPECT_EQ(std::bit_cast<std::uint32_t>(reading.mean_square), std::bit_cast<std::uint32_t>(at_once.mean_square))
        << "blocks of " << cut;
    EXPECT_EQ(reading.peak, peak);
  }
}
TEST(RowMeter, AReadingBeginsTheNext) {
  RowMeter meter;
  EXPECT_EQ(meter.take().mean_square, 0.0f);
  meter.process(std::vector<float>(100, 0.5f));
  EXPECT_EQ(meter.take().mean_square, 0.25f);
  meter.process(std::vector<float>(64, -0.25f));
  const RowMeter::Reading second = meter.take();
  EXPECT_EQ(second.mean_square, 0.0625f);
  EXPECT_EQ(second.peak, 0.25f);
  EXPECT_EQ(second.frames, 64u);
  EXPECT_EQ(meter.take().frames, 0u);
}
TEST(RowMeter, BadSamplesAreCountedAndHarmNothing) {
  std::vector<float> row(8, 0.5f);
  row[1] = std::numeric_limits<float>::quiet_NaN();
  row[2] = -std::numeric_limits<float>::infinity();
  RowMeter meter;
  meter.process(row);
  RowMeter::Reading reading = meter.take();
  EXPECT_EQ(reading.bad_samples, 2u);
  EXPECT_EQ(reading.peak, 0.5f);
  EXPECT_EQ(reading.mean_square, 0.25f * 6 / 8);
  // The greatest float is finite; its square is not, and would stay.
  meter.process(std::vector<float>{std::numeric_limits<float>::max(), 0.0f});
  reading = meter.take();
  EXPECT_EQ(reading.bad_samples, 0u);
  EXPECT_EQ(reading.peak, std::numeric_limits<float>::max());
  EXPECT_LE(reading.mean_square, kMagnitudeBound * kMagnitudeBound);
}
// After a loud second the quiet hours behind it still count: a plain sum in single precision would stand still.
TEST(RowMeter, ALongReadingIsNoCoarser) {
  RowMeter meter;
  const std::vector<float> loud(48000, 60.0f), quiet(64, 0.01f);
  meter.process(loud);
  float plain = 60.0f * 60.0f * 48000;
  const std::size_t cells = 200000;  // 4.4 minutes
  for (std::size_t c = 0; c < cells; ++c) {
    meter.process(quiet);
    plain += 64 * 0.01f * 0.01f;
  }
  const double frames = 48000.0 + 64.0 * static_cast<double>(cells);
  const double exact = (3600.0 * 48000 + 64.0 * static_cast<double>(cells) * 1e-4) / frames;
  // The quiet part is 1280 of 1.7e8, 7.4e-6. The sum of the loud one is exact; the result has two roundings of 2^-24.
  EXPECT_NEAR(meter.take().mean_square, exact, 1.5e-7 * exact);
  EXPECT_EQ(plain, 60.0f * 60.0f * 48000) << "the control: a plain sum has lost them";
}

}  // namespace
}  // namespace rackproof::dsp
