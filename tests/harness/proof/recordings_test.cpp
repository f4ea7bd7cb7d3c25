// Must hold: what a recording does at each amplifier, in volts and watts, reduced to buckets that lose no crest; the
// moments that limit are where they are; what cannot be used is an error that names the file.
#include <gmock/gmock.h>
#include <sndfile.h>

#include <cmath>
#include <numbers>

#include "../audio/scratch.hpp"
#include "harness/proof/stimulation.hpp"
#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using rackproof::test::Scratch;

void write_stereo(const std::filesystem::path& file, const std::vector<float>& mono, int rate, int channels = 2) {
  SF_INFO info{};
  info.samplerate = rate, info.channels = channels, info.format = SF_FORMAT_WAV | SF_FORMAT_FLOAT;
  SNDFILE* const out = sf_open(file.c_str(), SFM_WRITE, &info);
  ASSERT_NE(out, nullptr);
  std::vector<float> interleaved;
  for (const float x : mono) interleaved.insert(interleaved.end(), static_cast<std::size_t>(channels), x);
  ASSERT_EQ(sf_writef_float(out, interleaved.data(), static_cast<sf_count_t>(mono.size())),
            static_cast<sf_count_t>(mono.size()));
  sf_close(out);
}
/// 400 Hz: quiet for a second, loud for one, quiet for one.
std::vector<float> loud_in_the_middle(double rate) {
  std::vector<float> samples(static_cast<std::size_t>(3 * rate));
  for (std::size_t n = 0; n < samples.size(); ++n) {
    const double t = static_cast<double>(n) / rate;
    samples[n] = static_cast<float>((t >= 1 && t < 2 ? 1.0 : 0.01) * std::sin(2 * std::numbers::pi * 400 * t));
  }
  return samples;
}

TEST(Recordings, HoldVoltsWattsAndTheMomentsThatLimit) {
  const Scratch scratch;
  const auto file = scratch / "song.wav";
  const std::vector<float> samples = loud_in_the_middle(48000);
  write_stereo(file, samples, 48000);
  const Prepared prepared(kRig);
  const Recording recording = record(prepared.subject, file);
  EXPECT_EQ(recording.file, file);
  EXPECT_DOUBLE_EQ(recording.seconds, 3);
  ASSERT_EQ(recording.tracks.size(), 3u);

  const Track& low = recording.tracks[0];
  const OutputPlan& plan = prepared.compiled.outputs[0];
  EXPECT_EQ(low.output, "low");
  const std::size_t buckets = low.least.size();
  ASSERT_GT(buckets, 1000u);
  EXPECT_NEAR(static_cast<double>(buckets) * recording.bucket_seconds, 3, 1e-9);
  for (const auto* track : {&low.greatest, &low.peak_gain_db, &low.power_gain_db}) EXPECT_EQ(track->size(), buckets);

  // Against the same run by hand.
  const Row out = run(*make_chain(prepared.compiled.settings()), {samples, samples}, 3)[0];
  EXPECT_DOUBLE_EQ(low.peak_volts, greatest_magnitude(out) * plan.full_scale_volts_peak);
  EXPECT_DOUBLE_EQ(std::max(*std::ranges::max_element(low.greatest), -*std::ranges::min_element(low.least)),
                   low.peak_volts);
  double squares = 0;
  for (const float x : out) squares += static_cast<double>(x) * static_cast<double>(x);
  EXPECT_NEAR(low.mean_watts, squares / static_cast<double>(out.size()) * std::pow(plan.full_scale_volts_peak, 2) / 8,
              1e-9 * low.mean_watts);

  const auto bucket_at = [&](double t) { return static_cast<std::size_t>(t / recording.bucket_seconds); };
  EXPECT_EQ(low.peak_gain_db[bucket_at(0.5)], 0);
  EXPECT_LT(low.peak_gain_db[bucket_at(1.05)], -1);
  EXPECT_LT(low.power_gain_db[bucket_at(1.95)], -1);
  EXPECT_GT(low.peak_gain_db[bucket_at(2.9)], -0.01) << "nine release times later";
  EXPECT_GT(low.limited_fraction, 0.2);
  EXPECT_LT(low.limited_fraction, 0.95);
  EXPECT_GT(low.coil_rise_kelvin, 20);
  EXPECT_LT(low.coil_rise_kelvin, 180) << "the power limiter keeps it below its rating";
  EXPECT_GT(low.level_lost_db, 0.5);
  EXPECT_LT(recording.tracks[1].coil_rise_kelvin, 2) << "the horn hears next to nothing of 400 Hz";
}
TEST(Recordings, AreConvertedToTheRigsRateAndAreNeverTooShort) {
  const Scratch scratch;
  write_stereo(scratch / "cd.wav", loud_in_the_middle(44100), 44100);
  const Prepared prepared(kRig);
  EXPECT_NEAR(record(prepared.subject, scratch / "cd.wav").seconds, 3, 1e-4);
  write_stereo(scratch / "short.wav", {0.5f, -0.5f, 0.25f}, 48000);
  const Recording brief = record(prepared.subject, scratch / "short.wav");
  ASSERT_EQ(brief.tracks[0].least.size(), 1u);
  EXPECT_EQ(brief.tracks[0].peak_gain_db.size(), 1u);
}
TEST(Recordings, ThatCannotBeUsedAreNamed) {
  const Scratch scratch;
  const Prepared prepared(kRig);
  EXPECT_THROW(record(prepared.subject, scratch / "nothing.wav"), InputError);
  write_stereo(scratch / "mono.wav", {0.5f, -0.5f}, 48000, 1);
  try {
    record(prepared.subject, scratch / "mono.wav");
    FAIL();
  } catch (const InputError& error) {
    EXPECT_THAT(error.what(), testing::HasSubstr("mono.wav"));
  }
}
TEST(Recordings, AreJudgedBesideTheBuiltInSignals) {
  const Scratch scratch;
  write_stereo(scratch / "song.wav", loud_in_the_middle(48000), 48000);
  // A device that lets one sample through in the third second: no built-in signal lasts so long.
  Prepared prepared(kRig, spoiling([]() -> Spoil {
                      return [n = std::size_t{0}](std::span<float* const> rows, std::size_t frames) mutable {
                        if (n <= 120000 && n + frames > 120000) rows[0][120000 - n] = 0.9f;
                        n += frames;
                      };
                    }));
  EXPECT_EQ(fallen_ids(check_ceilings(prepared.subject)), "");
  prepared.subject.programmes = {scratch / "song.wav"};
  const auto fell = fallen(check_ceilings(prepared.subject), "peak-limit");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_THAT(fell[0].text, testing::HasSubstr("song.wav"));
}
TEST(Ladders, StandInDescendingVolts) {
  const Prepared prepared(
      edited(kRig, "continuous_power = \"350 W\"", "continuous_power = \"350 W\"\npeak_power = \"1400 W\""));
  const std::vector<Ladder> ladders = ladders_of(prepared.subject);
  ASSERT_EQ(ladders.size(), 3u);
  EXPECT_EQ(ladders[0].output, "low");
  std::vector<std::string> names;
  for (std::size_t r = 0; r < ladders[0].rungs.size(); ++r) {
    names.push_back(ladders[0].rungs[r].name);
    if (r > 0) {
      EXPECT_LE(ladders[0].rungs[r].volts_peak, ladders[0].rungs[r - 1].volts_peak);
    }
  }
  // 348.6 V; sqrt(1400 x 8) and sqrt(2 x 700 x 8) = 105.83 V each; 2 dB less; sqrt(2 x 350 x 8) = 74.8 V; 1 dB less.
  EXPECT_THAT(names, testing::ElementsAre("converter full scale", "amplifier clip", "driver peak", "limit",
                                          "driver continuous (RMS)", "power limit (RMS)"));
  EXPECT_NEAR(ladders[0].rungs[4].volts_peak, std::sqrt(2 * 350.0 * 8), 1e-9);
}

}  // namespace
}  // namespace rackproof::proof::test
