#pragma once
/// What the outputs of a rig make at a listener: one 1 m in front of the boxes, in free space, on the axis of all ways.
/// Model    a sample at an output, times its amplifier's gain, is volts; the driver's `sensitivity` (nominal impedance,
///          number and wiring of drivers in it) makes pascals of them, later by `depth` over the speed of sound at the
///          rig's temperature. Where all ways have a measured `response`, that takes the place of all of this: it was
///          measured through amplifier and box. Then only levels against one another are known, no pascals.
/// Claim    it is the model that the check `sum-as-played` of `prove` judges by.
///          1 Pa RMS is 94.0 dB: the reference is 20 uPa (ISO 1683).
#include <complex>
#include <optional>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/proof/way_response.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::listen {

inline constexpr double kReference_pa = 20e-6;

class Ear {
 public:
  /// In front of one loudspeaker of the rig: `part` is its place in Rig::parts(). Throws InputError that names the
  /// missing key where neither every driver has its `sensitivity` nor every way a `response`; and as `way_responses`
  /// does.
  Ear(const rig::Rig& rig, const CompiledRig& compiled, std::size_t part = 0);

  /// Pascals at the listener for a sample of 1.0 at `output` (an index into CompiledRig::outputs): a phasor at this
  /// frequency. Where `measured()`, in the unit of the responses. Nothing of an output of another loudspeaker.
  std::complex<double> at(std::size_t output, double frequency_hz) const;
  bool measured() const { return responses_.has_value(); }
  /// The parts of the model, where it is not measured.
  double pascals(std::size_t output) const { return outputs_[output].pascals; }
  double depth_s(std::size_t output) const { return outputs_[output].depth_s; }
  /// The measured response of an output's way; null where it is not measured, or of another loudspeaker.
  const proof::WayResponse* response(std::size_t output) const;
  /// Keys of the ways' depths that are not given, so that they count as 0; none where it is measured or where there is
  /// one way.
  const std::vector<std::string>& without_depth() const { return without_depth_; }

 private:
  struct Output {
    std::size_t way = 0;
    bool heard = false;
    double pascals = 0, depth_s = 0;
  };
  std::vector<Output> outputs_;
  std::optional<std::vector<proof::WayResponse>> responses_;
  std::vector<std::string> without_depth_;
};

/// Level of an RMS or a peak pressure, dB over 20 uPa; -400 for nothing.
double level_db(double pascals);

}  // namespace rackproof::listen
