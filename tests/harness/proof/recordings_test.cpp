// Must hold: what a recording does at each amplifier, in volts and watts, reduced to buckets that lose no crest; the
// moments that limit are where they are; what cannot be used is an error that names the file.
#include <gmock/gmock.h>
#include <sndfile.h>

#include <cmath>
#include <numbers>

#include "harness/analysis/held.hpp"
#include "harness/proof/stimulation.hpp"
#include "proof_rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::proof::test {
namespace {

using rackproof::test::Scratch;

void write_stereo(const std::filesystem::path& file, const std::vector<float>& mono, int rate, int channels = 2) {
  SF_INFO info{};
  info.samplerate = rate;
  info.channels = channels;
  info.format = SF_FORMAT_WAV | SF_FORMAT_FLOAT;
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
  const double sample_volts = greatest_magnitude(out) * plan.full_scale_volts_peak;
  EXPECT_DOUBLE_EQ(std::max(*std::ranges::max_element(low.greatest), -*std::ranges::min_element(low.least)),
                   sample_volts);
  EXPECT_GE(low.peak_volts, sample_volts);
  EXPECT_LT(low.peak_volts, 1.003 * sample_volts) << "120 samples a period, read within 0.02 dB";
  double squares = 0;
  for (const float x : out) squares += static_cast<double>(x) * static_cast<double>(x);
  EXPECT_NEAR(low.mean_watts, squares / static_cast<double>(out.size()) * std::pow(plan.full_scale_volts_peak, 2) / 8,
              1e-9 * low.mean_watts);
  EXPECT_NEAR(low.rms_volts, std::sqrt(low.mean_watts * 8), 1e-9 * low.rms_volts);
  // What is held, by the grid's cells counted from the start, whatever the buckets of the plot are.
  const std::unique_ptr<Device> device = make_chain(prepared.compiled.settings());
  device->reset();
  analysis::LimiterMeter limiters;
  for (std::size_t at = 0; at < samples.size(); at += dsp::kGridFrames) {
    const std::size_t count = std::min<std::size_t>(dsp::kGridFrames, samples.size() - at);
    const Rows piece(2, Row(samples.begin() + static_cast<std::ptrdiff_t>(at),
                            samples.begin() + static_cast<std::ptrdiff_t>(at + count)));
    run_on(*device, piece, 3);
    const dsp::Meter meter = device->take_meter(0);
    limiters.add(meter.least_peak_gain, meter.least_power_gain, count);
  }
  limiters.finish();
  EXPECT_EQ(low.peak_held.mean_db, limiters.peak().mean_db);
  EXPECT_EQ(low.power_held.p95_db, limiters.power().p95_db);
  EXPECT_EQ(low.held.p95_db, limiters.together().p95_db);
  EXPECT_EQ(low.peak_held.over_1_db, limiters.peak().over_1_db);
  EXPECT_GT(low.held.mean_db, 1);
  ASSERT_FALSE(recording.advice.empty());
  EXPECT_EQ(recording.advice[0].code, "feed-down");

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
  Prepared prepared(kRig);
  EXPECT_THROW(record(prepared.subject, scratch / "cd.wav"), InputError) << "nobody asked for it";
  prepared.subject.resample = true;
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
// Its last samples leave an output long after it has ended.
TEST(Recordings, AreJudgedToTheirEndOnALateOutputToo) {
  const Scratch scratch;
  std::vector<float> samples(16384, 0.0f);
  std::fill(samples.end() - 480, samples.end(), 50.0f);
  write_stereo(scratch / "end.wav", samples, 48000);
  Prepared prepared(
      edited(edited(kRig, "delay = \"0.3 ms\"", "delay = \"900 ms\""),
             R"(limit = { below_clip = "2 dB", look_ahead = "2 ms", hold = "10 ms", release = "100 ms" })", ""));
  prepared.subject.brief = true;
  prepared.subject.programmes = {scratch / "end.wav"};
  const auto fell = fallen(check_ceilings(prepared.subject), "converter-clip");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_THAT(fell[0].text, testing::HasSubstr("end.wav"));
}
std::vector<RungKind> kinds_of(const std::string& rig) {
  std::vector<RungKind> kinds;
  const Prepared prepared(rig);
  const std::vector<Ladder> ladders = ladders_of(prepared.subject);
  for (const Rung& rung : ladders[0].rungs) kinds.push_back(rung.kind);
  return kinds;
}
TEST(Ladders, AreRmsWhereTheRatingIsAndStandInOneOrderInEveryRig) {
  const std::string with_peak =
      edited(kRig, "continuous_power = \"350 W\"", "continuous_power = \"350 W\"\npeak_power = \"1400 W\"");
  const Prepared prepared(with_peak);
  const std::vector<Ladder> ladders = ladders_of(prepared.subject);
  ASSERT_EQ(ladders.size(), 3u);
  EXPECT_EQ(ladders[0].output, "low");
  const auto volts = [&](RungKind kind) { return std::ranges::find(ladders[0].rungs, kind, &Rung::kind)->volts; };
  const auto drawn = [&](RungKind kind) {
    return std::ranges::find(ladders[0].rungs, kind, &Rung::kind)->volts_peak();
  };
  // sqrt(2) x 6.153 V x 39.81; sqrt(2 x 700 x 8); sqrt(1400 x 8); 2 dB below clip. All of them peaks.
  EXPECT_NEAR(volts(RungKind::converter_full_scale), 346.4, 0.1);
  EXPECT_NEAR(volts(RungKind::amplifier_clip), std::sqrt(2 * 700.0 * 8), 1e-9);
  EXPECT_NEAR(volts(RungKind::driver_peak), std::sqrt(1400.0 * 8), 1e-9);
  EXPECT_NEAR(volts(RungKind::limit), std::sqrt(2 * 700.0 * 8) * std::pow(10, -0.1), 1e-9);
  for (const RungKind kind :
       {RungKind::converter_full_scale, RungKind::amplifier_clip, RungKind::driver_peak, RungKind::limit})
    EXPECT_EQ(drawn(kind), volts(kind));
  // sqrt(350 x 8) = 52.9 V RMS, and 1 dB less: what a voltmeter reads. A sine of it has crests sqrt(2) as high.
  EXPECT_NEAR(volts(RungKind::driver_continuous), std::sqrt(350.0 * 8), 1e-9);
  EXPECT_NEAR(volts(RungKind::power_limit), std::sqrt(350.0 * 8) * std::pow(10, -0.05), 1e-9);
  for (const RungKind kind : {RungKind::driver_continuous, RungKind::power_limit}) {
    EXPECT_TRUE(is_rms(kind));
    EXPECT_NEAR(drawn(kind), std::sqrt(2.0) * volts(kind), 1e-9);
  }
  EXPECT_NEAR(*prepared.compiled.outputs[0].thermal_volts_rms, volts(RungKind::power_limit), 1e-9) << "as plan says it";

  const std::vector<RungKind> all = kinds_of(with_peak);
  EXPECT_THAT(all, testing::ElementsAre(RungKind::converter_full_scale, RungKind::amplifier_clip, RungKind::driver_peak,
                                        RungKind::limit, RungKind::driver_continuous, RungKind::power_limit));
  // The same order where the volts lie otherwise: a driver's peak below the limit, a converter below clip.
  EXPECT_EQ(kinds_of(edited(with_peak, "\"1400 W\"", "\"400 W\"")), all);
  EXPECT_EQ(kinds_of(edited(with_peak, "\"+18 dBu\"", "\"0 dBu\"")), all);
  EXPECT_EQ(kinds_of(kRig).size(), all.size() - 1) << "no peak power, no rung";
}
TEST(Basis, SaysEveryKeyThatMovesAFigure) {
  std::string rig = edited(kRig, "gain = \"32 dB\"", "sensitivity = \"1.4 V\"\nattenuator = \"-6 dB\"");
  rig = edited(rig, "power = \"700 W\", load = \"8 ohm\"", "power = \"750 W\", load = \"8 ohm\"");
  rig = edited(rig, "continuous_power = \"350 W\"", "continuous_power = \"350 W\"\npeak_power = \"1300 W\"");
  rig = edited(rig, "driver = \"horn\"\n", "driver = \"horn\"\ndrivers = 2\nwiring = \"series\"\ndepth = \"18 cm\"\n");
  rig = edited(rig, "continuous_power = \"60 W\"",
               "continuous_power = \"60 W\"\nlowest = \"900 Hz\"\nhighest = \"18 kHz\"\nsensitivity = \"107 dB\"");
  rig = edited(rig, "gain = \"26 dB\"", "gain = \"26 dB\"\nbridged = true\nrated = \"bridged\"");
  Prepared prepared(rig);
  const rig::Venue venue = rig::parse_venue(
      "format = 1\n[venue]\ngain = \"-1.5 dB\"\n[venue.feed.left]\neq = [ { type = \"peaking\", at = \"81 Hz\", "
      "gain = \"-4.5 dB\", q = 3 } ]\n",
      "v.toml", prepared.rig);
  prepared.subject.venue = &venue;
  std::string all;
  for (const BasisTable& table : basis_of(prepared.subject)) {
    all += table.title + "\n";
    for (const auto& row : table.rows) {
      EXPECT_EQ(row.size(), table.heads.size()) << table.title;
      for (const std::string& cell : row) {
        EXPECT_FALSE(cell.empty()) << table.title;
        all += cell + "|";
      }
    }
  }
  // What a reader would look for, file by file: controller, amplifiers, drivers, layers, points, ways, limiters.
  for (const char* said : {"48 kHz",
                           "+18.00 dBu (6.15 V RMS)",
                           "left: channel 1\nright: channel 2",
                           "750 W into 8 ohm",
                           "200 W into 8 ohm",
                           "from 1.4 V RMS in for 750 W",
                           "-6 dB, can be moved: taken as 0 dB",
                           "26 dB",
                           "350 W (52.9 V RMS)",
                           "1300 W (102.0 V peak)",
                           "not given",
                           "0.5 s",
                           "-3 dB",
                           "peaking 240 Hz, -3.5 dB, q 1.4",
                           "-1.5 dB",
                           "peaking 81 Hz, -4.5 dB, q 3",
                           "1.6 kHz, linkwitz-riley, 24 dB/oct",
                           "low and high",
                           "sum",
                           "1 × cone",
                           "0.3 ms",
                           "55 Hz, butterworth, 24 dB/oct",
                           "2 dB below clip",
                           "10 ms",
                           "100 ms",
                           "the wave between samples",
                           "1 dB below rating",
                           "0.25 s"})
    EXPECT_THAT(all, testing::HasSubstr(said));
}

}  // namespace
}  // namespace rackproof::proof::test
