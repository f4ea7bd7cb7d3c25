// Must hold: a signal is the same function of its frame's number at 2^31, 2^32 and 2^53 as at the beginning.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <numbers>
#include <vector>

#include "harness/stimuli/generator.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::stimuli {
namespace {

constexpr std::uint64_t kFarFrames[] = {std::uint64_t{1} << 31, std::uint64_t{1} << 32, std::uint64_t{1} << 53};
std::vector<double> taken_from(std::uint64_t frame, const Signal& signal, std::size_t frames = 8) {
  signal->skip(frame);
  return take(signal, frames);
}

TEST(FarFrames, ASkipIsWhatWouldHaveBeenTaken) {
  for (const std::uint64_t frames : {0u, 1u, 4096u, 10000u}) {
    const auto both = [&](const Signal& whole, const Signal& skipped) {
      const std::vector<double> all = take(whole, static_cast<std::size_t>(frames) + 8);
      EXPECT_EQ(taken_from(frames, skipped), std::vector<double>(all.end() - 8, all.end())) << frames;
    };
    both(sine({997, 0.5, 0.1}, 48000), sine({997, 0.5, 0.1}, 48000));
    both(uniform_noise(3), uniform_noise(3));  // remembers: what lies between is made
    both(maximum_length_sequence(12), maximum_length_sequence(12));
    both(pink_noise(48000, 5), pink_noise(48000, 5));
    both(faded(sine({}, 48000), 10004, 100), faded(sine({}, 48000), 10004, 100));
  }
}
TEST(FarFrames, AFormulaIsAskedForItsFrame) {
  for (const std::uint64_t far : kFarFrames) {
    const std::vector<double> plain = taken_from(
        far - 4, formula([far](std::uint64_t n) { return static_cast<double>(static_cast<std::int64_t>(n - far)); }));
    EXPECT_EQ(plain, (std::vector<double>{-4, -3, -2, -1, 0, 1, 2, 3})) << far;
    const std::vector<double> twice = taken_from(far - 4, shaped(silence(), [far](double, std::uint64_t n) {
                                                   return static_cast<double>(static_cast<std::int64_t>(n - far));
                                                 }));
    EXPECT_EQ(twice, plain) << far;
  }
}
TEST(FarFrames, EdgesAreWhereTheyShouldBe) {
  for (const std::uint64_t far : kFarFrames) {
    EXPECT_EQ(taken_from(far - 4, step(far, 0.0, 1.0)), (std::vector<double>{0, 0, 0, 0, 1, 1, 1, 1}));
    EXPECT_EQ(taken_from(far - 4, faded(step(0, 0.0, 1.0), far, 0)), (std::vector<double>{1, 1, 1, 1, 0, 0, 0, 0}));
    // Bursts of 100 frames each 1000: the one that begins at or ahead of `far` is the first one again.
    const Burst burst_of{.tone = {1000, 1.0, 0.3}, .start_frame = far % 1000, .frames = 100, .period_frames = 1000};
    EXPECT_EQ(taken_from(far, burst(burst_of, 48000), 200), taken_from(far % 1000, burst(burst_of, 48000), 200));
  }
}
/// A week at 48 kHz, and beyond. The exact phase is in integers: 997 n modulo 48000.
TEST(FarFrames, ASineDoesNotDrift) {
  const std::uint64_t week = 7ull * 86400 * 48000;
  for (const std::uint64_t far : {std::uint64_t{1} << 31, std::uint64_t{1} << 32, week}) {
    const std::vector<double> played = taken_from(far, sine({997, 1.0, 0.0}, 48000), 1000);
    const double turns = static_cast<double>(far) * 997 / 48000, most = 2 * std::numbers::pi * turns * 0x1p-52;
    EXPECT_LT(most, 1e-6);  // -120 dB
    for (std::size_t n = 0; n < played.size(); ++n) {
      const auto phase = static_cast<double>((far + n) % 48000 * 997 % 48000) / 48000;
      ASSERT_NEAR(played[n], std::sin(2 * std::numbers::pi * phase), most + 1e-12) << far << " + " << n;
    }
  }
}

}  // namespace
}  // namespace rackproof::stimuli
