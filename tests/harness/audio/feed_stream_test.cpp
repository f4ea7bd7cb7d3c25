// Must hold: the theorem at the top of feed_stream.hpp.
#include "harness/audio/feed_stream.hpp"

#include <gmock/gmock.h>
#include <soxr.h>
#include <xxhash.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <numbers>
#include <string>

#include "harness/analysis/sine_fit.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::audio {
namespace {

using namespace rackproof::test;
using testing::AllOf;
using testing::HasSubstr;
using testing::ThrowsMessage;

std::vector<rig::Feed> feeds(std::initializer_list<std::uint32_t> channels) {
  std::vector<rig::Feed> list;
  for (const std::uint32_t channel : channels)
    list.push_back(
        {"feed" + std::to_string(channel), channel, {"rig.toml", 12, 8, "feeds.feed" + std::to_string(channel)}});
  return list;
}
/// Each track whole, read in pieces of `piece`.
std::vector<std::vector<float>> all_of(FeedStream& stream, std::size_t piece) {
  std::vector<std::vector<float>> tracks(stream.tracks());
  std::vector<float> planar(piece * tracks.size());
  std::vector<float*> at;
  for (std::size_t f = 0; f < tracks.size(); ++f) at.push_back(planar.data() + f * piece);
  for (std::size_t got = piece; got == piece;) {
    got = stream.read(at, piece);
    for (std::size_t f = 0; f < tracks.size(); ++f) tracks[f].insert(tracks[f].end(), at[f], at[f] + got);
  }
  return tracks;
}
std::vector<float> sine(std::size_t frames, double frequency_hz, double rate_hz, double amplitude) {
  std::vector<float> track(frames);
  for (std::size_t n = 0; n < frames; ++n)
    track[n] = static_cast<float>(amplitude *
                                  std::sin(2.0 * std::numbers::pi * frequency_hz * static_cast<double>(n) / rate_hz));
  return track;
}
const int kWavFloat = SF_FORMAT_WAV | SF_FORMAT_FLOAT;

TEST(FeedStream, TakesTheFeedsChannelsFromStartForSeconds) {
  const Scratch scratch;
  const std::vector<float> file = noise(4 * 48000, 4);
  write_audio(scratch / "a.wav", kWavFloat, 4, 48000, file);
  for (const std::size_t piece : {std::size_t{7}, std::size_t{4800}, std::size_t{100000}}) {
    FeedStream stream(scratch / "a.wav", {.feeds = feeds({3, 1}), .start_s = 0.25, .seconds = 0.5});
    EXPECT_EQ(stream.frames(), 24000u);
    EXPECT_FALSE(stream.resampling());
    const auto tracks = all_of(stream, piece);
    ASSERT_EQ(tracks[0].size(), 24000u);
    for (std::size_t n = 0; n < 24000; ++n) {
      ASSERT_EQ(tracks[0][n], file[(12000 + n) * 4 + 2]) << n;
      ASSERT_EQ(tracks[1][n], file[(12000 + n) * 4 + 0]) << n;
    }
  }
  FeedStream to_the_end(scratch / "a.wav", {.feeds = feeds({1}), .start_s = 0.75, .seconds = 1e9});
  EXPECT_EQ(to_the_end.frames(), 12000u);  // promised: what there is, not what was asked for
  EXPECT_EQ(all_of(to_the_end, 999)[0].size(), 12000u);
}

TEST(FeedStream, SaysWhatIsWrongOnceEach) {
  const Scratch scratch;
  write_audio(scratch / "a.wav", kWavFloat, 1, 44100, noise(44100, 5));
  const auto open = [&](FeedStreamSettings settings) {
    return [&scratch, settings] { FeedStream stream(scratch / "a.wav", settings); };
  };
  EXPECT_THAT(open({.feeds = feeds({1, 2}), .sample_rate_hz = 44100}),
              ThrowsMessage<InputError>(AllOf(HasSubstr("a.wav"), HasSubstr("has 1 channel,"),
                                              HasSubstr("feed 'feed2' is its channel 2"), HasSubstr("rig.toml:12"))));
  EXPECT_THAT(open({.feeds = feeds({1}), .sample_rate_hz = 48000}),
              ThrowsMessage<InputError>(
                  AllOf(HasSubstr("44100 Hz"), HasSubstr("48000 Hz"), HasSubstr("--resample would convert"))));
  EXPECT_THAT(open({.feeds = feeds({1}), .sample_rate_hz = 44100, .start_s = 1.0}),
              ThrowsMessage<InputError>(AllOf(HasSubstr("1.00 s long"), HasSubstr("start at 1 s"))));
  EXPECT_THAT(open({.feeds = feeds({1}), .sample_rate_hz = 44100, .seconds = 1e-9}),
              ThrowsMessage<InputError>(HasSubstr("less than one frame")));
  write_audio(scratch / "a.wav", kWavFloat, 1, 100, noise(100, 5));
  EXPECT_THAT(open({.feeds = feeds({1}), .sample_rate_hz = 48000, .resample = true}),
              ThrowsMessage<InputError>(HasSubstr("too far")));
}

struct Rates {
  std::uint32_t from_hz, to_hz;
};
class Conversion : public testing::TestWithParam<Rates> {};
INSTANTIATE_TEST_SUITE_P(
    , Conversion, testing::Values(Rates{44100, 48000}, Rates{48000, 44100}, Rates{96000, 48000}, Rates{44100, 192000}),
    [](const auto& rates) { return std::to_string(rates.param.from_hz) + "_to_" + std::to_string(rates.param.to_hz); });

// Up to 0.9 of half the lower rate: level within 0.01 dB, phase as at the input within 1e-6 turns (so no latency), all
// else below -140 dB: a float's own rounding is at -150 dB of a sine of 0.5.
TEST_P(Conversion, KeepsLevelPhaseAndPurity) {
  const auto [from_hz, to_hz] = GetParam();
  const Scratch scratch;
  for (const double frequency_hz : {997.0, 15000.0, 0.45 * std::min(from_hz, to_hz)}) {
    write_audio(scratch / "a.wav", kWavFloat, 1, static_cast<int>(from_hz),
                sine(from_hz / 2 + 1, frequency_hz, from_hz, 0.5));
    FeedStream stream(scratch / "a.wav", {.feeds = feeds({1}), .sample_rate_hz = to_hz, .resample = true});
    const std::uint64_t frames = (std::uint64_t{from_hz / 2 + 1} * to_hz + from_hz - 1) / from_hz;
    EXPECT_EQ(stream.frames(), frames);
    const std::vector<float> track = all_of(stream, 4096)[0];
    ASSERT_EQ(track.size(), frames);
    const std::size_t edge = to_hz / 50;  // the filter's own length, at both ends, is not a steady sine
    const std::vector<double> steady(track.begin() + static_cast<std::ptrdiff_t>(edge),
                                     track.end() - static_cast<std::ptrdiff_t>(edge));
    const analysis::SineFit fit = analysis::fit_sine(steady, frequency_hz / to_hz, 1);
    EXPECT_NEAR(20 * std::log10(fit.amplitude[0] / 0.5), 0.0, 0.01) << frequency_hz;
    const double turns = frequency_hz * static_cast<double>(edge) / to_hz - fit.phase_rad[0] / (2 * std::numbers::pi);
    EXPECT_NEAR(turns, std::round(turns), 1e-6) << frequency_hz;
    EXPECT_LT(20 * std::log10(fit.thd_plus_noise()), -140.0) << frequency_hz;
  }
}

// What the lower rate cannot hold is gone: a tone just above half of it is below -140 dB, folded or not. Control: the same
// tone, picked out of the samples without a filter, is there as loud as before.
TEST_P(Conversion, StopsWhatTheLowerRateCannotHold) {
  const auto [from_hz, to_hz] = GetParam();
  if (to_hz > from_hz)
    return;  // nothing above half the lower rate can come in; what would be made is in the test above
  const Scratch scratch;
  for (const double frequency_hz : {0.501 * to_hz, 0.25 * (to_hz + from_hz)}) {
    const std::vector<float> tone = sine(from_hz / 2, frequency_hz, from_hz, 0.5);
    write_audio(scratch / "a.wav", kWavFloat, 1, static_cast<int>(from_hz), tone);
    FeedStream stream(scratch / "a.wav", {.feeds = feeds({1}), .sample_rate_hz = to_hz, .resample = true});
    const std::vector<float> track = all_of(stream, 4096)[0];
    const std::size_t edge = to_hz / 50;
    const auto loudest = [](auto first, auto last) {
      double most = 0;
      for (; first != last; ++first) most = std::max(most, static_cast<double>(std::abs(*first)));
      return most;
    };
    EXPECT_LT(loudest(track.begin() + edge, track.end() - edge), 0.5e-7) << frequency_hz;
    EXPECT_GT(loudest(tone.begin() + edge, tone.end() - edge), 0.4) << frequency_hz;
  }
}

TEST_P(Conversion, IsTheSameHoweverItIsRead) {
  const auto [from_hz, to_hz] = GetParam();
  const Scratch scratch;
  write_audio(scratch / "a.wav", kWavFloat, 2, static_cast<int>(from_hz), noise(2 * 20001, 6));
  const auto in_pieces = [&, to = to_hz](std::size_t piece) {
    FeedStream stream(scratch / "a.wav", {.feeds = feeds({2, 1}), .sample_rate_hz = to, .resample = true});
    return all_of(stream, piece);
  };
  const auto whole = in_pieces(1 << 20);
  EXPECT_EQ(in_pieces(1), whole);
  EXPECT_EQ(in_pieces(4099), whole);
}

TEST_P(Conversion, LosesNeitherEnd) {
  const auto [from_hz, to_hz] = GetParam();
  const Scratch scratch;
  std::vector<float> clicks(from_hz / 10);
  clicks.front() = clicks.back() = 0.5f;
  write_audio(scratch / "a.wav", kWavFloat, 1, static_cast<int>(from_hz), clicks);
  FeedStream stream(scratch / "a.wav", {.feeds = feeds({1}), .sample_rate_hz = to_hz, .resample = true});
  const std::vector<float> track = all_of(stream, 1000)[0];
  const double expected =
      0.5 * 0.9556 * std::min(1.0, static_cast<double>(to_hz) / from_hz);  // the band that is left of a click
  EXPECT_NEAR(track.front(), expected, 0.1 * expected);
  EXPECT_GT(*std::max_element(track.end() - 2 - to_hz / from_hz, track.end()), 0.5 * expected);
}

TEST(FeedStream, ConvertsFromTheStartThatWasAskedFor) {
  const Scratch scratch;
  write_audio(scratch / "a.wav", kWavFloat, 1, 44100, sine(44100, 441.0, 44100, 0.5));
  FeedStream stream(scratch / "a.wav", {.feeds = feeds({1}), .resample = true, .start_s = 0.5, .seconds = 0.25});
  const std::vector<float> track = all_of(stream, 1000)[0];
  ASSERT_EQ(track.size(), 12000u);
  // 0.5 s are 220.5 periods: it begins as -sin.
  for (std::size_t n = 2000; n < 10000; ++n)
    ASSERT_NEAR(track[n], -0.5 * std::sin(2 * std::numbers::pi * 441.0 * static_cast<double>(n) / 48000), 1e-4) << n;
}

TEST(ConvertedBits, AreTheRecordedOnes) {
  const Scratch scratch;
  const auto hash = [&](std::uint32_t from_hz, std::uint32_t to_hz) {
    write_audio(scratch / "a.wav", kWavFloat, 2, static_cast<int>(from_hz), noise(2 * 100000, 7));
    FeedStream stream(scratch / "a.wav", {.feeds = feeds({1, 2}), .sample_rate_hz = to_hz, .resample = true});
    std::vector<float> samples;
    for (const std::vector<float>& track : all_of(stream, 4096))
      samples.insert(samples.end(), track.begin(), track.end());
    return XXH3_64bits(samples.data(), samples.size() * sizeof(float));
  };
  EXPECT_EQ(hash(44100, 48000), 12189831642403125412u);
  EXPECT_EQ(hash(48000, 44100), 2066858891184678741u);
  EXPECT_EQ(hash(96000, 48000), 16046193521976369648u);
}

// libsoxr asks the processor and the environment which engine to take; this program's answer stands before `main`.
TEST(ConvertedBits, ComeFromThePlainEngine) {
  soxr_error_t error = nullptr;
  const soxr_quality_spec_t quality = soxr_quality_spec(SOXR_VHQ, 0);
  const soxr_t converter = soxr_create(44100, 48000, 1, &error, nullptr, &quality, nullptr);
  ASSERT_EQ(error, nullptr);
  EXPECT_STREQ(soxr_engine(converter), "cr64");
  soxr_delete(converter);
}

// The same two tests in a process whose environment asks for the vector engine and other sizes, on a machine whose
// mathematical library has neither AVX2 nor FMA. Control: a wrong engine and a wrong hash are seen, by the two.
TEST(ConvertedBits, DependNeitherOnTheEnvironmentNorOnTheVectorUnit) {
  const std::string self = std::filesystem::read_symlink("/proc/self/exe").string();
  const std::string command =
      "SOXR_USE_SIMD=1 SOXR_USE_SIMD64=1 SOXR_COEF_INTERP=3 SOXR_MIN_DFT_SIZE=8 SOXR_LARGE_DFT_SIZE=10 "
      "GLIBC_TUNABLES=glibc.cpu.hwcaps=-AVX512F,-AVX2,-FMA,-FMA4 '" +
      self + "' --gtest_filter=ConvertedBits.AreTheRecordedOnes:ConvertedBits.ComeFromThePlainEngine >/dev/null";
  EXPECT_EQ(std::system(command.c_str()), 0);  // NOLINT(cert-env33-c,concurrency-mt-unsafe): one thread, own program
}

}  // namespace
}  // namespace rackproof::audio
