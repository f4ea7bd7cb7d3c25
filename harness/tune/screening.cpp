#include "harness/tune/screening.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "harness/analysis/levels.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::tune {
namespace {
constexpr double kShortestSeconds = 0.5, kQuietestDbfs = -75, kFaintDbfs = -60;
constexpr double kSameShare = 1e-6, kStepShare = 3e-4;  // of the extreme

[[noreturn]] void refuse(const Recording& of, const std::string& read, const std::string& right) {
  throw InputError(fmt::format("{}: read {}; {}", of.name, read, right));
}
double peak_of(std::span<const double> samples) {
  double peak = 0;
  for (const double x : samples) peak = std::max(peak, std::abs(x));
  return peak;
}
void must_be_usable(const Recording& r) {
  const auto bad = std::find_if_not(r.samples.begin(), r.samples.end(), [](double x) { return std::isfinite(x); });
  if (bad != r.samples.end())
    refuse(r,
           fmt::format("a sample that is no number, at {:.3f} s",
                       static_cast<double>(bad - r.samples.begin()) / r.sample_rate_hz),
           "record it again: the file is damaged");
  const double seconds = static_cast<double>(r.samples.size()) / r.sample_rate_hz;
  if (seconds < kShortestSeconds)
    refuse(r, fmt::format("{:.2f} s of sound", seconds),
           "too short: half a second is the least; ten seconds and more make a good measurement");
}
}  // namespace

Stretch active_stretch(std::span<const double> samples) {
  const double floor = 1e-3 * peak_of(samples);
  const auto loud = [&](double x) { return std::abs(x) > floor; };
  const auto first = std::find_if(samples.begin(), samples.end(), loud);
  const auto last = std::find_if(samples.rbegin(), samples.rend(), loud);
  if (first == samples.end()) return {};
  return {static_cast<std::size_t>(first - samples.begin()), static_cast<std::size_t>(samples.rend() - last)};
}

std::size_t flat_tops(std::span<const double> samples) {
  std::size_t runs = 0;
  const auto [least, most] = std::minmax_element(samples.begin(), samples.end());
  if (least == samples.end()) return 0;
  for (const double extreme : {*least, *most}) {
    const double size = std::abs(extreme);
    const auto there = [&](std::size_t n) { return std::abs(samples[n] - extreme) <= kSameShare * size; };
    const auto steps = [&](std::size_t n) { return std::abs(samples[n] - extreme) > kStepShare * size; };
    for (std::size_t n = 0; n < samples.size(); ++n) {
      if (size == 0 || !there(n)) continue;
      const std::size_t begin = n;
      while (n < samples.size() && there(n)) ++n;
      if (n - begin >= 3 && ((begin > 0 && steps(begin - 1)) || (n < samples.size() && steps(n)))) ++runs;
    }
  }
  return runs;
}

void screen_sent(const Recording& sent) {
  must_be_usable(sent);
  const Stretch active = active_stretch(sent.samples);
  if (active.size() == 0) refuse(sent, "silence", "this is to be what was sent to the loudspeakers: noise or a sweep");
  if (static_cast<double>(active.size()) < kShortestSeconds * sent.sample_rate_hz)
    refuse(sent, fmt::format("{:.2f} s of signal", static_cast<double>(active.size()) / sent.sample_rate_hz),
           "too short: half a second is the least; ten seconds and more make a good measurement");
}

std::string screen_captured(const Recording& captured, const Recording& sent) {
  if (captured.sample_rate_hz != sent.sample_rate_hz)
    refuse(captured, fmt::format("{:g} Hz", captured.sample_rate_hz),
           fmt::format("{:g} Hz is right, the sample rate of {}: record at the rate that is sent", sent.sample_rate_hz,
                       sent.name));
  must_be_usable(captured);
  const analysis::Levels levels = analysis::levels_of(captured.samples);
  if (!(levels.peak() > 0)) refuse(captured, "silence", "is it the right channel, and was the microphone open?");
  if (levels.rms_dbfs() < kQuietestDbfs)
    refuse(
        captured, fmt::format("{:.0f} dBFS RMS", levels.rms_dbfs()),
        fmt::format("too quiet: at least {:g} dBFS, -30 to -20 is good: turn the microphone's gain up", kQuietestDbfs));
  // Noise that is sent with its crests cut has flat tops of its own, and a wire hands them on.
  const std::size_t tops = flat_tops(captured.samples), own = flat_tops(sent.samples);
  if (tops > 2 + 2 * own)
    refuse(captured, fmt::format("{} flat tops at {:.1f} dBFS", tops, levels.peak_dbfs()),
           "clipped: turn the microphone's gain down (and see that nothing ahead of it clips), then record again");
  if (levels.peak() >= 0.9995)
    return fmt::format("{}: its peaks reach full scale ({:+.2f} dBFS): a little less gain is safer", captured.name,
                       levels.peak_dbfs());
  if (levels.rms_dbfs() < kFaintDbfs)
    return fmt::format("{}: faint, {:.0f} dBFS RMS: more microphone gain is better", captured.name, levels.rms_dbfs());
  return {};
}

}  // namespace rackproof::tune
