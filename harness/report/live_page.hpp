#pragma once
/// The page of a rig that plays: its meters as they come in, the last ten minutes, the responses as they are set.
/// Theorem  what a rig file or a file's name says appears as text and nothing else: it opens no element, no attribute
///          and no script.
/// Readings come as server-sent events from `events` beside the page, one line of JSON each; see `LiveReading`.
#include <cstddef>
#include <cstdint>
#include <deque>
#include <string>
#include <vector>

namespace rackproof::report {

/// How long the page remembers: a row a second.
inline constexpr std::size_t kHistorySeconds = 600;

struct LiveOutput {
  std::string name;
  double limit_volts_peak = 0;      ///< not finite where nothing limits it
  std::vector<double> response_db;  ///< at each of `LivePage::frequency_hz`, from a feed to the output
};
/// The most of a second, an entry an output.
struct LiveRow {
  std::vector<double> level_db;      ///< of the limit; -infinity for silence
  std::vector<double> held_db;       ///< by peak and power limiter together, 0 or above
  std::vector<double> heat_percent;  ///< of the coil's rating; NaN where nothing watches it
};
/// What stands on the page when it is asked for.
struct LivePage {
  std::uint64_t rig_number = 0;  ///< counts the rigs that have run; a reading with another one loads the page anew
  std::string rig_file, venue_file, title, program;
  double sample_rate_hz = 0, latency_s = 0;
  std::string bypassed;  ///< what is bypassed: "all", "venue", "system", "limits"; empty: nothing
  std::vector<double> frequency_hz;
  std::vector<LiveOutput> outputs;
  std::deque<LiveRow> history;  ///< oldest first, at most kHistorySeconds
};
std::string live_page(const LivePage& page);

/// One of twenty a second.
struct LiveReading {
  struct Output {
    double volts_peak = 0;                       ///< the most since the reading before
    double peak_held_db = 0, power_held_db = 0;  ///< 0 or above
    double heat_percent = 0;                     ///< NaN where nothing watches it
    bool muted = false;
  };
  std::uint64_t rig_number = 0;
  double seconds = 0;  ///< since the program began
  std::uint64_t missed_cycles = 0, bad_samples = 0;
  std::vector<Output> outputs;
};
/// As the page reads it: one line, no line's end.
std::string reading_line(const LiveReading& reading);
/// What a second's readings add up to, for the page's history. `limit_volts_peak`: an entry an output.
void take_greatest(LiveRow& row, const LiveReading& reading, const std::vector<double>& limit_volts_peak);

}  // namespace rackproof::report
