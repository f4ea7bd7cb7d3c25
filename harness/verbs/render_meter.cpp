#include "harness/verbs/render_meter.hpp"

#include <algorithm>

#include "harness/analysis/wide.hpp"

namespace rackproof {
namespace {

constexpr std::size_t kLanes = 8;
constexpr std::uint32_t kOne = std::bit_cast<std::uint32_t>(1.0f);

struct Run {
  double squares = 0;  ///< their sum
  std::uint32_t peak_bits = 0, beyond = 0;
};

RACKPROOF_WIDE Run of_run(std::span<const float> run) {
  std::array<double, kLanes> squares{};
  Run all;
  const std::size_t in_lanes = run.size() / kLanes * kLanes;
  const auto square = [](float x) { return static_cast<double>(x) * static_cast<double>(x); };
  for (std::size_t n = 0; n < in_lanes; n += kLanes)
    for (std::size_t l = 0; l < kLanes; ++l) squares[l] += square(run[n + l]);
  for (const float x : run.subspan(in_lanes)) squares[0] += square(x);
  for (const float x : run) {
    const std::uint32_t magnitude = std::bit_cast<std::uint32_t>(x) & 0x7fffffffu;
    all.peak_bits = magnitude > all.peak_bits ? magnitude : all.peak_bits;
    all.beyond += magnitude > kOne ? 1u : 0u;
  }
  for (const double lane : squares) all.squares += lane;
  return all;
}

}  // namespace

void RenderMeter::add_run(std::span<const float> samples) {
  const Run run = of_run(samples);
  const double addend = run.squares - lost_, sum = sum_ + addend;
  lost_ = (sum - sum_) - addend;
  sum_ = sum;
  peak_bits_ = std::max(peak_bits_, run.peak_bits);
  clipped_ += run.beyond;
}

}  // namespace rackproof
