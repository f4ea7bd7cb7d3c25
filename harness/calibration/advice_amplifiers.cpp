/// Amplifiers, drivers and converter: figures that cannot be, that contradict each other, or that nothing uses; ports
/// that two outputs share.
#include <algorithm>
#include <map>
#include <numbers>

#include "harness/calibration/advice.hpp"

namespace rackproof::advice {
namespace {

using std::numbers::sqrt2;

// An amplifier is at best a source of fixed volts: half the load takes twice the power, never more (textbook, P =
// V^2 / R). A tenth is left for sheets that round, or rate at another distortion.
constexpr double kRatingMargin = 1.1;
// Real ones give less into 2 ohm than into 4 where their current ends; into 8 and 4 ohm none that is on sale for this
// does. Common practice, no source.
constexpr double kCurrentEnds_ohm = 3, kRatingLoss = 0.95, kRatingLossInto2 = 0.6;
// Power amplifiers have some 20 to 40 dB; their rated power takes 0.5 to 5 V. Common practice, no source.
constexpr double kLeastGain_db = 14, kMostGain_db = 46, kMostSensitivity_volts = 7;
// The largest touring amplifiers reach some 200 V of peaks a side. Common practice, no source.
constexpr double kMostVoltsASide = 300;
constexpr double kLeastLoad_ohm = 1, kMostLoad_ohm = 33;
// Sheets give ratings at 4 and 8 ohm; at 16 ohm hardly any does, so above this a lower rating is all there is.
constexpr double kRatedUpTo_ohm = 9, kLoadOverRating = 1.9;
// Twice and more of a driver's power is usual; where all channels of one amplifier are alike, those of the highs have
// twenty times as much, those of the lows hardly ten. Common practice, no source.
constexpr double kTooSmall = 0.75, kTooLarge = 2.5, kFarTooLarge = 50, kFarTooLargeForLows = 15, kLowsBelow_hz = 300;

// A noise rating of 6 dB crest makes peak power four times the continuous one; sheets of some makers say eight. (IEC
// 60268-5 and AES2 both rate with such noise; from memory.)
constexpr double kMostPeakFactor = 10, kLeastPeakFactor = 1.5;
// A program rating is usually twice the continuous one, and the peak rating twice that: a peak of some twice what is
// called continuous is that of a program rating. Less is a music rating, as of 80 and 150 W. Common practice, no source.
constexpr double kPeakOfProgram = 1.9, kPeakOfContinuous = 2.5;
constexpr double kLeastImpedance_ohm = 1, kMostImpedance_ohm = 40;
// A compression driver takes some 20 to 200 W for long, a cone of mids hardly more than 500. Common practice, no source.
constexpr double kHighWay_hz = 1000, kMidWay_hz = 500;
constexpr double kMostPower_watts = 5000, kMostMidPower_watts = 800, kMostHighPower_watts = 400;
// Coils of compression drivers and domes settle in about a second, of mids in some three, of the largest cones in some
// ten. Common practice, no source.
constexpr double kLongestThermalTime_s = 15, kLongestMidThermalTime_s = 8, kLongestHighThermalTime_s = 4;
constexpr double kLeastSensitivity_db = 75, kMostSensitivity_db = 119;

// Converters of live sound make +18 to +24 dBu, of the studio up to +26; of the living room 1 to 2 V. Common practice,
// no source.
constexpr double kMostFullScale_dbu = 26.5, kLeastFullScale_volts = 0.2, kInputBelowOutput_db = 12,
                 kOutputBelowInput_db = 12;
// Nominal levels of line outputs: +4 dBu, 0 dBu and -10 dBV. What a converter makes at full scale is far above its own.
constexpr double kNominal_volts[] = {1.228, 0.7746, 0.3162}, kNearNominal_db = 0.1;
constexpr std::uint32_t kLongestBlock = 4096;

/// Of a full scale that no converter has: the level that another unit or sign would make of its figure, if that is one.
std::string meant_by_full_scale(double volts) {
  const auto is_as_typed = [](double figure) { return std::abs(10 * figure - std::round(10 * figure)) < 1e-6; };
  const double dbu = analysis::dbu_from_volts(volts);
  if (dbu > 0 && volts <= kMostFullScale_dbu && is_as_typed(volts))
    return fmt::format("if {:.3g} is a level in dBu, write \"{:+.3g} dBu\"", volts, volts);
  if (dbu < 0 && -dbu <= kMostFullScale_dbu && is_as_typed(dbu))
    return fmt::format("if its sign is wrong, write \"{:+.3g} dBu\"", -dbu);
  return "play a sine at 0 dBFS and measure it; a level is written as \"+18 dBu\" or \"6.15 V\" (RMS)";
}

/// Watts into each driver at the amplifier's clip, over what the driver takes for long.
double size_of(const OutputPlan& plan) {
  const double ratio = plan.clip_volts_peak / sqrt2 / plan.driver_continuous_volts;
  return ratio * ratio;
}
OutputPlan with_amplifier_of(const Subject& subject, std::size_t way, std::size_t other) {
  rig::Way exchanged = subject.rig.ways[way];
  exchanged.amplifier = subject.rig.ways[other].amplifier;
  OutputPlan plan;
  fill_levels(subject.rig, exchanged, plan);
  return plan;
}

void ratings(const Subject& subject, const rig::Amplifier& amplifier) {
  std::vector<rig::Rating> sorted = amplifier.ratings;
  std::sort(sorted.begin(), sorted.end(), [](const auto& a, const auto& b) { return a.load_ohm > b.load_ohm; });
  for (const rig::Rating& rating : sorted) {
    const double volts_peak = sqrt2 * volts_rms(rating.power_watts, rating.load_ohm);
    const double most = kMostVoltsASide * (amplifier.bridged && !amplifier.doubled() ? 2 : 1);
    if (rating.load_ohm < kLeastLoad_ohm || rating.load_ohm > kMostLoad_ohm || volts_peak > most) {
      subject.warn(
          "rating-unlikely",
          "amplifier {}: {:g} W into {:g} ohm would be {:.0f} V peak; amplifiers for loudspeakers are rated into "
          "2 to 16 ohm and reach some 200 V{}. Look at power and load in amplifier.{}.ratings.",
          amplifier.name, rating.power_watts, rating.load_ohm, volts_peak, most > kMostVoltsASide ? " a side" : "",
          amplifier.name);
      return;
    }
  }
  for (std::size_t k = 0; k + 1 < sorted.size(); ++k) {
    const rig::Rating &high = sorted[k], &low = sorted[k + 1];
    const double most = high.power_watts * high.load_ohm / low.load_ohm;
    if (low.power_watts > kRatingMargin * most * (1 + 1e-9)) {
      subject.warn(
          "ratings-steep",
          "amplifier {}: {:g} W into {:g} ohm after {:g} W into {:g} ohm is more than any amplifier gives: with "
          "the same volts it would be {:.0f} W. One of the two is wrong, and the limits with it: too high a "
          "rating lets the amplifier clip. Look at amplifier.{}.ratings; a sheet may mix bridged figures in.",
          amplifier.name, low.power_watts, low.load_ohm, high.power_watts, high.load_ohm, most, amplifier.name);
    }
    const double side_ohm = amplifier.bridged && !amplifier.doubled() ? low.load_ohm / 2 : low.load_ohm;
    const double least = side_ohm < kCurrentEnds_ohm ? kRatingLossInto2 : kRatingLoss;
    if (low.power_watts < least * high.power_watts * (1 - 1e-9)) {
      subject.warn(
          "ratings-crosswise",
          "amplifier {}: {:g} W into {:g} ohm is less than its {:g} W into {:g} ohm; amplifiers give more into the "
          "lower load. If the two are exchanged, limits for {:g} ohm are {:.1f} dB too high. Look at "
          "amplifier.{}.ratings.",
          amplifier.name, low.power_watts, low.load_ohm, high.power_watts, high.load_ohm, high.load_ohm,
          analysis::db_from_ratio(std::sqrt(high.power_watts / low.power_watts)), amplifier.name);
    }
  }
}

void gain(const Subject& subject, const rig::Amplifier& amplifier) {
  const double gain_db = amplifier_gain_db(amplifier) - (amplifier.doubled() ? analysis::db_from_ratio(2) : 0);
  const double most = kMostGain_db + (amplifier.bridged && !amplifier.doubled() ? analysis::db_from_ratio(2) : 0);
  // What it asks for at its rated power: as written, or as its gain says.
  const double rated_volts = volts_rms(amplifier.ratings.front().power_watts, amplifier.ratings.front().load_ohm);
  const double asked_volts = amplifier.sensitivity_volts_rms.value_or(rated_volts / analysis::ratio_from_db(gain_db));
  const bool far = asked_volts > kMostSensitivity_volts;
  if (gain_db < kLeastGain_db || gain_db > most || far) {
    subject.warn(
        "gain-unlikely",
        "amplifier {}: its gain comes to {:.1f} dB{}; power amplifiers have some 20 to 40. A wrong gain moves every "
        "limit by as much. Look at {} in amplifier.{}.",
        amplifier.name, gain_db,
        far ? fmt::format(", and {:.3g} V for its rated power is more than they ask for (0.5 to 5 V)", asked_volts)
            : "",
        amplifier.gain_db ? (far ? "gain and ratings" : "gain")
                          : "sensitivity (RMS volts for the FIRST of its ratings) and ratings",
        amplifier.name);
  }
  if (amplifier.attenuator_db != 0 && !amplifier.attenuator_fixed) {
    subject.warn(
        "attenuator-open",
        "amplifier {}: its attenuator stands at {:+.3g} dB but can be moved, so it is assumed fully open: as it "
        "stands, the limiters hold {:.3g} dB too early. Open it, or fix it in place and say attenuator_fixed = true "
        "in amplifier.{}; if someone opens a fixed one, the limits no longer protect.",
        amplifier.name, amplifier.attenuator_db, -amplifier.attenuator_db, amplifier.name);
  }
}

/// Two ways each of which would fare better with the other's amplifier (or driver).
void exchanged(const Subject& subject) {
  const std::size_t ways = subject.rig.ways.size();
  for (std::size_t a = 0; a < ways; ++a) {
    for (std::size_t b = 0; b < ways; ++b) {
      const rig::Way &large = subject.rig.ways[a], &small = subject.rig.ways[b];
      if (large.amplifier == small.amplifier || large.driver == small.driver) continue;
      if (size_of(subject.output_of(a)) <= kTooLarge || size_of(subject.output_of(b)) >= kTooSmall) continue;
      const double large_then = size_of(with_amplifier_of(subject, a, b));
      const double small_then = size_of(with_amplifier_of(subject, b, a));
      if (large_then < 1 || small_then < 1) continue;
      subject.warn(
          "amplifiers-exchanged",
          "ways {} and {} may have each other's amplifier or driver: {} makes {:.1f} times what {}'s driver {} takes "
          "for long, and {} only {:.2g} times what {}'s driver {} takes; exchanged it would be {:.1f} and {:.1f} "
          "times. Look at amplifier and driver in way.{} and way.{}.",
          large.name, small.name, large.amplifier, size_of(subject.output_of(a)), large.name, large.driver,
          small.amplifier, size_of(subject.output_of(b)), small.name, small.driver, large_then, small_then, large.name,
          small.name);
    }
  }
}

template <class Named>
void unused(const Subject& subject, const std::vector<Named>& all, std::string rig::Way::*pointer, const char* what) {
  for (const Named& one : all) {
    const auto uses = [&](const rig::Way& way) { return way.*pointer == one.name; };
    const auto part_uses = [&](const rig::Rig& part) { return std::ranges::any_of(part.ways, uses); };
    if (std::ranges::any_of(subject.rig.parts(), part_uses)) continue;
    subject.warn(
        fmt::format("{}-unused", what).c_str(),
        "no way uses {} {}. A way that should have it has the limits of another. Set {} = \"{}\" in that way, or take "
        "{}.{} out.",
        what, one.name, what, one.name, what, one.name);
  }
}

/// Outputs whose connections for `live` end at one port: the server adds them up behind their limits.
void shared_sinks(const Subject& subject) {
  std::map<std::string, std::vector<std::string>> outputs_by_port;
  for (const OutputPlan& plan : subject.compiled.outputs) {
    const std::string* port = nullptr;
    for (const rig::LiveConnection& one : subject.rig.live.connections)
      if (one.name == plan.name) port = &one.port;  // of two for one output the last counts
    if (port != nullptr) outputs_by_port[*port].push_back(plan.name);
  }
  for (const auto& [port, outputs] : outputs_by_port) {
    if (outputs.size() < 2) continue;
    subject.warn(
        "sink-shared",
        "outputs {} are connected to one port, {}: their sum there is above the limit of each, and live refuses it. Give "
        "each output a port of its own in [live.connect].",
        fmt::join(outputs, " and "), port);
  }
}

}  // namespace

void bridged(const Subject& subject) {
  for (const rig::Amplifier& amplifier : subject.rig.amplifiers) {
    if (!amplifier.bridged || amplifier.rated != rig::Rated::unsaid) continue;
    rig::Rig as_printed = subject.rig;
    for (rig::Amplifier& other : as_printed.amplifiers)
      if (other.name == amplifier.name) other.rated = rig::Rated::bridged;
    std::string both;
    for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) {
      const rig::Way& way = subject.rig.ways[w];
      if (way.amplifier != amplifier.name) continue;
      OutputPlan other;
      fill_levels(as_printed, way, other);
      const OutputPlan& plan = subject.output_of(w);
      both += fmt::format(
          "{}way {} is limited at {:.1f} V peak ({:.2f} dBFS) if they are per side, at {:.1f} V peak "
          "({:.2f} dBFS) if they are as printed for bridged use",
          both.empty() ? "" : "; ", way.name, plan.limit_volts_peak, plan.limit_dbfs_peak, other.limit_volts_peak,
          other.limit_dbfs_peak);
    }
    if (both.empty()) continue;
    subject.warn(
        "bridged-rating-unsaid",
        "amplifier {} is bridged, and it is not said what its ratings and its {} are. They are taken as those of one "
        "side, and doubled: {}. The wrong reading lets it clip. Look at its plate or sheet and write rated = \"per "
        "side\" or rated = \"bridged\" in amplifier.{}.",
        amplifier.name, amplifier.gain_db ? "gain" : "sensitivity", both, amplifier.name);
  }
}

void amplifiers(const Subject& subject) {
  for (const rig::Amplifier& amplifier : subject.rig.amplifiers) {
    ratings(subject, amplifier);
    gain(subject, amplifier);
  }
  for (std::size_t w = 0; w < subject.rig.ways.size(); ++w) {
    const rig::Way& way = subject.rig.ways[w];
    const rig::Amplifier& amplifier = subject.rig.amplifier_of(way);
    const OutputPlan& plan = subject.output_of(w);
    const double seen_ohm = side_load_ohm(amplifier, plan.load_ohm);
    const char* const a_side = amplifier.doubled() ? " a side" : "";
    if (look_up(amplifier, seen_ohm).load_below_rating) {
      subject.warn(
          "load-below-rating",
          "way {} loads amplifier {} with {:.3g} ohm{}, below the lowest load that it is rated for ({:.3g} ohm): it "
          "may shut down, run hot or fail, and its clip is unknown there. Fewer drivers on a channel (drivers = {} "
          "in way.{}), or a rating from the maker at that load in amplifier.{}.ratings.",
          way.name, amplifier.name, seen_ohm, a_side, plan.rating_ohm, way.drivers, way.name, amplifier.name);
    } else if (seen_ohm <= kRatedUpTo_ohm && seen_ohm > kLoadOverRating * plan.rating_ohm) {
      subject.warn(
          "load-above-rating",
          "way {} loads amplifier {} with {:.3g} ohm{}, and the nearest rating is at {:.3g} ohm: its clip is taken "
          "from there, up to {:.1f} dB lower than it is. Give amplifier.{}.ratings one at {:.3g} ohm, or look at "
          "impedance in driver.{} and at drivers and wiring in way.{}.",
          way.name, amplifier.name, seen_ohm, a_side, plan.rating_ohm, 10 * std::log10(seen_ohm / plan.rating_ohm),
          amplifier.name, seen_ohm, way.driver, way.name);
    }
    if (size_of(plan) > (edges_of(subject, w).low_hz < kLowsBelow_hz ? kFarTooLargeForLows : kFarTooLarge)) {
      subject.warn("amplifier-far-too-large",
                   "way {}: amplifier {} makes {:.0f} times the power that driver {} takes for long ({:g} W). Look at "
                   "amplifier.{}.ratings and at continuous_power and impedance in driver.{}.",
                   way.name, amplifier.name, size_of(plan), way.driver,
                   subject.rig.driver_of(way).continuous_power_watts, amplifier.name, way.driver);
    }
    if (way.in_series && way.drivers == 1) {
      subject.warn(
          "series-of-one",
          "way {} says wiring = \"series\" and has one driver: volts and load are those of one. Set drivers in "
          "way.{} to how many stand in series, or take wiring out.",
          way.name, way.name);
    }
  }
  exchanged(subject);
}

void drivers(const Subject& subject) {
  for (const rig::Driver& driver : subject.rig.drivers) {
    double low_edge_hz = 0;  // of the highest way that has it
    for (std::size_t w = 0; w < subject.rig.ways.size(); ++w)
      if (subject.rig.ways[w].driver == driver.name)
        low_edge_hz = std::max(low_edge_hz, subject.output_of(w).low_edge_hz);
    const bool high = low_edge_hz >= kHighWay_hz, mid = low_edge_hz >= kMidWay_hz;
    if (driver.impedance_ohm < kLeastImpedance_ohm || driver.impedance_ohm > kMostImpedance_ohm) {
      subject.warn(
          "impedance-unlikely",
          "driver {}: {:g} ohm; loudspeakers have 2 to 32. Load, clip and power in volts all come from it. Look at "
          "impedance in driver.{}.",
          driver.name, driver.impedance_ohm, driver.name);
    }
    if (driver.continuous_power_watts > (high ? kMostHighPower_watts : mid ? kMostMidPower_watts : kMostPower_watts)) {
      subject.warn("power-unlikely",
                   "driver {}: {:g} W for long is more than {} take{}. Too high a figure burns its coil. Look at "
                   "continuous_power in driver.{}.",
                   driver.name, driver.continuous_power_watts,
                   high  ? "drivers for high bands"
                   : mid ? "drivers from 500 Hz up"
                         : "the largest cones",
                   high  ? " (some 20 to 200 W)"
                   : mid ? " (horns some 20 to 200 W, cones up to 500)"
                         : "",
                   driver.name);
    }
    if (driver.peak_power_watts) {
      const double factor = *driver.peak_power_watts / driver.continuous_power_watts;
      if (factor > kMostPeakFactor * (1 + 1e-9)) {
        subject.warn(
            "peak-power-high",
            "driver {}: a peak power of {:g} W is {:.1f} times its continuous {:g} W; four times is usual (noise of 6 "
            "dB crest). Peaks beyond what it takes tear its suspension. Look at peak_power and continuous_power in "
            "driver.{}.",
            driver.name, *driver.peak_power_watts, factor, driver.continuous_power_watts, driver.name);
      } else if (factor < kLeastPeakFactor * (1 - 1e-9)) {
        subject.warn(
            "peak-power-low",
            "driver {}: a peak power of {:g} W beside a continuous {:g} W. A sine at the continuous power peaks at "
            "twice as much, so the peak limiter holds this driver {:.1f} dB below its continuous rating. If the sheet "
            "gives no peak power, take peak_power out of driver.{}; if it does, look at both.",
            driver.name, *driver.peak_power_watts, driver.continuous_power_watts,
            -analysis::db_from_ratio(std::sqrt(factor / 2)), driver.name);
      } else if (factor > kPeakOfProgram && factor < kPeakOfContinuous * (1 - 1e-9)) {
        subject.warn(
            "peak-power-program",
            "driver {}: a peak power of {:g} W is {:.1f} times the continuous {:g} W; four times is usual (noise of 6 dB "
            "crest). Is {:g} W the program rating? That is usually twice what a driver takes for long: the power limiter "
            "then passes 3 dB too much, and the coil may burn. Write the RMS or AES figure of the sheet as "
            "continuous_power in driver.{}. If {:g} W is the program rating, take peak_power out of driver.{}. If the sheet "
            "gives {:g} W as RMS or AES, and {:g} W as its peak or music power, both are right.",
            driver.name, *driver.peak_power_watts, factor, driver.continuous_power_watts, driver.continuous_power_watts,
            driver.name, *driver.peak_power_watts, driver.name, driver.continuous_power_watts,
            *driver.peak_power_watts);
      }
    }
    if (driver.thermal_time_s > (high  ? kLongestHighThermalTime_s
                                 : mid ? kLongestMidThermalTime_s
                                       : kLongestThermalTime_s)) {
      subject.warn(
          "thermal-time-long",
          "driver {}: a thermal time of {:g} s is long for {}: where its coil heats faster than that, the power limiter "
          "passes more than the coil takes, and it may burn. Usual are {} s. Look at thermal_time in driver.{}.",
          driver.name, driver.thermal_time_s,
          mid ? "a driver that begins at " + rig::hertz_text(low_edge_hz)
              : std::string("a driver that begins below 500 Hz"),
          high  ? "0.5 to 2"
          : mid ? "1 to 5"
                : "2 to 10",
          driver.name);
    }
    if (driver.sensitivity_db &&
        (*driver.sensitivity_db < kLeastSensitivity_db || *driver.sensitivity_db > kMostSensitivity_db)) {
      subject.warn("sensitivity-unlikely",
                   "driver {}: {:g} dB at 1 m for 1 W; loudspeakers have 80 to 115. Look at sensitivity in driver.{}.",
                   driver.name, *driver.sensitivity_db, driver.name);
    }
  }
}

void controller(const Subject& subject) {
  const rig::Controller& controller = subject.rig.controller;
  const auto full_scale = [&](const char* key, double volts, const char* what) {
    if (analysis::dbu_from_volts(volts) > kMostFullScale_dbu || volts < kLeastFullScale_volts) {
      subject.warn(
          "full-scale-unlikely",
          "the controller's {} full scale is {:.4g} V RMS, {:+.1f} dBu; converters have 0.5 V to +26 dBu. {}Every "
          "level in dBFS moves with it. Look at {} in controller: {}.",
          what, volts, analysis::dbu_from_volts(volts),
          std::string(key) == "output_full_scale" ? "If it makes more than is written here, no limit protects. " : "",
          key, meant_by_full_scale(volts));
    }
  };
  full_scale("output_full_scale", controller.output_full_scale_volts_rms, "output");
  bool told = false;
  if (controller.input_full_scale_volts_rms) {
    const double input = *controller.input_full_scale_volts_rms;
    full_scale("input_full_scale", input, "input");
    const double below_db = analysis::db_from_ratio(controller.output_full_scale_volts_rms / input);
    if (below_db > kInputBelowOutput_db && input >= kLeastFullScale_volts) {
      subject.warn(
          "input-full-scale-low",
          "the controller's input reaches full scale at {:+.1f} dBu, its output makes {:+.1f} dBu: {:.0f} dB of gain "
          "between two ends of one device. A nominal level (+4 dBu) is not full scale. Look at input_full_scale and "
          "output_full_scale in controller.",
          analysis::dbu_from_volts(input), analysis::dbu_from_volts(controller.output_full_scale_volts_rms), below_db);
    }
    if (-below_db > kOutputBelowInput_db && controller.output_full_scale_volts_rms >= kLeastFullScale_volts) {
      told = true;
      subject.warn(
          "output-full-scale-low",
          "the controller's input reaches full scale at {:+.1f} dBu, its output makes only {:+.1f} dBu: {:.0f} dB less. "
          "A nominal level (+4 dBu) is not full scale. If the output makes more than is written here, every limit is too "
          "high by as much: play a sine at 0 dBFS, measure it, and look at output_full_scale in controller.",
          analysis::dbu_from_volts(input), analysis::dbu_from_volts(controller.output_full_scale_volts_rms), -below_db);
    }
  }
  const bool nominal = std::ranges::any_of(kNominal_volts, [&](double volts) {
    return std::abs(analysis::db_from_ratio(controller.output_full_scale_volts_rms / volts)) < kNearNominal_db;
  });
  if (nominal && !told) {
    subject.warn(
        "output-full-scale-low",
        "the controller's output makes {:+.1f} dBu at full scale: that is a nominal level, and full scale lies 12 to 20 dB "
        "above it. If the output makes more than is written here, every limit is too high by as much: play a sine at 0 "
        "dBFS, measure it, and look at output_full_scale in controller.",
        analysis::dbu_from_volts(controller.output_full_scale_volts_rms));
  }
  if (controller.block_frames > kLongestBlock) {
    subject.warn(
        "block-long",
        "a block of {} frames is {:.0f} ms: what a device waits before it plays. Set block in controller to what yours "
        "calls with, 32 to 1024.",
        controller.block_frames, 1e3 * controller.block_frames / controller.sample_rate_hz);
  }
  const std::vector<rig::Feed>& feeds = subject.rig.feeds;
  for (std::size_t a = 0; a < feeds.size(); ++a) {
    for (std::size_t b = 0; b < a; ++b) {
      if (feeds[a].channel != feeds[b].channel) continue;
      subject.warn("channel-twice",
                   "feeds {} and {} both take channel {}: they are one signal. Give each its own in feeds.",
                   feeds[b].name, feeds[a].name, feeds[a].channel);
    }
  }
  const auto channel_of = [&](std::initializer_list<std::string_view> names) {
    for (const rig::Feed& feed : feeds)
      for (const std::string_view name : names)
        if (feed.name == name) return feed.channel;
    return std::uint32_t{0};
  };
  const std::uint32_t left = channel_of({"left", "Left", "LEFT", "l", "L"});
  const std::uint32_t right = channel_of({"right", "Right", "RIGHT", "r", "R"});
  if (right > 0 && left > right) {
    subject.warn(
        "feeds-crossed",
        "the left feed is channel {} and the right one channel {}: files have left first. If the sides are not "
        "exchanged on purpose, exchange the two in feeds.",
        left, right);
  }
}

void what_nothing_uses(const Subject& subject) {
  unused(subject, subject.rig.amplifiers, &rig::Way::amplifier, "amplifier");
  unused(subject, subject.rig.drivers, &rig::Way::driver, "driver");
  for (std::size_t f = 0; f < subject.rig.feeds.size(); ++f) {
    const auto hears = [f](const OutputPlan& plan) { return plan.hears(f); };
    if (std::ranges::any_of(subject.compiled.outputs, hears)) continue;
    const std::string& feed = subject.rig.feeds[f].name;
    subject.warn(
        "feed-unused",
        "no output hears feed {}: what the console sends there is lost. Name it in the feeds of a way, or take "
        "it out of [feeds].",
        feed);
  }
  shared_sinks(subject);
}

}  // namespace rackproof::advice
