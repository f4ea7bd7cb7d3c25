// Serves the page of an invented rig that plays, for the browser's test. Prints the address, then serves until its input
// ends. Each line on its input changes the rig: "mute", "other" (another rig runs now).
#include <fmt/format.h>

#include <atomic>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <deque>
#include <iostream>
#include <limits>
#include <string>
#include <vector>

#include "harness/report/live_page.hpp"
#include "harness/web/page_server.hpp"

namespace {

using namespace rackproof;

constexpr const char* kHostile = "</script><script>window.harmed=1</script>";
constexpr double kLimit_v = 40;

std::atomic<bool> muted = false;
std::atomic<std::uint64_t> rig_number = 1;

report::LivePage page_now() {
  report::LivePage page{.rig_number = rig_number,
                        .rig_file = "invented.toml",
                        .venue_file = kHostile,
                        .title = "An invented rig",
                        .program = "rackproof test",
                        .sample_rate_hz = 48000,
                        .latency_s = 0.0123,
                        .bypassed = {},
                        .frequency_hz = {},
                        .outputs = {},
                        .history = {}};
  for (double hz = 20; hz <= 20000; hz *= 1.05) page.frequency_hz.push_back(hz);
  for (const char* const name : {"low.left", "low.right", "high.left", "high.right", kHostile}) {
    report::LiveOutput output{.name = name, .limit_volts_peak = kLimit_v, .response_db = {}};
    const bool high = output.name.starts_with("high");
    for (const double hz : page.frequency_hz)
      output.response_db.push_back(-10 * std::log10(1 + std::pow(high ? 1200 / hz : hz / 1200, 8)));
    page.outputs.push_back(output);
  }
  page.outputs.back().limit_volts_peak = std::numeric_limits<double>::infinity();
  for (int second = 0; second < 200; ++second) {
    const double slow = std::sin(second * 0.05);
    page.history.push_back({.level_db = {-12 + 6 * slow, -13 + 6 * slow, -20 + 9 * slow, -21 + 9 * slow, -30},
                            .held_db = {0, 0.5 + 0.5 * slow, 2 + 2 * slow, 2, 0},
                            .heat_percent = {40 + 10 * slow, 41, 80 + 20 * slow, 81, std::nan("")}});
  }
  return page;
}

report::LiveReading reading_now() {
  static const auto kBegan = std::chrono::steady_clock::now();
  const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - kBegan).count();
  report::LiveReading reading{
      .rig_number = rig_number, .seconds = seconds, .missed_cycles = 3, .bad_samples = 7, .outputs = {}};
  for (int n = 0; n < 5; ++n) {
    const double volts = kLimit_v * (0.5 + 0.5 * std::sin(seconds * (1 + n)));
    reading.outputs.push_back({.volts_peak = muted ? 0 : volts,
                               .peak_held_db = n == 2 ? 2.34 : 0,
                               .power_held_db = 0,
                               .heat_percent = n == 4 ? std::nan("") : 50.0 + n,
                               .muted = muted});
  }
  return reading;
}

}  // namespace

int main() {
  const web::PageServer server({.page = [] { return report::live_page(page_now()); },
                                .reading = [] { return report::reading_line(reading_now()); }});
  std::printf("%s\n", server.address().c_str());
  std::fflush(stdout);
  for (std::string line; std::getline(std::cin, line);) {
    if (line == "mute") muted = true;
    if (line == "other") ++rig_number;
  }
}
