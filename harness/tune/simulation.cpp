#include "harness/tune/simulation.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/analysis/phasor.hpp"
#include "harness/analysis/response.hpp"
#include "harness/rig/rig.hpp"
#include "harness/stimuli/noise.hpp"

namespace rackproof::tune {
namespace {
using Complex = std::complex<double>;
using std::numbers::pi;

/// Converters and microphone: open to 0.42 of the sample rate, shut at 0.49, with no edge that would ring for long.
double passed(double frequency) {
  const double share = std::clamp((frequency - 0.42) / 0.07, 0.0, 1.0);
  return 0.5 + 0.5 * std::cos(pi * share);
}
/// Second-order Butterworth: low-pass where `high` is false. s = jf/fc.
Complex edge(double ratio, bool high) {
  const Complex s(0, ratio), denominator = s * s + std::numbers::sqrt2 * s + 1.0;
  return (high ? s * s : 1.0) / denominator;
}
double distance(const Point3& a, const Point3& b) { return std::hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]); }

/// The signal at times n / (1 + drift), by a windowed sinc.
std::vector<double> on_another_clock(const std::vector<double>& signal, double drift) {
  constexpr int kHalf = 48;
  constexpr double kBeta = 12;
  const double top = std::cyl_bessel_i(0.0, kBeta);
  // The kernel in steps of 1/512 sample, between them a straight line: -110 dB.
  constexpr int kSteps = 512;
  std::vector<double> kernel(static_cast<std::size_t>(kHalf) * kSteps + 2, 0.0);
  for (std::size_t i = 0; i < kernel.size(); ++i) {
    const double t = static_cast<double>(i) / kSteps, share = t / kHalf;
    if (share >= 1) continue;
    kernel[i] = std::cyl_bessel_i(0.0, kBeta * std::sqrt(1 - share * share)) / top *
                (t == 0 ? 1.0 : std::sin(pi * t) / (pi * t));
  }
  const auto last = static_cast<std::ptrdiff_t>(signal.size()) - 1;
  std::vector<double> result(static_cast<std::size_t>(static_cast<double>(signal.size()) * (1 + drift)));
  for (std::size_t n = 0; n < result.size(); ++n) {
    const double at = static_cast<double>(n) / (1 + drift);
    const auto centre = static_cast<std::ptrdiff_t>(at);
    for (std::ptrdiff_t k = std::max<std::ptrdiff_t>(0, centre - kHalf + 1); k <= std::min(last, centre + kHalf); ++k) {
      const double place = std::abs(at - static_cast<double>(k)) * kSteps;
      const auto i = static_cast<std::size_t>(place);
      const double share = place - static_cast<double>(i);
      if (i + 1 < kernel.size())
        result[n] += signal[static_cast<std::size_t>(k)] * (kernel[i] + share * (kernel[i + 1] - kernel[i]));
    }
  }
  return result;
}
}  // namespace

std::vector<SoundPath> field_paths(const Point3& source, const Point3& microphone, double ground,
                                   double temperature_degc) {
  const double speed = rig::speed_of_sound(temperature_degc), direct = distance(source, microphone);
  std::vector<SoundPath> paths{{direct / speed, 1 / direct}};
  if (ground > 0) {
    const double mirrored = distance({source[0], source[1], -source[2]}, microphone);
    paths.push_back({mirrored / speed, ground / mirrored});
  }
  return paths;
}

std::vector<SoundPath> room_paths(const Room& room, const Point3& source, const Point3& microphone) {
  // Along an axis the image of number n stands at n L + (n even ? s : L - s), behind |n| walls, by turns either one.
  struct Image {
    double offset, gain;
    int walls;
  };
  std::array<std::vector<Image>, 3> images;
  for (std::size_t axis = 0; axis < 3; ++axis)
    for (int n = -room.order; n <= room.order; ++n) {
      const double length = room.size[axis];
      const double place = n * length + (n % 2 == 0 ? source[axis] : length - source[axis]);
      const int walls = std::abs(n), near = n > 0 ? walls / 2 : (walls + 1) / 2;  // n > 0: the far wall first
      images[axis].push_back(
          {place - microphone[axis],
           std::pow(room.reflection[2 * axis], near) * std::pow(room.reflection[2 * axis + 1], walls - near), walls});
    }
  std::vector<SoundPath> paths;
  const double speed = rig::speed_of_sound(room.temperature_degc);
  for (const Image& x : images[0])
    for (const Image& y : images[1])
      for (const Image& z : images[2]) {
        if (x.walls + y.walls + z.walls > room.order) continue;
        const double way = std::hypot(x.offset, y.offset, z.offset), gain = x.gain * y.gain * z.gain / way;
        if (gain != 0) paths.push_back({way / speed, gain});
      }
  std::sort(paths.begin(), paths.end(), [](const SoundPath& a, const SoundPath& b) { return a.delay_s < b.delay_s; });
  return paths;
}

namespace {
Complex driver_response(const SimulatedDriver& driver, const analysis::LinearPath& colour, double frequency_hz,
                        double sample_rate_hz) {
  Complex h = driver.polarity * analysis::ratio_from_db(driver.gain_db) * passed(frequency_hz / sample_rate_hz);
  if (driver.from_hz > 0) h *= edge(frequency_hz / driver.from_hz, true);
  if (driver.to_hz > 0) h *= edge(frequency_hz / driver.to_hz, false);
  if (frequency_hz > 0) h *= colour.at(frequency_hz / sample_rate_hz).value;
  return h * std::polar(1.0, -2 * pi * std::remainder(frequency_hz * driver.delay_s, 1.0));
}
}  // namespace

std::complex<double> transfer(const SimulatedDriver& driver, std::span<const SoundPath> paths, double frequency_hz,
                              double sample_rate_hz) {
  Complex sum = 0;
  for (const SoundPath& path : paths)
    sum += std::polar(path.gain, -2 * pi * std::remainder(frequency_hz * path.delay_s, 1.0));
  return sum * driver_response(driver, analysis::LinearPath(std::span<const dsp::Biquad>(driver.colour)), frequency_hz,
                               sample_rate_hz);
}

std::vector<double> impulse_response(const SimulatedDriver& driver, std::span<const SoundPath> paths,
                                     std::size_t frames, double sample_rate_hz) {
  const analysis::RealFourier fourier(frames);
  const double step_hz = sample_rate_hz / static_cast<double>(frames);
  std::vector<Complex> spectrum(fourier.bins());
  for (const SoundPath& path : paths) {
    analysis::Phasor rotation(-step_hz * path.delay_s, 0, path.gain);
    for (Complex& bin : spectrum) {
      bin += *rotation;
      ++rotation;
    }
  }
  const analysis::LinearPath colour{std::span<const dsp::Biquad>(driver.colour)};
  for (std::size_t k = 0; k < spectrum.size(); ++k)
    spectrum[k] *= driver_response(driver, colour, static_cast<double>(k) * step_hz, sample_rate_hz);
  if (driver.from_hz <= 0) spectrum[0] = spectrum[1].real();  // colours are not asked at 0 Hz
  return fourier.inverse(spectrum);
}

std::vector<double> record(std::span<const std::vector<double>> sent, std::span<const std::vector<double>> responses,
                           const Recorder& recorder, double sample_rate_hz) {
  if (sent.size() != responses.size()) throw std::invalid_argument("a response for each signal that is sent");
  std::size_t frames = 0;
  for (const std::vector<double>& signal : sent) frames = std::max(frames, signal.size());
  std::vector<double> heard(frames + recorder.tail_frames, 0.0);
  for (std::size_t i = 0; i < sent.size(); ++i) {
    const std::vector<double> wave = analysis::convolve(sent[i], responses[i]);
    for (std::size_t n = 0; n < std::min(heard.size(), wave.size()); ++n) heard[n] += wave[n];
  }
  if (recorder.drift_ppm != 0) heard = on_another_clock(heard, recorder.drift_ppm * 1e-6);
  const stimuli::Signal noise = stimuli::pink_noise(sample_rate_hz, recorder.seed);
  const std::vector<double> hiss = stimuli::take(noise, recorder.noise_rms > 0 ? heard.size() : 0);
  for (std::size_t n = 0; n < hiss.size(); ++n) heard[n] += recorder.noise_rms * hiss[n];
  for (double& x : heard) {
    x *= recorder.gain;
    if (recorder.full_scale > 0) x = std::clamp(x, -recorder.full_scale, recorder.full_scale);
  }
  return heard;
}

}  // namespace rackproof::tune
