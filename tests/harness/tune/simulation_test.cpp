// Must hold: what is recorded is what the formula says, at fractions of a sample, on a clock that drifts by what was
// asked.
#include "harness/tune/simulation.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "harness/analysis/arrival.hpp"
#include "harness/analysis/fourier.hpp"
#include "harness/analysis/sine_fit.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"

namespace rackproof::tune {
namespace {

// Walls of one kind throw back the same number of times at the same places as an image grid counted by hand: along one
// axis of length L, source s, microphone m, the images stand at 2nL + s and 2nL - s.
TEST(Simulation, ARoomsImagesAreThoseOfTheTextbook) {
  Room room;
  room.size = {5, 400, 400};
  room.reflection = {0.5, 0.8, 0, 0, 0, 0};
  room.order = 3;
  const auto paths = room_paths(room, {1, 200, 200}, {4, 200, 200});
  struct Image {
    double metres, gain;
  };
  // x: 1 | -1 (near) | 9 (far) | 11 (far, near) | -9 (near, far) | 19 (far, near, far) | -11 (near, far, near)
  std::vector<Image> images{{3, 1}, {5, 0.5}, {5, 0.8}, {7, 0.4}, {13, 0.4}, {15, 0.5 * 0.64}, {15, 0.25 * 0.8}};
  ASSERT_EQ(paths.size(), images.size());
  double sum = 0, expected = 0;
  for (std::size_t i = 0; i < paths.size(); ++i) {
    EXPECT_NEAR(paths[i].delay_s * rig::speed_of_sound(20), images[i].metres, 1e-9);
    sum += paths[i].gain;
    expected += images[i].gain / images[i].metres;
  }
  EXPECT_NEAR(sum, expected, 1e-12);
}

TEST(Simulation, TheImpulseResponseIsTheFormulasOwn) {
  const SimulatedDriver driver = a_driver();
  const auto paths = field_paths({0, 0, 2}, {3, 0, 1}, 0.5);
  ASSERT_EQ(paths.size(), 2u);
  const std::vector<double> h = impulse_response(driver, paths, 16384, kRate);
  const auto spectrum = analysis::RealFourier(16384).forward(h);
  for (std::size_t k = 8; k < spectrum.size(); k += 97) {
    const double f = static_cast<double>(k) * kRate / 16384;
    ASSERT_NEAR(std::abs(spectrum[k] - transfer(driver, paths, f, kRate)), 0, 1e-9) << f;
  }
  // Nothing comes before the sound could.
  const double first = paths[0].delay_s * kRate;
  double before = 0, all = 0;
  for (std::size_t n = 0; n < h.size(); ++n) {
    all += h[n] * h[n];
    if (static_cast<double>(n) < first - 40) before += h[n] * h[n];
  }
  EXPECT_LT(before, 1e-6 * all);
}

TEST(Simulation, TheRecordersClockDriftsByWhatWasAsked) {
  const std::vector<double> sent = stimuli::take(stimuli::sine({1000, 0.5}, kRate), 48000);
  const std::vector<std::vector<double>> signals{sent}, wire{{1.0}};
  for (const double ppm : {0.0, 50.0, -200.0}) {
    Recorder recorder;
    recorder.drift_ppm = ppm;
    recorder.tail_frames = 0;
    const std::vector<double> heard = record(signals, wire, recorder, kRate);
    // A recorder whose clock runs fast hears a lower tone: the phase of its last tenth, against that of the first.
    const double f = 1000 / kRate;
    const auto early = analysis::fit_sine(std::span(heard).subspan(480, 4800), f, 1);
    const auto late = analysis::fit_sine(std::span(heard).subspan(480 + 38400, 4800), f, 1);
    EXPECT_NEAR(late.amplitude[0], 0.5, 5e-4);  // it turns by an eighth of a radian within the fit
    const double turned = std::remainder(late.phase_rad[0] - early.phase_rad[0], 2 * std::numbers::pi);
    EXPECT_NEAR(turned, -2 * std::numbers::pi * 800 * ppm * 1e-6, 2e-5 + 1e-4 * std::abs(ppm) / 50);
    EXPECT_NEAR(static_cast<double>(heard.size()), 48000 * (1 + ppm * 1e-6), 1);
  }
}

TEST(Simulation, NoiseAndClippingAreAsAskedAndTheSameEachTime) {
  const std::vector<std::vector<double>> signals{std::vector<double>(96000, 0.0)}, wire{{1.0}};
  Recorder recorder;
  recorder.noise_rms = 0.01;
  recorder.gain = 2;
  recorder.full_scale = 0.05;
  const std::vector<double> heard = record(signals, wire, recorder, kRate);
  EXPECT_EQ(heard, record(signals, wire, recorder, kRate));
  EXPECT_EQ(*std::max_element(heard.begin(), heard.end()), 0.05);
  double square = 0;
  for (const double x : heard) square += x * x / static_cast<double>(heard.size());
  EXPECT_NEAR(std::sqrt(square), 0.02, 0.002);
  recorder.seed = 2;
  EXPECT_NE(heard, record(signals, wire, recorder, kRate));
}

}  // namespace
}  // namespace rackproof::tune
