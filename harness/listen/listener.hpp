#pragma once
/// What the outputs of a rig add up to at a listener, as a stream: two channels in pascals, or as measured.
/// Theorem  frame n of what is heard stands for frame n of the outputs, at 1 m in front of the boxes less the time that
///          sound takes for it. What comes out does not depend on how the stream is cut; memory is constant.
/// Method   a filter an output, in double: a convolution by overlapping transforms on a grid of its own.
///          From sheets (`sensitivity`, `depth`): a factor and a fractional delay, a sinc of 128 taps under a window of
///          J. F. Kaiser's (beta 8.96, 90 dB): within 0.001 dB up to 0.46 of the sample rate. Without a depth it is the
///          factor alone.
///          From measured responses: the response at even steps of 1.25 Hz, level and phase between the measured
///          frequencies as WayResponse has them, made a filter of 0.8 s by an inverse transform, 0.3 s of it ahead of its
///          time zero; beyond the ends of the measurement it fades out over an octave, for there nothing is known.
///          `worst_db` says how far that filter is from the response.
#include <cstddef>
#include <cstdint>
#include <functional>
#include <span>
#include <vector>

#include "harness/analysis/fourier.hpp"
#include "harness/listen/ear.hpp"

namespace rackproof::listen {

/// An output's filter: tap `zero` is time zero.
struct Filter {
  std::vector<double> taps;
  std::size_t zero = 0;
};
/// All of one length and one zero, one an output.
std::vector<Filter> filters_of(const Ear& ear, std::size_t outputs, double sample_rate_hz);
/// The greatest distance of a filter from the ear's model, in dB (20 log10 of 1 + the relative error), where that is
/// within 40 dB of its loudest, inside what was measured.
double worst_db(const Ear& ear, std::span<const Filter> filters, double sample_rate_hz);

/// Which outputs go to which of the two channels.
struct Route {
  bool left = false, right = false;
};

class Listener {
 public:
  /// Interleaved left and right.
  using Heard = std::function<void(std::span<const float> stereo)>;
  Listener(std::span<const Filter> filters, std::vector<Route> routes);

  /// `outputs[o]` holds `frames` samples.
  void add(std::span<const float* const> outputs, std::size_t frames, const Heard& heard);
  /// What is still on its way: `tail_frames` more than were fed have then been heard.
  void finish(const Heard& heard);
  std::size_t tail_frames() const { return length_ - 1 - zero_; }

 private:
  void step(const Heard& heard);
  void give(std::span<const double> left, std::span<const double> right, const Heard& heard);

  std::size_t length_, zero_, hop_;
  std::vector<Route> routes_;
  analysis::RealFourier fourier_;
  std::vector<std::vector<analysis::Complex>> spectra_;  ///< of the filters; empty where nobody hears the output
  std::vector<std::vector<double>> windows_;             ///< what is being gathered, behind what has been
  std::size_t gathered_ = 0;
  std::uint64_t fed_ = 0, left_out_ = 0, given_ = 0;
  bool alike_ = true;  ///< both channels hear the same
  std::vector<float> stereo_;
};

}  // namespace rackproof::listen
