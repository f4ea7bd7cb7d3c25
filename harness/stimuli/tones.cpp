#include "harness/stimuli/tones.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <numeric>
#include <stdexcept>

namespace rackproof::stimuli {
namespace {
using std::numbers::pi;

// The angle of `frequency` (cycles a sample) at frame n, within a turn.
double angle_at(double frequency, double phase_rad, std::uint64_t n) {
  const double turns = frequency * static_cast<double>(n);
  return 2.0 * pi * (turns - std::floor(turns)) + phase_rad;
}
double cycles_a_sample(double frequency_hz, double sample_rate_hz) {
  const double frequency = frequency_hz / sample_rate_hz;
  if (!(frequency >= 0.0 && frequency <= 0.5)) throw std::invalid_argument("a tone above half the sample rate");
  return frequency;
}
template <class Wave>
Signal periodic(const Tone& tone, double sample_rate_hz, Wave wave) {
  const double frequency = cycles_a_sample(tone.frequency_hz, sample_rate_hz);
  return formula([=](std::uint64_t n) { return tone.amplitude * wave(angle_at(frequency, tone.phase_rad, n)); });
}
double raised_cosine(double share) { return 0.5 - 0.5 * std::cos(pi * share); }
}  // namespace

Signal sine(const Tone& tone, double sample_rate_hz) {
  return periodic(tone, sample_rate_hz, [](double angle) { return std::sin(angle); });
}

Signal multi_tone(std::vector<Tone> tones, double sample_rate_hz) {
  for (const Tone& tone : tones) cycles_a_sample(tone.frequency_hz, sample_rate_hz);
  return formula([tones = std::move(tones), sample_rate_hz](std::uint64_t n) {
    return std::accumulate(tones.begin(), tones.end(), 0.0, [&](double sum, const Tone& tone) {
      return sum + tone.amplitude * std::sin(angle_at(tone.frequency_hz / sample_rate_hz, tone.phase_rad, n));
    });
  });
}

Signal square(const Tone& tone, double sample_rate_hz) {
  // By the turn, not by the sine: sin(pi) is not quite 0, and which way would be chance.
  return periodic(tone, sample_rate_hz, [](double angle) {
    const double turns = angle / (2.0 * pi);
    return turns - std::floor(turns) < 0.5 ? 1.0 : -1.0;
  });
}

Signal band_limited_square(const Tone& tone, double sample_rate_hz) {
  const double frequency = cycles_a_sample(tone.frequency_hz, sample_rate_hz);
  if (!(frequency > 0)) throw std::invalid_argument("a square wave above 0 Hz");
  const auto harmonics = static_cast<std::size_t>(std::ceil(0.5 / frequency - 1e-9)) - 1;  // below half the rate
  return periodic(tone, sample_rate_hz, [harmonics](double angle) {
    // sin((k+2) x) = 2 cos(2x) sin(k x) - sin((k-2) x), from sin(-x) and sin(x)
    double before = -std::sin(angle), here = std::sin(angle), sum = 0.0;
    const double twice = 2.0 * std::cos(2.0 * angle);
    for (std::size_t k = 1; k <= harmonics; k += 2) {
      sum += here / static_cast<double>(k);
      before = std::exchange(here, twice * here - before);
    }
    return 4.0 / pi * sum;
  });
}

Signal step(std::uint64_t at, double before, double after) {
  return formula([=](std::uint64_t n) { return n < at ? before : after; });
}

Signal burst(const Burst& b, double sample_rate_hz) {
  const double frequency = cycles_a_sample(b.tone.frequency_hz, sample_rate_hz);
  if (2 * b.flank_frames > b.frames) throw std::invalid_argument("the flanks of a burst must fit into it");
  if (b.period_frames != 0 && b.period_frames < b.frames) throw std::invalid_argument("bursts that overlap");
  return formula([=](std::uint64_t n) {
    if (n < b.start_frame) return 0.0;
    const std::uint64_t at = b.period_frames == 0 ? n - b.start_frame : (n - b.start_frame) % b.period_frames;
    if (at >= b.frames) return 0.0;
    const std::uint64_t from_edge = std::min(at, b.frames - 1 - at);
    const double flank = from_edge >= b.flank_frames
                             ? 1.0
                             : raised_cosine(static_cast<double>(from_edge) / static_cast<double>(b.flank_frames));
    return b.tone.amplitude * flank * std::sin(angle_at(frequency, b.tone.phase_rad, at));
  });
}

Signal click(const Click& c) {
  const double top = std::cyl_bessel_i(0.0, c.kaiser_beta);
  return formula([=](std::uint64_t n) {
    const double t = static_cast<double>(n) - c.at, share = t / c.half_width;
    if (std::abs(share) >= 1.0) return 0.0;
    const double window = std::cyl_bessel_i(0.0, c.kaiser_beta * std::sqrt(1.0 - share * share)) / top;
    const double x = pi * c.band * t;
    return c.amplitude * window * (std::abs(x) < 1e-8 ? 1.0 : std::sin(x) / x);
  });
}

double Sweep::time_scale_s() const { return static_cast<double>(frames) / sample_rate_hz / std::log(to_hz / from_hz); }
double Sweep::harmonic_advance_s(int k) const { return time_scale_s() * std::log(static_cast<double>(k)); }

Signal sweep(const Sweep& s) {
  if (!(s.from_hz > 0 && s.to_hz > s.from_hz && s.to_hz <= 0.5 * s.sample_rate_hz))
    throw std::invalid_argument("a sweep goes up, from above 0 Hz to at most half the sample rate");
  const double scale = s.time_scale_s();
  return formula([=](std::uint64_t n) {
    if (n >= s.frames) return 0.0;
    const double turns = s.from_hz * scale * std::expm1(static_cast<double>(n) / s.sample_rate_hz / scale);
    return s.amplitude * std::sin(2.0 * pi * (turns - std::floor(turns)));
  });
}

std::vector<double> inverse_sweep(const Sweep& s) {
  std::vector<double> inverse = take(sweep(s), s.frames);
  std::reverse(inverse.begin(), inverse.end());
  const double decay = 1.0 / (s.time_scale_s() * s.sample_rate_hz);
  for (std::size_t n = 0; n < inverse.size(); ++n) inverse[n] *= std::exp(-static_cast<double>(n) * decay);
  return inverse;
}

double sweep_deconvolution_gain(const Sweep& s) {
  return s.amplitude * s.amplitude * s.sample_rate_hz * s.sample_rate_hz * s.time_scale_s() / (4.0 * s.to_hz);
}

Signal maximum_length_sequence(int order) {
  // s[n + order] = s[n] ^ s[n + t] for each t: primitive polynomials over GF(2) with the fewest terms.
  static constexpr std::array<std::array<int, 3>, 19> kTaps{{{1},
                                                             {2},
                                                             {3},
                                                             {3},
                                                             {5},
                                                             {6},
                                                             {7, 6, 1},
                                                             {5},
                                                             {7},
                                                             {9},
                                                             {11, 10, 4},
                                                             {12, 11, 8},
                                                             {13, 12, 2},
                                                             {14},
                                                             {15, 13, 4},
                                                             {14},
                                                             {11},
                                                             {18, 17, 14},
                                                             {17}}};
  if (order < 2 || order > 20) throw std::invalid_argument("a maximum-length sequence of order 2 to 20");
  const std::array<int, 3>& taps = kTaps[static_cast<std::size_t>(order - 2)];
  std::uint32_t state = (1u << order) - 1u;  // bit k is s[n + k]
  return formula([=](std::uint64_t) mutable {
    const std::uint32_t now = state & 1u;
    std::uint32_t next = now;
    for (const int tap : taps)
      if (tap != 0) next ^= (state >> tap) & 1u;
    state = (state >> 1) | (next << (order - 1));
    return now != 0u ? 1.0 : -1.0;
  });
}

std::vector<double> worst_case(std::span<const double> h) {
  std::vector<double> input(h.size());
  std::transform(h.rbegin(), h.rend(), input.begin(), [](double x) { return std::copysign(1.0, x); });
  return input;
}
double worst_case_peak(std::span<const double> h) {
  return std::accumulate(h.begin(), h.end(), 0.0, [](double sum, double x) { return sum + std::abs(x); });
}

}  // namespace rackproof::stimuli
