// Must hold: `render --listen` writes what the exported outputs add up to by hand, at the level that it says; a gain or a
// loudness that is given is kept; the same bytes whatever the block and the workers; whole with the outputs or not at all;
// and what cannot be is refused under its key.
#include <ebur128.h>
#include <fmt/format.h>
#include <gmock/gmock.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>

#include "harness/files/fingerprint.hpp"
#include "tests/harness/edited.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {
namespace {

using nlohmann::json;
using test::Audio;
using test::read_audio;
using test::Result;
using testing::AllOf;
using testing::Contains;
using testing::HasSubstr;
using testing::Not;

class Listen : public testing::Test, protected test::Shell {
 protected:
  Listen() {
    with_rig();
    with_recording();
    // At 16 degC sound takes 20 samples of 48 kHz for 14.2085 cm.
    edit("depth = \"11 cm\"                   # its", "depth = \"14.20845 cm\"                   # its");
    edit("depth = \"11 cm\"                   # the", "depth = \"0 cm\"                   # the");
  }
  void edit(const std::string& from, const std::string& to) const {
    write("rig.toml", test::edited(read("rig.toml"), from, to));
  }
  json rendered(const std::string& options, int status = 0) const {
    const Result result = run("$R render rig.toml in.wav -o out --json --quiet " + options);
    EXPECT_EQ(result.status, status) << result.err;
    return json::parse(result.out).at("listen");
  }
  Audio audio(const std::string& name) const { return read_audio(folder() / name); }
};

TEST_F(Listen, TheFileIsWhatTheOutputsAddUpToByHand) {
  const json listen = rendered("--listen heard.wav");
  EXPECT_EQ(listen.at("file"), "heard.wav");
  EXPECT_EQ(listen.at("from"), "sensitivities");
  const Audio heard = audio("heard.wav");
  EXPECT_EQ(heard.info.channels, 2);
  EXPECT_EQ(heard.info.samplerate, 48000);
  EXPECT_EQ(heard.info.frames, listen.at("frames").get<sf_count_t>());
  const double gain = std::pow(10, listen.at("gain_db").get<double>() / 20);
  // +18 dBu RMS at full scale; 32 dB and 98 dB at 1 W into 8 ohm, and 26 dB and 104 dB.
  const double full_scale = std::numbers::sqrt2 * std::sqrt(0.6) * std::pow(10, 18 / 20.0);
  const double pascals_low = full_scale * std::pow(10, (32 + 98) / 20.0) / std::sqrt(8) * 20e-6;
  const double pascals_high = full_scale * std::pow(10, (26 + 104) / 20.0) / std::sqrt(8) * 20e-6;
  double peak = 0;
  for (const auto& [side, channel] : {std::pair("left", 0u), std::pair("right", 1u)}) {
    const Audio low = audio(std::string("out/low.") + side + ".wav"),
                high = audio(std::string("out/high.") + side + ".wav");
    double squares = 0, wrong = 0, without = 0;
    const auto frames = static_cast<std::size_t>(low.info.frames);
    for (std::size_t n = 0; n < static_cast<std::size_t>(heard.info.frames); ++n) {
      const auto at = [&](const Audio& way, std::size_t late) {
        return n >= late && n - late < frames ? static_cast<double>(way.interleaved[n - late]) : 0.0;
      };
      const double by_hand = pascals_low * at(low, 20) + pascals_high * at(high, 0);
      const double found = static_cast<double>(heard.interleaved[2 * n + channel]) / gain;
      wrong += std::pow(found - by_hand, 2);
      without += std::pow(pascals_low * at(low, 0) + pascals_high * at(high, 0) - by_hand, 2);
      squares += by_hand * by_hand;
      peak = std::max(peak, std::abs(found * gain));
    }
    // Depth and speed of sound are known to six digits, samples to seven: a millionth of the level is -120 dB.
    EXPECT_LT(10 * std::log10(wrong / squares), -90) << side;
    EXPECT_GT(10 * std::log10(without / squares), -20) << "control: without its depth it is another sum";
    const double rms = std::sqrt(squares / static_cast<double>(heard.info.frames));
    EXPECT_NEAR(listen.at("channels").at(channel).at("level_db_spl").get<double>(), 20 * std::log10(rms / 20e-6),
                0.001);
    EXPECT_EQ(listen["channels"][channel].at("feed"), side);
  }
  // The wave's peak is put at -1 dBTP, as BS.1770 reads it; its samples lie no higher.
  EXPECT_NEAR(listen.at("true_peak_dbtp").get<double>(), -1, 1e-6);
  EXPECT_LE(20 * std::log10(peak), -1 + 1e-4);
  EXPECT_GT(20 * std::log10(peak), -4);
  EXPECT_NEAR(listen.at("full_scale_db_spl").get<double>(), 20 * std::log10(1 / gain / 20e-6), 1e-9);
}

TEST_F(Listen, GainAndLoudnessAreKept) {
  const json as_it_is = rendered("--listen a.wav");
  const json quieter = rendered("--listen b.wav --listen-gain '-50 dB'");
  EXPECT_NEAR(quieter.at("gain_db").get<double>(), -50, 1e-9);
  const Audio a = audio("a.wav"), b = audio("b.wav");
  const double apart_db = -50 - as_it_is.at("gain_db").get<double>();
  EXPECT_NEAR(20 * std::log10(std::abs(b.interleaved[2000] / a.interleaved[2000])), apart_db, 1e-4);
  EXPECT_EQ(quieter.at("channels"), as_it_is.at("channels"));  // the level at 1 m is the rig's, not the file's
  // Another rig at the same loudness, as the reference library reads it.
  edit("gain = \"-6 dB\"", "gain = \"-16 dB\"");
  const json level = rendered("--listen c.wav --listen-level '-23 LUFS'");
  EXPECT_NEAR(level.at("loudness_lufs").get<double>(), -23, 1e-6);
  const Audio c = audio("c.wav");
  ebur128_state* reference = ebur128_init(2, 48000, EBUR128_MODE_I);
  ebur128_add_frames_float(reference, c.interleaved.data(), c.interleaved.size() / 2);
  double lufs = 0;
  ebur128_loudness_global(reference, &lufs);
  ebur128_destroy(&reference);
  EXPECT_NEAR(lufs, -23, 0.05);
  // What a player would clip is said; far beyond it is no file for headphones. 6 dBTP is where that turns.
  const double at_full_scale_db =
      level.at("gain_db").get<double>() - level.at("true_peak_dbtp").get<double>();  // a gain for 0 dBTP
  const auto with_gain = [&](double gain_db) {
    return run(fmt::format("$R render rig.toml in.wav -o out --listen d.wav --listen-gain '{:.3f} dB'", gain_db));
  };
  const Result loud = with_gain(at_full_scale_db + 5.99);
  EXPECT_EQ(loud.status, 0);
  EXPECT_THAT(loud.out, AllOf(HasSubstr("listen-clip"), HasSubstr("d.wav"), HasSubstr("harms hearing")));
  const std::string kept = read("d.wav");
  const Result too_loud = with_gain(at_full_scale_db + 6.01);
  EXPECT_EQ(too_loud.status, 2);
  EXPECT_THAT(too_loud.err, AllOf(HasSubstr("--listen-gain"), HasSubstr("+6.0 dBTP"), HasSubstr("at most")));
  EXPECT_EQ(read("d.wav"), kept) << "the earlier file stays";
  EXPECT_EQ(run("$R render rig.toml in.wav -o out --listen d.wav --listen-gain '1000 dB'").status, 2);
  // A burst of 10 ms a second has its peak some 20 dB over its loudness.
  EXPECT_EQ(run("$R stimulus burst --seconds '3 s' --length '10 ms' --channels 2 -o burst.wav").status, 0);
  const Result level_too_high = run("$R render rig.toml burst.wav -o out --listen d.wav --listen-level '-3 LUFS'");
  EXPECT_EQ(level_too_high.status, 2);
  EXPECT_THAT(level_too_high.err, AllOf(HasSubstr("--listen-level"), HasSubstr("LUFS")));
}

TEST_F(Listen, TheSameBytesWhateverTheBlockAndTheWorkers) {
  rendered("--listen out/heard.wav --jobs 1");
  const std::string bytes = read("out/heard.wav"), list = read("out/render.json");
  for (const char* options : {"--jobs 2", "--jobs 5", "--jobs 1 --block 7", "--jobs 2 --block 4096"}) {
    rendered(std::string("--listen out/heard.wav ") + options);
    EXPECT_EQ(read("out/heard.wav"), bytes) << options;
    EXPECT_EQ(read("out/render.json"), list) << options;
  }
  // It is one of the set: listed with its fingerprint, and told of when a later set has it no more.
  const json files = json::parse(list).at("files");
  ASSERT_EQ(files.size(), 1u);
  EXPECT_EQ(files[0].at("file"), "heard.wav");
  EXPECT_EQ(files[0].at("bytes"), bytes.size());
  EXPECT_EQ(rackproof::files::fingerprint_of(bytes), files[0].at("xxh128").get<std::string>());
  EXPECT_THAT(run("$R render rig.toml in.wav -o out").out, AllOf(HasSubstr("not-of-this-set"), HasSubstr("heard.wav")));
}

TEST_F(Listen, OneFeedIsOnBothSidesAndOfThreeTwoAreChosen) {
  edit("right = 2", "right = 2\nside = 1");
  const Result three = run("$R render rig.toml in.wav -o out --listen h.wav");
  EXPECT_EQ(three.status, 2);
  EXPECT_THAT(three.err, AllOf(HasSubstr("3 feeds"), HasSubstr("--listen-feeds left,right")));
  EXPECT_THAT(names(), Not(Contains("out")));
  const json chosen = rendered("--listen h.wav --listen-feeds right,side");
  EXPECT_EQ(chosen.at("channels")[0].at("feed"), "right");
  EXPECT_EQ(chosen["channels"][1].at("feed"), "side");
  rendered("--listen one.wav --listen-feeds side");
  const Audio one = audio("one.wav"), two = audio("h.wav");
  for (std::size_t n = 0; n < one.interleaved.size(); n += 2)
    ASSERT_EQ(one.interleaved[n], one.interleaved[n + 1]) << n;
  EXPECT_NE(two.interleaved[2000], two.interleaved[2001]);
  EXPECT_EQ(run("$R render rig.toml in.wav -o out --listen h.wav --listen-feeds left,centre").status, 2);
}

TEST_F(Listen, AListenerStandsInFrontOfOneLoudspeaker) {
  write("rig.toml", test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml"));
  const Result none = run("$R render rig.toml in.wav -o out --listen h.wav");
  EXPECT_EQ(none.status, 2);
  EXPECT_THAT(none.err,
              AllOf(HasSubstr("3 loudspeakers (main, fill, delayed)"), HasSubstr("--listen-loudspeaker main")));
  EXPECT_EQ(run("$R render rig.toml in.wav -o out --listen h.wav --listen-loudspeaker roof").status, 2);
  EXPECT_THAT(names(), Not(Contains("out")));
  // A mix of both feeds is on both sides; of one way without a depth what is heard is the output times a factor.
  rendered("--listen fill.wav --listen-loudspeaker fill");
  const json delayed = rendered("--listen delayed.wav --listen-loudspeaker delayed");
  EXPECT_EQ(delayed.at("loudspeaker"), "delayed");
  const Audio fill = audio("fill.wav"), heard = audio("delayed.wav");
  const Audio box = audio("out/fill.box.wav"), left = audio("out/delayed.box.left.wav"),
              right = audio("out/delayed.box.right.wav");
  const auto peak_at = [](const Audio& of, std::size_t channel, std::size_t channels) {
    std::size_t at = channel;
    for (std::size_t n = channel; n < of.interleaved.size(); n += channels)
      if (std::abs(of.interleaved[n]) > std::abs(of.interleaved[at])) at = n;
    return at;
  };
  const std::size_t n = peak_at(left, 0, 1);
  const auto factor = static_cast<double>(heard.interleaved[2 * n] / left.interleaved[n]);
  for (std::size_t k = 0; k < left.interleaved.size(); ++k) {
    ASSERT_NEAR(heard.interleaved[2 * k], factor * static_cast<double>(left.interleaved[k]), 1e-5) << k;
    ASSERT_NEAR(heard.interleaved[2 * k + 1], factor * static_cast<double>(right.interleaved[k]), 1e-5) << k;
  }
  const std::size_t m = peak_at(box, 0, 1);
  const auto of_fill = static_cast<double>(fill.interleaved[2 * m] / box.interleaved[m]);
  for (std::size_t k = 0; k < box.interleaved.size(); ++k) {
    ASSERT_EQ(fill.interleaved[2 * k], fill.interleaved[2 * k + 1]) << k;
    ASSERT_NEAR(fill.interleaved[2 * k], of_fill * static_cast<double>(box.interleaved[k]), 1e-5) << k;
  }
}

TEST_F(Listen, OfSeveralRecordingsEachFolderGetsOne) {
  test::write_audio(folder() / "short.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, test::noise(6000, 9));
  const Result result = run("$R render rig.toml in.wav short.wav -o many --listen heard.wav --json --quiet");
  EXPECT_EQ(result.status, 0) << result.err;
  const json renders = json::parse(result.out).at("renders");
  EXPECT_EQ(renders[0].at("listen").at("file"), "many/in/heard.wav");
  EXPECT_EQ(renders[1].at("listen").at("file"), "many/short/heard.wav");
  EXPECT_EQ(audio("many/short/heard.wav").info.frames, renders[1]["listen"].at("frames").get<sf_count_t>());
  rendered("--listen heard.wav");
  EXPECT_EQ(read("many/in/heard.wav"), read("heard.wav"));  // as alone
  const Result elsewhere = run("$R render rig.toml in.wav short.wav -o many --listen ./heard.wav");
  EXPECT_EQ(elsewhere.status, 2);
  EXPECT_THAT(elsewhere.err, HasSubstr("a name, as in heard.wav"));
}

TEST_F(Listen, WhatCannotBeIsRefusedAndNothingIsLeft) {
  const auto refused = [&](const std::string& options, const std::string& words) {
    const Result result = run("$R render rig.toml in.wav -o out " + options);
    EXPECT_EQ(result.status, 2) << options;
    EXPECT_THAT(result.err, HasSubstr(words)) << options;
    EXPECT_THAT(names(), Not(Contains("out"))) << options;
  };
  refused("--listen out/low.left.wav", "that is the file of an output");
  refused("--listen out/render.json", "that is the list of the outputs");
  refused("--listen in.wav", "in.wav: would be overwritten by the render");
  refused("--listen rig.toml", "rig.toml");
  refused("--listen nowhere/h.wav", "there is no folder nowhere");
  refused("--listen .", "that is a folder");
  refused("--listen-gain '-3 dB'", "it belongs to --listen");
  refused("--listen h.wav --listen-gain '-3 dB' --listen-level '-23 LUFS'", "one of them");
  refused("--listen h.wav --listen-gain '3 V'", "--listen-gain");
  refused("--listen h.wav --listen-level loud", "-23 LUFS");
  edit("sensitivity = \"104 dB\"", "# sensitivity = \"104 dB\"");
  refused("--listen h.wav", "driver.horn.sensitivity is not given");
  EXPECT_THAT(names(), Not(Contains("h.wav")));
}

TEST_F(Listen, WhatIsNotSaidOrSilentIsTold) {
  edit("depth = \"14.20845 cm\"", "# depth = \"14.20845 cm\"");
  EXPECT_THAT(
      run("$R render rig.toml in.wav -o out --listen h.wav").out,
      AllOf(HasSubstr("depth-unsaid"), HasSubstr("way.low.depth is not given"), HasSubstr("feed left on the left")));
  test::write_audio(folder() / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, std::vector<float>(20000));
  const json silent = rendered("--listen h.wav");
  EXPECT_TRUE(silent.at("true_peak_dbtp").is_null());
  EXPECT_TRUE(silent.at("loudness_lufs").is_null());
  EXPECT_THAT(run("$R render rig.toml in.wav -o out --listen h.wav").out, HasSubstr("it is silent"));
  EXPECT_EQ(run("$R render rig.toml in.wav -o out --listen h.wav --listen-level -23").status, 2);
  // PCM, as the outputs are.
  rendered("--listen p.wav --subtype pcm24");
  EXPECT_EQ(audio("p.wav").info.format & SF_FORMAT_SUBMASK, SF_FORMAT_PCM_24);
  EXPECT_TRUE(json::parse(run("$R render rig.toml in.wav -o out --json --quiet").out).at("listen").is_null());
}

}  // namespace
}  // namespace rackproof
