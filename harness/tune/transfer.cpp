#include "harness/tune/transfer.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "harness/analysis/arrival.hpp"
#include "harness/analysis/bands.hpp"
#include "harness/analysis/cross_spectrum.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/analysis/minimum_phase.hpp"
#include "harness/analysis/phasor.hpp"
#include "harness/audio/rate_converter.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/direct_sound.hpp"
#include "harness/tune/played_band.hpp"
#include "harness/tune/polarity.hpp"
#include "harness/tune/screening.hpp"
#include "harness/tune/sweep_sent.hpp"

namespace rackproof::tune {
namespace {
using analysis::Complex, analysis::CrossSpectrum, analysis::RealFourier;
using Samples = std::vector<double>;
using View = std::span<const double>;

using std::numbers::pi;
constexpr double kPointsPerOctave = 48;
constexpr double kWindowSeconds = 1.4, kUpperWindowSeconds = 0.35, kBeforeSeconds = 0.08, kCoarseSeconds = 4;
constexpr double kLeastCoherence = 0.3;                  // in the best octave; below, nothing of what was sent arrived
constexpr double kBandFloor = 1e-5, kSweepFloor = 0.03;  // of the density times frequency: what was sent reaches so far
constexpr double kMostDriftPpm = 1000, kTrebleHz = 3000, kSureBend = 1.3, kDoubtfulBend = 1.08;
// Of the period in the middle of the band: what a box moves its own crest by; and more where noise leaves less of its
// band (measured ears at 10 and 0 dB: tests/published).
constexpr double kOwnPhaseShare = 0.02, kOwnPhaseInNoise = 0.25;
constexpr double kCrestSamples = 0.01;  // what a crest's place is good to without noise
constexpr double kCableSharesPpm = 1, kHornSharesPpm = 10,
                 kBendShare = 0.15;  // of a drift that a single sweep told: what a horn may add
constexpr double kMostMagnitudeError_db = 40;
constexpr double kChance = 3;  // one draw of noise is above its mean power times this once in twenty (e^-3)

std::size_t power_of_two_below(double x) {
  std::size_t size = 2;
  while (2.0 * static_cast<double>(size) <= x) size *= 2;
  return size;
}
/// Where `sent` is found in `captured`: the crest of their plain correlation, to a sample.
std::ptrdiff_t coarse_lag(View sent, View captured) {
  const RealFourier fourier(analysis::next_fast_size(sent.size() + captured.size()));
  std::vector<Complex> x = fourier.forward(sent);
  const std::vector<Complex> y = fourier.forward(captured);
  for (std::size_t k = 0; k < x.size(); ++k) x[k] = std::conj(x[k]) * y[k];
  const Samples r = fourier.inverse(x);
  const auto crest = std::max_element(r.begin(), r.end(), [](double a, double b) { return std::abs(a) < std::abs(b); });
  const std::ptrdiff_t at = crest - r.begin();
  return at < static_cast<std::ptrdiff_t>(captured.size()) ? at : at - static_cast<std::ptrdiff_t>(fourier.size());
}

/// What both hold when `captured` is taken `lag` samples earlier.
struct Overlap {
  View x, y;
};
Overlap overlap(View sent, View captured, std::ptrdiff_t lag) {
  const std::ptrdiff_t from = std::max<std::ptrdiff_t>(0, -lag);
  const std::ptrdiff_t to =
      std::min(static_cast<std::ptrdiff_t>(sent.size()), static_cast<std::ptrdiff_t>(captured.size()) - lag);
  if (to <= from) return {};
  const auto count = static_cast<std::size_t>(to - from);
  return {sent.subspan(static_cast<std::size_t>(from), count),
          captured.subspan(static_cast<std::size_t>(from + lag), count)};
}

CrossSpectrum welch(const Overlap& pair, double rate, std::size_t segment, std::size_t overlaps) {
  CrossSpectrum cross({rate, segment, segment / overlaps});
  cross.add(pair.x, pair.y);
  return cross;
}
/// Without what chance alone would show.
Samples debiased_coherence(const CrossSpectrum& cross) {
  const double chance = 1.0 / std::max(1.0, cross.effective_averages());
  Samples coherence = cross.coherence();
  for (double& c : coherence) c = chance < 1 ? std::clamp((c - chance) / (1 - chance), 0.0, 1.0) : 0.0;
  return coherence;
}

/// The response at bins 0 .. N/2, time zero where the caller put it, with its coherence, and the power of its noise over
/// its own, which `averages` of one such draw have made smaller already.
struct Response {
  std::vector<Complex> h;
  Samples coherence, noise_share;
  std::size_t size() const { return 2 * (h.size() - 1); }
};

/// The response by its phase alone, weighted by coherence, its middle at time zero: neither the spectrum nor a room's
/// resonance has a say in what correlates with it.
Samples phase_wave(std::vector<Complex> h, const Samples& coherence) {
  for (std::size_t k = 0; k < h.size(); ++k)
    h[k] *= std::abs(h[k]) > 0 ? std::max(0.0, coherence[k] - 0.3) / std::abs(h[k]) : 0.0;
  Samples wave = RealFourier(2 * (h.size() - 1)).inverse(h);
  std::rotate(wave.begin(), wave.begin() + static_cast<std::ptrdiff_t>(wave.size() / 2), wave.end());
  return wave;
}

/// `captured` as a recorder on the player's clock would have it.
Samples without_drift(View captured, double ppm) { return audio::converted(captured, 1.0 + ppm * 1e-6, 1.0); }

/// A straight line through the lags of successive blocks: how much later a sample arrives for each that went by, in
/// parts a million. Nothing where too few blocks can be told apart from noise.
struct Drift {
  std::optional<double> ppm;  ///< nothing: it cannot be told
  double error_ppm = kUnknownDriftPpm;
};
Drift drift_of(const Overlap& pair, double rate) {
  const double seconds = static_cast<double>(pair.x.size()) / rate;
  const auto blocks = static_cast<std::size_t>(std::clamp(seconds / 1.2, 4.0, 12.0));
  const std::size_t length = pair.x.size() / blocks;
  const std::size_t segment = power_of_two_below(std::min(0.35 * rate, static_cast<double>(length) / 4));
  const auto wave_of = [&](std::size_t block) {
    const CrossSpectrum cross =
        welch({pair.x.subspan(block * length, length), pair.y.subspan(block * length, length)}, rate, segment, 4);
    return phase_wave(cross.h1(), debiased_coherence(cross));
  };
  const Samples reference = wave_of(0);
  Samples at, lag;
  for (std::size_t block = 1; block < blocks; ++block) {
    const double most = kMostDriftPpm * 1e-6 * static_cast<double>((block + 1) * length);
    const analysis::Arrival arrival = analysis::find_arrival(
        reference, wave_of(block), {.phase_transform = false, .least_samples = -most, .most_samples = most});
    if (!arrival.found || arrival.height < 0.2 || arrival.polarity < 0) continue;
    at.push_back(static_cast<double>(block * length));
    lag.push_back(arrival.delay_samples);
  }
  const auto count = static_cast<double>(at.size());
  if (at.size() < 3) return {};
  const double mean_at = std::accumulate(at.begin(), at.end(), 0.0) / count;
  const double mean_lag = std::accumulate(lag.begin(), lag.end(), 0.0) / count;
  double spread = 0, together = 0, left = 0;
  for (std::size_t i = 0; i < at.size(); ++i) {
    spread += (at[i] - mean_at) * (at[i] - mean_at);
    together += (at[i] - mean_at) * (lag[i] - mean_lag);
  }
  const double slope = together / spread;
  for (std::size_t i = 0; i < at.size(); ++i) {
    const double error = lag[i] - mean_lag - slope * (at[i] - mean_at);
    left += error * error;
  }
  // Three standard deviations, and what the crest itself is good to.
  const double error = 3 * std::sqrt(left / (count - 2) / spread) + kCrestSamples / static_cast<double>(pair.x.size());
  return {std::abs(slope) > error ? 1e6 * slope : 0.0, 1e6 * error};
}

class Way {
 public:
  Way(const Recording& sent, bool sweep, const TransferOptions& options)
      : rate_(sent.sample_rate_hz), sweep_(sweep), options_(options) {
    const Stretch active = active_stretch(sent.samples);
    begin_ = active.begin;
    all_ = View(sent.samples).subspan(active.begin, active.size());
    repeat_ = sweep ? repeat_of(all_) : 0;
    x_ = all_.first(all_.size() - repeat_);
    glide_ = glide_of(x_, rate_);
    const double length = static_cast<double>(x_.size());
    lower_ = power_of_two_below(sweep ? kWindowSeconds * rate_ : std::min(kWindowSeconds * rate_, length / 4));
    upper_ = std::min(lower_, power_of_two_below(sweep ? kUpperWindowSeconds * rate_
                                                       : std::min(kUpperWindowSeconds * rate_, length / 8)));
    find_band(sent);
  }

  const Samples& frequency_hz() const { return frequency_hz_; }
  bool sent_twice() const { return repeat_ > 0; }

  struct Heard {
    Capture facts;
    std::vector<Complex> h;  ///< at frequency_hz(), arrival taken out
    Samples coherence, noise_share;
    Drift drift;
    double clock_error_ms = 0;
    double time_error_s = 0;  ///< three standard deviations, by noise alone
    std::vector<Warning> warnings;
  };

  enum class By { loudspeaker, cable };
  /// `clock`: how the recorder ran, where that is known from a reference.
  Heard hear(const Recording& captured, By path = By::loudspeaker, const Drift* clock = nullptr) const {
    Heard heard;
    heard.facts.file = captured.name;
    const auto coarse = static_cast<std::size_t>(kCoarseSeconds * rate_);
    const std::size_t skip = sweep_ || x_.size() <= coarse ? 0 : (x_.size() - coarse) / 4;
    std::ptrdiff_t lag = coarse_lag(sweep_ ? all_ : x_.subspan(skip, std::min(coarse, x_.size())), captured.samples) -
                         static_cast<std::ptrdiff_t>(skip);
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
    }
    lag -= cut;
    const Division division = sweep_ ? divided(y) : Division{};

    // Twice: segments that begin with the direct sound are the fairest to it.
    Response rough;
    DirectSound direct;
    double rest = 0;
    for (int round = 0; round < 2; ++round) {
      lag += std::lround(rest);
      rough = sweep_ ? gated(division, y, lag) : averaged(y, lag, upper_, 2);
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
      heard.time_error_s +=
          (kOwnPhaseShare + kOwnPhaseInNoise * (1 - direct.coherence)) * direct.period_samples / rate_;
    const auto whole = static_cast<std::ptrdiff_t>(std::lround(rest));
    lag += whole;
    rest -= static_cast<double>(whole);
    if (sweep_) {
      sample(gated(division, y, lag), rest, frequency_hz_, heard);
    } else {
      const auto split = std::lower_bound(frequency_hz_.begin(), frequency_hz_.end(), split_hz_);
      sample(averaged(y, lag, lower_, 4), rest, View(frequency_hz_.begin(), split), heard);
      sample(averaged(y, lag, upper_, 2), rest, View(split, frequency_hz_.end()), heard);
    }
    heard.facts.arrival_ms =
        (static_cast<double>(lag + cut - static_cast<std::ptrdiff_t>(begin_)) + rest) / rate_ * 1e3;
    heard.facts.polarity = polarity.sign;
    heard.facts.drift_ppm = heard.drift.ppm;
    // A drift that is not known moves the sound by as much as went by since the recording began.
    const double until = static_cast<double>(std::max<std::ptrdiff_t>(0, lag + cut)) +
                         (sweep_ ? 1.0 : 0.5) * static_cast<double>(x_.size());
    const double by_clock_s = clock ? 0.0 : 1e-6 * heard.drift.error_ppm * until / rate_;
    heard.facts.arrival_error_ms = 1e3 * (heard.time_error_s + by_clock_s);
    heard.clock_error_ms = 1e3 * by_clock_s;
    const Overlap used = overlap(x_, y, lag);
    heard.facts.level_dbfs = analysis::levels_of(Samples(used.y.begin(), used.y.end())).rms_dbfs();
    return heard;
  }

 private:
  [[noreturn]] static void unrelated(const Recording& captured) {
    throw InputError(
        fmt::format("{}: nothing in it follows what was sent; is it the right pair of files and the right "
                    "channel, and did both devices run at the same sample rate?",
                    captured.name));
  }

  /// Where what is sent twice stands in a recording, cut alike; else the whole recording, and no second.
  struct Passes {
    std::ptrdiff_t from = 0;
    View first, second;
  };
  Passes passes_in(View recording, std::ptrdiff_t lag) const {
    if (repeat_ == 0) return {0, recording, {}};
    const std::size_t pause = repeat_ - x_.size();
    const std::ptrdiff_t from = std::max<std::ptrdiff_t>(0, lag - static_cast<std::ptrdiff_t>(pause / 2));
    const auto begin = static_cast<std::size_t>(from);
    const std::size_t end = std::min(recording.size(), begin + 2 * repeat_);
    const std::size_t count = end > begin + repeat_ ? end - begin - repeat_ : 0;
    return {from, recording.subspan(begin, count), recording.subspan(begin + repeat_, count)};
  }

  Drift drift_in(const Recording& captured, std::ptrdiff_t lag, By path, Heard& heard) const {
    if (!sweep_) return drift_in_noise(captured, lag);
    if (repeat_ > 0) return drift_between(passes_in(captured.samples, lag), lag);
    const Bend bend = drift_of_sweep(gated(divided(captured.samples), captured.samples, lag));
    if (path == By::cable && glide_.exponential) return {bend.ppm, kCableSharesPpm};  // it bends nothing by itself
    if (bend.gain > kSureBend) return {bend.ppm, std::max(kHornSharesPpm, kBendShare * std::abs(bend.ppm))};
    if (bend.gain > kDoubtfulBend)
      heard.warnings.push_back(
          {"drift-suspected",
           fmt::format(
               "{}: the treble is bent as by a recorder {:.0f} ppm off, or as by the loudspeaker itself, and is "
               "left as it is: where player and recorder are two devices, send the sweep twice (rackproof "
               "stimulus sweep --twice), or record what is sent on another channel (--reference-channel)",
               captured.name, bend.ppm)});
    return {};
  }

  Drift drift_in_noise(const Recording& captured, std::ptrdiff_t lag) const {
    Samples corrected;
    View y = captured.samples;
    Drift drift;
    for (int round = 0; round < 2; ++round) {
      const Drift found = drift_of(overlap(x_, y, lag), rate_);
      if (!found.ppm) return {};
      const double ppm = ((1 + drift.ppm.value_or(0) * 1e-6) * (1 + *found.ppm * 1e-6) - 1) * 1e6;
      if (std::abs(ppm) > kMostDriftPpm) return {};
      const bool stands = std::abs(*found.ppm) * 1e-6 * static_cast<double>(x_.size()) < 0.02;
      drift = {stands ? drift.ppm.value_or(0) : ppm, found.error_ppm + (stands ? std::abs(*found.ppm) : 0.0)};
      if (stands) break;
      corrected = without_drift(captured.samples, ppm);
      y = corrected;
    }
    return drift;
  }

  /// The second sweep took the same path as the first: whatever it is late by beyond the repeat, the clocks made.
  Drift drift_between(const Passes& passes, std::ptrdiff_t lag) const {
    const auto response = [&](View y) { return gated(divided(y), y, lag - passes.from); };
    const Response first = response(passes.first), second = response(passes.second);
    const auto repeat = static_cast<double>(repeat_);
    const double most = kMostDriftPpm * 1e-6 * repeat;
    const analysis::Arrival later =
        analysis::find_arrival(phase_wave(first.h, first.coherence), phase_wave(second.h, second.coherence),
                               {.phase_transform = false, .least_samples = -most, .most_samples = most});
    if (!later.found || later.height < 0.2 || later.polarity < 0) return {};
    const double error = rate_ * (time_error_s(first) + time_error_s(second)) + kCrestSamples;
    return {1e6 * later.delay_samples / repeat, 1e6 * error / repeat};
  }

  /// Three standard deviations of a time that is read from the phase: each bin's phase has half its noise's share as
  /// variance, and tells the time by 2 pi f. (C. H. Knapp, G. C. Carter, 1976: the bound that a correlation reaches.)
  double time_error_s(const Response& response) const {
    constexpr double kHannBins = 1.5;  // a window's bins are no draws of their own
    const double bin_hz = rate_ / static_cast<double>(response.size());
    double sure = 0;
    for (std::size_t k = 1; k + 1 < response.h.size(); ++k) {
      const double hz = static_cast<double>(k) * bin_hz;
      if (hz < frequency_hz_.front() || hz > frequency_hz_.back() || response.coherence[k] < kTrustedCoherence)
        continue;
      sure += std::pow(2 * pi * hz, 2) * 2 / std::max(response.noise_share[k], 1e-9);
    }
    return (sure > 0 ? 3 * std::sqrt(kHannBins / sure) : 1.0) + kCrestSamples / rate_;
  }

  void find_band(const Recording& sent) {
    CrossSpectrum cross({rate_, upper_, upper_ / 2});
    cross.add(x_, x_);
    const Samples density = cross.pxx();
    Samples axis(density.size()), level(density.size());
    for (std::size_t k = 0; k < axis.size(); ++k) {
      axis[k] = cross.frequency_hz(k);
      level[k] = density[k] * axis[k];
    }
    level = analysis::smooth<double>(axis, level, 3.0);
    const double floor = (sweep_ ? kSweepFloor : kBandFloor) * *std::max_element(level.begin() + 1, level.end());
    const double lowest = options_.lowest_hz, highest = std::min(options_.highest_hz, 0.47 * rate_);
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

  void must_overlap(const Recording& captured, std::ptrdiff_t lag, Heard& heard) const {
    const Overlap pair = overlap(all_, captured.samples, lag);
    const double share = static_cast<double>(pair.x.size()) / static_cast<double>(all_.size());
    const double seconds = static_cast<double>(pair.x.size()) / rate_;
    if (sweep_ ? share < 0.9 : seconds < 0.5)
      throw InputError(fmt::format("{}: read {:.2f} s of the {:.2f} s that were sent; {}", captured.name, seconds,
                                   static_cast<double>(all_.size()) / rate_,
                                   sweep_ ? "too short: the whole sweep must be in it, and a second more"
                                          : "too short: half a second at least must be in it"));
    if (share < 0.9)
      heard.warnings.push_back(
          {"part-of-what-was-sent", fmt::format("{}: holds {:.0f} % of what was sent", captured.name, 100 * share)});
  }

  /// The mean coherence of the best octave among those that count.
  void must_be_related(const Recording& captured, const Response& rough) const {
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

  Response averaged(View y, std::ptrdiff_t lag, std::size_t segment, std::size_t overlaps) const {
    const CrossSpectrum cross = welch(overlap(x_, y, lag), rate_, segment, overlaps);
    Response response{cross.h1(), debiased_coherence(cross), {}};
    const double averages = std::max(1.0, cross.effective_averages());
    for (const double c : response.coherence)
      response.noise_share.push_back(c > 0 ? std::min(1.0, (1 - c) / (c * averages)) : 1.0);
    return response;
  }

  /// What arrived over what was sent, the whole recording at once: harmonics come ahead of the direct sound.
  struct Division {
    std::vector<double> power;  ///< of what was sent, by bins
    Samples wave;
  };
  Division divided(View y) const {
    const RealFourier whole(analysis::next_fast_size(x_.size() + y.size() + lower_));
    const std::vector<Complex> x = whole.forward(x_);
    std::vector<Complex> h = whole.forward(y);
    Division division;
    division.power.resize(x.size());
    std::transform(x.begin(), x.end(), division.power.begin(), [](const Complex& value) { return std::norm(value); });
    const double least = 1e-8 * *std::max_element(division.power.begin(), division.power.end());
    for (std::size_t k = 0; k < h.size(); ++k) {
      // Beyond what was sent there is nothing but noise, blown up: out, with soft edges.
      const double hz = static_cast<double>(k) * rate_ / static_cast<double>(whole.size());
      const double edge =
          std::min(1.0, std::min(1.5 * hz / frequency_hz_.front() - 0.5, 9 - 8 * hz / frequency_hz_.back()));
      const double share = edge > 0 ? edge * edge * (3 - 2 * edge) : 0.0;
      h[k] *= share * std::conj(x[k]) / (division.power[k] += least);
    }
    division.wave = whole.inverse(h);
    return division;
  }

  Response gated(const Division& division, View y, std::ptrdiff_t lag) const {
    const auto size = static_cast<std::ptrdiff_t>(division.wave.size());
    Samples wave(division.wave);
    std::rotate(wave.begin(), wave.begin() + (lag % size + size) % size, wave.end());
    // The gate: 80 ms ahead of time zero, and on for as long as the response stands out of the noise.
    const auto before = static_cast<std::size_t>(kBeforeSeconds * rate_);
    const std::size_t after = lower_ - before, flat = standing_out(View(wave).first(after));
    Samples kept(lower_, 0.0);
    double energy = 0;
    for (std::size_t n = 0; n < lower_; ++n) {
      const bool early = n >= after;  // wrapped: ahead of time zero
      const double ahead = static_cast<double>(lower_ - n) / static_cast<double>(before);
      const double late = (static_cast<double>(n) - static_cast<double>(flat)) / (0.5 * static_cast<double>(flat));
      const double gate = 0.5 + 0.5 * std::cos(pi * std::clamp(early ? 2 * ahead - 1 : late, 0.0, 1.0));
      kept[n] = gate * (early ? wave[wave.size() - (lower_ - n)] : wave[n]);
      energy += gate * gate;
    }
    const RealFourier window(lower_);
    Response response{window.forward(kept), Samples(lower_ / 2 + 1, 0.0), Samples(lower_ / 2 + 1, 1.0)};
    // What the gated response does not explain is noise (and distortion): so much of it is in the gate.
    Samples causal(kept);
    std::rotate(causal.begin(), causal.begin() + static_cast<std::ptrdiff_t>(after), causal.end());
    const Samples explained = analysis::convolve(x_, causal);
    Samples left(y.begin(), y.end());
    for (std::size_t n = 0; n < explained.size(); ++n) {
      const std::ptrdiff_t at = static_cast<std::ptrdiff_t>(n) + lag - static_cast<std::ptrdiff_t>(before);
      if (at >= 0 && at < static_cast<std::ptrdiff_t>(left.size())) left[static_cast<std::size_t>(at)] -= explained[n];
    }
    CrossSpectrum noise({rate_, upper_, upper_ / 2});
    noise.add(left, left);
    const Samples density = noise.pyy();
    for (std::size_t k = 1; k + 1 < response.h.size(); ++k) {
      const double hz = static_cast<double>(k) * rate_ / static_cast<double>(lower_);
      const auto bin = static_cast<std::size_t>(std::lround(hz * static_cast<double>(upper_) / rate_));
      const auto there = static_cast<std::size_t>(std::lround(hz * static_cast<double>(wave.size()) / rate_));
      double gain = 0;  // of the division, in the mean over what the gate spreads into this bin
      const std::size_t reach = wave.size() / lower_ + 1;
      for (std::size_t i = there - std::min(there, reach); i <= std::min(there + reach, division.power.size() - 1); ++i)
        gain += 1 / division.power[i] / static_cast<double>(2 * reach + 1);
      const double in_gate = 0.5 * rate_ * density[bin] * energy * gain;
      const double power = std::norm(response.h[k]);
      response.coherence[k] = power > 0 ? std::clamp(1 - kChance * in_gate / power, 0.0, 1.0) : 0.0;
      response.noise_share[k] = power > in_gate ? in_gate / power : 1.0;
    }
    return response;
  }

  /// Until when `wave` is above its own later half, by blocks of 20 ms; at most two thirds, so that a flank has room.
  std::size_t standing_out(View wave) const {
    const auto block = static_cast<std::size_t>(0.02 * rate_);
    Samples power;
    for (std::size_t n = 0; n + block <= wave.size(); n += block) {
      const View piece = wave.subspan(n, block);
      power.push_back(std::inner_product(piece.begin(), piece.end(), piece.begin(), 0.0));
    }
    Samples later(power.begin() + static_cast<std::ptrdiff_t>(power.size() / 2), power.end());
    std::nth_element(later.begin(), later.begin() + static_cast<std::ptrdiff_t>(later.size() / 2), later.end());
    const double floor = 3 * later[later.size() / 2];
    std::size_t last = 5;
    for (std::size_t i = 0; i < power.size(); ++i)
      if (power[i] > floor) last = std::max(last, i + 2);
    return std::min(last * block, wave.size() * 2 / 3);
  }

  /// A recorder's drift bends the sweep: what comes late in it comes later still, frequency by frequency, and the
  /// direct sound is smeared. The drift is the one whose removal makes it the sharpest; the treble decides, where a
  /// loudspeaker's own phase follows from its level. What bends by itself, as a horn or an ear may, gains some 15 %.
  struct Bend {
    double ppm = 0, gain = 1;
  };
  Bend drift_of_sweep(const Response& response) const {
    if (!glide_.exponential) return {};
    const std::size_t bins = upper_ / 2 + 1, step = response.size() / upper_;
    std::vector<Complex> h(bins), turned(bins);
    Samples axis(bins), power(bins), sure(bins), late(bins);
    for (std::size_t k = 0; k < bins; ++k) {
      h[k] = response.h[k * step];
      power[k] = std::norm(h[k]);
      sure[k] = response.coherence[k * step];
      axis[k] = static_cast<double>(k) * rate_ / static_cast<double>(upper_);
      late[k] = axis[k] > 0 ? glide_.time_scale_s * std::log(axis[k] / glide_.from_hz) : 0.0;
    }
    const Samples level = analysis::smooth<double>(axis, power, 1.0);
    const double loudest = *std::max_element(level.begin(), level.end());
    const RealFourier fourier(upper_);
    // What an equaliser or a box turns the phase by follows from its level (it is of minimum phase): the level's
    // cepstrum, folded. Beyond the band the level is held.
    const Samples fine = analysis::smooth<double>(axis, power, 12.0);
    const auto edge_of = [&](double hz) { return static_cast<std::size_t>(hz * static_cast<double>(upper_) / rate_); };
    const std::size_t lowest = edge_of(frequency_hz_.front()) + 2, highest = edge_of(0.95 * frequency_hz_.back());
    Samples held(bins);
    for (std::size_t k = 0; k < bins; ++k)
      held[k] = std::max(fine[std::clamp(k, lowest, highest)], 1e-12 * loudest + 1e-300);
    const Samples straight = analysis::minimum_phase(held, fourier);
    for (std::size_t k = 0; k < bins; ++k) h[k] *= std::polar(1.0, -straight[k]);
    const auto sharpness = [&](double ppm) {
      for (std::size_t k = 1; k < bins; ++k) {
        const bool counts =
            axis[k] >= kTrebleHz && axis[k] <= frequency_hz_.back() && sure[k] > 0.5 && level[k] > 1e-3 * loudest;
        turned[k] = counts ? h[k] / std::sqrt(level[k]) *
                                 std::polar(1.0, 2 * pi * std::remainder(axis[k] * late[k] * ppm * 1e-6, 1.0))
                           : 0.0;
      }
      const Samples wave = fourier.inverse(turned);
      for (Complex& c : turned) c *= Complex(0, -1);
      const Samples quarter = fourier.inverse(turned);
      double sum = 0;  // of fourth powers: the same energy in fewer samples makes more of them
      for (std::size_t n = 0; n < wave.size(); ++n) {
        const double power_here = wave[n] * wave[n] + quarter[n] * quarter[n];
        sum += power_here * power_here;
      }
      return sum;
    };
    double best = 0, height = sharpness(0);
    const double unmoved = height;
    for (double wide = 300, pace = 10; pace > 0.02; wide = 2 * pace, pace /= 5) {
      const double centre = best;
      for (double ppm = centre - wide; ppm <= centre + wide; ppm += pace)
        if (const double here = sharpness(ppm); here > height) {
          height = here;
          best = ppm;
        }
    }
    return {best, unmoved > 0 ? height / unmoved : 1.0};
  }

  /// `rest`: the direct sound's place, in samples, to be taken out. Between bins the response is that of its own wave.
  void sample(const Response& response, double rest, View frequency_hz, Heard& into) const {
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
  /// Of a wave whose later quarter is ahead of time zero.
  static Complex spectrum_at(const Samples& wave, double frequency) {
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

  double rate_;
  bool sweep_;
  TransferOptions options_;
  Glide glide_;
  std::size_t begin_ = 0, lower_ = 0, upper_ = 0;
  View all_, x_;            ///< what was sent; of what is sent twice the first
  std::size_t repeat_ = 0;  ///< samples from the first to the second; 0: it is sent once
  double split_hz_ = 0;
  Samples frequency_hz_;
};

}  // namespace

Measurement measure(const Recording& sent, std::span<const Recording> captured, const TransferOptions& options,
                    std::span<const Recording> references) {
  if (captured.empty()) throw InputError("measure: no recording of what arrived is given");
  if (!references.empty() && references.size() != captured.size())
    throw InputError("measure: a reference is wanted for each recording of what arrived, or for none");
  screen_sent(sent);
  const bool sweep = options.kind == SentKind::automatic ? is_sweep(sent.samples) : options.kind == SentKind::sweep;
  const Way way(sent, sweep, options);
  Measurement m;
  m.sample_rate_hz = sent.sample_rate_hz;
  m.captures = captured.size();
  m.kind = sweep ? "sweep" : "noise";
  m.frequency_hz = way.frequency_hz();
  const std::size_t count = m.frequency_hz.size();
  const double share = 1.0 / static_cast<double>(captured.size());
  Samples power(count, 0.0), noise_share(count, 0.0);
  std::vector<Complex> vector(count);
  m.coherence.assign(count, 0.0);
  double polarities = 0;
  const auto smoothed = [&]<class Value>(const std::vector<Value>& values) {
    return options.smoothing > 0
               ? analysis::smooth<Value>(m.frequency_hz, std::span<const Value>(values), options.smoothing)
               : values;
  };
  const auto level_of = [&](const Samples& powers) {
    Samples level_db = smoothed(powers);
    for (double& x : level_db) x = analysis::db_from_power(std::max(x, 1e-30));
    return level_db;
  };
  const auto screen = [&](const Recording& one) {
    const std::string doubt = screen_captured(one, sent);
    if (!doubt.empty()) m.warnings.push_back({"level", doubt});
  };
  m.drift_ppm = 0;
  for (std::size_t c = 0; c < captured.size(); ++c) {
    const Recording& one = captured[c];
    screen(one);
    std::optional<Way::Heard> reference;
    if (!references.empty()) {
      screen(references[c]);
      reference = way.hear(references[c], Way::By::cable);
    }
    Way::Heard heard = way.hear(one, Way::By::loudspeaker, reference ? &reference->drift : nullptr);
    if (reference) {
      heard.facts.arrival_ms -= reference->facts.arrival_ms;
      heard.facts.arrival_error_ms += 1e3 * reference->time_error_s;
    }
    m.warnings.insert(m.warnings.end(), heard.warnings.begin(), heard.warnings.end());
    Samples own_power(count);
    for (std::size_t i = 0; i < count; ++i) {
      own_power[i] = std::norm(heard.h[i]);
      power[i] += share * own_power[i];
      vector[i] += heard.h[i];
      m.coherence[i] += share * heard.coherence[i];
      noise_share[i] += share * share * heard.noise_share[i];
    }
    m.arrival_ms += share * heard.facts.arrival_ms;
    m.arrival_error_ms = std::max(m.arrival_error_ms, heard.facts.arrival_error_ms);
    m.clock_error_ms = std::max(m.clock_error_ms, heard.clock_error_ms);
    if (m.drift_ppm && heard.facts.drift_ppm)
      *m.drift_ppm += share * *heard.facts.drift_ppm;
    else
      m.drift_ppm.reset();
    polarities += heard.facts.polarity;
    heard.facts.magnitude_db = level_of(own_power);
    heard.facts.coherence = smoothed(heard.coherence);
    m.each.push_back(heard.facts);
  }
  const bool all_told = std::ranges::all_of(m.each, [](const Capture& one) { return one.polarity != 0; });
  m.polarity = !all_told || polarities == 0 ? 0 : polarities < 0 ? -1 : 1;
  if (options.smoothing > 0) m.smoothing = fmt::format("1/{:g}", options.smoothing);
  m.magnitude_db = level_of(power);
  const Played played = played_band(m, power);
  for (const double noise : analysis::smooth<double>(m.frequency_hz, noise_share, 1.0))
    m.magnitude_error_db.push_back(
        std::min(kMostMagnitudeError_db, 2 * analysis::kDecibelsPerNeper * std::sqrt(noise / 2)));
  m.coherence = smoothed(m.coherence);
  warn_of_noise(m, played);
  for (const Complex& value : smoothed(vector)) m.phase_deg.push_back(std::arg(value) * 180 / pi);
  const auto warn_if = [&](bool is, const char* code, const std::string& text) {
    if (is) m.warnings.push_back({code, text});
  };
  warn_if(all_told && std::abs(polarities) < static_cast<double>(captured.size()), "polarity",
          "the captures do not agree on the polarity: was a cable turned, or the direct sound hidden at one place?");
  warn_if(m.arrival_ms < -0.01 && references.empty(), "arrival",
          fmt::format("the recording began after the sound had left: an arrival of {:.3f} ms is no time of flight",
                      m.arrival_ms));
  warn_if(sweep && references.empty() && !way.sent_twice() && m.drift_ppm.value_or(0) != 0, "drift-of-a-sweep",
          "one sweep does not tell a recorder's drift from phase for sure: where player and recorder are two devices, "
          "send it twice (rackproof stimulus sweep --twice), or send noise");
  return m;
}

}  // namespace rackproof::tune
