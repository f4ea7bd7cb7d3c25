#include "dsp/design/exact_section.hpp"

#include "dsp/design/response.hpp"

namespace rackproof::dsp {
namespace {

/// The exact response about the resonance, to hold candidates against. Frequencies by their warped distance from it.
class Target {
 public:
  explicit Target(const ExactSection& s) noexcept {
    const double g = s.cross / s.rate, k = (s.damp - s.cross) / s.rate;
    const double apart[kPoints] = {1.0 / 8.0, 1.0 / (1.0 + k), 1.0, 1.0 + k, 8.0};
    for (int i = 0; i < kPoints; ++i) {
      frequency_[i] = std::atan(g * apart[i]) / std::numbers::pi;
      wanted_[i] = response(s, frequency_[i], 1.0);
    }
  }
  double worst_error(const Section& s) const noexcept {
    double worst = 0.0;
    for (int i = 0; i < kPoints; ++i) worst = std::fmax(worst, std::abs(response(s, frequency_[i], 1.0) - wanted_[i]));
    return worst;
  }

 private:
  static constexpr int kPoints = 5;
  double frequency_[kPoints];
  std::complex<double> wanted_[kPoints];
};

float stepped(float x, int steps) noexcept {
  for (; steps > 0; --steps) x = std::nextafter(x, std::numeric_limits<float>::infinity());
  for (; steps < 0; ++steps) x = std::nextafter(x, -std::numeric_limits<float>::infinity());
  return x;
}

}  // namespace

Section rounded(const ExactSection& e) noexcept {
  const Section plain = nearest(e);
  if (!is_stable(plain) || plain.rate == 0.0f || plain.cross < std::numeric_limits<float>::min()) return plain;
  const Target target(e);
  Section best = plain;
  double least = target.worst_error(plain);
  for (int rate_step = -1; rate_step <= 1; ++rate_step) {
    // Both sums kept: damp + cross and, with the rounded rate, damp cross. `damp` is the greater root of the two.
    const float rate_single = stepped(plain.rate, rate_step);
    const double rate = static_cast<double>(rate_single);
    const double product = e.damp * e.cross + (e.rate - rate) * (e.rate + rate);
    const double half = 0.5 * (e.damp + e.cross);
    const double damp_wanted = half + std::sqrt(std::fmax(half * half - product, 0.0));
    for (int damp_step = -1; damp_step <= 1; ++damp_step) {
      Section s = plain;
      s.rate = rate_single;
      s.damp = stepped(static_cast<float>(damp_wanted), damp_step);
      const double damp = static_cast<double>(s.damp);
      s.cross = static_cast<float>(product / damp);
      s.mix_1 = static_cast<float>((e.mix_1 * e.rate + (e.mix_v * e.damp - static_cast<double>(s.mix_v) * damp) +
                                    e.mix_2 * (e.cross - static_cast<double>(s.cross))) /
                                   rate);
      const double error = target.worst_error(s);
      if (is_stable(s) && s.cross >= std::numeric_limits<float>::min() && error < least) {
        best = s;
        least = error;
      }
    }
  }
  return best;
}

SectionList rounded(const ExactList& list) noexcept {
  SectionList result;
  for (const ExactSection& s : list.view()) result.push(rounded(s));
  return result;
}

bool is_usable(const ExactSection& s) noexcept {
  const Section r = nearest(s);
  const auto mixes = std::fabs(r.mix_v) + std::fabs(r.mix_1) + std::fabs(r.mix_2);
  return std::isfinite(mixes) && is_stable(r) && (s.rate == 0.0 || r.cross >= std::numeric_limits<float>::min());
}

}  // namespace rackproof::dsp
