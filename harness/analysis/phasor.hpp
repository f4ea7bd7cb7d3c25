#pragma once
/// A turn that goes on evenly: `magnitude` e^(2 pi j turns n) for n = first, first + 1, ...
/// Claim    each value errs by less than 2e-13 of the magnitude, however long it goes on.
/// Method   a product a step; renewed from its place every kRenewal steps. Up to then each product adds at most 7e-16: its
///          own rounding (sqrt(5) times 1.1e-16) and that of the turn.
#include <cmath>
#include <complex>
#include <cstdint>
#include <numbers>

namespace rackproof::analysis {

class Phasor {
 public:
  static constexpr std::uint32_t kRenewal = 256;

  explicit Phasor(double turns, double first = 0, double magnitude = 1)
      : turns_(turns),
        at_(first),
        magnitude_(magnitude),
        turn_re_(std::cos(2 * std::numbers::pi * turns)),
        turn_im_(std::sin(2 * std::numbers::pi * turns)) {
    renew();
  }
  double re() const { return re_; }
  double im() const { return im_; }
  std::complex<double> operator*() const { return {re_, im_}; }
  Phasor& operator++() {
    ++at_;
    if (++steps_ == kRenewal) {
      renew();
      return *this;
    }
    const double re = re_ * turn_re_ - im_ * turn_im_;
    im_ = re_ * turn_im_ + im_ * turn_re_;
    re_ = re;
    return *this;
  }
  /// Goes on from n = `place`.
  void jump(double place) {
    at_ = place;
    renew();
  }

 private:
  void renew() {
    const double phase = 2 * std::numbers::pi * std::remainder(turns_ * at_, 1.0);
    re_ = magnitude_ * std::cos(phase);
    im_ = magnitude_ * std::sin(phase);
    steps_ = 0;
  }

  double turns_, at_, magnitude_;
  double turn_re_, turn_im_;
  double re_ = 1, im_ = 0;
  std::uint32_t steps_ = 0;
};

}  // namespace rackproof::analysis
