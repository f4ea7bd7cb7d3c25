// Must hold: the theorems at the top of render_job.hpp and render_meter.hpp, and what `render --help` promises. The
// program itself runs here, as a person would run it.
#include <fcntl.h>
#include <gmock/gmock.h>
#include <pty.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <bit>
#include <chrono>
#include <cmath>
#include <cstdlib>
#include <functional>
#include <nlohmann/json.hpp>
#include <thread>

#include "harness/calibration/compile.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/verbs/render_batch.hpp"
#include "harness/verbs/render_job.hpp"
#include "harness/verbs/render_meter.hpp"
#include "harness/verbs/render_progress.hpp"
#include "tests/harness/scratch.hpp"
#include "tests/sanitized.hpp"

namespace rackproof {
namespace {

using namespace rackproof::test;
using nlohmann::json;
using testing::AllOf;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;

/// 0 dBFS is 1 V RMS at the controller; amplifiers of 40 dB: a full-scale sine is 100 V RMS, 141 V peak, beyond their
/// clip of 89.4 V peak. All invented.
const std::string kRig = R"(format = 1
[controller]
sample_rate = "48 kHz"
output_full_scale = "1 V"
[feeds]
left = 1
right = 2
[amplifier.small]
ratings = [ { power = "500 W", load = "8 ohm" } ]
gain = "40 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "200 W"
[driver.horn]
impedance = "8 ohm"
continuous_power = "60 W"
[system]
eq = [ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ]
[crossover]
points = [ { at = "400 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
[[way]]
name = "low"
feeds = "sum"
amplifier = "small"
driver = "cone"
delay = "1.01 ms"
limit = { below_clip = "1 dB" }
thermal = { below_rating = "1 dB" }
[[way]]
name = "high"
amplifier = "small"
driver = "horn"
gain = "-2 dB"
limit = { below_clip = "6 dB", look_ahead = "1 ms" }
)";
constexpr int kTailOfDelay = 49;  // 1.01 ms are 48.48 samples
const int kWavFloat = SF_FORMAT_WAV | SF_FORMAT_FLOAT;

struct Ended {
  int status = 0;  // as wait gives it
  std::string out, err;
  long most_memory_kib = 0;
  int code() const { return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status); }
};

class Render : public testing::Test {
 protected:
  Render() {
    put(scratch / "rig.toml", kRig);
    write_audio(scratch / "in.wav", kWavFloat, 2, 48000, noise(2 * 50000, 21));
  }
  std::string at(const std::string& name) const { return (scratch / name).string(); }

  /// As a command in a terminal begins, whatever this test was started with: a background job ignores SIGINT, and its
  /// children would too.
  pid_t start(std::vector<std::string> words, int standard_error, const std::function<void()>& in_child = {}) {
    words.insert(words.begin(), {RACKPROOF_PROGRAM, "render"});
    const pid_t child = ::fork();
    if (child != 0) return child;
    std::vector<char*> argv;
    for (std::string& word : words) argv.push_back(word.data());
    argv.push_back(nullptr);
    ::dup2(::open(at("stdout").c_str(), O_CREAT | O_TRUNC | O_WRONLY, 0600), STDOUT_FILENO);
    ::dup2(standard_error, STDERR_FILENO);
    for (const int number : {SIGINT, SIGTERM, SIGHUP}) ::signal(number, SIG_DFL);
    if (in_child) in_child();
    ::execv(argv[0], argv.data());
    ::_exit(127);
  }
  Ended run(std::vector<std::string> words, const std::function<void()>& in_child = {}) {
    const int standard_error = ::open(at("stderr").c_str(), O_CREAT | O_TRUNC | O_WRONLY | O_CLOEXEC, 0600);
    const pid_t child = start(std::move(words), standard_error, in_child);
    ::close(standard_error);
    Ended ended;
    rusage used{};
    ::wait4(child, &ended.status, 0, &used);
    ended.out = bytes_of(scratch / "stdout");
    ended.err = bytes_of(scratch / "stderr");
    ended.most_memory_kib = used.ru_maxrss;
    return ended;
  }
  /// A render that must succeed; its document.
  json document(std::vector<std::string> words) {
    words.push_back("--json");
    const Ended ended = run(std::move(words));
    EXPECT_EQ(ended.code(), 0) << ended.err;
    return json::parse(ended.out);
  }
  std::vector<std::string> in_to(const std::string& out, std::initializer_list<std::string> more = {}) {
    std::vector<std::string> words{at("rig.toml"), at("in.wav"), "-o", at(out)};
    words.insert(words.end(), more);
    return words;
  }
  /// Stereo silence, all but free on disk: a hole. Longer than 4 GiB it is RF64.
  void put_silence(const std::string& name, std::uint64_t frames) {
    const std::uint64_t bytes = frames * 8;
    const bool large = bytes > 0xff000000u;
    std::string head = format_chunk(3, 2, 48000, 32, 8) + chunk("data", "", large ? 0xffffffffu : bytes);
    if (large) head = chunk("ds64", le(bytes + 72, 8) + le(bytes, 8) + le(frames, 8) + le(0, 4)) + head;
    put(scratch / name,
        (large ? "RF64" + le(0xffffffffu, 4) : "RIFF" + le(4 + head.size() + bytes, 4)) + "WAVE" + head);
    std::filesystem::resize_file(scratch / name, 12 + head.size() + bytes);
  }

  void refused_jobs(const std::string& jobs) {
    const Ended ended = run(in_to("b", {"--jobs", jobs}));
    EXPECT_EQ(ended.code(), 2);
    EXPECT_THAT(ended.err, HasSubstr("--jobs"));
    EXPECT_FALSE(std::filesystem::exists(scratch / "b"));
  }

  const Scratch scratch;
};
/// Enough of a WAV to be replaced by one.
const std::string kOld = "RIFF....WAVE as it was";
const std::vector<std::string> kFiles{"high.left.wav", "high.right.wav", "low.wav"};
const std::vector<std::string> kSet{"high.left.wav", "high.right.wav", "low.wav", "render.json"};

TEST_F(Render, TheFilesAreTheSameToTheBitForEveryBlockSizeAndTime) {
  const json first = document(in_to("a", {"--block", "64"}));
  const auto same_figures = [&first](const json& other, const std::string& run_by) {
    for (std::size_t o = 0; o < 3; ++o)
      for (const auto& [key, value] : first["outputs"][o].items())
        if (key != "file") EXPECT_EQ(other["outputs"][o][key], value) << key << ", " << run_by;
    EXPECT_EQ(other["advice"], first["advice"]) << run_by;
  };
  EXPECT_GT(first["outputs"][1]["peak_held_p95_db"], 1.0);
  for (const char* block : {"1", "1000", "20000"})
    same_figures(document(in_to("b" + std::string(block), {"--block", block})), "--block " + std::string(block));
  document(in_to("again"));
  EXPECT_THAT(Scratch::names_in(scratch / "a"), testing::ElementsAreArray(kSet));
  for (const std::string& file : kSet)
    for (const char* other : {"b1", "b1000", "b20000", "again"})
      EXPECT_EQ(bytes_of(scratch / "a" / file), bytes_of(scratch / other / file)) << file << " in " << other;
  for (const char* jobs : {"1", "2", "3", "16"}) {
    const json other = document(in_to("j" + std::string(jobs), {"--jobs", jobs}));
    for (const std::string& file : kSet)
      EXPECT_EQ(bytes_of(scratch / "a" / file), bytes_of(scratch / ("j" + std::string(jobs)) / file)) << jobs;
    same_figures(other, "--jobs " + std::string(jobs));
  }
  const int latency = first["latency_samples"];
  EXPECT_EQ(first["frames"], 50000 + latency + kTailOfDelay);
  for (const std::string& file : kFiles)
    EXPECT_EQ(read_audio(scratch / "a" / file).info.frames, 50000 + latency + kTailOfDelay);
  EXPECT_EQ(read_audio(scratch / "a" / "low.wav").info.format, kWavFloat);
}

/// Cut for several workers, in every number of groups, as in one piece; bad samples are counted at the input, once.
/// Of the two recordings the second has filters make more of it than a chain lets in: it has to be rendered again.
TEST_F(Render, EveryCutOfTheChainGivesTheSame) {
  const std::size_t two_feeds = kRig.find("right = 2"), sum = kRig.find("feeds = \"sum\"");
  const std::string one_feed_rig = std::string(kRig).erase(two_feeds, 9), no_sum_rig = std::string(kRig).erase(sum, 13);
  for (const std::string& rig_text : {kRig, one_feed_rig, no_sum_rig})
    for (const bool wild : {false, true}) {
      std::vector<float> samples = noise(2 * 200000, 26);
      for (std::size_t i = 0; i < samples.size(); i += 1001) samples[i] = NAN;
      // From frame 197000, in the seventh chunk: six are under way at most, so that progress has been heard before.
      for (std::size_t i = 394000; wild && i < 396000; ++i) samples[i] = i / 200 % 2 == 0 ? 1e9f : -1e9f;
      write_audio(scratch / "in.wav", kWavFloat, 2, 48000, samples);
      put(scratch / "rig.toml", rig_text);
      const rig::Rig rig = rig::load_rig(scratch / "rig.toml");
      for (const Bypass bypass : {Bypass::none, Bypass::limits}) {
        if (bypass == Bypass::limits && (wild || rig_text != kRig)) continue;
        const CompiledRig compiled = compile(rig, nullptr, bypass);
        const files::Interruption interruption;
        RenderJob job{.input = scratch / "in.wav", .folder = scratch / "whole"};
        const Rendered whole = render(rig, compiled, job, interruption);
        EXPECT_GT(whole.bad_samples, 40u);
        EXPECT_EQ(whole.bounded_samples > 0, wild);
        for (const std::size_t groups : {0u, 1u, 2u, 9u}) {
          job.folder = scratch / std::to_string(groups);
          job.groups = groups;
          job.workers = 2 + groups % 2;
          std::uint64_t heard = 0;
          const Rendered cut = render(rig, compiled, job, interruption, [&](std::uint64_t, std::uint64_t) { ++heard; });
          EXPECT_EQ(heard > (whole.frames + kChunkFrames - 1) / kChunkFrames, wild) << "begun anew, or not";
          EXPECT_EQ(cut.frames, whole.frames);
          EXPECT_EQ(cut.bad_samples, whole.bad_samples) << groups;
          EXPECT_EQ(cut.bounded_samples, whole.bounded_samples) << groups;
          for (std::size_t o = 0; o < whole.outputs.size(); ++o) {
            EXPECT_EQ(bytes_of(job.folder / cut.outputs[o].file), bytes_of(scratch / "whole" / whole.outputs[o].file))
                << groups << ", wild " << wild;
            EXPECT_EQ(cut.outputs[o].limited_frames, whole.outputs[o].limited_frames) << groups;
            EXPECT_EQ(cut.outputs[o].least_peak_gain, whole.outputs[o].least_peak_gain) << groups;
            EXPECT_EQ(cut.outputs[o].least_power_gain, whole.outputs[o].least_power_gain) << groups;
          }
        }
      }
    }
}

/// What is told on the way: never more than all of them have, never less than before but where one is begun anew, and at
/// the end all.
TEST_F(Render, ProgressOfManyRecordingsEndsAtAllOfThem) {
  std::vector<std::filesystem::path> inputs;
  for (const bool wild : {false, true}) {
    std::vector<float> samples = noise(2 * 200000, 27);
    for (std::size_t i = 394000; wild && i < 396000; ++i) samples[i] = i / 200 % 2 == 0 ? 1e9f : -1e9f;
    inputs.push_back(scratch / (wild ? "wild.wav" : "tame.wav"));
    write_audio(inputs.back(), kWavFloat, 2, 48000, samples);
  }
  const rig::Rig rig = rig::load_rig(scratch / "rig.toml");
  const CompiledRig compiled = compile(rig, nullptr, Bypass::none);
  for (const std::size_t workers : {1u, 2u, 5u}) {
    std::vector<std::uint64_t> told;
    std::uint64_t promised = 0;
    RenderJob common;
    common.folder = scratch / std::to_string(workers);
    common.groups = 2;
    const files::Interruption interruption;
    const Batch batch =
        render_all(rig, compiled, common, inputs, workers, interruption, [&](std::uint64_t done, std::uint64_t of) {
          told.push_back(done);
          promised = of;
        });
    ASSERT_FALSE(batch.failure);
    std::uint64_t frames = 0;
    for (const std::optional<Rendered>& rendered : batch.rendered) frames += rendered->frames;
    EXPECT_EQ(promised, frames);
    ASSERT_FALSE(told.empty());
    EXPECT_EQ(told.back(), promised) << workers << " workers";
    std::size_t steps_back = 0;
    for (std::size_t i = 1; i < told.size(); ++i) steps_back += told[i] < told[i - 1];
    EXPECT_EQ(*std::ranges::max_element(told), promised);
    // Cut for several workers the wild one is begun anew, in one piece it is not.
    EXPECT_EQ(steps_back, workers > inputs.size() ? 1u : 0u) << workers << " workers";
  }
}

TEST_F(Render, ManyRecordingsGetAFolderEachAndTheSameBytes) {
  std::vector<std::string> words{at("rig.toml")};
  for (int i = 0; i < 5; ++i) {
    const std::string name = "show" + std::to_string(i);
    write_audio(scratch / (name + ".wav"), kWavFloat, 2, 48000,
                noise(2 * 20000 * static_cast<std::size_t>(i + 1), static_cast<unsigned>(30 + i)));
    words.push_back(at(name + ".wav"));
  }
  for (const char* jobs : {"1", "2", "7"}) {
    const std::string folder = "many" + std::string(jobs);
    std::vector<std::string> more = words;
    more.insert(more.end(), {"-o", at(folder), "--jobs", jobs});
    const json said = document(more);
    EXPECT_EQ(said["rig"], at("rig.toml"));
    EXPECT_EQ(said["sample_rate_hz"], 48000);
    EXPECT_GT(said["realtime_factor"], 0);
    ASSERT_EQ(said["renders"].size(), 5u);
    for (int i = 0; i < 5; ++i) {
      const std::string name = "show" + std::to_string(i);
      const json alone = document({at("rig.toml"), at(name + ".wav"), "-o", at("alone/" + name)});
      const json& render = said["renders"][static_cast<std::size_t>(i)];
      EXPECT_EQ(said["latency_samples"], alone["latency_samples"]);
      for (const char* key : {"input", "frames", "input_frames", "warnings"}) EXPECT_EQ(render[key], alone[key]) << key;
      for (const std::string& file : kSet)
        EXPECT_EQ(bytes_of(scratch / folder / name / file), bytes_of(scratch / "alone" / name / file)) << name;
    }
  }
  words.insert(words.end(), {"-o", at("text")});
  EXPECT_THAT(run(words).out, AllOf(HasSubstr("show0.wav"), HasSubstr("show4.wav"), HasSubstr("5 recordings")));
}

TEST_F(Render, OfManyRecordingsNoneIsBegunWhereOneIsWrong) {
  std::filesystem::create_directories(scratch / "x");
  std::filesystem::copy_file(scratch / "in.wav", scratch / "x/in.wav");
  write_audio(scratch / "mono.wav", kWavFloat, 1, 48000, noise(100, 24));
  const auto refused = [&](const std::string& second, const testing::Matcher<std::string>& why) {
    const Ended ended = run({at("rig.toml"), at("in.wav"), second, "-o", at("a")});
    EXPECT_EQ(ended.code(), 2);
    EXPECT_THAT(ended.err, why);
    EXPECT_FALSE(std::filesystem::exists(scratch / "a"));
  };
  refused(at("x/in.wav"), AllOf(HasSubstr("x/in.wav"), HasSubstr("different names")));
  refused(at("absent.wav"), HasSubstr("no such file"));
  refused(at("mono.wav"), HasSubstr("has 1 channel"));
  // An output in the place of another recording's input.
  std::filesystem::create_directories(scratch / "a/in");
  std::filesystem::create_hard_link(scratch / "x/in.wav", scratch / "a/in/low.wav");
  std::filesystem::rename(scratch / "x/in.wav", scratch / "x/other.wav");
  const Ended ended = run({at("rig.toml"), at("in.wav"), at("x/other.wav"), "-o", at("a")});
  EXPECT_EQ(ended.code(), 2);
  EXPECT_THAT(ended.err, HasSubstr("would be overwritten"));
  EXPECT_EQ(bytes_of(scratch / "a/in/low.wav"), bytes_of(scratch / "in.wav"));
  refused_jobs("0");
  refused_jobs("1025");
  refused_jobs("two");
}

/// The first recording is short, the second does not fit: what was whole stays, of the other nothing does.
TEST_F(Render, OfManyRecordingsThoseThatWereWholeStay) {
  put_silence("long.wav", 60 * 48000);
  const Ended ended = run({at("rig.toml"), at("in.wav"), at("long.wav"), "-o", at("a"), "--jobs", "1"}, [] {
    const rlimit limit{1 << 20, RLIM_INFINITY};
    ::setrlimit(RLIMIT_FSIZE, &limit);
  });
  EXPECT_EQ(ended.code(), 3);
  EXPECT_THAT(ended.err, AllOf(HasSubstr("long"), HasSubstr("cannot be written"), HasSubstr("1 of 2 recordings")));
  EXPECT_THAT(Scratch::names_in(scratch / "a"), ElementsAre("in"));
  EXPECT_THAT(Scratch::names_in(scratch / "a/in"), testing::ElementsAreArray(kSet));
}

TEST_F(Render, BypassAllIsTheFeedLaterByTheLatencyBitForBit) {
  const std::vector<float> in = read_audio(scratch / "in.wav").interleaved;
  const json said = document(in_to("a", {"--bypass", "all"}));
  const std::size_t latency = said["latency_samples"];
  const std::vector<float> left = read_audio(scratch / "a/high.left.wav").interleaved,
                           low = read_audio(scratch / "a/low.wav").interleaved;
  ASSERT_EQ(left.size(), 50000 + latency);
  ASSERT_EQ(low.size(), left.size());
  for (std::size_t n = 0; n < left.size(); ++n) {
    const float l = n < latency ? 0.0f : in[2 * (n - latency)], r = n < latency ? 0.0f : in[2 * (n - latency) + 1];
    ASSERT_EQ(std::bit_cast<std::uint32_t>(left[n]), std::bit_cast<std::uint32_t>(l)) << n;
    ASSERT_EQ(low[n], (l + r) * 0.5f) << n;
  }
  const json limited = document(in_to("b", {"--bypass", "limits"}));
  EXPECT_EQ(limited["latency_samples"], said["latency_samples"]);
  for (const json& output : limited["outputs"]) EXPECT_EQ(output["max_peak_reduction_db"], 0.0);
  EXPECT_NE(bytes_of(scratch / "a/low.wav"), bytes_of(scratch / "b/low.wav"));
  for (const json* one : {&said, &limited}) EXPECT_THAT(one->at("warnings").dump(), HasSubstr("limiters-out"));
  EXPECT_THAT(document(in_to("c", {"--bypass", "system"})).at("warnings").dump(), Not(HasSubstr("limiters-out")));
}

TEST_F(Render, AChannelThatNoFeedReadsIsSaid) {
  EXPECT_THAT(document(in_to("a")).at("warnings").dump(), Not(HasSubstr("channels-unread")));
  write_audio(scratch / "in.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 4, 48000, noise(4 * 2000, 5));
  EXPECT_THAT(document(in_to("b")).at("warnings").dump(),
              AllOf(HasSubstr("channels-unread"), HasSubstr("no feed reads channel 3, 4 of the recording")));
}

TEST_F(Render, TheMetersSayWhatTheFilesHold) {
  const json said = document(in_to("a"));
  ASSERT_EQ(said["outputs"].size(), 3u);
  for (const json& output : said["outputs"]) {
    const std::vector<float> samples = read_audio(output["file"].get<std::string>()).interleaved;
    long double sum = 0;
    double peak = 0;
    for (const float x : samples) {
      sum += static_cast<long double>(x) * static_cast<long double>(x);
      peak = std::max(peak, std::abs(static_cast<double>(x)));
    }
    const double rms = std::sqrt(static_cast<double>(sum / static_cast<long double>(samples.size())));
    const double volts = std::sqrt(2.0) * 100.0;  // peak volts of 1.0: 1 V RMS, 40 dB
    EXPECT_NEAR(output["peak_dbfs"], 20 * std::log10(peak), 1e-9);
    EXPECT_GE(output["true_peak_dbtp"], output["peak_dbfs"]);
    EXPECT_NEAR(output["rms_dbfs"], 20 * std::log10(rms * std::sqrt(2.0)), 1e-9);
    // Of the wave: at least what the samples show.
    EXPECT_GE(output["peak_volts"].get<double>(), peak * volts * (1 - 1e-9));
    EXPECT_NEAR(output["rms_volts"], rms * volts, 1e-9 * volts);
    EXPECT_NEAR(output["mean_watts"], rms * volts * rms * volts / 8.0, 1e-6);
    EXPECT_EQ(output["clipped_samples"], 0);
    // Clip at sqrt(2 x 500 W x 8 ohm) V peak; the highs' limit stands 6 dB below and must have worked.
    if (output["name"] == "low") continue;
    EXPECT_LE(peak * volts, std::sqrt(8000.0) * std::pow(10.0, -6.0 / 20) * 1.000001);
    // The wave of noise up to half the sample rate: the detector may read any wave 0.4 dB low, and the gain moves
    // between two crests.
    EXPECT_LE(output["peak_volts"], std::sqrt(8000.0) * std::pow(10.0, -5.0 / 20));
    EXPECT_GT(output["max_peak_reduction_db"], 1.0);
    EXPECT_GT(output["limited_fraction"], 0.1);
    EXPECT_LE(output["limited_fraction"], 1.0);
  }
}

TEST_F(Render, AFullScaleSineReadsAsItsVolts) {
  std::vector<float> sine(2 * 48000);
  for (std::size_t n = 0; n < 48000; ++n)
    sine[2 * n] = sine[2 * n + 1] = static_cast<float>(std::sin(2 * M_PI * 997.0 * double(n) / 48000));
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, sine);
  const json left = document(in_to("a", {"--bypass", "all"}))["outputs"][1];
  // 1 V RMS and 40 dB: 100 V RMS, 1250 W into 8 ohm; AES17 calls it 0 dBFS. One second of it in a little more.
  EXPECT_NEAR(left["rms_dbfs"], 0.0, 0.03);
  EXPECT_NEAR(left["rms_volts"], 100.0, 0.3);
  EXPECT_NEAR(left["mean_watts"], 1250.0, 8.0);
  EXPECT_NEAR(left["peak_volts"], 141.42, 0.33);  // the meter claims 0.02 dB; the ends of the sine ring, too
}

/// Its samples all lie 3 dB below the crests of its wave, which is what an amplifier and a driver get.
TEST_F(Render, VoltsArePeaksOfTheWaveNotOfItsSamples) {
  std::vector<float> sine(2 * 48000);
  for (std::size_t n = 0; n < 48000; ++n) {
    const double edge = std::min({1.0, double(n) / 500, double(47999 - n) / 500});  // neither end overshoots
    sine[2 * n] = sine[2 * n + 1] = static_cast<float>(edge * std::sin(M_PI / 2 * double(n) + M_PI / 4));
  }
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, sine);
  const json left = document(in_to("a", {"--bypass", "all"}))["outputs"][1];
  EXPECT_NEAR(left["peak_dbfs"], -3.01, 0.01);
  EXPECT_NEAR(left["peak_volts"], 141.42, 0.003 * 141.42);  // 0.02 dB: the meter's claim
  // A lower limit than its samples' peak: the caution is about the wave.
  put(scratch / "rig.toml", std::string(kRig).replace(kRig.find("500 W"), 5, "900 W"));  // clips at 120 V peak
  EXPECT_THAT(run(in_to("b", {"--bypass", "all"})).out, HasSubstr("amplifier-clip: high.left: 141."));
}

class Holding : public Render {
 protected:
  /// 3 kHz in the high way, which a full-scale sine asks 112.3 V peak of (-2 dB), with a limit of 44.8 V: 7.97 dB over
  /// at 0 dB. It plays for `loud` of four seconds.
  void put_tone(double level_db, double loud = 1) {
    std::vector<float> sine(2 * 4 * 48000);
    const double level = std::pow(10.0, level_db / 20);
    for (std::size_t n = 0; n < static_cast<std::size_t>(loud * 4 * 48000); ++n)
      sine[2 * n] = sine[2 * n + 1] = static_cast<float>(level * std::sin(2 * M_PI * 3000 * double(n) / 48000));
    write_audio(scratch / "in.wav", kWavFloat, 2, 48000, sine);
  }
  static std::vector<std::string> codes(const json& said) {
    std::vector<std::string> list;
    for (const json& advice : said["advice"]) list.push_back(advice["code"]);
    return list;
  }
};
// At -0.3 dB. The filters leave 3 kHz within 0.02 dB, the limiter's detector reads it within 0.05 dB, the histogram within
// 0.02 dB; what the release of 100 ms adds to half of the time is some 0.2 s, 0.2 dB on average.
constexpr double kOverDb = 7.67, kReadDb = 0.1;

TEST_F(Holding, IsToldOnAverageForMostOfTheTimeAndAsAShareOfIt) {
  put_tone(-0.3);
  const json whole = document(in_to("a"))["outputs"][1];
  EXPECT_NEAR(whole["peak_held_mean_db"], kOverDb, 0.15);
  EXPECT_NEAR(whole["peak_held_p95_db"], kOverDb, kReadDb);
  EXPECT_GT(whole["peak_held_time_fraction"], 0.98);
  EXPECT_GT(whole["peak_held_3_db_time_fraction"], 0.98);
  EXPECT_EQ(whole["power_held_mean_db"], 0.0) << "the highs have no power limiter";
  put_tone(-0.3, 0.5);
  const json half = document(in_to("b"))["outputs"][1];
  EXPECT_NEAR(half["peak_held_mean_db"], kOverDb / 2, 0.35);
  EXPECT_NEAR(half["peak_held_p95_db"], kOverDb, kReadDb);
  EXPECT_NEAR(half["peak_held_time_fraction"], 0.5, 0.08);
  put_tone(-6.5);  // 1.47 dB over
  const json little = document(in_to("c"))["outputs"][1];
  EXPECT_GT(little["peak_held_time_fraction"], 0.98);
  EXPECT_EQ(little["peak_held_3_db_time_fraction"], 0.0);
  const json low = document(in_to("d"))["outputs"][0];
  EXPECT_EQ(low["peak_held_mean_db"], 0.0) << "the lows hear nothing of 3 kHz";
}

TEST_F(Holding, WhatIsAdvisedIsSaidToPeopleAndProgramsAndHelps) {
  put_tone(-0.3);
  const json said = document(in_to("a"));
  EXPECT_THAT(codes(said), ElementsAre("feed-down", "stronger-drivers", "limits-agree"));
  EXPECT_EQ(said["advice"][0]["decibels"], 8);
  EXPECT_THAT(said["advice"][0]["outputs"], ElementsAre("high.left", "high.right"));
  EXPECT_TRUE(said["advice"][1]["decibels"].is_null());
  const std::string text = run(in_to("b")).out;
  EXPECT_THAT(
      text, AllOf(HasSubstr("> feed-down: high.left and high.right"), HasSubstr("down 8 dB"), HasSubstr("over 3 dB")));
  put_tone(-8.3);  // as it was told
  const json turned = document(in_to("c"));
  EXPECT_LT(turned["outputs"][1]["peak_held_p95_db"], 0.1);
  EXPECT_THAT(codes(turned), IsEmpty());
  put_tone(-9);
  EXPECT_THAT(run(in_to("d")).out, Not(HasSubstr("What the limiters hold"))) << "nothing is held: nothing is told";
}

TEST_F(Render, SilenceAndEveryOtherInputGiveFiniteNumbersOrNull) {
  const auto check = [](const json& document) {
    EXPECT_EQ(document.dump().find("nan"), std::string::npos);
    EXPECT_EQ(document.dump().find("inf"), std::string::npos);
  };
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, std::vector<float>(2 * 5000));
  const json silent = document(in_to("a"));
  check(silent);
  EXPECT_TRUE(silent["outputs"][0]["peak_dbfs"].is_null());
  EXPECT_TRUE(silent["outputs"][0]["rms_dbfs"].is_null());
  EXPECT_EQ(silent["outputs"][0]["mean_watts"], 0.0);

  std::vector<float> wild(2 * 5000, std::nanf(""));
  for (std::size_t i = 0; i < wild.size(); i += 3) wild[i] = i % 2 == 0 ? INFINITY : 1e30f;
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, wild);
  const json bad = document(in_to("b"));
  check(bad);
  EXPECT_GT(bad["bad_samples"], 6000);
  EXPECT_GT(bad["bounded_samples"], 1000);
  EXPECT_THAT(bad["warnings"].dump(), AllOf(HasSubstr("bad-samples"), HasSubstr("bounded-samples")));
}

TEST_F(Render, OneSampleIsToldInTheSingular) {
  std::vector<float> recording(2 * 5000);
  recording[100] = std::nanf("");
  recording[4000] = 1e30f;
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, recording);
  EXPECT_THAT(document(in_to("a"))["warnings"].dump(),
              AllOf(HasSubstr("1 sample of the input is not a number; it was taken as 0"),
                    HasSubstr("1 sample of the input is beyond +36 dBFS and was held there")));
}

TEST_F(Render, PcmSaturatesAndCountsWhatClipped) {
  std::vector<float> loud(2 * 1000, 0.5f);
  for (std::size_t i = 0; i < 100; ++i) loud[2 * i] = i % 2 == 0 ? 1.5f : -40.0f;
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, loud);
  for (const char* subtype : {"pcm16", "pcm24", "pcm32", "float", "double"}) {
    const json said = document(in_to(subtype, {"--bypass", "all", "--subtype", subtype}));
    EXPECT_EQ(said["outputs"][1]["name"], "high.left");
    EXPECT_EQ(said["outputs"][1]["clipped_samples"], 100);
    EXPECT_EQ(said["outputs"][2]["clipped_samples"], 0);
    const Audio file = read_audio(said["outputs"][1]["file"].get<std::string>());
    const std::size_t latency = said["latency_samples"];
    if (std::string(subtype).starts_with("pcm")) {
      EXPECT_NEAR(file.interleaved[latency], 1.0f, 1e-4) << "wrapped?";
      EXPECT_EQ(file.interleaved[latency + 1], -1.0f);
    } else {
      EXPECT_EQ(file.interleaved[latency + 1], -40.0f);
    }
  }
  EXPECT_EQ(read_audio(scratch / "pcm24/low.wav").info.format, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
}

TEST_F(Render, TakesAPartOfTheRecording) {
  const std::vector<float> in = read_audio(scratch / "in.wav").interleaved;
  const json said = document(in_to("a", {"--bypass", "all", "--start", "0.5", "--seconds", "250 ms"}));
  const std::size_t latency = said["latency_samples"];
  EXPECT_EQ(said["input_frames"], 12000);
  const std::vector<float> left = read_audio(scratch / "a/high.left.wav").interleaved;
  ASSERT_EQ(left.size(), 12000 + latency);
  EXPECT_EQ(left[latency], in[2 * 24000]);
  EXPECT_EQ(left.back(), in[2 * 35999]);
}

TEST_F(Render, ConvertsOnlyWhenTold) {
  write_audio(scratch / "in.wav", kWavFloat, 2, 44100, noise(2 * 44100, 22));
  EXPECT_THAT(run(in_to("a")).err, AllOf(HasSubstr("44100 Hz"), HasSubstr("48000 Hz"), HasSubstr("--resample")));
  EXPECT_FALSE(std::filesystem::exists(scratch / "a"));
  const json said = document(in_to("a", {"--resample"}));
  EXPECT_EQ(said["frames"], 48000 + said["latency_samples"].get<int>() + kTailOfDelay);
  EXPECT_EQ(said["sample_rate_hz"], 48000);
}

TEST_F(Render, AVenueGoesOnTopAndIsLeftOutByBypass) {
  put(scratch / "venue.toml", "format = 1\n[venue]\ngain = \"-6 dB\"\n");
  const auto rms = [](const json& document) { return document["outputs"][1]["rms_dbfs"].get<double>(); };
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, [] {
    std::vector<float> quiet = noise(2 * 48000, 23);
    for (float& x : quiet) x *= 0.0625f;
    return quiet;
  }());
  const double plain = rms(document(in_to("a")));
  EXPECT_NEAR(rms(document(in_to("b", {"--venue", at("venue.toml")}))), plain - 6.0, 1e-3);
  EXPECT_NEAR(rms(document(in_to("c", {"--venue", at("venue.toml"), "--bypass", "venue"}))), plain, 1e-9);
}

TEST_F(Render, SaysWhatIsWrongAndWritesNothing) {
  const auto refused = [&](std::vector<std::string> words, const testing::Matcher<std::string>& why, int code = 2) {
    const std::set<std::string> before = scratch.names();
    const Ended ended = run(words);
    EXPECT_EQ(ended.code(), code) << ended.err;
    EXPECT_THAT(ended.err, why);
    EXPECT_THAT(ended.out, IsEmpty());
    std::set<std::string> after = scratch.names();
    after.erase("stdout");
    after.erase("stderr");
    for (const std::string& name : after) EXPECT_TRUE(before.contains(name)) << name << " was left behind";
  };
  const std::string in = bytes_of(scratch / "in.wav");
  refused({at("rig.toml"), at("absent.wav"), "-o", at("a")}, AllOf(HasSubstr("absent.wav"), HasSubstr("no such file")));
  refused({at("rig.toml"), at("rig.toml"), "-o", at("a")}, HasSubstr("no audio"));
  refused({at("rig.toml"), at("in.wav")}, HasSubstr("output"));
  refused({at("rig.toml"), at("in.wav"), "-o", at("rig.toml")}, HasSubstr("is a file"));
  refused(in_to("a", {"--subtype", "mp3"}), AllOf(HasSubstr("mp3"), HasSubstr("pcm24")));
  refused(in_to("a", {"--bypass", "eq"}), AllOf(HasSubstr("--bypass: read eq"), HasSubstr("limits")));
  refused(in_to("a", {"--start", "3 Hz"}), AllOf(HasSubstr("--start"), HasSubstr("3 Hz")));
  refused(in_to("a", {"--start", "-1"}), AllOf(HasSubstr("--start"), HasSubstr("-1")));
  refused(in_to("a", {"--seconds", "0"}), HasSubstr("--seconds"));
  refused(in_to("a", {"--start", "10 min"}), HasSubstr("1.04 s long"));
  refused(in_to("a", {"--block", "0"}), AllOf(HasSubstr("--block"), HasSubstr("65536")));
  refused({at("rig.toml"), at("in.wav"), "-o", "/proc/rackproof"}, HasSubstr("cannot be made"), 3);
  write_audio(scratch / "mono.wav", kWavFloat, 1, 48000, noise(100, 24));
  refused({at("rig.toml"), at("mono.wav"), "-o", at("a")}, AllOf(HasSubstr("has 1 channel"), HasSubstr("'right'")));

  std::filesystem::create_directories(scratch / "o/low.wav");
  refused(in_to("o"), HasSubstr("low.wav: is a folder"));
  EXPECT_THAT(Scratch::names_in(scratch / "o"), ElementsAre("low.wav"));
  std::filesystem::remove(scratch / "o/low.wav");
  std::filesystem::create_hard_link(scratch / "in.wav", scratch / "o/low.wav");  // the input by another name
  refused(in_to("o"), HasSubstr("would be overwritten"));
  EXPECT_EQ(bytes_of(scratch / "in.wav"), in);
}

TEST_F(Render, ACutShortRecordingIsRenderedWithACaution) {
  std::filesystem::resize_file(scratch / "in.wav", 200000);
  const json said = document(in_to("a"));
  EXPECT_GT(said["input_frames"], 24000);
  EXPECT_THAT(said["warnings"].dump(), HasSubstr("input-cut-short"));
  EXPECT_EQ(said["input_whole"], false);
  const Ended plain = run(in_to("a"));
  EXPECT_THAT(plain.out, HasSubstr("cut short"));
  EXPECT_THAT(plain.err, HasSubstr("cut short"));
  EXPECT_THAT(run(in_to("a", {"--quiet"})).err, HasSubstr("cut short"));
}

TEST_F(Render, ARecordingThatHoldsMoreThanItsHeaderCountsIsRenderedWithACaution) {
  EXPECT_EQ(document(in_to("a"))["input_whole"], true);
  std::string bytes = bytes_of(scratch / "in.wav");
  bytes.replace(bytes.find("data") + 4, 4, le(8 * 30000, 4));
  put(scratch / "in.wav", bytes);
  const json said = document(in_to("a"));
  EXPECT_EQ(said["input_frames"], 30000);
  EXPECT_EQ(said["input_whole"], false);
  EXPECT_THAT(said["warnings"].dump(), AllOf(HasSubstr("input-header-wrong"), HasSubstr("160000 bytes")));
}

TEST_F(Render, SpeaksToPeopleOnlyWhereItShould) {
  Ended ended = run(in_to("a"));
  EXPECT_THAT(ended.out, AllOf(HasSubstr("high.left"), HasSubstr("times real time")));
  EXPECT_THAT(ended.err, IsEmpty());  // no progress in a pipe
  ended = run(in_to("a", {"--quiet"}));
  EXPECT_THAT(ended.out + ended.err, IsEmpty());
  ended = run(in_to("a", {"--json"}));
  EXPECT_TRUE(json::accept(ended.out));
  EXPECT_THAT(ended.err, HasSubstr("high.left"));
  ended = run(in_to("a", {"--json", "--quiet"}));
  EXPECT_TRUE(json::accept(ended.out));
  EXPECT_THAT(ended.err, IsEmpty());
  EXPECT_THAT(run({"--help"}).out, AllOf(HasSubstr("Example"), HasSubstr("without dither")));
}

TEST_F(Render, CautionsOnlyWhereSomethingIsWrong) {
  const Ended held = run(in_to("a"));
  EXPECT_THAT(held.out, Not(HasSubstr("amplifier-clip")));
  const Ended open =
      run(in_to("b", {"--bypass", "limits"}));  // noise at full scale into an amplifier that clips below it
  EXPECT_THAT(open.out, AllOf(HasSubstr("amplifier-clip: high.left"), HasSubstr("driver-power: high.left")));
}

/// A render of hours whose progress is shown on a terminal.
class LongRender : public Render {
 protected:
  LongRender() { put_silence("long.wav", 600'000'000); }  // 4.8 GB, 3.5 hours
  ~LongRender() override {
    if (child_ > 0) {  // it would render on for hours
      ::kill(child_, SIGKILL);
      ::waitpid(child_, nullptr, 0);
    }
    ::close(terminal_);
  }
  void begin(const std::string& folder, const std::function<void()>& in_child = {}) {
    int its_end = -1;
    ::close(terminal_);
    ASSERT_EQ(::openpty(&terminal_, &its_end, nullptr, nullptr, nullptr), 0);
    child_ = start({at("rig.toml"), at("long.wav"), "-o", at(folder)}, its_end, in_child);
    ::close(its_end);
  }
  /// Until it has shown once more how much is left, or has ended.
  std::string next_line_shown() const {
    std::string shown;
    for (char buffer[256]; shown.find(" left") == std::string::npos;) {
      const ssize_t got = ::read(terminal_, buffer, sizeof buffer);
      if (got <= 0) break;
      shown.append(buffer, static_cast<std::size_t>(got));
    }
    return shown;
  }
  void send(int number) const { ::kill(child_, number); }
  /// The signal that it ended by; 0 if it ended otherwise or not within 10 s.
  int ended_by() {
    for (int i = 0; i < 1000; ++i) {
      int status = 0;
      if (::waitpid(child_, &status, WNOHANG) == child_) {
        child_ = -1;
        return WIFSIGNALED(status) ? WTERMSIG(status) : 0;
      }
      std::this_thread::sleep_for(std::chrono::milliseconds(10));
    }
    return 0;
  }

 private:
  pid_t child_ = -1;
  int terminal_ = -1;
};

TEST_F(LongRender, InterruptedLeavesNothingAndEndsByItsSignal) {
  std::filesystem::create_directory(scratch / "old");
  for (const std::string& file : kFiles) put(scratch / "old" / file, kOld);
  for (const int number : {SIGINT, SIGTERM, SIGHUP}) {
    const std::string folder = number == SIGINT ? "new/deep" : "old";
    ASSERT_NO_FATAL_FAILURE(begin(folder));
    EXPECT_THAT(next_line_shown(), AllOf(HasSubstr("%, "), HasSubstr(" left")));
    EXPECT_EQ(Scratch::names_in(scratch / folder).size(), number == SIGINT ? 3u : 6u);
    send(number);
    EXPECT_EQ(ended_by(), number);
    EXPECT_FALSE(std::filesystem::exists(scratch / "new"));
    EXPECT_THAT(Scratch::names_in(scratch / "old"), testing::ElementsAreArray(kFiles));
    for (const std::string& file : kFiles) EXPECT_EQ(bytes_of(scratch / "old" / file), kOld);
  }
}

/// As in a background job, whose terminal sends SIGINT to what is in the foreground.
TEST_F(LongRender, GoesOnAtASignalThatItWasStartedToIgnore) {
  ASSERT_NO_FATAL_FAILURE(begin("new", [] { ::signal(SIGINT, SIG_IGN); }));
  next_line_shown();
  send(SIGINT);
  for (int line = 0; line < 2; ++line) EXPECT_THAT(next_line_shown(), HasSubstr(" left"));
  send(SIGTERM);
  EXPECT_EQ(ended_by(), SIGTERM);
}

TEST_F(Render, AFullDiskLeavesNothingAndSaysSo) {
  const Ended ended = run(in_to("a"), [] {
    const rlimit limit{1 << 16, RLIM_INFINITY};
    ::setrlimit(RLIMIT_FSIZE, &limit);
  });
  EXPECT_EQ(ended.code(), 3);
  EXPECT_THAT(ended.err, HasSubstr("cannot be written"));
  EXPECT_FALSE(std::filesystem::exists(scratch / "a"));
}

TEST_F(Render, ReadsBeyondFourGigabytes) {
  const std::uint64_t frames = 700'000'000;  // 5.6 GB; its last frame is at 14583.33 s
  put_silence("long.wav", frames);
  {
    std::fstream file(scratch / "long.wav", std::ios::in | std::ios::out | std::ios::binary);
    file.seekp(-8, std::ios::end);
    const float last = 0.5f;
    file.write(reinterpret_cast<const char*>(&last), 4);
  }
  const json said = document({at("rig.toml"), at("long.wav"), "-o", at("a"), "--start", "14583 s", "--bypass", "all"});
  EXPECT_EQ(said["input_frames"], frames - 14583ull * 48000);
  EXPECT_EQ(read_audio(scratch / "a/high.left.wav").interleaved.back(), 0.5f);
}

TEST_F(Render, TakesNoMoreMemoryForALongRecording) {
  put_silence("minute.wav", 60 * 48000);
  put_silence("longer.wav", 5 * 60 * 48000);
  const auto memory = [&](const char* name) {
    const Ended ended = run({at("rig.toml"), at(name), "-o", at("a"), "--quiet"});
    EXPECT_EQ(ended.code(), 0) << ended.err;
    return ended.most_memory_kib;
  };
  const long minute = memory("minute.wav"), longer = memory("longer.wav");
  EXPECT_LT(std::abs(longer - minute), 2048)
      << minute << " and " << longer << " KiB";  // five minutes are 115 MB of stereo float
}

/// Each file by name, size and fingerprint; the rig by the hash that its seal has; nothing of time or place.
TEST_F(Render, TheFolderHoldsAListOfItsSet) {
  document(in_to("a", {"--bypass", "limits", "--start", "0.25", "--seconds", "0.5", "--subtype", "pcm24"}));
  const json list = json::parse(bytes_of(scratch / "a/render.json"));
  EXPECT_EQ(list["rig"]["file"], "rig.toml");
  EXPECT_EQ(list["rig"]["numbers"]["controller.sample_rate"], "48 kHz");
  EXPECT_EQ(list["venue"], nullptr);
  EXPECT_EQ(list["bypass"], "limits");
  EXPECT_EQ(list["subtype"], "pcm24");
  EXPECT_EQ(list["input"], (json{{"file", "in.wav"}, {"frames", 24000}, {"start_s", 0.25}, {"seconds", 0.5}}));
  EXPECT_EQ(list["not_of_this_set"], json::array());
  ASSERT_EQ(list["outputs"].size(), 3u);
  for (const json& output : list["outputs"]) {
    const std::string bytes = bytes_of(scratch / "a" / output["file"].get<std::string>());
    EXPECT_EQ(output["file"], output["name"].get<std::string>() + ".wav");
    EXPECT_EQ(output["bytes"], bytes.size());
    EXPECT_EQ(output["frames"], list["frames"]);
    EXPECT_EQ(output["xxh128"], files::fingerprint_of(bytes));
  }
  ASSERT_EQ(std::system((std::string(RACKPROOF_PROGRAM) + " seal --quiet " + at("rig.toml")).c_str()), 0);
  EXPECT_THAT(bytes_of(scratch / "rig.seal"), HasSubstr("\nblake2b = " + list["rig"]["blake2b"].get<std::string>()));

  // From another folder, by other names of the same files, the same; another number of the rig is another hash.
  std::filesystem::create_directories(scratch / "elsewhere");
  for (const char* name : {"rig.toml", "in.wav"}) std::filesystem::copy_file(at(name), scratch / "elsewhere" / name);
  document({at("elsewhere/rig.toml"), at("elsewhere/in.wav"), "-o", at("b"), "--bypass", "limits", "--start", "250 ms",
            "--seconds", "0.5", "--subtype", "pcm24"});
  EXPECT_EQ(bytes_of(scratch / "a/render.json"), bytes_of(scratch / "b/render.json"));
  std::string louder = kRig;
  put(scratch / "rig.toml", louder.replace(louder.find("-2 dB"), 5, "-1 dB"));
  put(scratch / "venue.toml", "format = 1\n[venue]\ngain = \"-6 dB\"\n");
  document(in_to("c", {"--venue", at("venue.toml")}));
  const json other = json::parse(bytes_of(scratch / "c/render.json"));
  EXPECT_NE(other["rig"]["blake2b"], list["rig"]["blake2b"]);
  EXPECT_NE(other["chain"], list["chain"]);
  EXPECT_EQ(other["bypass"], nullptr);
  EXPECT_EQ(other["venue"]["xxh128"], files::fingerprint_of(bytes_of(scratch / "venue.toml")));
}

TEST_F(Render, SaysWhatAnEarlierRenderHasLeftInTheFolder) {
  const auto warnings = [&](std::initializer_list<std::string> more = {}) {
    return document(in_to("a", more))["warnings"].dump();
  };
  EXPECT_EQ(warnings().find("earlier"), std::string::npos);
  EXPECT_EQ(warnings().find("earlier"), std::string::npos);  // over a whole one
  std::filesystem::remove(scratch / "a/render.json");        // as a killed run leaves it
  EXPECT_THAT(warnings(), HasSubstr("earlier-set-not-whole"));
  EXPECT_THAT(warnings(), Not(HasSubstr("earlier-set-not-whole")));
  const std::string head = "{\"rackproof\": ";
  for (const std::string& bad : {head, head + "7", head + std::string(300'000, '['), std::string()}) {
    put(scratch / "a/render.json", bad);
    EXPECT_THAT(warnings(), HasSubstr("earlier-set-not-whole")) << bad.substr(0, 9);
  }
  for (const std::string bad : {"{", "[]", "{\"rig\": \"rig.toml\"}"}) {  // somebody else's
    put(scratch / "a/render.json", bad);
    const Ended ended = run(in_to("a"));
    EXPECT_EQ(ended.code(), 2);
    EXPECT_THAT(ended.err, HasSubstr("render.json: read a text that begins with"));
    EXPECT_EQ(bytes_of(scratch / "a/render.json"), bad);
  }
  std::filesystem::remove(scratch / "a/render.json");
  EXPECT_THAT(warnings(), HasSubstr("earlier-set-not-whole"));
  // Another rig: its ways are called otherwise. What is left is named for as long as it is there.
  std::string renamed = kRig;
  for (std::size_t at = 0; (at = renamed.find("\"high\"", at)) != renamed.npos;) renamed.replace(at, 6, "\"top\"");
  put(scratch / "rig.toml", renamed);
  const std::string first = warnings(), second = warnings();
  for (const std::string& said : {first, second})
    EXPECT_THAT(said, AllOf(HasSubstr("not-of-this-set"), HasSubstr("high.left.wav, high.right.wav"),
                            Not(HasSubstr("low.wav"))));
  EXPECT_EQ(json::parse(bytes_of(scratch / "a/render.json"))["not_of_this_set"],
            (json{"high.left.wav", "high.right.wav"}));
  std::filesystem::remove(scratch / "a/high.left.wav");
  EXPECT_THAT(warnings(), AllOf(HasSubstr("high.right.wav"), Not(HasSubstr("high.left.wav"))));
  // A list that names what is not below its folder names nothing.
  put(scratch / "a/render.json",
      R"({"rackproof":"0","outputs":[{"file":"../in.wav"},{"file":"/etc/passwd"},{"file":7},[],{"file":""}]})");
  EXPECT_THAT(warnings(), Not(HasSubstr("not-of-this-set")));
}

TEST_F(Render, RemovesWhatAKilledRunHasLeft) {
  document(in_to("a"));
  put(scratch / "a/.low.wav.rackproof-123-4.part", "half of it");
  EXPECT_THAT(document(in_to("a"))["warnings"].dump(), Not(HasSubstr("earlier")));  // its list says that it was whole
  EXPECT_THAT(Scratch::names_in(scratch / "a"), testing::ElementsAreArray(kSet));
  std::filesystem::create_directories(scratch / "b");
  put(scratch / "b/.low.wav.rackproof-123-4.part", "half of it");
  EXPECT_THAT(document(in_to("b"))["warnings"].dump(), HasSubstr("earlier-set-not-whole"));
  EXPECT_THAT(Scratch::names_in(scratch / "b"), testing::ElementsAreArray(kSet));
}

/// Sample by sample as before: the whole of it in one piece, and each file under a lock that another run respects.
TEST_F(Render, TwoAtOnceIntoOneFolderLeaveOneWholeSet) {
  write_audio(scratch / "other.wav", kWavFloat, 2, 48000, noise(2 * 50000, 27));
  for (int round = 0; round < 3; ++round) {
    std::vector<std::jthread> runs;
    std::array<int, 2> codes{-1, -1};
    for (int i = 0; i < 2; ++i)
      runs.emplace_back([&, i] {
        const std::string command = std::string(RACKPROOF_PROGRAM) + " render --quiet --jobs 1 " + at("rig.toml") +
                                    " " + at(i == 0 ? "in.wav" : "other.wav") + " -o " + at("a");
        codes[static_cast<std::size_t>(i)] = std::system(command.c_str());
      });
    runs.clear();
    EXPECT_THAT(codes, ElementsAre(0, 0));
    EXPECT_THAT(Scratch::names_in(scratch / "a"), testing::ElementsAreArray(kSet));
    const json document = json::parse(bytes_of(scratch / "a/render.json"));
    for (const json& output : document.at("outputs"))
      EXPECT_EQ(output["xxh128"], files::fingerprint_of(bytes_of(scratch / "a" / output["file"].get<std::string>())));
  }
}

/// Files kept in memory, where there is such a place: flushing hundreds of them to a disk takes longer than rendering.
TEST(RenderBatch, TakesNoMoreMemoryForManyRecordings) {
  const Scratch scratch(std::filesystem::is_directory("/dev/shm") ? "/dev/shm" : "");
  put(scratch / "rig.toml", kRig);
  write_audio(scratch / "in.wav", kWavFloat, 2, 48000, noise(2 * 100, 28));
  std::filesystem::create_directory(scratch / "in");
  const auto memory_of = [&](int recordings) {
    std::vector<std::string> words{RACKPROOF_PROGRAM,
                                   "render",
                                   "--quiet",
                                   "--jobs",
                                   "2",
                                   "-o",
                                   (scratch / "out").string(),
                                   (scratch / "rig.toml").string()};
    for (int i = 0; i < recordings; ++i) {
      words.push_back((scratch / ("in/" + std::to_string(i) + ".wav")).string());
      if (!std::filesystem::exists(words.back())) std::filesystem::create_hard_link(scratch / "in.wav", words.back());
    }
    const pid_t child = ::fork();
    if (child == 0) {
      ::setenv("MALLOC_ARENA_MAX", "1", 1);  // what heaps of its own each thread has differs from run to run
      std::vector<char*> argv;
      for (std::string& word : words) argv.push_back(word.data());
      argv.push_back(nullptr);
      ::execv(argv[0], argv.data());
      ::_exit(127);
    }
    int status = 0;
    rusage used{};
    ::wait4(child, &status, 0, &used);
    EXPECT_EQ(status, 0);
    EXPECT_EQ(Scratch::names_in(scratch / "out").size(), static_cast<std::size_t>(recordings));
    return used.ru_maxrss;
  };
  // A list of all files read, copied to each of 800, would be 32 MB and more; a name and its figures are some 2 kB. So
  // many that what an allocator holds back, up to 1 MB, hardly counts.
  const long few = memory_of(40), many = memory_of(840);
  if (rackproof::test::kSanitized) return;  // which keeps what is freed
  EXPECT_LT(many - few, 800 * 4) << few << " and " << many << " KiB";
}

// ---- what needs no program ------------------------------------------------------------------------------------------

TEST(RenderMeter, IsTheDefinitionForEveryCut) {
  std::vector<float> samples = noise(100003, 25);
  for (std::size_t i = 0; i < samples.size(); ++i) samples[i] *= i % 1000 == 7 ? 3.0f : 1e-3f;
  samples[50] = -1.0f;
  samples[51] = std::nextafter(1.0f, 2.0f);
  long double sum = 0;
  double peak = 0;
  std::uint64_t beyond = 0;
  for (const float x : samples) {
    sum += static_cast<long double>(x) * static_cast<long double>(x);
    peak = std::max(peak, std::abs(static_cast<double>(x)));
    beyond += std::abs(x) > 1.0f;
  }
  const double rms = static_cast<double>(std::sqrt(sum / static_cast<long double>(samples.size())));
  for (const std::size_t cut : {std::size_t{1}, std::size_t{7}, std::size_t{256}, std::size_t{1000}, samples.size()}) {
    RenderMeter meter;
    for (std::size_t from = 0; from < samples.size(); from += cut)
      meter.add(std::span(samples).subspan(from, std::min(cut, samples.size() - from)));
    EXPECT_EQ(meter.peak(), peak);
    EXPECT_EQ(meter.clipped_samples(), beyond);
    EXPECT_EQ(meter.frames(), samples.size());
    EXPECT_NEAR(meter.rms(), rms, 1e-13 * rms);
  }
  EXPECT_EQ(RenderMeter().rms(), 0.0);
  EXPECT_EQ(RenderMeter().peak(), 0.0);
}

TEST(RenderMeter, ForgetsNothingOverADayBesideOneLoudMoment) {
  // One sample at 60, then 2^27 at 2^-13: what a plain float sum, or a double one that rounds at every step, may lose.
  RenderMeter meter;
  const float loud = 60.0f;
  meter.add({&loud, 1});
  const std::vector<float> quiet(1 << 16, 0x1p-13f);
  for (int i = 0; i < 1 << 11; ++i) meter.add(quiet);
  const double frames = 0x1p27 + 1, sum = 3600.0 + 0x1p27 * 0x1p-26;
  EXPECT_NEAR(meter.rms(), std::sqrt(sum / frames), 1e-13 * meter.rms());
}

TEST(ProgressLine, TellsShareAndTimeLeft) {
  EXPECT_EQ(progress_line(0.0, 1.0), "[                    ]   0 %");
  EXPECT_EQ(progress_line(0.5, 65.0), "[##########          ]  50 %, 1:05 left");
  EXPECT_EQ(progress_line(0.999, 10.0), "[################### ]  99 %, 0:01 left");
  EXPECT_EQ(progress_line(1.0, 10.0), "[####################] 100 %, 0:00 left");
}

}  // namespace
}  // namespace rackproof
