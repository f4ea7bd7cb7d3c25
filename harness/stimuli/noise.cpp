#include "harness/stimuli/noise.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

namespace rackproof::stimuli {
namespace {
using std::numbers::pi;

// ln x for 0 < x: 2 artanh((m-1)/(m+1)), with m within a factor sqrt(2) of 1. Additions, products and one quotient.
double logarithm(double x) {
  int exponent = 0;
  double mantissa = std::frexp(x, &exponent);
  if (mantissa < 0.70710678118654752) {
    mantissa *= 2.0;
    --exponent;
  }
  const double z = (mantissa - 1.0) / (mantissa + 1.0), square = z * z;
  double sum = 0.0;
  for (int k = 21; k >= 1; k -= 2) sum = sum * square + 1.0 / k;
  return 2.0 * z * sum + exponent * 0.69314718055994530942;
}

class WhiteNoise final : public Generator {
 public:
  explicit WhiteNoise(std::uint32_t seed) : bits_(seed) {}
  void fill(std::span<double> out) override {
    for (double& x : out) x = next();
  }

 private:
  double uniform() { return (2.0 * static_cast<double>(bits_()) + 1.0) / 4294967296.0 - 1.0; }
  double next() {
    if (spare_ready_) return spare_ready_ = false, spare_;
    for (;;) {
      const double u = uniform(), v = uniform(), s = u * u + v * v;
      if (s >= 1.0) continue;
      const double factor = std::sqrt(-2.0 * logarithm(s) / s);
      spare_ = v * factor;
      spare_ready_ = true;
      return u * factor;
    }
  }
  std::mt19937 bits_;
  double spare_ = 0;
  bool spare_ready_ = false;
};

class Filtered final : public Generator {
 public:
  Filtered(Signal source, std::vector<FirstOrder> sections)
      : source_(std::move(source)), sections_(std::move(sections)), states_(sections_.size()) {}
  void fill(std::span<double> out) override {
    source_->fill(out);
    for (std::size_t i = 0; i < sections_.size(); ++i) {
      const FirstOrder s = sections_[i];
      double state = states_[i];
      for (double& x : out) {
        const double y = s.b0 * x + state;
        state = s.b1 * x - s.a1 * y;
        x = y;
      }
      states_[i] = state;
    }
  }

 private:
  Signal source_;
  std::vector<FirstOrder> sections_;
  std::vector<double> states_;
};

double power_of(std::span<const FirstOrder> sections, double frequency) {
  double power = 1.0;
  for (const FirstOrder& s : sections) power *= s.power_at(frequency);
  return power;
}
void multiply(std::vector<FirstOrder>& sections, double gain) {
  if (sections.empty()) return;
  sections.front().b0 *= gain;
  sections.front().b1 *= gain;
}
// (s + zero) / (s + pole), s = (1 - 1/z) / (1 + 1/z)
FirstOrder bilinear(double zero, double pole) {
  return {(1.0 + zero) / (1.0 + pole), (zero - 1.0) / (1.0 + pole), (pole - 1.0) / (1.0 + pole)};
}
}  // namespace

Signal uniform_noise(std::uint32_t seed) {
  return formula([bits = std::minstd_rand(seed)](std::uint64_t) mutable {
    return 2.0 * static_cast<double>(bits()) / 2147483647.0 - 1.0;
  });
}
Signal white_noise(std::uint32_t seed) { return std::make_unique<WhiteNoise>(seed); }
Signal filtered(Signal source, std::vector<FirstOrder> sections) {
  return std::make_unique<Filtered>(std::move(source), std::move(sections));
}

double FirstOrder::power_at(double frequency) const {
  // |b0 + b1 e^(-jw)|^2 = (b0 + b1)^2 - b0 b1 4 sin^2(w/2): nothing is lost near 0 Hz
  const double rise = 4.0 * std::sin(pi * frequency) * std::sin(pi * frequency);
  return ((b0 + b1) * (b0 + b1) - b0 * b1 * rise) / ((1.0 + a1) * (1.0 + a1) - a1 * rise);
}

std::vector<FirstOrder> pink_sections(double sample_rate_hz) {
  // Half of each octave falls by the 6 dB an octave that a pole gives. Next to half the sample rate, where the warped
  // axis runs away within an octave, the two upper sections are moved to where a least-ripple fit puts them.
  static constexpr double kFitted[2][2] = {{1.0121, 0.8826}, {0.8928, 0.9928}};
  std::vector<FirstOrder> sections;
  for (double at_hz = 0.5 * sample_rate_hz / std::sqrt(2.0); at_hz > 1.0; at_hz *= 0.5) {
    const double middle = std::tan(pi * at_hz / sample_rate_hz), flank = std::sqrt(std::sqrt(2.0));
    const std::size_t i = sections.size();
    const double pole = middle / flank * (i < 2 ? kFitted[i][0] : 1.0);
    sections.push_back(bilinear(middle * flank * (i < 2 ? kFitted[i][1] : 1.0), pole));
  }
  // To RMS 1 for white noise of RMS 1: the mean of |H|^2, by the trapezoid in log frequency, flat below the last pole.
  constexpr int kSteps = 8192;
  const double lowest = 1e-7, ratio = std::log(0.5 / lowest) / kSteps;
  double mean = 2.0 * lowest * power_of(sections, lowest);
  for (int i = 0; i <= kSteps; ++i) {
    const double f = lowest * std::exp(ratio * i);
    mean += 2.0 * f * ratio * power_of(sections, f) * (i == 0 || i == kSteps ? 0.5 : 1.0);
  }
  multiply(sections, 1.0 / std::sqrt(mean));
  return sections;
}

Signal pink_noise(double sample_rate_hz, std::uint32_t seed) {
  Signal pink = filtered(white_noise(seed), pink_sections(sample_rate_hz));
  std::vector<double> run_in(4096);
  for (double frames = sample_rate_hz; frames > 0; frames -= static_cast<double>(run_in.size())) pink->fill(run_in);
  return pink;
}

CrestClip clip_for_crest(double crest_factor) {
  if (!(crest_factor > 1.0)) throw std::invalid_argument("a crest factor above 1 (0 dB)");
  const auto clip_at = [](double c) {
    const double beyond = std::erfc(c / std::sqrt(2.0));
    const double inside = 1.0 - beyond - std::sqrt(2.0 / pi) * c * std::exp(-0.5 * c * c);
    return CrestClip{c, std::sqrt(inside + c * c * beyond), beyond};
  };
  double low = 0.0, high = crest_factor;  // c / rms grows with c; rms is at most 1
  for (int i = 0; i < 100; ++i) {
    const double middle = 0.5 * (low + high);
    (middle / clip_at(middle).rms < crest_factor ? low : high) = middle;
  }
  return clip_at(high);
}
Signal with_crest_factor(Signal noise, double crest_factor) {
  const CrestClip clip = clip_for_crest(crest_factor);
  return scaled(clipped(std::move(noise), clip.ceiling), 1.0 / clip.rms);
}

std::vector<FirstOrder> programme_sections(double sample_rate_hz) {
  std::vector<FirstOrder> sections;
  for (const double corner_hz : {20.5, 31.3, 31.3})
    sections.push_back(bilinear(0.0, std::tan(pi * corner_hz / sample_rate_hz)));
  for (const double corner_hz : {4100.0, 8820.0}) {
    // The bilinear transform would fall too fast at the top: the pole kept, the magnitude as wanted at 0 Hz and
    // kMatched.
    constexpr double kMatchedHz = 12500.0;
    FirstOrder s{1.0, 0.0, -std::exp(-2.0 * pi * corner_hz / sample_rate_hz)};
    const double wanted = 1.0 / (1.0 + kMatchedHz * kMatchedHz / (corner_hz * corner_hz));
    const double power = wanted / s.power_at(kMatchedHz / sample_rate_hz), sum = 1.0 + s.a1;
    const double sine = std::sin(pi * kMatchedHz / sample_rate_hz);
    const double product = (sum * sum - power) / (4.0 * sine * sine);
    s.b0 = 0.5 * (sum + std::sqrt(sum * sum - 4.0 * product));
    s.b1 = sum - s.b0;
    sections.push_back(s);
  }
  multiply(sections, 1.0 / std::sqrt(power_of(sections, 500.0 / sample_rate_hz)));
  return sections;
}

}  // namespace rackproof::stimuli
