// Must hold, on simulated rigs whose truth is a formula: level and phase come out where coherence says that they can be
// told; the arrival is the direct sound's, also where a reflection is louder; drift is found and taken out; a capture
// that means nothing is refused with the reason.
#include "harness/tune/transfer.hpp"

#include <gmock/gmock.h>

#include <algorithm>
#include <numbers>
#include <optional>
#include <random>

#include "harness/analysis/bands.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/rig/rig.hpp"
#include "harness/tune/sweep_sent.hpp"
#include "tests/harness/refusal.hpp"
#include "tests/harness/tune/rig_in_a_field.hpp"

namespace rackproof::tune {
namespace {

using testing::AllOf;
using testing::HasSubstr;

const Recording& noise() {
  static const Recording sent{"pink.wav", kRate, noise_sent(5)};
  return sent;
}
const Recording& sweep() {
  static const Recording sent{"sweep.wav", kRate, sweep_sent(3)};
  return sent;
}
Measurement measured(const Recording& sent, const Recording& captured, const TransferOptions& options = {}) {
  const Recording all[] = {captured};
  return measure(sent, all, options);
}
std::vector<SoundPath> field() { return field_paths({0, 0, 2}, {3.2, 0.1, 1.7}); }
/// Two reflections, one of them upside down.
std::vector<SoundPath> reflected() {
  std::vector<SoundPath> paths = field();
  paths.push_back({paths[0].delay_s + 3.1e-3, 0.5 * paths[0].gain});
  paths.push_back({paths[0].delay_s + 11.3e-3, -0.3 * paths[0].gain});
  return paths;
}
double true_arrival_ms(const SimulatedDriver& driver, const std::vector<SoundPath>& paths) {
  return 1e3 * (paths[0].delay_s + driver.delay_s);
}

// The sound card plugged into itself: nothing is added, nothing taken away. A Welch estimate of one wire is exact but
// for rounding; the arrival is 0 to a thousandth of a sample.
TEST(Transfer, AWireIsAWire) {
  for (const Recording* sent : {&noise(), &sweep()}) {
    Recording captured{"wire.wav", kRate, sent->samples};
    for (double& x : captured.samples) x *= -0.5;
    const Measurement m = measured(*sent, captured);
    EXPECT_EQ(m.kind, sent == &noise() ? "noise" : "sweep");
    EXPECT_NEAR(m.arrival_ms, 0, 1e-3 / 48);
    EXPECT_EQ(m.polarity, -1);
    // One sweep does not tell whether the clocks differ, and says how far off that may put it.
    EXPECT_EQ(m.drift_ppm, sent == &noise() ? std::optional<double>(0.0) : std::nullopt);
    EXPECT_LT(m.arrival_error_ms, sent == &noise() ? 0.003 : 1.01e-3 * kUnknownDriftPpm * 3);
    for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
      if (m.frequency_hz[i] < 40 || m.frequency_hz[i] > 19000) continue;  // the sweep's own ends
      ASSERT_NEAR(m.magnitude_db[i], -6.0206, 0.05) << m.frequency_hz[i];
      ASSERT_NEAR(std::abs(m.phase_deg[i]), 180, 0.3) << m.frequency_hz[i];
      ASSERT_GT(m.coherence[i], 0.999) << m.frequency_hz[i];
    }
  }
}

TEST(Transfer, TellsFortyEightPointsAnOctaveOrMore) {
  const Measurement m = measured(noise(), {"wire.wav", kRate, noise().samples});
  EXPECT_EQ(m.smoothing, "none");
  EXPECT_LT(m.frequency_hz.front(), 20);
  EXPECT_GT(m.frequency_hz.back(), 20000);
  for (std::size_t i = 1; i < m.frequency_hz.size(); ++i) {
    ASSERT_GT(m.frequency_hz[i], m.frequency_hz[i - 1]);
    ASSERT_LE(std::log2(m.frequency_hz[i] / m.frequency_hz[i - 1]), 1.05 / 48) << m.frequency_hz[i];
  }
}

// Noise: where it is summed over K segments, the level is good to some 8.7 dB sqrt((1 - c) / (2 c K)); K is 30 and
// more, and the worst of 5000 points is four of these. Of a reflection
// t late, t / T of a segment's wave is not in the segment's sound: 11 ms in 0.34 s is 3 % of its energy, noise of -15
// dB beside it, -25 dB beside the direct sound, a twentieth once averaged over 30.
TEST(Transfer, DelayEqAndReflectionsComeBackFromNoise) {
  const SimulatedDriver driver = a_driver();
  struct Case {
    const char* what;
    std::vector<SoundPath> paths;
    double level_db, phase_deg;
  };
  for (const Case& c : {Case{"field", field(), 0.1, 1}, Case{"reflections", reflected(), 0.6, 6}}) {
    SCOPED_TRACE(c.what);
    const Measurement m = measured(noise(), recorded(driver, c.paths, noise().samples));
    EXPECT_NEAR(m.arrival_ms, true_arrival_ms(driver, c.paths), 0.1 / 48);
    EXPECT_EQ(m.polarity, 1);
    EXPECT_EQ(m.drift_ppm, 0);
    const Errors errors = errors_of(m, driver, c.paths, 60, 16000, 0.95);
    EXPECT_GT(errors.points, 4000u);
    EXPECT_LT(errors.level_db, c.level_db) << errors.at_hz;
    EXPECT_LT(errors.phase_deg, c.phase_deg);
    // Negative control: it is not that anything would pass.
    SimulatedDriver other = driver;
    other.colour[1] = peaking(800, -6, 3);
    EXPECT_GT(errors_of(m, other, c.paths, 60, 16000, 0.95).level_db, 0.8);
  }
}
TEST(Transfer, ASweepIsExactWhereNothingDisturbs) {
  const SimulatedDriver driver = a_driver();
  for (const auto& paths : {field(), reflected(), room_paths({}, {2, 3, 2}, {7, 5, 1.3})}) {
    const Measurement m = measured(sweep(), recorded(driver, paths, sweep().samples));
    EXPECT_EQ(m.kind, "sweep");
    EXPECT_NEAR(m.arrival_ms, true_arrival_ms(driver, paths), 0.1 / 48);
    const Errors errors = errors_of(m, driver, paths, 60, 16000, 0.9);
    EXPECT_GT(errors.points, 5000u);
    EXPECT_LT(errors.level_db, 0.05) << errors.at_hz;  // what the gate cuts off the lowest bass
    EXPECT_LT(errors.phase_deg, 0.5);
  }
}

TEST(Transfer, CoherenceTellsHowMuchToBelieve) {
  const SimulatedDriver driver = a_driver();
  const auto paths = field();
  double before = 2;
  for (const double noise_rms : {0.0, 1e-3, 1e-2}) {  // the sound is at about 0.03
    Recorder recorder;
    recorder.noise_rms = noise_rms;
    recorder.seed = 5;
    for (const Recording* sent : {&noise(), &sweep()}) {
      SCOPED_TRACE(testing::Message() << sent->name << " with noise of " << noise_rms);
      const Measurement m = measured(*sent, recorded(driver, paths, sent->samples, recorder));
      EXPECT_NEAR(m.arrival_ms, true_arrival_ms(driver, paths), 0.2 / 48);
      const Errors errors = errors_of(m, driver, paths, 60, 16000, 0.95);
      // At 0.95 the noise is a fifth of the sound (-13 dB); averaged once (sweep), the worst of 5000 draws of it may be
      // thrice that; averaged over some 30 segments (noise), a fifth of it.
      EXPECT_GT(errors.points, 100u);
      EXPECT_LT(errors.level_db, sent == &noise() ? 1.5 : 3.5);
      double mean = 0;
      for (const double c : m.coherence) mean += c / static_cast<double>(m.coherence.size());
      if (sent == &noise()) {
        EXPECT_LT(mean, before);
        before = mean;
        // Signal and noise are both pink: one coherence at all frequencies, S / (S + N).
        const double s = 0.01 * std::pow(paths[0].gain, 2), expected = s / (s + noise_rms * noise_rms);
        double plain = 0, count = 0;
        for (std::size_t i = 0; i < m.frequency_hz.size(); ++i)
          if (m.frequency_hz[i] > 5000 && m.frequency_hz[i] < 15000) {
            plain += m.coherence[i];
            ++count;
          }
        EXPECT_NEAR(plain / count, expected, 0.02);
      }
    }
  }
}

TEST(Transfer, TheDirectSoundIsTheFirstNotTheLoudest) {
  SimulatedDriver driver = a_driver();
  for (const double gain : {1.5, -2.5}) {
    for (const int polarity : {1, -1}) {
      driver.polarity = polarity;
      auto paths = field();
      paths.push_back({paths[0].delay_s + 4.7e-3, gain * paths[0].gain});
      const Measurement m = measured(noise(), recorded(driver, paths, noise().samples));
      EXPECT_NEAR(m.arrival_ms, true_arrival_ms(driver, paths), 0.2 / 48) << gain;
      EXPECT_EQ(m.polarity, polarity) << gain;
    }
  }
}

TEST(Transfer, DriftOfTheRecorderIsFoundAndTakenOut) {
  const SimulatedDriver driver = a_driver();
  const auto paths = reflected();
  for (const double ppm : {50.0, -50.0}) {
    Recorder recorder;
    recorder.drift_ppm = ppm;
    recorder.noise_rms = 3e-4;
    const Recording captured = recorded(driver, paths, noise().samples, recorder);
    const Measurement m = measured(noise(), captured);
    // A tenth of a part in a million over six seconds is 0.03 sample.
    EXPECT_NEAR(m.drift_ppm.value(), ppm, 0.2);
    EXPECT_NEAR(m.arrival_ms, true_arrival_ms(driver, paths), 0.2 / 48);
    const Errors errors = errors_of(m, driver, paths, 60, 16000, 0.95);
    EXPECT_GT(errors.points, 4000u);
    EXPECT_LT(errors.level_db, 0.6) << errors.at_hz;
    EXPECT_LT(errors.phase_deg, 7);
  }
  // One sweep: the treble's straightness is all there is to go by.
  Recorder recorder;
  recorder.drift_ppm = 50;
  const Recording long_sweep{"sweep.wav", kRate, sweep_sent(10)};
  const Measurement m = measured(long_sweep, recorded(driver, field(), long_sweep.samples, recorder));
  EXPECT_NEAR(m.drift_ppm.value(), 50, 5);
  EXPECT_TRUE(std::any_of(m.warnings.begin(), m.warnings.end(), [](auto& w) { return w.code == "drift-of-a-sweep"; }));
}

/// A recorder that was started by hand, its clock off: silence, then the microphone and the cable beside it.
constexpr double kCable_s = 1e-3;
struct TwoChannels {
  Recording microphone, reference;
};
TwoChannels recorded_beside(const Recording& sent, const SimulatedDriver& driver, const std::vector<SoundPath>& paths,
                            double started_s, double drift_ppm, double noise_rms = 1e-4) {
  Recorder recorder;
  recorder.drift_ppm = drift_ppm;
  recorder.noise_rms = noise_rms;
  recorder.seed = 11;
  // The player begins while the recorder already runs: what is sent stands later in a file that began with silence.
  std::vector<double> late(static_cast<std::size_t>(started_s * kRate), 0.0);
  late.insert(late.end(), sent.samples.begin(), sent.samples.end());
  TwoChannels both{recorded(driver, paths, late, recorder), {}};
  SimulatedDriver cable;
  recorder.seed = 12;
  recorder.noise_rms = 1e-5;
  both.reference = recorded(cable, {{kCable_s, 0.5}}, late, recorder);
  return both;
}
Recording sweep_twice(double seconds) {
  Recording sent{"twice.wav", kRate, sweep_sent(seconds)};
  const std::vector<double> once = sent.samples;
  sent.samples.resize(once.size() + 48000, 0.0);
  sent.samples.insert(sent.samples.end(), once.begin(), once.end());
  return sent;
}

bool warns_of(const Measurement& m, const std::string& code) {
  return std::ranges::any_of(m.warnings, [&](const auto& warning) { return warning.code == code; });
}

// Whoever starts the recorder, and however its clock runs: the arrival is the way from the cable to the microphone.
// 0.3 samples: twice what a recording of 60 dB signal-to-noise without a reference is held to, as two arrivals are read.
TEST(Transfer, AReferenceMakesTheArrivalTheSameWhoeverStartsTheRecorder) {
  const SimulatedDriver driver = a_driver();
  const auto paths = field();
  const Recording long_sweep{"sweep.wav", kRate, sweep_sent(6)};
  struct Case {
    const Recording& sent;
    double started_s, ppm;
  };
  for (const auto& [sent, started_s, ppm] : {Case{noise(), 1.2345, 30}, {long_sweep, 0, 0}, {long_sweep, 7.7, -95}}) {
    SCOPED_TRACE(testing::Message() << sent.name << ", " << started_s << " s, " << ppm << " ppm");
    const TwoChannels both = recorded_beside(sent, driver, paths, started_s, ppm);
    const Recording captured[] = {both.microphone}, reference[] = {both.reference};
    const Measurement m = measure(sent, captured, {}, reference);
    const double arrives = true_arrival_ms(driver, paths) - 1e3 * kCable_s;
    EXPECT_NEAR(m.arrival_ms, arrives, 0.3 / 48);
    EXPECT_NEAR(m.arrival_ms, arrives, m.arrival_error_ms);
    EXPECT_LT(m.arrival_error_ms, 0.5 / 48);
    ASSERT_TRUE(m.drift_ppm);
    EXPECT_NEAR(*m.drift_ppm, ppm, 1);
    EXPECT_EQ(m.polarity, 1);
    std::vector<SoundPath> after_the_cable = paths;
    after_the_cable[0].delay_s -= kCable_s;
    const Errors errors = errors_of(m, driver, after_the_cable, 60, 16000, 0.95);
    EXPECT_GT(errors.points, 3000u);
    EXPECT_LT(errors.level_db, 0.6) << errors.at_hz;
    EXPECT_LT(errors.phase_deg, 7);
  }
  // Microphone and cable exchanged: the arrival is less than none.
  const TwoChannels exchanged = recorded_beside(noise(), driver, paths, 0, 0);
  const Recording cable[] = {exchanged.reference}, sound[] = {exchanged.microphone};
  EXPECT_TRUE(warns_of(measure(noise(), cable, {}, sound), "arrival"));
  EXPECT_FALSE(warns_of(measure(noise(), sound, {}, cable), "arrival"));
  // The control: without the reference the same recording is off by what the recorder waited, and nothing tells.
  const TwoChannels both = recorded_beside(noise(), driver, paths, 1.2345, 0);
  EXPECT_GT(measured(noise(), both.microphone).arrival_ms, 1200);
}

// Of what passed a way's filters, or the air, each frequency arrives at another time: nothing may be counted from it.
TEST(Transfer, AReferenceThatIsNoCableIsRefused) {
  const TwoChannels both = recorded_beside(noise(), a_driver(), field(), 0.5, 0);
  const Recording sound[] = {both.microphone};
  const auto through = [&](const SimulatedDriver& tap) {
    std::vector<double> late(static_cast<std::size_t>(0.5 * kRate), 0.0);
    late.insert(late.end(), noise().samples.begin(), noise().samples.end());
    Recorder recorder;
    recorder.noise_rms = 1e-5;
    return recorded(tap, {{kCable_s, 0.5}}, late, recorder);
  };
  const auto refusal = [&](const Recording& reference) {
    const Recording cable[] = {reference};
    try {
      return warns_of(measure(noise(), sound, {}, cable), "reference") ? std::string("warned") : std::string("taken");
    } catch (const InputError& error) {
      return std::string(error.what());
    }
  };
  EXPECT_EQ(refusal(both.reference), "taken");
  EXPECT_EQ(refusal(both.microphone), "warned") << "in mono, of a whole loudspeaker";
  SimulatedDriver feed, desk;
  feed.to_hz = 1600;
  EXPECT_THAT(refusal(through(feed)), HasSubstr("a cable passes all alike")) << "a way's own feed";
  desk.colour = {peaking(1000, 2.5, 1)};
  EXPECT_EQ(refusal(through(desk)), "taken");
  desk.colour = {peaking(1000, 4, 1)};
  EXPECT_EQ(refusal(through(desk)), "warned") << "a desk's equaliser";
}

// Of a sweep each frequency has its time: samples that are lost move what comes after them, on both channels.
TEST(Transfer, SamplesLostBesideAReferenceAreRefused) {
  const Recording sent{"sweep.wav", kRate, sweep_sent(3)};
  struct Case {
    double ppm;
    std::size_t lost;
  };
  for (const auto& [ppm, lost] : {Case{50, 0}, {0, 24}, {50, 15}, {-20, 256}}) {
    TwoChannels both = recorded_beside(sent, a_driver(), field(), 0.5, ppm);
    for (Recording* one : {&both.microphone, &both.reference}) {
      const auto at = one->samples.begin() + static_cast<std::ptrdiff_t>(2.9 * kRate);  // some 5 kHz
      one->samples.erase(at, at + static_cast<std::ptrdiff_t>(lost));
    }
    const Recording sound[] = {both.microphone}, cable[] = {both.reference};
    const std::string said = test::refusal_of([&] { measure(sent, sound, {}, cable); });
    EXPECT_THAT(said, HasSubstr(lost == 0 ? "taken" : "lost or doubled samples")) << lost << " lost, " << ppm << " ppm";
  }
  // Whole, and 30 dB of noise: a poor cable, and no samples lost.
  TwoChannels both = recorded_beside(sent, a_driver(), field(), 0.5, 50);
  std::mt19937 bits(5);
  std::normal_distribution<double> hiss(0, 0.5 * 0.1 * 0.0316);  // beside 0.5 of a sweep at -20 dBFS RMS
  for (double& x : both.reference.samples) x += hiss(bits);
  const Recording sound[] = {both.microphone}, cable[] = {both.reference};
  EXPECT_EQ(test::refusal_of([&] { measure(sent, sound, {}, cable); }), "taken");
}

// A sweep that goes once does not tell; one that goes twice does, to a tenth of what a single one errs.
TEST(Transfer, ASweepThatGoesTwiceTellsTheDrift) {
  const SimulatedDriver driver = a_driver();
  const Recording twice = sweep_twice(5), once{"once.wav", kRate, sweep_sent(5)};
  struct Case {
    std::vector<SoundPath> paths;
    double ppm;
  };
  for (const auto& [paths, ppm] : {Case{field(), 10}, {field(), 50}, {room_paths({}, {2, 3, 2}, {7, 5, 1.3}), -20}}) {
    SCOPED_TRACE(testing::Message() << paths.size() << " paths, " << ppm << " ppm");
    Recorder recorder;
    recorder.drift_ppm = ppm;
    recorder.noise_rms = 3e-4;
    const double arrives = true_arrival_ms(driver, paths);
    const Measurement m = measured(twice, recorded(driver, paths, twice.samples, recorder));
    EXPECT_EQ(m.kind, "sweep");
    ASSERT_TRUE(m.drift_ppm);
    EXPECT_NEAR(*m.drift_ppm, ppm, 0.2);
    EXPECT_NEAR(m.arrival_ms, arrives, m.arrival_error_ms);
    EXPECT_LT(m.arrival_error_ms, 0.5 / 48);
    const Errors errors = errors_of(m, driver, paths, 60, 16000, 0.95);
    EXPECT_GT(errors.points, 3000u);
    EXPECT_LT(errors.phase_deg, 20);
    // Once: told or not, the arrival is within what it says.
    const Measurement single = measured(once, recorded(driver, paths, once.samples, recorder));
    EXPECT_NEAR(single.arrival_ms, arrives, single.arrival_error_ms);
    if (single.drift_ppm) EXPECT_NEAR(*single.drift_ppm, ppm, 15);
  }
}

// Samples that a recorder lost in one of the two passes turn the phase of all that came behind them: the mean of both
// passes then has holes that nobody's loudspeaker has. Noise, a room and a clock that drifts are no such thing.
TEST(Transfer, TwoPassesThatDifferAreSaid) {
  const SimulatedDriver driver = a_driver();
  const Recording twice = sweep_twice(5);
  const auto warned = [&](const std::vector<SoundPath>& paths, double noise_rms, double ppm, std::size_t lost = 0,
                          std::ptrdiff_t at = 0) {
    Recorder recorder;
    recorder.noise_rms = noise_rms;
    recorder.drift_ppm = ppm;
    Recording made = recorded(driver, paths, twice.samples, recorder);
    made.samples.erase(made.samples.begin() + at, made.samples.begin() + at + static_cast<std::ptrdiff_t>(lost));
    return warns_of(measured(twice, made), "passes-differ");
  };
  EXPECT_FALSE(warned(field(), 1e-5, 0));
  EXPECT_FALSE(warned(room_paths({}, {2, 3, 2}, {7, 5, 1.3}), 3e-2, 80));
  EXPECT_TRUE(warned(field(), 1e-4, 0, 12, 120'000)) << "a quarter of a millisecond of the first pass";
  EXPECT_TRUE(warned(field(), 1e-4, 0, 480, 400'000)) << "10 ms of the second";
}

// A way with steep filters on both sides, whose crest leans over; and one that is turned.
TEST(Transfer, ThePolarityIsToldWhereItCanBe) {
  for (const auto& [low_hz, high_hz] : {std::pair{0.0, 90.0}, {90.0, 1600.0}, {1600.0, 0.0}, {400.0, 3500.0}})
    for (const int turned : {1, -1}) {
      SCOPED_TRACE(testing::Message() << low_hz << " to " << high_hz << " Hz, " << turned);
      SimulatedDriver way;
      way.from_hz = 35;
      way.polarity = turned;
      for (int section = 0; section < 2; ++section) {
        rig::EqBand side;
        side.width_value = std::numbers::sqrt2 / 2;
        side.type = rig::EqType::highpass;
        side.at_hz = low_hz;
        if (low_hz > 0) way.colour.push_back(dsp::biquad_of(section_of(side, kRate)));
        side.type = rig::EqType::lowpass;
        side.at_hz = high_hz;
        if (high_hz > 0) way.colour.push_back(dsp::biquad_of(section_of(side, kRate)));
      }
      Recorder recorder;
      recorder.noise_rms = 1e-4;
      const Measurement m = measured(noise(), recorded(way, field(), noise().samples, recorder));
      EXPECT_NE(m.polarity, -turned);
      if (m.polarity == 0) {
        EXPECT_TRUE(std::ranges::any_of(m.warnings, [](auto& w) { return w.code == "polarity-open"; }));
      }
      // Silent above its band, and clear within it: that is no noisy measurement.
      EXPECT_TRUE(std::ranges::none_of(m.warnings, [](auto& w) { return w.code == "coherence"; }));
    }
}

// At 20 dB above the noise a single sweep leaves the level open by 1.2 dB (two standard deviations of a signal with a
// hundredth of its power in noise beside it: 2 * 8.69 dB * sqrt(0.01 / 2)); at 40 dB by a tenth of that.
TEST(Transfer, TheLevelsErrorIsToldAndWarnedOf) {
  const SimulatedDriver driver = a_driver();
  const auto paths = field();
  const auto warned = [](const Measurement& m) {
    return std::ranges::any_of(m.warnings, [](auto& w) { return w.code == "magnitude-error"; });
  };
  const Recording quiet = recorded(driver, paths, sweep().samples);
  for (const auto& [noise_rms, is_warned] : {std::pair{1e-2, true}, {3e-5, false}}) {
    Recorder recorder;
    recorder.noise_rms = noise_rms;
    recorder.seed = 31;
    const Measurement m = measured(sweep(), recorded(driver, paths, sweep().samples, recorder));
    ASSERT_EQ(m.magnitude_error_db.size(), m.frequency_hz.size());
    EXPECT_EQ(warned(m), is_warned) << noise_rms;
    // Nineteen of twenty within it: of the frequencies from 100 Hz to 16 kHz at least nine tenths.
    double within = 0, all = 0;
    for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
      const double f = m.frequency_hz[i];
      if (f < 100 || f > 16000) continue;
      const double truth = analysis::db_from_ratio(std::abs(transfer(driver, paths, f, kRate)));
      ++all;
      within += std::abs(m.magnitude_db[i] - truth) <= m.magnitude_error_db[i] + 0.05 ? 1 : 0;
    }
    EXPECT_GT(within / all, 0.9) << noise_rms;
  }
}

TEST(Transfer, SeveralPlacesAreAveragedByPowerAndPhaseByVector) {
  const SimulatedDriver driver = a_driver();
  const auto near = field_paths({0, 0, 2}, {2, 0, 1.7}), far = field_paths({0, 0, 2}, {5, 1, 1.7});
  const Recording captured[] = {recorded(driver, near, sweep().samples), recorded(driver, far, sweep().samples)};
  const Measurement m = measure(sweep(), captured);
  EXPECT_EQ(m.captures, 2u);
  ASSERT_EQ(m.each.size(), 2u);
  EXPECT_NEAR(m.each[0].arrival_ms, true_arrival_ms(driver, near), 0.1 / 48);
  EXPECT_NEAR(m.each[1].arrival_ms, true_arrival_ms(driver, far), 0.1 / 48);
  EXPECT_NEAR(m.arrival_ms, 0.5 * (m.each[0].arrival_ms + m.each[1].arrival_ms), 1e-9);
  const double gain = std::sqrt(0.5 * (near[0].gain * near[0].gain + far[0].gain * far[0].gain));
  SimulatedDriver alone = driver;
  alone.delay_s = 0;
  for (std::size_t i = 0; i < m.frequency_hz.size(); ++i) {
    const double f = m.frequency_hz[i];
    if (f < 60 || f > 16000) continue;
    const std::complex<double> truth = gain * transfer(alone, std::vector<SoundPath>{{0, 1}}, f, kRate);
    ASSERT_NEAR(m.magnitude_db[i], analysis::db_from_ratio(std::abs(truth)), 0.05) << f;
    ASSERT_NEAR(std::remainder(m.phase_deg[i] - std::arg(truth) * 57.29578, 360), 0, 1) << f;
    // Each keeps its own, as far apart as the places are.
    ASSERT_NEAR(m.each[0].magnitude_db[i] - m.each[1].magnitude_db[i],
                analysis::db_from_ratio(near[0].gain / far[0].gain), 0.1)
        << f;
    ASSERT_NEAR(m.coherence[i], 0.5 * (m.each[0].coherence[i] + m.each[1].coherence[i]), 1e-9) << f;
  }
}

TEST(Transfer, SmoothingIsOfPowerAndSaidSo) {
  const auto paths = reflected();
  const Recording captured = recorded(a_driver(), paths, sweep().samples);
  const Measurement plain = measured(sweep(), captured);
  TransferOptions options;
  options.smoothing = 3;
  const Measurement smoothed = measured(sweep(), captured, options);
  EXPECT_EQ(smoothed.smoothing, "1/3");
  std::vector<double> power;
  for (const double db : plain.magnitude_db) power.push_back(analysis::power_from_db(db));
  power = analysis::smooth<double>(plain.frequency_hz, power, 3);
  for (std::size_t i = 0; i < power.size(); ++i)
    ASSERT_NEAR(smoothed.magnitude_db[i], analysis::db_from_power(power[i]), 1e-9);
  EXPECT_EQ(smoothed.each[0].magnitude_db, smoothed.magnitude_db);  // of one capture they are the same
}

TEST(Transfer, KnowsASweepFromNoise) {
  EXPECT_TRUE(is_sweep(sweep().samples));
  EXPECT_TRUE(is_sweep(sweep_sent(1)));
  EXPECT_FALSE(is_sweep(noise().samples));
  EXPECT_FALSE(is_sweep(stimuli::take(stimuli::sine({1000, 0.5}, kRate), 96000)));
}

std::string refusal(const Recording& sent, const Recording& captured) {
  return test::refusal_of([&] { measured(sent, captured); });
}

TEST(Transfer, WhatMeansNothingIsRefusedWithTheReason) {
  const Recording good = recorded(a_driver(), field(), noise().samples);
  const auto changed = [&](auto change) {
    Recording other = good;
    other.name = "seat.wav";
    change(other);
    return refusal(noise(), other);
  };
  EXPECT_EQ(changed([](Recording&) {}), "taken");
  EXPECT_THAT(changed([](Recording& r) { r.sample_rate_hz = 44100; }),
              AllOf(HasSubstr("seat.wav"), HasSubstr("44100 Hz"), HasSubstr("48000 Hz")));
  EXPECT_THAT(changed([](Recording& r) { r.samples.resize(12000); }),
              AllOf(HasSubstr("seat.wav"), HasSubstr("too short")));
  EXPECT_THAT(changed([](Recording& r) {
                for (double& x : r.samples) x *= 1e-4;
              }),
              AllOf(HasSubstr("seat.wav"), HasSubstr("too quiet")));
  EXPECT_THAT(changed([](Recording& r) { std::fill(r.samples.begin(), r.samples.end(), 0.0); }), HasSubstr("silence"));
  for (const double ceiling : {1.0, 0.3})
    EXPECT_THAT(changed([&](Recording& r) {
                  for (double& x : r.samples) x = std::clamp(x * 12, -ceiling, ceiling);
                }),
                AllOf(HasSubstr("seat.wav"), HasSubstr("clipped")));
  EXPECT_THAT(changed([](Recording& r) { r.samples = noise_sent(7, 99); }),
              AllOf(HasSubstr("seat.wav"), HasSubstr("nothing in it")));
  EXPECT_THAT(changed([](Recording& r) { r.samples[777] = std::nan(""); }),
              AllOf(HasSubstr("seat.wav"), HasSubstr("no number")));
  EXPECT_THAT(refusal(sweep(), {"seat.wav", kRate, noise_sent(7, 99)}), HasSubstr("seat.wav"));
  Recording half = recorded(a_driver(), field(), sweep().samples);
  half.samples.resize(half.samples.size() / 2);
  EXPECT_THAT(refusal(sweep(), half), HasSubstr("too short"));
  const Recording tone{"tone.wav", kRate, stimuli::take(stimuli::sine({1000, 0.5}, kRate), 96000)};
  EXPECT_THAT(refusal(tone, tone), AllOf(HasSubstr("tone.wav"), HasSubstr("less than an octave")));
  EXPECT_THROW(measure(noise(), {}), InputError);
}

// A second of noise has few averages, and chance shows some coherence here and there: an octave of it decides.
TEST(Transfer, ChanceIsNotTakenForSound) {
  for (const std::uint32_t seed : {22u, 24u, 27u}) {
    const Recording brief{"pink.wav", kRate, noise_sent(1, seed)};
    EXPECT_THAT(refusal(brief, {"seat.wav", kRate, noise_sent(1, seed + 100)}), HasSubstr("nothing in it")) << seed;
  }
  for (const std::uint32_t seed : {21u, 23u, 25u})
    EXPECT_THAT(refusal(sweep(), {"seat.wav", kRate, noise_sent(5, seed)}), HasSubstr("seat.wav")) << seed;
}

// Two clocks that agree, in a noisy place: no drift is made up, and the error that is told holds 0.
TEST(Transfer, ClocksThatAgreeAreNotToldApart) {
  const SimulatedDriver driver = a_driver();
  for (const std::uint32_t seed : {41u, 42u, 43u}) {
    Recorder recorder;
    recorder.noise_rms = 2e-2;
    recorder.seed = seed;  // 4 dB below the sound
    const Measurement m = measured(noise(), recorded(driver, reflected(), noise().samples, recorder));
    EXPECT_EQ(m.drift_ppm, std::optional<double>(0.0)) << seed;
  }
}

}  // namespace
}  // namespace rackproof::tune
