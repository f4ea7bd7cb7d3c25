#include "harness/tune/sweep_recorded.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>
#include <optional>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/median.hpp"
#include "harness/analysis/power_spectrum.hpp"
#include "harness/rig/hertz_text.hpp"
#include "harness/tune/measured_response.hpp"
#include "harness/tune/screening.hpp"
#include "harness/tune/sweep_sent.hpp"

namespace rackproof::tune {
namespace {

constexpr double kFrame_s = 0.18, kShortest_s = 1, kLeastRate_hz = 20'000;
constexpr double kAhead_s = 10;  // of the recording, looked at ahead of the sweep
constexpr std::size_t kFramesOfASweep = 48, kMostFrames = 512;
constexpr double kNoiseFrom_hz = 5000, kToneUpTo_hz = 1200;  // the noise lies well above the tone and its harmonics
constexpr double kLoud_db = 10, kQuiet_db = 25;              // below the loudest frame
constexpr double kMoved_db = 6, kDistorted_db = -25;
constexpr std::size_t kFewFrames = 4, kFewInARow = 3;
constexpr double kLeastBin = 12;  // of a tone whose second harmonic the window keeps apart from it

struct Frame {
  double tone_hz = 0;    ///< 0: ahead of the sweep
  double power = 0;      ///< all of it
  double noise = 0;      ///< the middle one of the bins from kNoiseFrom_hz up
  double harmonics = 0;  ///< over the tone; 0 where they cannot be told
};

/// Its window's side lobes are below -92 dB.
class Spectra {
 public:
  Spectra(std::size_t size, double rate)
      : spectrum_(analysis::Window::blackman_harris, size), size_(size), bin_hz_(rate / static_cast<double>(size)) {}
  Samples of(View samples, std::ptrdiff_t from) const { return spectrum_.of(samples, from); }
  std::size_t bin_of(double hz) const {
    return std::min(static_cast<std::size_t>(std::lround(hz / bin_hz_)), size_ / 2);
  }
  double hz_of(std::size_t bin) const { return static_cast<double>(bin) * bin_hz_; }

 private:
  analysis::PowerSpectrum spectrum_;
  std::size_t size_;
  double bin_hz_;
};

/// What each bin has for three quarters of the time at least, as the mean power of noise.
Samples floor_of(const std::vector<Samples>& spectra) {
  constexpr double kQuarterOfNoise = 0.288;  // -ln 0.75: the lower quartile of a power, over its mean
  Samples floor(spectra.front().size());
  Samples over_time(spectra.size());
  for (std::size_t k = 0; k < floor.size(); ++k) {
    for (std::size_t j = 0; j < spectra.size(); ++j) over_time[j] = spectra[j][k];
    floor[k] = analysis::lower_quartile(over_time) / kQuarterOfNoise;
  }
  return floor;
}

/// From the frames ahead of the sweep to the last in it.
std::vector<Frame> frames_of(View sent, View captured, std::ptrdiff_t lag, double rate) {
  const auto size = power_of_two_below(
      std::min(kFrame_s * rate, static_cast<double>(sent.size()) / static_cast<double>(kFramesOfASweep)));
  const Spectra spectra(size, rate);
  const std::size_t hop = std::max(size / 2, captured.size() / kMostFrames);
  std::vector<Samples> heard;
  for (std::size_t from = 0; from + size <= captured.size(); from += hop)
    heard.push_back(spectra.of(captured, static_cast<std::ptrdiff_t>(from)));
  std::vector<Frame> frames;
  if (heard.empty()) return frames;
  const Samples floor = floor_of(heard);
  const double highest_hz = 0.4 * rate;
  for (std::size_t j = 0; j < heard.size(); ++j) {
    const auto from = static_cast<std::ptrdiff_t>(j * hop) - lag;
    const bool ahead = from + static_cast<std::ptrdiff_t>(size) <= 0;
    if (!ahead && (from < 0 || from + static_cast<std::ptrdiff_t>(size) > static_cast<std::ptrdiff_t>(sent.size())))
      continue;
    const Samples& power = heard[j];
    Frame frame{.power = std::accumulate(power.begin(), power.end(), 0.0)};
    frame.noise = analysis::median(Samples(power.begin() + static_cast<std::ptrdiff_t>(spectra.bin_of(kNoiseFrom_hz)),
                                           power.begin() + static_cast<std::ptrdiff_t>(spectra.bin_of(highest_hz))));
    if (!ahead) {
      const Samples tone = spectra.of(sent, from);
      const auto crest = static_cast<std::size_t>(std::max_element(tone.begin(), tone.end()) - tone.begin());
      frame.tone_hz = std::max(spectra.hz_of(crest), 1.0);
      if (static_cast<double>(crest) >= kLeastBin && 5.5 * frame.tone_hz < highest_hz) {
        double fundamental = 0, harmonics = 0;
        for (std::size_t k = spectra.bin_of(0.8 * frame.tone_hz); k <= spectra.bin_of(1.25 * frame.tone_hz); ++k)
          fundamental += power[k];
        for (std::size_t k = spectra.bin_of(1.7 * frame.tone_hz); k <= spectra.bin_of(5.5 * frame.tone_hz); ++k)
          harmonics += std::max(0.0, power[k] - floor[k]);
        frame.harmonics = fundamental > 0 ? harmonics / fundamental : 0;
      }
    }
    frames.push_back(frame);
  }
  return frames;
}

/// How many dB the noise is quieter with the tone than without it; nothing where that cannot be told.
std::optional<double> gain_moved_db(const std::vector<Frame>& frames) {
  double loudest = 0;
  for (const Frame& frame : frames)
    if (frame.tone_hz <= kToneUpTo_hz) loudest = std::max(loudest, frame.power);
  Samples with, without;
  for (const Frame& frame : frames) {
    if (frame.tone_hz > kToneUpTo_hz || !(frame.noise > 0)) continue;
    const double below_db = analysis::db_from_power(loudest / frame.power);
    if (below_db < kLoud_db) with.push_back(frame.noise);
    if (below_db > kQuiet_db) without.push_back(frame.noise);
  }
  if (with.size() < kFewFrames || without.size() < kFewFrames) return std::nullopt;
  // Somebody may speak, or something rattle, for half of the time.
  return analysis::db_from_power(analysis::lower_quartile(without) / analysis::lower_quartile(with));
}

struct Harmonics {
  double level_db = -400, at_hz = 0;
};
/// The most of them, as the middle one of half an octave in which the sweep is loud: a null of the room hides the tone in
/// less.
Harmonics most_harmonics(const std::vector<Frame>& frames) {
  double loudest = 0;
  for (const Frame& frame : frames) loudest = std::max(loudest, frame.power);
  Harmonics most;
  const auto is_loud = [&](const Frame& frame) { return frame.power * analysis::power_from_db(kLoud_db) > loudest; };
  for (std::size_t j = 0; j < frames.size(); ++j) {
    Samples row;
    std::size_t i = j;
    for (; i < frames.size() && frames[i].tone_hz < std::numbers::sqrt2 * frames[j].tone_hz && is_loud(frames[i]); ++i)
      row.push_back(frames[i].harmonics);
    const bool whole = i < frames.size() && frames[i].tone_hz >= std::numbers::sqrt2 * frames[j].tone_hz;
    if (!whole || row.size() < kFewInARow) continue;
    const double level_db = analysis::db_from_power(std::max(analysis::median(row), 1e-40));
    if (level_db > most.level_db) most = {level_db, frames[(i + j) / 2].tone_hz};
  }
  return most;
}

}  // namespace

std::vector<Warning> doubts_of_sweep(const Recording& sent, const Recording& captured, double lag_samples) {
  std::vector<Warning> doubts;
  const double rate = sent.sample_rate_hz;
  const Stretch active = active_stretch(sent.samples);
  View sweep = View(sent.samples).subspan(active.begin, active.size());
  if (const std::size_t repeat = repeat_of(sweep); repeat > 0) sweep = sweep.first(sweep.size() - repeat);
  if (rate < kLeastRate_hz || static_cast<double>(sweep.size()) < kShortest_s * rate) return doubts;
  const std::ptrdiff_t lag = std::lround(lag_samples) + static_cast<std::ptrdiff_t>(active.begin);
  // What comes long before the sweep, or after it, says nothing of it.
  const auto size = static_cast<std::ptrdiff_t>(captured.samples.size());
  const std::ptrdiff_t begin = std::clamp<std::ptrdiff_t>(lag - std::lround(kAhead_s * rate), 0, size),
                       end = std::clamp<std::ptrdiff_t>(lag + static_cast<std::ptrdiff_t>(sweep.size()), begin, size);
  const View heard =
      View(captured.samples).subspan(static_cast<std::size_t>(begin), static_cast<std::size_t>(end - begin));
  const std::vector<Frame> frames = frames_of(sweep, heard, lag - begin, rate);
  const auto first = std::ranges::find_if(frames, [](const Frame& frame) { return frame.tone_hz > 0; });
  if (first == frames.end() || first->tone_hz > frames.back().tone_hz) return doubts;  // it falls

  const Harmonics harmonics = most_harmonics(frames);
  if (harmonics.level_db > kDistorted_db)
    doubts.push_back(
        {"distorted",
         fmt::format("{}: around {} its harmonics are {:.0f} dB below the tone, where {:.0f} dB and more is right: the "
                     "recorder or the microphone clipped, or the loudspeaker was driven too hard. Levels there are too "
                     "low: send less, or turn the recorder's gain down, and measure again",
                     captured.name, rig::hertz_text(harmonics.at_hz), -harmonics.level_db, -kDistorted_db)});
  const std::optional<double> moved_db = gain_moved_db(frames);
  if (moved_db && *moved_db > kMoved_db)
    doubts.push_back(
        {"gain-moved",
         fmt::format(
             "{}: its noise is {:.0f} dB quieter while the sweep is loud than before: the recorder turns its own gain "
             "down (automatic gain, a limiter, noise suppression). Levels are wrong by as much. Turn that off, and "
             "measure again",
             captured.name, *moved_db)});
  return doubts;
}

}  // namespace rackproof::tune
