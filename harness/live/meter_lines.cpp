#include "harness/live/meter_lines.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::live {
namespace {

std::string bar(double share, std::size_t cells) {
  const double filled = std::clamp(share, 0.0, 1.0) * static_cast<double>(cells);
  const auto full = static_cast<std::size_t>(std::lround(filled));
  return "|" + std::string(full, '=') + std::string(cells - full, ' ') + "|";
}

/// 48 dB below the limit is the left end.
double on_the_bar(double volts, double limit_volts) {
  constexpr double kRange_db = 48;
  if (!(volts > 0) || !(limit_volts > 0)) return 0;
  return 1 + analysis::db_from_ratio(volts / limit_volts) / kRange_db;
}

std::string cut_to(std::string line, std::size_t width) {
  if (line.size() > width) line.resize(width);
  return line + "\n";
}

}  // namespace

std::string meter_lines(const Reading& reading, const Status& status, std::size_t width) {
  const Signals& now = reading.signals;
  const double seconds = reading.sample_rate_hz > 0 ? static_cast<double>(now.frames) / reading.sample_rate_hz : 0;
  const auto whole = static_cast<std::uint64_t>(seconds);
  std::string text =
      cut_to(fmt::format("{}{}{}: {:g} kHz, {} frames a period, {} samples late, {}:{:02}:{:02}{}{}",
                         files::shown(status.rig), status.venue.empty() ? "" : " with " + files::shown(status.venue),
                         status.bypass.empty() ? "" : ", WITHOUT " + status.bypass, reading.sample_rate_hz / 1e3,
                         status.period_frames, reading.latency_samples, whole / 3600, whole / 60 % 60, whole % 60,
                         now.begins        ? ", begins"
                         : status.changing ? ", changes"
                                           : "",
                         status.records ? ", records" : ""),
             width);
  text += cut_to(fmt::format("load {:.1f} % of a period, worst {:.1f} %; cycles missed {}; bad samples {}; retuned {}",
                             100 * now.load, 100 * now.worst_load, now.missed_cycles, now.bad_samples, status.retunes),
                 width);
  std::size_t name_width = 6;
  for (const OutputReading& output : reading.outputs) name_width = std::max(name_width, output.name.size());
  for (const FeedReading& feed : reading.feeds) name_width = std::max(name_width, feed.name.size());
  constexpr std::size_t kFigures = 52;
  const std::size_t cells =
      width > name_width + kFigures + 14 ? std::min<std::size_t>(width - name_width - kFigures, 60) : 10;
  for (const FeedReading& feed : reading.feeds)
    text += cut_to(
        fmt::format("{:<{}} {} {}", feed.name, name_width, bar(feed.peak_dbfs ? 1 + *feed.peak_dbfs / 48 : 0, cells),
                    feed.peak_dbfs ? fmt::format("{:6.1f} dBFS", *feed.peak_dbfs) : "silent"),
        width);
  for (const OutputReading& output : reading.outputs) {
    const std::string volts = output.limited
                                  ? fmt::format("{:6.1f} of {:.1f} V", output.peak_volts, output.limit_volts_peak)
                                  : fmt::format("{:6.1f} V, NO LIMIT", output.peak_volts);
    std::string held = output.peak_reduction_db > 0.05 ? fmt::format(" peak -{:.1f} dB", output.peak_reduction_db) : "";
    if (output.power_reduction_db > 0.05) held += fmt::format(" power -{:.1f} dB", output.power_reduction_db);
    const std::string heat = output.heat ? fmt::format(" heat {:3.0f} %", 100 * *output.heat) : "";
    text += cut_to(fmt::format("{:<{}} {} {}{}{}{}", output.name, name_width,
                               bar(on_the_bar(output.peak_volts, output.limit_volts_peak), cells), volts, heat, held,
                               output.muted          ? " MUTED"
                               : output.muted_by_rig ? " muted in the rig"
                                                     : ""),
                   width);
  }
  return text;
}

std::string in_place_of(std::size_t height, const std::string& lines) {
  std::string text = height > 0 ? fmt::format("\x1b[{}A", height) : "";
  for (std::size_t at = 0; at < lines.size();) {
    const std::size_t end = std::min(lines.find('\n', at), lines.size());
    text += "\x1b[2K";
    text.append(lines, at, end - at);
    text += "\n";
    at = end + 1;
  }
  return text + "\x1b[J";
}

}  // namespace rackproof::live
