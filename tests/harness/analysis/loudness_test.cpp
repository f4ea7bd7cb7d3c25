// Must hold: the loudness that published signals have, and that another program's library reads, at every rate; whatever
// the cut; in constant memory. A gain moves it by that gain, but for the gate that stays.
#include "harness/analysis/loudness.hpp"

#include <ebur128.h>
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

namespace rackproof::analysis {
namespace {

struct Stretch {
  double seconds, dbfs;
};
/// A sine of 1 kHz, the same on both channels.
std::vector<float> tones(double rate, const std::vector<Stretch>& stretches) {
  std::vector<float> stereo;
  std::size_t n = 0;
  for (const auto& [seconds, dbfs] : stretches)
    for (const std::size_t end = n + static_cast<std::size_t>(seconds * rate); n < end; ++n) {
      const double x = std::pow(10, dbfs / 20) * std::sin(2 * std::numbers::pi * 1000 / rate * static_cast<double>(n));
      stereo.insert(stereo.end(), 2, static_cast<float>(x));
    }
  return stereo;
}
double loudness_of(const std::vector<float>& stereo, double rate) {
  LoudnessMeter meter(rate);
  meter.add(stereo);
  return meter.lufs().value();
}

TEST(Loudness, OfThePublishedSignals) {
  // EBU Tech 3341 (2016), table 1: signals 1, 2 and 3, each -23 or -33 LUFS within 0.1 LU.
  for (const double rate : {44100.0, 48000.0, 96000.0}) {
    EXPECT_NEAR(loudness_of(tones(rate, {{20, -23}}), rate), -23, 0.1) << rate;
    EXPECT_NEAR(loudness_of(tones(rate, {{20, -33}}), rate), -33, 0.1) << rate;
    EXPECT_NEAR(loudness_of(tones(rate, {{10, -36}, {60, -23}, {10, -36}}), rate), -23, 0.1) << rate;
  }
  EXPECT_NEAR(loudness_of(tones(192000, {{5, -23}}), 192000), loudness_of(tones(48000, {{5, -23}}), 48000),
              0.01);  // as far as the bilinear transform bends
  // Without a gate the last would read some 1.2 lower: control that it tells.
  EXPECT_GT(std::abs(loudness_of(tones(48000, {{60, -30}, {60, -23}}), 48000) + 23), 1);
}

TEST(Loudness, AsTheReferenceLibraryReadsNoise) {
  for (const unsigned rate : {44100u, 48000u, 96000u, 192000u}) {
    std::mt19937 bits(7);
    std::vector<float> stereo;
    double low = 0;
    for (std::size_t n = 0; n < 8 * rate; ++n) {
      // Louder and softer by turns, and not white.
      const double level = n / rate % 3 == 0 ? 0.3 : 0.02;
      low += 0.05 * (static_cast<double>(bits()) * 0x1p-31 - 1 - low);
      stereo.push_back(static_cast<float>(level * (static_cast<double>(bits()) * 0x1p-31 - 1)));
      stereo.push_back(static_cast<float>(4 * level * low));
    }
    ebur128_state* reference = ebur128_init(2, rate, EBUR128_MODE_I);
    ASSERT_NE(reference, nullptr);
    ebur128_add_frames_float(reference, stereo.data(), stereo.size() / 2);
    double wanted = 0;
    ebur128_loudness_global(reference, &wanted);
    ebur128_destroy(&reference);
    // At the table's own rate only gates differ, by 0.005 LU. At others the library leaves the high-pass's numerator as it
    // is at 48 kHz, where its gain is 1.0050: at 192 kHz it reads 0.032 lower than here, where that gain stays.
    EXPECT_NEAR(loudness_of(stereo, rate), wanted, rate == 48000 ? 0.005 : 0.035) << rate;
  }
}

TEST(Loudness, DoesNotHangOnTheCutAndMovesWithAGain) {
  const std::vector<float> stereo = tones(48000, {{1, -20}, {2, -80}, {1, -26}});
  const std::span<const float> all(stereo);
  LoudnessMeter whole(48000), pieces(48000);
  whole.add(all);
  for (std::size_t at = 0, piece = 2; at < all.size(); at += piece, piece = 2 + at % 998)
    pieces.add(all.subspan(at, std::min(piece, all.size() - at)));
  EXPECT_EQ(whole.lufs().value(), pieces.lufs().value());
  EXPECT_NEAR(whole.lufs(6).value(), whole.lufs().value() + 6, 1e-9);
  for (const double wanted : {-60.0, -23.0, 0.0})
    EXPECT_NEAR(whole.lufs(whole.gain_to(wanted).value()).value(), wanted, 1e-9);
}

TEST(Loudness, TheGateAtMinus70StaysWhereItIsWhateverTheGain) {
  LoudnessMeter meter(48000);
  meter.add(tones(48000, {{4, -60}, {36, -73}}));
  EXPECT_NEAR(meter.lufs().value(), -60, 0.2);  // -73 does not pass
  // 6 dB up both do, a tenth at -54 and the rest at -67, and neither is 10 LU below their mean. Where they meet a block
  // holds both: a tenth of a decibel.
  const double both = 10 * std::log10(0.1 * std::pow(10, -5.4) + 0.9 * std::pow(10, -6.7));
  EXPECT_NEAR(meter.lufs(6).value(), both, 0.2);
}

TEST(Loudness, NothingIsSaidOfWhatIsTooShortOrSilent) {
  EXPECT_FALSE(LoudnessMeter(48000).lufs().has_value());
  LoudnessMeter brief(48000), silent(48000);
  brief.add(tones(48000, {{0.39, -20}}));
  silent.add(std::vector<float>(96000));
  EXPECT_FALSE(brief.lufs().has_value());
  EXPECT_FALSE(silent.lufs().has_value());
  EXPECT_FALSE(silent.gain_to(-23).has_value());
}

}  // namespace
}  // namespace rackproof::analysis
