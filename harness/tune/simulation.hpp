#pragma once
/// An invented loudspeaker, a field and rooms whose truth is known: what measuring, flattening and aligning are checked
/// against, and what a person can try them on without a rig.
/// Claim    the response of a driver to a place is a formula, so it is known at every frequency; recordings are made
///          from it with fractions of a sample kept, and the same settings make the same samples.
/// Rooms    a box of walls, by image sources: J. B. Allen, D. A. Berkley, "Image Method for Efficiently Simulating
///          Small-Room Acoustics", J. Acoust. Soc. Am. 65(4), 1979; each image 1/distance and a factor a wall.
#include <array>
#include <complex>
#include <cstdint>
#include <span>
#include <vector>

#include "dsp/design/section.hpp"

namespace rackproof::tune {

using Point3 = std::array<double, 3>;  ///< m

/// A driver in its box: Butterworth edges of second order, bumps and dips, sensitivity, and where it sits.
struct SimulatedDriver {
  double from_hz = 0, to_hz = 0;  ///< 0: open to that side
  double gain_db = 0;
  double delay_s = 0;  ///< of its own: depth of the horn, a converter
  int polarity = 1;
  std::vector<dsp::Biquad> colour;  ///< at the sample rate of the simulation
  Point3 at{};
};

/// One way that sound takes: direct, or by walls.
struct SoundPath {
  double delay_s = 0, gain = 1;  ///< gain 1 at 1 m
};
/// In a field: the direct sound alone, and what the ground throws back if it throws anything (0 to 1; z is height).
std::vector<SoundPath> field_paths(const Point3& source, const Point3& microphone, double ground = 0.0,
                                   double temperature_degc = 20);
struct Room {
  Point3 size{12, 9, 4};  ///< corners at 0 and here
  /// Of the walls at x = 0 and its end, y, floor and ceiling: pressure thrown back, 0 to 1.
  std::array<double, 6> reflection{0.7, 0.7, 0.7, 0.7, 0.5, 0.6};
  int order = 6;  ///< most walls on a path
  double temperature_degc = 20;
};
std::vector<SoundPath> room_paths(const Room& room, const Point3& source, const Point3& microphone);

/// The truth: from the driver's input to the microphone, which passes nearly up to half the sample rate.
std::complex<double> transfer(const SimulatedDriver& driver, std::span<const SoundPath> paths, double frequency_hz,
                              double sample_rate_hz);
/// The same as samples, `frames` of them, even; paths beyond them would fold back.
std::vector<double> impulse_response(const SimulatedDriver& driver, std::span<const SoundPath> paths,
                                     std::size_t frames, double sample_rate_hz);

struct Recorder {
  double gain = 1;
  double drift_ppm = 0;   ///< above 0: its clock runs faster than the player's
  double noise_rms = 0;   ///< pink, of the place and the microphone
  double full_scale = 0;  ///< where it clips; 0: nowhere
  std::uint32_t seed = 1;
  std::size_t tail_frames = 48000;  ///< recorded on after what was sent ended
};
/// What the microphone hears of drivers, each sent its own signal through its own response (as many of both).
std::vector<double> record(std::span<const std::vector<double>> sent, std::span<const std::vector<double>> responses,
                           const Recorder& recorder, double sample_rate_hz);

}  // namespace rackproof::tune
