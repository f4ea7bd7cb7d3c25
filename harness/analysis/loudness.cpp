#include "harness/analysis/loudness.hpp"

#include <algorithm>
#include <cmath>

namespace rackproof::analysis {
namespace {

constexpr double kOffset_db = -0.691, kAbsoluteGate = -70, kRelativeGate = -10;  // BS.1770-5, Annex 1
constexpr double kLowest = -200, kStep = 0.01;                                   ///< of the histogram
constexpr std::size_t kLoudnessBins = 40000;                                     ///< up to +200

double lufs_of(double power) { return kOffset_db + 10 * std::log10(power); }

}  // namespace

double LoudnessMeter::Section::step(double x, std::size_t channel) {
  auto& s = state[channel];
  const double y = b0 * x + s[0];
  s[0] = b1 * x - a1 * y + s[1];
  s[1] = b2 * x - a2 * y;
  return y;
}

/// (b0 + b1/z + b2/z^2) over the like, in s = (z - 1) / (z + 1) is a quotient of (sum) + 2 (ends apart) s + (alternating
/// sum) s^2. A frequency stands at s = j tan(pi f / rate): at another rate s is scaled so that the section's own
/// frequency, the root of its denominator's ends, stays where it is.
LoudnessMeter::Section LoudnessMeter::at_rate(const Section& at_48k, double sample_rate_hz) {
  struct Polynomial {
    double c0, c1, c2;
  };
  const auto analogue = [](double x0, double x1, double x2) {
    return Polynomial{x0 + x1 + x2, 2 * (x0 - x2), x0 - x1 + x2};
  };
  const Polynomial below = analogue(1, at_48k.a1, at_48k.a2), above = analogue(at_48k.b0, at_48k.b1, at_48k.b2);
  const double own = std::sqrt(below.c0 / below.c2);
  const double k = own / std::tan(std::atan(own) * 48000 / sample_rate_hz);
  const auto digital = [k](const Polynomial& p) {
    const double c1 = p.c1 * k, c2 = p.c2 * k * k;
    return Polynomial{p.c0 + c1 + c2, 2 * (p.c0 - c2), p.c0 - c1 + c2};
  };
  const Polynomial b = digital(above), a = digital(below);
  Section section;
  section.b0 = b.c0 / a.c0;
  section.b1 = b.c1 / a.c0;
  section.b2 = b.c2 / a.c0;
  section.a1 = a.c1 / a.c0;
  section.a2 = a.c2 / a.c0;
  return section;
}

LoudnessMeter::LoudnessMeter(double sample_rate_hz)
    : quarter_frames_(static_cast<std::size_t>(std::lround(sample_rate_hz / 10))), bins_(kLoudnessBins) {
  // BS.1770-5, Annex 1, tables 1 and 2.
  Section shelf, high_pass;
  shelf.b0 = 1.53512485958697;
  shelf.b1 = -2.69169618940638;
  shelf.b2 = 1.19839281085285;
  shelf.a1 = -1.69065929318241;
  shelf.a2 = 0.73248077421585;
  high_pass.b0 = 1;
  high_pass.b1 = -2;
  high_pass.b2 = 1;
  high_pass.a1 = -1.99004745483398;
  high_pass.a2 = 0.99007225036621;
  weighting_ = {at_rate(shelf, sample_rate_hz), at_rate(high_pass, sample_rate_hz)};
}

void LoudnessMeter::add(std::span<const float> stereo) {
  for (std::size_t n = 0; n + 1 < stereo.size(); n += 2) {
    for (std::size_t channel = 0; channel < 2; ++channel) {
      const double x = static_cast<double>(stereo[n + channel]);
      const double y = weighting_[1].step(weighting_[0].step(x, channel), channel);
      power_ += y * y;
    }
    if (++frames_ == quarter_frames_) close_quarter();
  }
}

void LoudnessMeter::close_quarter() {
  quarters_[quarters_seen_ % quarters_.size()] = power_ / static_cast<double>(quarter_frames_);
  ++quarters_seen_;
  power_ = 0;
  frames_ = 0;
  if (quarters_seen_ < quarters_.size()) return;
  double power = 0;
  for (const double quarter : quarters_) power += quarter / static_cast<double>(quarters_.size());
  if (!(power > 0)) return;
  const double place = (lufs_of(power) - kLowest) / kStep;
  if (place < 0) return;
  Bin& bin = bins_[std::min(static_cast<std::size_t>(place), kLoudnessBins - 1)];
  ++bin.blocks;
  bin.power += power;
}

std::optional<double> LoudnessMeter::gated(double least_lufs) const {
  const double place = std::clamp(std::round((least_lufs - kLowest) / kStep), 0.0, double{kLoudnessBins});
  std::uint64_t blocks = 0;
  double power = 0;
  for (std::size_t b = static_cast<std::size_t>(place); b < kLoudnessBins; ++b) {
    blocks += bins_[b].blocks;
    power += bins_[b].power;
  }
  if (blocks == 0) return std::nullopt;
  return lufs_of(power / static_cast<double>(blocks));
}

std::optional<double> LoudnessMeter::lufs(double gain_db) const {
  const std::optional<double> all = gated(kAbsoluteGate - gain_db);
  if (!all) return std::nullopt;
  const std::optional<double> loud = gated(std::max(kAbsoluteGate - gain_db, *all + kRelativeGate));
  if (!loud) return std::nullopt;
  return *loud + gain_db;
}

std::optional<double> LoudnessMeter::gain_to(double wanted) const {
  // Where the gate at -70 LUFS lies hangs on the gain itself: from the loudest scale down it settles at once.
  double gain_db = 1000;
  for (int round = 0; round < 8; ++round) {
    const std::optional<double> now = lufs(gain_db);
    if (!now) return std::nullopt;
    gain_db += wanted - *now;
    if (std::abs(wanted - *now) < 1e-9) break;
  }
  return gain_db;
}

}  // namespace rackproof::analysis
