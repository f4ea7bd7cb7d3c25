#pragma once
/// The way from what was sent to a microphone: what is alike for every signal. What depends on the signal is in
/// noise_way.hpp and sweep_way.hpp.
#include <complex>
#include <cstddef>
#include <memory>
#include <string>
#include <vector>

#include "harness/tune/measured_response.hpp"
#include "harness/tune/recorder_drift.hpp"
#include "harness/tune/transfer.hpp"

namespace rackproof::tune {

/// What is looked at of a recording at once, at the low and at the high end.
inline constexpr double kLowerSeconds = 1.4, kUpperSeconds = 0.35;

class Way {
 public:
  virtual ~Way() = default;
  Way(const Way&) = delete;
  Way& operator=(const Way&) = delete;

  const Samples& frequency_hz() const { return frequency_hz_; }
  bool sent_twice() const { return repeat_ > 0; }

  struct Heard {
    Capture facts;
    std::vector<std::complex<double>> h;  ///< at frequency_hz(), arrival taken out
    Samples coherence, noise_share;
    Drift drift;
    double clock_error_ms = 0;
    double time_error_s = 0;  ///< three standard deviations, by noise alone
    std::vector<Warning> warnings;
  };

  enum class By { loudspeaker, cable };
  /// `clock`: how the recorder ran, where that is known from a reference.
  Heard hear(const Recording& captured, By path = By::loudspeaker, const Drift* clock = nullptr) const;

 protected:
  /// A recording on the player's clock, ready to be asked for its response; `lag` is the sample that is time zero.
  class Shown {
   public:
    virtual ~Shown() = default;
    /// Enough to find the direct sound by.
    virtual Response rough(std::ptrdiff_t lag) const = 0;
    /// The response at all of frequency_hz(), `rest` samples earlier.
    virtual void sample(std::ptrdiff_t lag, double rest, Heard& into) const = 0;
  };
  /// Where what is sent twice stands in a recording, cut alike; else the whole recording, and no second.
  struct Passes {
    std::ptrdiff_t from = 0;
    View first, second;
  };
  struct Windows {
    std::size_t lower = 0, upper = 0;  ///< samples of a segment below and above split_hz_: powers of two
  };

  /// `repeat`: samples from what is sent to where it is sent again; 0: it is sent once. `band_floor`: what was sent
  /// reaches as far as its density times frequency is above this share of its greatest.
  Way(const Recording& sent, std::size_t repeat, const Windows& windows, double band_floor,
      const TransferOptions& options);
  static View active_part(const Recording& sent);

  virtual std::unique_ptr<Shown> show(View recording) const = 0;
  /// Where it begins in a recording, to a sample.
  virtual std::ptrdiff_t lag_in(View captured) const = 0;
  /// Why a recording that holds `share` of what was sent, `seconds` of it, is not enough; empty: it is.
  virtual std::string too_short(double share, double seconds) const = 0;
  virtual Drift drift_in(const Recording& captured, std::ptrdiff_t lag, By path, Heard& heard) const = 0;
  /// When, as a share of what was sent, the recorder's clock counts.
  virtual double counts_at() const = 0;

  Passes passes_in(View recording, std::ptrdiff_t lag) const;
  double time_error_s(const Response& response) const;
  /// `rest`: the direct sound's place, in samples, to be taken out. Between bins the response is that of its own wave.
  void sample(const Response& response, double rest, View frequency_hz, Heard& into) const;

  double rate_;
  std::size_t begin_ = 0;
  View all_, x_;        ///< what was sent; of what is sent twice the first
  std::size_t repeat_;  ///< samples from the first to the second; 0: it is sent once
  std::size_t lower_, upper_;
  double split_hz_ = 0;
  Samples frequency_hz_;

 private:
  void find_band(const Recording& sent, double band_floor, const TransferOptions& options);
  void must_overlap(const Recording& captured, std::ptrdiff_t lag, Heard& heard) const;
  void must_be_related(const Recording& captured, const Response& rough) const;
};

}  // namespace rackproof::tune
