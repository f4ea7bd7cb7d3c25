// Must hold: a recorder that turns its gain down, and a wave that is bent, are told of a sweep; rooms, noise, clocks that
// drift, nulls, and loudspeakers driven as they should be are not.
#include "harness/tune/sweep_recorded.hpp"

#include <gmock/gmock.h>

#include "harness/tune/screening.hpp"
#include "rig_in_a_field.hpp"

namespace rackproof::tune {
namespace {

using testing::ElementsAre, testing::IsEmpty;

constexpr double kAhead_s = 1.5;  // of the recording, before the sweep arrives

std::vector<std::string> codes_of(const std::vector<Warning>& doubts) {
  std::vector<std::string> codes;
  for (const Warning& one : doubts) codes.push_back(one.code);
  return codes;
}
/// What a microphone hears of `sent`, some time after it was switched on.
Recording heard_late(const std::vector<double>& sent, const std::vector<SoundPath>& paths, Recorder recorder,
                     const SimulatedDriver& driver = a_driver()) {
  std::vector<double> late(static_cast<std::size_t>(kAhead_s * kRate), 0.0);
  late.insert(late.end(), sent.begin(), sent.end());
  return recorded(driver, paths, late, recorder);
}
std::vector<std::string> doubts(const std::vector<double>& sent, const Recording& captured) {
  return codes_of(doubts_of_sweep({"sent.wav", kRate, sent}, captured, kAhead_s * kRate));
}
std::vector<SoundPath> room() { return room_paths({}, {2, 3, 2}, {7, 5, 1.3}); }
std::vector<SoundPath> air() { return {{.delay_s = 0.012, .gain = 0.25}}; }

/// A recorder's automatic gain: it turns down what is above `above` within 20 ms, and up again within seconds.
std::vector<double> turned_down(std::vector<double> samples, double above, double ratio, double& most_db) {
  double level = 0, gain_db = 0;
  for (double& x : samples) {
    level = std::max(std::abs(x), level * std::exp(-1 / (0.05 * kRate)));
    const double wanted_db = level > above ? -20 * std::log10(level / above) * (1 - 1 / ratio) : 0;
    gain_db += (wanted_db - gain_db) / (kRate * (wanted_db < gain_db ? 0.02 : 2.0));
    most_db = std::min(most_db, gain_db);
    x *= std::pow(10, gain_db / 20);
  }
  return samples;
}
/// The coupling capacitor behind a stage that clips: a high-pass of the first order at 20 Hz. Flat tops lean.
std::vector<double> coupled(std::vector<double> samples, double clip) {
  const double keep = std::exp(-2 * std::numbers::pi * 20 / kRate);
  double before = 0, out = 0;
  for (double& x : samples) {
    const double in = std::clamp(x, -clip, clip);
    out = keep * (out + in - before);
    before = in;
    x = out;
  }
  return samples;
}
double peak_of(const std::vector<double>& samples) {
  double peak = 0;
  for (const double x : samples) peak = std::max(peak, std::abs(x));
  return peak;
}

TEST(SweepRecorded, SoundRecordingsAreNotDoubted) {
  SimulatedDriver sub = a_driver();
  sub.from_hz = 30;
  sub.to_hz = 110;
  SimulatedDriver horn = a_driver();
  horn.from_hz = 1600;
  // A null of 26 dB at 200 Hz: the reflection is late by half of its period, 2.5 ms.
  const std::vector<SoundPath> null = {{.delay_s = 0.012, .gain = 0.25}, {.delay_s = 0.0145, .gain = 0.237}};
  const std::vector<SoundPath> places[] = {air(), room(), null};
  const SimulatedDriver drivers[] = {a_driver(), sub, horn};
  constexpr double kSeconds[] = {1, 4}, kNoise[] = {1e-6, 3e-4, 3e-3};
  for (std::size_t k = 0; k < 18; ++k) {  // each pair of place and driver twice, each time with something else
    const auto& paths = places[k % 3];
    const SimulatedDriver& driver = drivers[k / 3 % 3];
    const double seconds = kSeconds[k % 2], drift_ppm = k / 2 % 2 == 0 ? 150 : 0;
    const std::vector<double> sent = sweep_sent(seconds);
    const Recorder recorder{.drift_ppm = drift_ppm, .noise_rms = kNoise[(k / 3 + k / 9) % 3]};
    EXPECT_THAT(doubts(sent, heard_late(sent, paths, recorder, driver)), IsEmpty())
        << seconds << " s, noise " << recorder.noise_rms << ", " << drift_ppm << " ppm, " << paths.size()
        << " paths, from " << driver.from_hz << " Hz";
  }
}

// Told is what it moved by for most of the time that the tone is loud and below 1.2 kHz: no more than the most that it
// moved by (1 dB: the noise is random), and less where the tone is louder above, here by 4 to 5 dB.
TEST(SweepRecorded, AGainThatTurnsDownIsTold) {
  for (const double noise_rms : {1e-4, 1e-3})
    for (const double over_db : {16.0, 24.0}) {
      const std::vector<double> sent = sweep_sent(5);
      Recording heard = heard_late(sent, room(), {.noise_rms = noise_rms});
      double most_db = 0;
      heard.samples = turned_down(heard.samples, peak_of(heard.samples) * std::pow(10, -over_db / 20), 10, most_db);
      const std::vector<Warning> told = doubts_of_sweep({"sent.wav", kRate, sent}, heard, kAhead_s * kRate);
      SCOPED_TRACE(testing::Message() << "noise " << noise_rms << ", " << over_db << " dB over, turned down by "
                                      << most_db);
      ASSERT_THAT(codes_of(told), ElementsAre("gain-moved"));
      const std::size_t at = told[0].text.find("noise is ");
      ASSERT_NE(at, std::string::npos) << told[0].text;
      const double said_db = std::stod(told[0].text.substr(at + 9));
      EXPECT_LE(said_db, 1 - most_db) << told[0].text;
      EXPECT_GE(said_db, -6 - most_db) << told[0].text;
    }
}

// Clipping that a coupling capacitor hides from whoever looks for flat tops.
TEST(SweepRecorded, AWaveThatIsBentIsTold) {
  const std::vector<double> sent = sweep_sent(5);
  const Recording heard = heard_late(sent, room(), {.noise_rms = 3e-4});
  for (const auto& [over_db, told] : {std::pair(-1.0, false), {6.0, true}, {12.0, true}}) {
    Recording bent = heard;
    bent.samples = coupled(heard.samples, peak_of(heard.samples) * std::pow(10, -over_db / 20));
    EXPECT_EQ(flat_tops(bent.samples), 0u);
    EXPECT_EQ(doubts(sent, bent), told ? std::vector<std::string>{"distorted"} : std::vector<std::string>{}) << over_db;
  }
  // A driver's own third harmonic, 4x^3 - 3x, of what it is sent: 3 % is usual for a bass at work, 10 % is not.
  for (const auto& [share, told] : {std::pair(0.03, false), {0.1, true}}) {
    std::vector<double> driven = sent;
    for (double& x : driven) {
      const double y = x / 0.3;  // the sweep's peak
      x += share * 0.3 * (4 * y * y * y - 3 * y);
    }
    EXPECT_EQ(doubts(sent, heard_late(driven, air(), {.noise_rms = 3e-4})),
              told ? std::vector<std::string>{"distorted"} : std::vector<std::string>{})
        << share;
  }
}

// There is no noise above the tone to look at where half of the sample rate is 4 kHz.
TEST(SweepRecorded, LowSampleRatesAreNotLookedAt) {
  const std::vector<double> sent = sweep_sent(2);
  const Recording heard = heard_late(sent, air(), {.noise_rms = 3e-4});
  EXPECT_THAT(doubts_of_sweep({"sent.wav", 8000, sent}, {"captured.wav", 8000, heard.samples}, kAhead_s * kRate),
              IsEmpty());
}

// Speech ahead of the sweep, in syllables with pauses between them, is no gain.
TEST(SweepRecorded, WhoSpeaksAheadOfTheSweepIsNoGain) {
  const std::vector<double> sent = sweep_sent(5);
  Recording heard = heard_late(sent, room(), {.noise_rms = 3e-4});
  const std::vector<double> speech = noise_sent(kAhead_s);
  for (std::size_t n = 0; n < speech.size(); ++n)
    if (std::sin(2 * std::numbers::pi * 2 * static_cast<double>(n) / kRate) > 0) heard.samples[n] += 0.05 * speech[n];
  EXPECT_THAT(doubts(sent, heard), IsEmpty());
}

// `measure` tells it, of a sweep that goes once and of one that goes twice.
TEST(SweepRecorded, MeasureTellsIt) {
  std::vector<double> sent = sweep_sent(2);
  for (const bool twice : {false, true}) {
    if (twice) {
      const std::vector<double> once = sent;
      sent.resize(sent.size() + static_cast<std::size_t>(1.5 * kRate), 0.0);
      sent.insert(sent.end(), once.begin(), once.end());
    }
    Recording heard = heard_late(sent, room(), {.noise_rms = 3e-4});
    const auto codes = [&] {
      const Recording captured[] = {heard};
      return codes_of(measure({"sent.wav", kRate, sent}, captured, {}).warnings);
    };
    EXPECT_THAT(codes(), testing::Not(testing::Contains("gain-moved"))) << twice;
    double most_db = 0;
    heard.samples = turned_down(heard.samples, 0.1 * peak_of(heard.samples), 10, most_db);
    EXPECT_THAT(codes(), testing::Contains("gain-moved")) << twice;
  }
}

}  // namespace
}  // namespace rackproof::tune
