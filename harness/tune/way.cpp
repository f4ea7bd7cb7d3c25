#include "harness/tune/way.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/analysis/phasor.hpp"
#include "harness/rig/hertz_text.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/direct_sound.hpp"
#include "harness/tune/polarity.hpp"
#include "harness/tune/screening.hpp"
#include "harness/tune/two_passes.hpp"

namespace rackproof::tune {
namespace {

using analysis::Complex, analysis::CrossSpectrum, analysis::RealFourier;
using std::numbers::pi;

constexpr double kPointsPerOctave = 48;
constexpr double kLeastCoherence = 0.3;  // in the best octave; below, nothing of what was sent arrived
// Of the period in the middle of the band: what a box moves its own crest by; and more where noise leaves less of its
// band (measured ears at 10 and 0 dB: tests/published).
constexpr double kOwnPhaseShare = 0.02, kOwnPhaseInNoise = 0.25;

[[noreturn]] void unrelated(const Recording& captured) {
  throw InputError(
      fmt::format("{}: nothing in it follows what was sent; is it the right pair of files and the right "
                  "channel, and did both devices run at the same sample rate?",
                  captured.name));
}

/// Of a wave whose later quarter is ahead of time zero.
Complex spectrum_at(const Samples& wave, double frequency) {
  const std::size_t wraps = wave.size() / 4 * 3;
  analysis::Phasor turn(-frequency);
  Complex sum = 0;
  for (std::size_t n = 0; n < wave.size(); ++n) {
    if (n == wraps) turn.jump(static_cast<double>(n) - static_cast<double>(wave.size()));
    sum += wave[n] * *turn;
    ++turn;
  }
  return sum;
}

}  // namespace

View Way::active_part(const Recording& sent) {
  const Stretch active = active_stretch(sent.samples);
  return View(sent.samples).subspan(active.begin, active.size());
}

Way::Way(const Recording& sent, std::size_t repeat, const Windows& windows, double band_floor,
         const TransferOptions& options)
    : rate_(sent.sample_rate_hz),
      begin_(active_stretch(sent.samples).begin),
      all_(active_part(sent)),
      x_(all_.first(all_.size() - repeat)),
      repeat_(repeat),
      lower_(windows.lower),
      upper_(windows.upper) {
  find_band(sent, band_floor, options);
}

Way::Heard Way::hear(const Recording& captured, By path, const Drift* clock) const {
  Heard heard;
  heard.facts.file = captured.name;
  std::ptrdiff_t lag = lag_in(captured.samples);
  must_overlap(captured, lag, heard);

  heard.drift = clock ? *clock : drift_in(captured, lag, path, heard);
  Samples on_its_clock;
  if (heard.drift.ppm.value_or(0) != 0) on_its_clock = without_drift(captured.samples, *heard.drift.ppm);
  const Samples& whole_recording = on_its_clock.empty() ? captured.samples : on_its_clock;
  const Passes passes = passes_in(whole_recording, lag);
  const std::ptrdiff_t cut = passes.from;
  Samples mean;
  View y = passes.first;
  if (repeat_ > 0) {
    for (std::size_t n = 0; n < passes.second.size(); ++n) mean.push_back(0.5 * (passes.first[n] + passes.second[n]));
    y = mean;
    if (const auto apart =
            disagreement(passes.first, passes.second, rate_, frequency_hz_.front(), frequency_hz_.back()))
      heard.warnings.push_back(
          {"passes-differ",
           fmt::format(
               "{}: what was sent twice did not arrive twice alike: around {} {:.0f} % of the power is in one and not in the "
               "other. Samples were lost, something moved, or a sound came in: record it again",
               captured.name, rig::hertz_text(apart->frequency_hz), 100 * std::min(apart->share, 1.0))});
  }
  lag -= cut;
  const std::unique_ptr<Shown> shown = show(y);

  // Twice: segments that begin with the direct sound are the fairest to it.
  Response rough;
  DirectSound direct;
  double rest = 0;
  for (int round = 0; round < 2; ++round) {
    lag += std::lround(rest);
    rough = shown->rough(lag);
    if (round == 0) must_be_related(captured, rough);
    direct = direct_sound(rough.h, rough.coherence);
    if (!direct.found) unrelated(captured);
    rest = direct.at_samples;
    if (std::lround(rest) == 0) break;
  }
  const Polarity polarity = polarity_of(rough.h, rough.coherence, rest, direct.polarity);
  if (polarity.sign == 0)
    heard.warnings.push_back({"polarity-open", fmt::format("{}: the polarity cannot be told: {}; align goes by phase",
                                                           captured.name, polarity.why)});
  heard.time_error_s = time_error_s(rough);
  if (path == By::loudspeaker)
    heard.time_error_s += (kOwnPhaseShare + kOwnPhaseInNoise * (1 - direct.coherence)) * direct.period_samples / rate_;
  const auto whole = static_cast<std::ptrdiff_t>(std::lround(rest));
  lag += whole;
  rest -= static_cast<double>(whole);
  shown->sample(lag, rest, heard);
  heard.facts.arrival_ms = (static_cast<double>(lag + cut - static_cast<std::ptrdiff_t>(begin_)) + rest) / rate_ * 1e3;
  heard.facts.polarity = polarity.sign;
  heard.facts.drift_ppm = heard.drift.ppm;
  // A drift that is not known moves the sound by as much as went by since the recording began.
  const double until =
      static_cast<double>(std::max<std::ptrdiff_t>(0, lag + cut)) + counts_at() * static_cast<double>(x_.size());
  const double by_clock_s = clock ? 0.0 : 1e-6 * heard.drift.error_ppm * until / rate_;
  heard.facts.arrival_error_ms = 1e3 * (heard.time_error_s + by_clock_s);
  heard.clock_error_ms = 1e3 * by_clock_s;
  const Overlap used = overlap(x_, y, lag);
  heard.facts.level_dbfs = analysis::levels_of(Samples(used.y.begin(), used.y.end())).rms_dbfs();
  return heard;
}

Way::Passes Way::passes_in(View recording, std::ptrdiff_t lag) const {
  if (repeat_ == 0) return {0, recording, {}};
  const std::size_t pause = repeat_ - x_.size();
  const std::ptrdiff_t from = std::max<std::ptrdiff_t>(0, lag - static_cast<std::ptrdiff_t>(pause / 2));
  const auto begin = static_cast<std::size_t>(from);
  const std::size_t end = std::min(recording.size(), begin + 2 * repeat_);
  const std::size_t count = end > begin + repeat_ ? end - begin - repeat_ : 0;
  return {from, recording.subspan(begin, count), recording.subspan(begin + repeat_, count)};
}

/// Three standard deviations of a time that is read from the phase: each bin's phase has half its noise's share as
/// variance, and tells the time by 2 pi f. (C. H. Knapp, G. C. Carter, 1976: the bound that a correlation reaches.)
double Way::time_error_s(const Response& response) const {
  constexpr double kHannBins = 1.5;  // a window's bins are no draws of their own
  const double bin_hz = rate_ / static_cast<double>(response.size());
  double sure = 0;
  for (std::size_t k = 1; k + 1 < response.h.size(); ++k) {
    const double hz = static_cast<double>(k) * bin_hz;
    if (hz < frequency_hz_.front() || hz > frequency_hz_.back() || response.coherence[k] < kTrustedCoherence) continue;
    sure += std::pow(2 * pi * hz, 2) * 2 / std::max(response.noise_share[k], 1e-9);
  }
  return (sure > 0 ? 3 * std::sqrt(kHannBins / sure) : 1.0) + kCrestSamples / rate_;
}

void Way::find_band(const Recording& sent, double band_floor, const TransferOptions& options) {
  CrossSpectrum cross({rate_, upper_, upper_ / 2});
  cross.add(x_, x_);
  const Samples density = cross.pxx();
  Samples axis(density.size()), level(density.size());
  for (std::size_t k = 0; k < axis.size(); ++k) {
    axis[k] = cross.frequency_hz(k);
    level[k] = density[k] * axis[k];
  }
  level = analysis::smooth<double>(axis, level, 3.0);
  const double floor = band_floor * *std::max_element(level.begin() + 1, level.end());
  const double lowest = options.lowest_hz, highest = std::min(options.highest_hz, 0.47 * rate_);
  double from = 0, to = 0;
  for (std::size_t k = 1; k < axis.size(); ++k)
    if (level[k] > floor && axis[k] <= highest) {
      from = from == 0 ? axis[k] : from;
      to = axis[k];
    }
  if (from <= axis[1] * 1.5) from = 0;  // as far down as can be seen
  from = std::max({from, lowest, 3.0 * rate_ / static_cast<double>(lower_)});
  if (!(to >= 2 * from))
    throw InputError(
        fmt::format("{}: read a signal of less than an octave; noise or a sweep is wanted: 'rackproof "
                    "stimulus pink' or 'rackproof stimulus sweep' makes one",
                    sent.name));
  // Steps of 1/48 octave up to where the upper segments' own spacing is finer; from there on every one of their bins.
  const double bin_hz = rate_ / static_cast<double>(upper_);
  split_hz_ = std::min(bin_hz / (std::exp2(1 / kPointsPerOctave) - 1), to);
  for (const double f : analysis::log_frequencies(from, split_hz_, kPointsPerOctave)) frequency_hz_.push_back(f);
  if (!frequency_hz_.empty() && frequency_hz_.back() > split_hz_ - 0.5 * bin_hz) frequency_hz_.pop_back();
  split_hz_ = frequency_hz_.empty() ? from : frequency_hz_.back() + 1e-9;
  for (double bin = std::ceil(split_hz_ / bin_hz); bin * bin_hz <= to; ++bin) frequency_hz_.push_back(bin * bin_hz);
}

void Way::must_overlap(const Recording& captured, std::ptrdiff_t lag, Heard& heard) const {
  const Overlap pair = overlap(all_, captured.samples, lag);
  const double share = static_cast<double>(pair.x.size()) / static_cast<double>(all_.size());
  const double seconds = static_cast<double>(pair.x.size()) / rate_;
  if (const std::string why = too_short(share, seconds); !why.empty())
    throw InputError(fmt::format("{}: read {:.2f} s of the {:.2f} s that were sent; {}", captured.name, seconds,
                                 static_cast<double>(all_.size()) / rate_, why));
  if (share < 0.9)
    heard.warnings.push_back(
        {"part-of-what-was-sent", fmt::format("{}: holds {:.0f} % of what was sent", captured.name, 100 * share)});
}

/// The mean coherence of the best octave among those that count.
void Way::must_be_related(const Recording& captured, const Response& rough) const {
  double best = 0;
  const double bin_hz = rate_ / static_cast<double>(rough.size());
  for (double low = frequency_hz_.front(); low < frequency_hz_.back(); low *= std::numbers::sqrt2) {
    double sum = 0, count = 0;
    for (auto k = static_cast<std::size_t>(std::ceil(low / bin_hz));
         k < rough.coherence.size() && static_cast<double>(k) * bin_hz < 2 * low; ++k) {
      sum += rough.coherence[k];
      ++count;
    }
    if (count >= 8) best = std::max(best, sum / count);
  }
  if (best < kLeastCoherence) unrelated(captured);
}

void Way::sample(const Response& response, double rest, View frequency_hz, Heard& into) const {
  const double size = static_cast<double>(response.size()), bin_hz = rate_ / size;
  Samples wave;
  for (const double f : frequency_hz) {
    const double place = f / bin_hz, whole = std::round(place);
    const auto below = std::min(static_cast<std::size_t>(place), response.h.size() - 2);
    const double share = place - static_cast<double>(below);
    Complex value;
    if (std::abs(place - whole) < 1e-6) {
      value = response.h[static_cast<std::size_t>(whole)];
    } else {
      if (wave.empty()) wave = RealFourier(response.size()).inverse(response.h);
      value = spectrum_at(wave, f / rate_);
    }
    into.h.push_back(value * std::polar(1.0, 2 * pi * std::remainder(f / rate_ * rest, 1.0)));
    into.coherence.push_back((1 - share) * response.coherence[below] + share * response.coherence[below + 1]);
    into.noise_share.push_back((1 - share) * response.noise_share[below] + share * response.noise_share[below + 1]);
  }
}

}  // namespace rackproof::tune
