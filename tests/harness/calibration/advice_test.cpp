// Must hold: what contradicts itself, what no device has and what gives a device away gets a warning of its own with
// the key to change, and the nearest rig that is sound in that respect gets none. Each pair stands on the two sides of
// a threshold; where one follows from arithmetic, the arithmetic is beside it.
#include "harness/calibration/advice.hpp"
#include "harness/calibration/filters.hpp"

#include "faulty_rigs.hpp"
#include "tests/harness/demo_rig.hpp"

namespace rackproof {
namespace {

using rig::Alignment, rig::EqType;
using R = rig::Rig&;
using V = rig::Venue&;

rig::Amplifier& lows(R r) { return r.amplifiers[0]; }
rig::Amplifier& highs(R r) { return r.amplifiers[1]; }
rig::Driver& cone(R r) { return r.drivers[0]; }
rig::Driver& horn(R r) { return r.drivers[1]; }
rig::Way& low(R r) { return r.ways[0]; }
rig::Way& high(R r) { return r.ways[1]; }
void sound(R, V) {}
void sides_at(R r, double low_hz, double high_hz) { r.points[0].low.at_hz = low_hz, r.points[0].high.at_hz = high_hz; }
/// -3.01 dB at `at_hz`.
rig::EqBand two_octaves(EqType type, double at_hz) {
  rig::EqBand band = a_band(type, at_hz, 3, 2);
  band.width = rig::EqWidth::bandwidth_oct;
  return band;
}
rig::EqBand a_pass(EqType type, double at_hz) { return a_band(type, at_hz, 0, std::sqrt(0.5)); }

const Fault kDevices[] = {
    // Per side the 8 ohm see two sides at 4 ohm: 2 sqrt(2 x 1150 x 4) = 191.8 V, less 2 dB 152.4 V, more than the
    // 105.8 V of the cone's 1400 W. As printed: sqrt(2 x 700 x 8) = 105.8 V, less 2 dB 84.1 V.
    {"bridged-rating-unsaid",
     [](R r, V) { lows(r).bridged = true; },
     {"lows", "105.8 V peak", "84.1 V peak", "rated = \"per side\"", "rated = \"bridged\"", "amplifier.lows"},
     [](R r, V) { lows(r).bridged = true, lows(r).rated = rig::Rated::per_side; }},
    {"bridged-rating-unsaid",
     [](R r, V) { lows(r).bridged = true, lows(r).gain_db.reset(), lows(r).sensitivity_volts_rms = 1; },
     {"its sensitivity"},
     [](R r, V) { lows(r).bridged = true, lows(r).rated = rig::Rated::bridged; }},
    // 1.1 x 2 x 700 W = 1540 W
    {"ratings-steep",
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {1541, 4}};
     },
     {"lows", "1541 W into 4 ohm", "1400 W", "amplifier.lows.ratings"},
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {1540, 4}};
     }},
    // 0.95 x 700 W = 665 W
    {"ratings-crosswise",
     [](R r, V) {
       lows(r).ratings = {{664, 4}, {700, 8}};
     },
     {"664 W into 4 ohm", "700 W into 8 ohm", "amplifier.lows.ratings"},
     [](R r, V) {
       lows(r).ratings = {{665, 4}, {700, 8}};
     }},
    // into 2 ohm an amplifier's current ends: 0.6 x 1150 W = 690 W
    {"ratings-crosswise",
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {1150, 4}, {689, 2}};
     },
     {"689 W into 2 ohm"},
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {1150, 4}, {690, 2}};
     }},
    {"ratings-crosswise",  // 86 %, from 3 ohm on
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {600, 3}};
     },
     {"600 W into 3 ohm"},
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {600, 2.99}};
     }},
    // and bridged into 4 ohm each side sees 2
    {"ratings-crosswise",
     [](R r, V) {
       lows(r).ratings = {{1000, 8}, {800, 4}}, lows(r).bridged = true, lows(r).rated = rig::Rated::per_side;
     },
     {"800 W into 4 ohm"},
     [](R r, V) {
       lows(r).ratings = {{1000, 8}, {800, 4}}, lows(r).bridged = true, lows(r).rated = rig::Rated::bridged;
     }},
    // 300^2 / 2 / 8 = 5625 W
    {"rating-unlikely",
     [](R r, V) {
       lows(r).ratings = {{5630, 8}};
     },
     {"5630 W into 8 ohm", "amplifier.lows.ratings"},
     [](R r, V) {
       lows(r).ratings = {{5620, 8}};
     }},
    {"rating-unlikely",
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {170, 33.1}};
     },
     {"33.1 ohm"},
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {170, 33}};
     }},
    {"rating-unlikely",
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {1600, 0.99}};
     },
     {"0.99 ohm"},
     [](R r, V) {
       lows(r).ratings = {{700, 8}, {1600, 1}};
     }},
    {"gain-unlikely",
     [](R r, V) { lows(r).gain_db.reset(), lows(r).sensitivity_volts_rms = 7.1; },
     {"7.1 V", "sensitivity", "amplifier.lows"},
     [](R r, V) { lows(r).gain_db.reset(), lows(r).sensitivity_volts_rms = 7; }},
    // sqrt(700 W * 8 ohm) = 74.8 V: 7.48 V at 20 dB, 6.67 V at 21 dB
    {"gain-unlikely",
     [](R r, V) { lows(r).gain_db = 20; },
     {"20.0 dB", "7.48 V", "gain and ratings in amplifier.lows"},
     [](R r, V) { lows(r).gain_db = 21; }},
    // 8 / 1.9 = 4.21 ohm
    {"load-above-rating",
     [](R r, V) {
       highs(r).ratings = {{200, 4.2}};
     },
     {"8 ohm", "4.2 ohm", "2.8 dB", "amplifier.highs.ratings"},
     [](R r, V) {
       highs(r).ratings = {{200, 4.22}};
     }},
    // drivers of 16 ohm are sound on amplifiers that are rated at 8 alone
    {"load-above-rating",
     [](R r, V) {
       highs(r).ratings = {{200, 4}}, horn(r).impedance_ohm = 9;
     },
     {"9 ohm"},
     [](R r, V) {
       highs(r).ratings = {{200, 4}}, horn(r).impedance_ohm = 9.01;
     }},
    // 200 W over 50 = 4 W
    {"amplifier-far-too-large",
     [](R r, V) { horn(r).continuous_power_watts = 3.99; },
     {"high", "highs", "50 times", "driver.horn"},
     [](R r, V) { horn(r).continuous_power_watts = 4.01; }},
    {"amplifier-far-too-large",  // for the lows 700 W over 15 = 46.7 W
     [](R r, V) { cone(r).continuous_power_watts = 46; },
     {"low", "lows", "15 times", "driver.cone"},
     [](R r, V) { cone(r).continuous_power_watts = 47; }},
    {"amplifier-far-too-large",  // 200 W over 10 W: little for highs
     [](R r, V) { horn(r).continuous_power_watts = 10, r.points[0] = a_point(299); },
     {"high", "20 times"},
     [](R r, V) { horn(r).continuous_power_watts = 10, r.points[0] = a_point(300); }},
    {"series-of-one",
     [](R r, V) { high(r).in_series = true; },
     {"way.high", "drivers"},
     [](R r, V) { high(r).in_series = true, high(r).drivers = 2; }},
    // 200 W on 350 W, 700 W on 60 W; exchanged 2 and 3.3 times
    {"amplifiers-exchanged",
     [](R r, V) { std::swap(low(r).amplifier, high(r).amplifier); },
     {"high", "low", "11.7 times", "0.57 times", "2.0", "3.3"},
     sound},
    {"amplifiers-exchanged", [](R r, V) { std::swap(low(r).driver, high(r).driver); }, {"way.high", "way.low"}, sound},
    {"amplifiers-exchanged",  // 200 W over 0.75 = 266.7 W
     [](R r, V) { std::swap(low(r).amplifier, high(r).amplifier), cone(r).continuous_power_watts = 267; },
     {"0.75 times"},
     [](R r, V) { std::swap(low(r).amplifier, high(r).amplifier), cone(r).continuous_power_watts = 266; }},
    {"amplifiers-exchanged",  // 700 W over 2.5 = 280 W; exchanged 300 W would do for it
     [](R r, V) {
       std::swap(low(r).amplifier, high(r).amplifier), highs(r).ratings = {{300, 8}};
       cone(r).continuous_power_watts = 450, horn(r).continuous_power_watts = 279;
     },
     {"2.5 times"},
     [](R r, V) {
       std::swap(low(r).amplifier, high(r).amplifier), highs(r).ratings = {{300, 8}};
       cone(r).continuous_power_watts = 450, horn(r).continuous_power_watts = 281;
     }},
    // 200 W would not do for 201
    {"amplifiers-exchanged",
     [](R r, V) { std::swap(low(r).amplifier, high(r).amplifier), horn(r).continuous_power_watts = 199; },
     {"3.5 times"},
     [](R r, V) { std::swap(low(r).amplifier, high(r).amplifier), horn(r).continuous_power_watts = 201; }},
    {"amplifier-unused",
     [](R r, V) {
       r.amplifiers.push_back(an_amplifier("spare", {{700, 8}}, 32));
     },
     {"amplifier.spare", "amplifier = \"spare\""},
     sound},
    {"driver-unused",
     [](R r, V) { r.drivers.push_back(a_driver("spare", 8, 100)); },
     {"driver.spare", "driver = \"spare\""},
     sound},
    {"impedance-unlikely",
     [](R r, V) { horn(r).impedance_ohm = 40.1; },
     {"40.1 ohm", "driver.horn"},
     [](R r, V) { horn(r).impedance_ohm = 40; }},
    {"impedance-unlikely",
     [](R r, V) { horn(r).impedance_ohm = 0.99; },
     {"0.99 ohm"},
     [](R r, V) { horn(r).impedance_ohm = 1; }},
    {"power-unlikely",
     [](R r, V) { horn(r).continuous_power_watts = 401, horn(r).peak_power_watts = 1600; },
     {"401 W", "driver.horn"},
     [](R r, V) { horn(r).continuous_power_watts = 400, horn(r).peak_power_watts = 1600; }},
    {"power-unlikely",
     [](R r, V) { r.points[0] = a_point(500), horn(r).continuous_power_watts = 801, horn(r).peak_power_watts = 3200; },
     {"801 W", "from 500 Hz up"},
     [](R r, V) { r.points[0] = a_point(500), horn(r).continuous_power_watts = 800, horn(r).peak_power_watts = 3200; }},
    {"power-unlikely",
     [](R r, V) { r.points[0] = a_point(500), horn(r).continuous_power_watts = 900, horn(r).peak_power_watts = 3600; },
     {"900 W"},
     [](R r, V) { r.points[0] = a_point(499), horn(r).continuous_power_watts = 900, horn(r).peak_power_watts = 3600; }},
    {"power-unlikely",
     [](R r, V) { r.points[0] = a_point(1000), horn(r).continuous_power_watts = 700, horn(r).peak_power_watts = 2400; },
     {"700 W"},
     [](R r, V) { r.points[0] = a_point(999), horn(r).continuous_power_watts = 700, horn(r).peak_power_watts = 2400; }},
    {"power-unlikely",
     [](R r, V) { cone(r).continuous_power_watts = 5001, cone(r).peak_power_watts = 20e3; },
     {"5001 W", "driver.cone"},
     [](R r, V) { cone(r).continuous_power_watts = 5000, cone(r).peak_power_watts = 20e3; }},
    {"peak-power-high",
     [](R r, V) { horn(r).peak_power_watts = 601; },
     {"601 W", "10.0 times", "driver.horn"},
     [](R r, V) { horn(r).peak_power_watts = 600; }},
    // 10 log10(2 x 60 / 89) = 1.3 dB
    {"peak-power-low",
     [](R r, V) { horn(r).peak_power_watts = 89; },
     {"89 W", "1.3 dB", "driver.horn"},
     [](R r, V) { horn(r).peak_power_watts = 90; }},
    // A program rating of 60 W and its peak of 120 W: 30 W for long.
    {"peak-power-program",
     [](R r, V) { horn(r).peak_power_watts = 149; },
     {"149 W", "2.5 times", "Is 60 W the program rating?", "continuous_power in driver.horn"},
     [](R r, V) { horn(r).peak_power_watts = 150; }},
    {"peak-power-program",  // 1.9 x 60 W = 114 W: less is a music rating
     [](R r, V) { horn(r).peak_power_watts = 115; },
     {"115 W", "1.9 times"},
     [](R r, V) { horn(r).peak_power_watts = 113; }},
    {"thermal-time-long",
     [](R r, V) { horn(r).thermal_time_s = 4.1; },
     {"4.1 s", "begins at 1.6 kHz", "0.5 to 2 s", "driver.horn"},
     [](R r, V) { horn(r).thermal_time_s = 4; }},
    {"thermal-time-long",
     [](R r, V) { r.points[0] = a_point(1000), horn(r).thermal_time_s = 5; },
     {"5 s"},
     [](R r, V) { r.points[0] = a_point(999), horn(r).thermal_time_s = 5; }},
    {"thermal-time-long",
     [](R r, V) { r.points[0] = a_point(999), horn(r).thermal_time_s = 8.1; },
     {"8.1 s", "begins at 999 Hz"},
     [](R r, V) { r.points[0] = a_point(999), horn(r).thermal_time_s = 8; }},
    {"thermal-time-long",
     [](R r, V) { r.points[0] = a_point(500), horn(r).thermal_time_s = 10; },
     {"10 s"},
     [](R r, V) { r.points[0] = a_point(499), horn(r).thermal_time_s = 10; }},
    {"thermal-time-long",
     [](R r, V) { cone(r).thermal_time_s = 15.1; },
     {"15.1 s", "below 500 Hz", "driver.cone"},
     [](R r, V) { cone(r).thermal_time_s = 15; }},
    {"sensitivity-unlikely",
     [](R r, V) { horn(r).sensitivity_db = 119.1; },
     {"119.1 dB", "driver.horn"},
     [](R r, V) { horn(r).sensitivity_db = 119; }},
    {"sensitivity-unlikely",
     [](R r, V) { horn(r).sensitivity_db = 74.9; },
     {"74.9 dB"},
     [](R r, V) { horn(r).sensitivity_db = 75; }},
    {"full-scale-unlikely",
     [](R r, V) { r.controller.output_full_scale_volts_rms = 18; },  // +18 dBu, mistyped
     {"18 V RMS", "+27.3 dBu", "output_full_scale in controller", "if 18 is a level in dBu, write \"+18 dBu\""},
     [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(26.49); }},
    {"full-scale-unlikely",
     [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(26.51); },
     {"+26.5 dBu", "measure it"},
     [](R r, V) { r.controller.output_full_scale_volts_rms = 0.2; }},
    // A sign: another level is advised than the one that was read.
    {"full-scale-unlikely",
     [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(-18); },
     {"-18.0 dBu", "if its sign is wrong, write \"+18 dBu\""},
     [](R r, V) { r.controller.output_full_scale_volts_rms = 0.2; }},
    {"full-scale-unlikely",  // no level of a converter with either sign
     [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(-26.6); },
     {"-26.6 dBu", "measure it"},
     [](R r, V) { r.controller.output_full_scale_volts_rms = 0.2; }},
    {"full-scale-unlikely",
     [](R r, V) { r.controller.input_full_scale_volts_rms = 20; },
     {"input_full_scale in controller", "\"+20 dBu\""},
     [](R r, V) { r.controller.input_full_scale_volts_rms = volts_of_dbu(26); }},
    {"full-scale-unlikely",
     [](R r, V) { r.controller.input_full_scale_volts_rms = 0.199; },
     {"0.199 V"},
     [](R r, V) { r.controller.input_full_scale_volts_rms = 0.2; }},
    {"input-full-scale-low",
     [](R r, V) { r.controller.input_full_scale_volts_rms = volts_of_dbu(5.9); },
     {"+5.9 dBu", "+18.0 dBu", "input_full_scale"},
     [](R r, V) { r.controller.input_full_scale_volts_rms = volts_of_dbu(6.1); }},
    // A nominal level in place of full scale; the converter makes more, and nothing says what comes in.
    {"output-full-scale-low",
     [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(4); },
     {"+4.0 dBu", "nominal level", "output_full_scale"},
     [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(4.2); }},
    {"output-full-scale-low",
     [](R r, V) { r.controller.output_full_scale_volts_rms = 0.316; },  // -10 dBV
     {"-7.8 dBu"},
     [](R r, V) { r.controller.output_full_scale_volts_rms = 0.33; }},
    {"output-full-scale-low",
     [](R r, V) {
       r.controller.input_full_scale_volts_rms = volts_of_dbu(26);
       r.controller.output_full_scale_volts_rms = volts_of_dbu(13.9);
     },
     {"+26.0 dBu", "+13.9 dBu", "12 dB less", "output_full_scale"},
     [](R r, V) {
       r.controller.input_full_scale_volts_rms = volts_of_dbu(26);
       r.controller.output_full_scale_volts_rms = volts_of_dbu(14.1);
     }},
    {"sides-turned-over",
     [](R r, V) { r.ways[1].output["right"].inverted = true; },
     {"of way high", "(high.right)", "(high.left)", "polarity of high.right"},
     [](R r, V) {
       for (rig::Way& way : r.ways) way.output["left"].inverted = way.output["right"].inverted = true;
     }},
    {"sink-shared",
     [](R r, V) {
       r.live.connections = {{"low.left", "system:playback_1", {}}, {"high.left", "system:playback_1", {}}};
     },
     {"low.left and high.left", "system:playback_1", "[live.connect]"},
     [](R r, V) {  // of two for one output the last counts; feeds may come from one port
       r.live.connections = {{"low.left", "system:playback_1", {}},
                             {"high.left", "system:playback_1", {}},
                             {"high.left", "system:playback_2", {}},
                             {"left", "system:capture_1", {}},
                             {"right", "system:capture_1", {}}};
     }},
    {"block-long",
     [](R r, V) { r.controller.block_frames = 4097; },
     {"4097", "85 ms", "block"},
     [](R r, V) { r.controller.block_frames = 4096; }},
    {"channel-twice",
     [](R r, V) { r.feeds[1].channel = 1; },
     {"left", "right", "channel 1"},
     [](R r, V) { r.feeds[1].channel = 3; }},
    {"feeds-crossed",
     [](R r, V) {
       r.feeds[0].channel = 2;
       r.feeds[1].channel = 1;
     },
     {"channel 2", "channel 1"},
     [](R r, V) {
       r.feeds[0].channel = 2;
       r.feeds[1].channel = 1;
       r.feeds[0].name = "main";
       r.feeds[1].name = "fill";
     }},
};

const Fault kBands[] = {
    {"point-hole",
     [](R r, V) { sides_at(r, 1000, 1510); },
     {"low", "1 kHz", "high", "1.51 kHz", "0.6 octaves", "crossover.points[1]"},
     [](R r, V) { sides_at(r, 1000, 1500); }},
    {"point-overlap",
     [](R r, V) { sides_at(r, 1510, 1000); },
     {"0.6 octaves", "crossover.points[1]"},
     [](R r, V) { sides_at(r, 1500, 1000); }},
    // half an octave above 100 Hz is 141.42 Hz
    {"points-close",
     [](R r, V) {
       add_sub(r);
       r.ways[1].highpass.reset();
       r.points[1] = a_point(141.4);
     },
     {"way low", "0.50 octaves", "100 Hz", "141.4 Hz", "crossover.points[1] and [2]"},
     [](R r, V) {
       add_sub(r);
       r.ways[1].highpass.reset();
       r.points[1] = a_point(141.5);
     }},
    {"highpass-above-point",
     [](R r, V) { low(r).highpass = a_filter(1600); },
     {"way.low.highpass", "1.6 kHz"},
     [](R r, V) { low(r).highpass = a_filter(1599); }},
    {"band-narrow",  // 1600 / sqrt(2) = 1131.4 Hz
     [](R r, V) { low(r).highpass = a_filter(1132); },
     {"way.low.highpass", "0.50 octaves"},
     [](R r, V) { low(r).highpass = a_filter(1131); }},
    // A Butterworth high-pass of 24 dB/oct takes 4 dB at 1 / (10^0.4 - 1)^(1/8) = 0.950 of its corner: of 1684 Hz
    {"band-cut",
     [](R r, V) { high(r).highpass = a_filter(1700, Alignment::butterworth); },
     {"way high", "1.6 kHz", "way.high.highpass"},
     [](R r, V) { high(r).highpass = a_filter(1670, Alignment::butterworth); }},
    // one of 12 dB/oct at 1 / (10^0.4 - 1)^(1/4) = 0.902 of it: 55 / 0.902 = 61.0 Hz
    {"band-cut",
     [](R r, V) { r.system_eq = {a_pass(EqType::highpass, 61.3)}; },
     {"way low", "55 Hz", "system.eq[1]"},
     [](R r, V) { r.system_eq = {a_pass(EqType::highpass, 60.7)}; }},
    {"band-cut",
     [](R, V v) { v.all.eq = {a_pass(EqType::highpass, 100)}; },
     {"way low", "venue.eq[1]"},
     [](R, V v) { v.all.eq = {a_pass(EqType::highpass, 50)}; }},
    // a low-pass likewise: 1600 x 0.902 = 1443 Hz
    {"band-cut",
     [](R r, V) { low(r).eq = {a_pass(EqType::lowpass, 1430)}; },
     {"way low", "way.low.eq[1]"},
     [](R r, V) { low(r).eq = {a_pass(EqType::lowpass, 1455)}; }},
    // the highs to 8 kHz at least; 48 kHz bends 0.902 x 8 kHz to some 7.33 kHz
    {"band-cut",
     [](R r, V) { r.system_eq = {a_pass(EqType::lowpass, 7100)}; },
     {"way high", "8 kHz", "system.eq[1]"},
     [](R r, V) { r.system_eq = {a_pass(EqType::lowpass, 7500)}; }},
    {"band-cut",  // highs are what begins above 500 Hz
     [](R r, V) {
       r.points[0] = a_point(501);
       r.system_eq = {a_pass(EqType::lowpass, 2000)};
     },
     {"way high", "501 Hz to 8 kHz"},
     [](R r, V) {
       r.points[0] = a_point(500);
       r.system_eq = {a_pass(EqType::lowpass, 2000)};
     }},
    {"band-cut",  // another way has an octave at least: 0.902 x 800 Hz = 721 Hz
     [](R r, V) {
       r.points[0] = a_point(400);
       r.system_eq = {a_pass(EqType::lowpass, 715)};
     },
     {"way high", "400 Hz to 800 Hz"},
     [](R r, V) {
       r.points[0] = a_point(400);
       r.system_eq = {a_pass(EqType::lowpass, 727)};
     }},
    {"band-cut",  // unless the driver ends before
     [](R r, V) { high(r).eq = {a_pass(EqType::lowpass, 5000)}; },
     {"way.high.eq[1]"},
     [](R r, V) { high(r).eq = {a_pass(EqType::lowpass, 5000)}, horn(r).highest_hz = 5000; }},
    {"slope-shallow",
     [](R r, V) { r.points[0] = a_point(1600, Alignment::butterworth, 6); },
     {"way high", "driver horn", "crossover.points[1]"},
     [](R r, V) { r.points[0] = a_point(1600, Alignment::butterworth, 12); }},
    {"slope-shallow",
     [](R r, V) { r.points[0] = a_point(500, Alignment::butterworth, 6); },
     {"500 Hz"},
     [](R r, V) { r.points[0] = a_point(499, Alignment::butterworth, 6); }},
    {"slope-shallow",
     [](R r, V) { r.points[0] = a_point(7990, Alignment::butterworth, 6); },
     {"7.99 kHz"},
     [](R r, V) { r.points[0] = a_point(8000, Alignment::butterworth, 6); }},
    {"slope-shallow",
     [](R r, V) { low(r).highpass = a_filter(55, Alignment::butterworth, 6); },
     {"way.low.highpass", "butterworth of 6 dB/oct at 55 Hz"},
     [](R r, V) { low(r).highpass = a_filter(55, Alignment::butterworth, 12); }},
    {"point-unlikely",
     [](R r, V) {
       r.points[0] = a_point(19.9);
       low(r).highpass = a_filter(10);
     },
     {"19.9 Hz", "crossover.points[1]"},
     [](R r, V) {
       r.points[0] = a_point(20);
       low(r).highpass = a_filter(10);
     }},
    {"point-unlikely",
     [](R r, V) { r.points[0] = a_point(20'000); },
     {"20 kHz"},
     [](R r, V) { r.points[0] = a_point(19'900); }},
    {"highpass-low",
     [](R r, V) { low(r).highpass = a_filter(14.9); },
     {"14.9 Hz", "way.low.highpass"},
     [](R r, V) { low(r).highpass = a_filter(15); }},
    {"highpass-low",  // where the driver's band is known, that says more
     [](R r, V) { low(r).highpass = a_filter(9.9), cone(r).lowest_hz = 12; },
     {"9.9 Hz"},
     [](R r, V) { low(r).highpass = a_filter(10), cone(r).lowest_hz = 12; }},
    // a third of an octave: 1600 x 1.26 = 2016 Hz
    {"below-lowest",
     [](R r, V) { horn(r).lowest_hz = 2020; },
     {"way high", "1.6 kHz", "2.02 kHz", "crossover.points[1]"},
     [](R r, V) { horn(r).lowest_hz = 2010; }},
    {"below-lowest",
     [](R r, V) { low(r).highpass.reset(), cone(r).lowest_hz = 50; },
     {"way low has no lower end", "way.low.highpass"},
     [](R r, V) { cone(r).lowest_hz = 50; }},
    // an octave below a point of 6 dB/oct are 10 log10(1 + 4) = 7 dB, of 12 dB/oct 10 log10(1 + 16) = 12.3 dB
    {"below-lowest",
     [](R r, V) { r.points[0] = a_point(1600, Alignment::butterworth, 6), horn(r).lowest_hz = 1600; },
     {"-7"},
     [](R r, V) { r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1600; }},
    // -11 dB of 12 dB/oct is at 1600 / (10^1.1 - 1)^(1/4) = 867 Hz, an octave below 1734 Hz
    {"below-lowest",
     [](R r, V) { r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1750; },
     {"-10."},
     [](R r, V) { r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1720; }},
    // tonight's cut hides nothing that is there tomorrow
    {"below-lowest",
     [](R r, V v) {
       r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1600;
       r.system_eq = {a_band(rig::EqType::peaking, 800, 6, 1)};
       v.all.eq = {a_band(rig::EqType::peaking, 750, -10, 1)};
     },
     {"at 800 Hz", "without tonight's venue", "driver horn"},
     [](R r, V v) {
       // nor does what it lifts elsewhere make the horn's own band quieter: -12.3 dB
       r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1600;
       v.all.eq = {a_band(rig::EqType::highshelf, 2200, 9.9, 0.7)};
     }},
    // a horn's shelf lifts its highs, and hides nothing of what is below its band
    {"below-lowest",
     [](R r, V) {
       r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1780;
       high(r).eq = {a_band(rig::EqType::highshelf, 6000, 10, 0.7)};
     },
     {"-10."},
     [](R r, V) {
       r.points[0] = a_point(1600, Alignment::butterworth, 12), horn(r).lowest_hz = 1700;
       high(r).eq = {a_band(rig::EqType::highshelf, 6000, 10, 0.7)};
     }},
    // 1600 / 1.26 = 1270 Hz
    {"above-highest",
     [](R r, V) { cone(r).highest_hz = 1265; },
     {"way low", "1.265 kHz", "crossover.points[1]"},
     [](R r, V) { cone(r).highest_hz = 1275; }},
    // above 20 kHz nothing is judged, nor by `prove`; at 44.1 kHz nothing above 0.9 of half of it
    {"above-highest",
     [](R r, V) { horn(r).highest_hz = 9'990; },
     {"way high has no upper end", "way.high.eq"},
     [](R r, V) { horn(r).highest_hz = 10'000; }},
    {"above-highest",
     [](R r, V) { r.controller.sample_rate_hz = 96'000, horn(r).highest_hz = 9'990; },
     {"way high has no upper end", "way.high.eq"},
     [](R r, V) { r.controller.sample_rate_hz = 96'000, horn(r).highest_hz = 18'000; }},
    {"above-highest",
     [](R r, V) { r.controller.sample_rate_hz = 44'100, horn(r).highest_hz = 9'920; },
     {"way high has no upper end", "way.high.eq"},
     [](R r, V) { r.controller.sample_rate_hz = 44'100, horn(r).highest_hz = 9'930; }},
    {"lowest-unlikely",
     [](R r, V) { horn(r).lowest_hz = 9.9; },
     {"9.9 Hz", "driver.horn"},
     [](R r, V) { horn(r).lowest_hz = 10; }},
    {"band-cut",  // the response of one way alone lets nobody judge the sum
     [](R r, V) { high(r).eq = {a_pass(EqType::lowpass, 3500)}, high(r).response = "horn.csv"; },
     {"way high", "way.high.eq[1]"},
     [](R r, V) {
       high(r).eq = {a_pass(EqType::lowpass, 3500)}, high(r).response = "horn.csv", low(r).response = "cone.csv";
     }},
    {"driver-unlike-band",
     [](R r, V) { r.points[0] = a_point(449); },
     {"way high", "449 Hz", "driver horn", "60 W", "crossover.points", "give lowest in driver.horn"},
     [](R r, V) { r.points[0] = a_point(450); }},
    {"driver-unlike-band",  // where the driver's band is known, that says more
     [](R r, V) { r.points[0] = a_point(299), horn(r).lowest_hz = 290; },
     {"way high", "299 Hz"},
     [](R r, V) { r.points[0] = a_point(300), horn(r).lowest_hz = 290; }},
    {"driver-unlike-band",
     [](R r, V) { horn(r).name = high(r).driver = "top", horn(r).sensitivity_db = 104, r.points[0] = a_point(310); },
     {"310 Hz", "60 W and 104 dB", "crossover.points[1]", "give lowest in driver.top"},
     [](R r, V) {
       horn(r).name = high(r).driver = "top", horn(r).sensitivity_db = 104, r.points[0] = a_point(310);
       horn(r).lowest_hz = 300;
     }},
    {"driver-unlike-band",  // whatever it is called
     [](R r, V) { cone(r).sensitivity_db = 104, cone(r).continuous_power_watts = 150; },
     {"way low", "150 W and 104 dB", "driver in way.low"},
     [](R r, V) { cone(r).sensitivity_db = 103.9, cone(r).continuous_power_watts = 150; }},
    {"driver-unlike-band",  // a horn for lows
     [](R r, V) { cone(r).name = low(r).driver = "HornLow", cone(r).continuous_power_watts = 150; },
     {"way low", "HornLow"},
     [](R r, V) { cone(r).name = low(r).driver = "HornLow", cone(r).continuous_power_watts = 151; }},
    {"feeds-unlike",
     [](R r, V) { r.points[0] = a_point(301), low(r).sum_of_feeds = true; },
     {"way low", "way high", "301 Hz", "way.low"},
     [](R r, V) { r.points[0] = a_point(300), low(r).sum_of_feeds = true; }},
    {"feed-misses-way",
     [](R r, V) { high(r).only = {0}; },
     {"way low takes right and way high does not", "above 1.6 kHz", "Name right in feeds of way.high"},
     [](R r, V) {
       high(r).only = {0, 1};
     }},
    {"feed-misses-way",
     [](R r, V) { low(r).only = {1}; },
     {"way high takes left and way low does not", "below 1.6 kHz", "Name left in feeds of way.low"},
     [](R r, V) { low(r).only = high(r).only = {1}; }},
    {"feed-misses-way",  // a sub may have one side alone
     [](R r, V) { r.points[0] = a_point(301), low(r).only = {1}; },
     {"301 Hz"},
     [](R r, V) { r.points[0] = a_point(300), low(r).only = {1}; }},
    {"feed-misses-way",
     [](R r, V) {
       low(r).mix = {{1, -6}};
     },
     {"way high takes left and way low does not"},
     [](R r, V) {
       low(r).mix = {{1, -6}, {0, -12}};
     }},
    {"feeds-unlike",  // one of the two is told
     [](R r, V) {
       low(r).mix = {{1, -6}, {0, -12}};
     },
     {"way.low"},
     [](R r, V) {
       low(r).mix = {{1, -6}};
     }},
    {"feeds-unlike",
     [](R r, V) { high(r).sum_of_feeds = true; },
     {"way.high"},
     [](R r, V) { high(r).sum_of_feeds = true, r.feeds.pop_back(); }},
    {"depth-unlikely",
     [](R r, V) { high(r).depth_m = 1.51; },
     {"1.51 m", "way.high"},
     [](R r, V) { high(r).depth_m = 1.5, low(r).depth_m = 3; }},
    {"depth-unlikely",
     [](R r, V) { r.points[0] = a_point(200), high(r).depth_m = 2; },
     {"2 m"},
     [](R r, V) { r.points[0] = a_point(199), high(r).depth_m = 2; }},
    {"ways-exchanged",
     [](R r, V) { low(r).name = "high", high(r).name = "lows"; },
     {"way high stands below way lows"},
     [](R r, V) { low(r).name = "lowmid", high(r).name = "HF"; }},
    {"ways-exchanged",
     [](R r, V) {
       add_sub(r);
       r.ways[0].name = "mid-bass";
       r.ways[1].name = "subwoofer";
     },
     {"way mid-bass stands below way subwoofer"},
     [](R r, V) {
       add_sub(r);
       r.ways[0].name = "subwoofer";
       r.ways[1].name = "mid-bass";
     }},
};

const Fault kLimits[] = {
    // 56.57 V less 6.1 dB = 28.0 V; 60 W at 8 ohm take 30.98 V peak as a sine
    {"clip-given-away",
     [](R r, V) { high(r).limit->below_clip_db = 6.1; },
     {"6.1 dB", "28.0 V peak", "31.0 V peak", "75 %", "way.high.limit"},
     [](R r, V) { high(r).limit->below_clip_db = 6; }},
    {"clip-given-away",  // 49 W take 28.0 V, 48 W 27.7 V: a margin that a driver without a peak power is given
     [](R r, V) { high(r).limit->below_clip_db = 6.1, horn(r).continuous_power_watts = 49.5; },
     {"way.high.limit"},
     [](R r, V) { high(r).limit->below_clip_db = 6.1, horn(r).continuous_power_watts = 48.5; }},
    {"rating-given-away",
     [](R r, V) { high(r).thermal->below_rating_db = 6.1; },
     {"6.1 dB", "75 %", "way.high.thermal"},
     [](R r, V) { high(r).thermal->below_rating_db = 6; }},
    {"look-ahead-long",
     [](R r, V) { high(r).limit->look_ahead_s = 5.1e-3; },
     {"5.1 ms", "8.2 periods", "way.high.limit"},
     [](R r, V) { high(r).limit->look_ahead_s = 5e-3; }},
    {"look-ahead-long",  // four periods of 700 Hz are 5.71 ms
     [](R r, V) { r.points[0] = a_point(700), high(r).limit->look_ahead_s = 5.8e-3; },
     {"4.1 periods"},
     [](R r, V) { r.points[0] = a_point(700), high(r).limit->look_ahead_s = 5.6e-3; }},
    {"look-ahead-long",
     [](R r, V) { low(r).limit->look_ahead_s = 12.1e-3; },
     {"way.low.limit"},
     [](R r, V) { low(r).limit->look_ahead_s = 12e-3; }},
    {"release-long",
     [](R r, V) { high(r).limit->release_s = 0.51; },
     {"0.51 s", "way.high.limit"},
     [](R r, V) { high(r).limit->release_s = 0.5; }},
    {"release-long",
     [](R r, V) { r.points[0] = a_point(500), high(r).limit->release_s = 0.6; },
     {"0.6 s"},
     [](R r, V) { r.points[0] = a_point(499), high(r).limit->release_s = 0.6; }},
    {"release-long",
     [](R r, V) { low(r).limit->release_s = 1.01; },
     {"1.01 s", "way.low.limit"},
     [](R r, V) { low(r).limit->release_s = 1; }},
    {"hold-long",
     [](R r, V) { high(r).limit->hold_s = 50.1e-3; },
     {"50.1 ms", "way.high.limit"},
     [](R r, V) { high(r).limit->hold_s = 50e-3; }},
    {"hold-long",  // two periods of 20 Hz are 100 ms
     [](R r, V) { low(r).highpass->at_hz = 20, low(r).limit->hold_s = 101e-3; },
     {"way.low.limit"},
     [](R r, V) { low(r).highpass->at_hz = 20, low(r).limit->hold_s = 99e-3; }},
    {"delay-long",
     [](R r, V) { low(r).delay_s = 0.301, high(r).delay_s = 0.3; },
     {"301 ms", "103 m", "way.low"},
     [](R r, V) { low(r).delay_s = high(r).delay_s = 0.3; }},
    // A loudspeaker's own delay: 0.501 s x 343.4 m/s = 172 m.
    {"delay-long",
     [](R r, V) { r.loudspeaker = "main", r.delay_s = 0.501; },
     {"501 ms by loudspeaker.main", "172 m", "unit of delay in loudspeaker.main"},
     [](R r, V) { r.loudspeaker = "main", r.delay_s = 0.5; }},
    {"delay-long",
     [](R r, V v) { r.loudspeaker = "main", r.delay_s = 0.1, v.loudspeaker["main"].delay_s = 0.401; },
     {"401 ms by venue.loudspeaker.main and 100 ms by loudspeaker.main", "unit of delay in venue.loudspeaker.main"},
     [](R r, V v) { r.loudspeaker = "main", r.delay_s = 0.1, v.loudspeaker["main"].delay_s = 0.4; }},
    {"delay-long",
     [](R r, V) { r.loudspeaker = "main", r.delay_s = 0.26, low(r).delay_s = high(r).delay_s = 0.241; },
     {"260 ms by loudspeaker.main and 241 ms by way.low", "unit of delay in loudspeaker.main"},
     [](R r, V) { r.loudspeaker = "main", r.delay_s = 0.26, low(r).delay_s = high(r).delay_s = 0.24; }},
    {"delay-long",
     [](R r, V) { low(r).delay_s = high(r).delay_s = 0.3, low(r).output["left"].delay_s = 0.201; },
     {"output low.left", "201 ms by way.low.output.left", "unit of delay in way.low"},
     [](R r, V) { low(r).delay_s = high(r).delay_s = 0.3, low(r).output["left"].delay_s = 0.2; }},
    {"delay-long",  // what is told of a way by itself is not told again
     [](R r, V) { low(r).delay_s = 0.6; },
     {"way low waits 600 ms"},
     [](R r, V) { low(r).delay_s = 0.3; }},
    {"delay-long",
     [](R r, V) { low(r).output["left"].delay_s = 0.6; },
     {"output left of way low waits 600 ms"},
     [](R r, V) { low(r).output["left"].delay_s = 0.3; }},
    {"delays-apart",
     [](R r, V) { high(r).delay_s = 4.1e-3; },
     {"4.1 ms", "1.41 m", "6.6 periods", "way.low", "way.high"},
     [](R r, V) { high(r).delay_s = 4e-3; }},
    {"delays-apart",
     [](R r, V) { r.points[0] = a_point(301), high(r).delay_s = 5e-3; },
     {"5.0 ms"},
     [](R r, V) { r.points[0] = a_point(300), high(r).delay_s = 5e-3; }},
    {"delays-apart",
     [](R r, V) {
       add_sub(r);
       r.ways[0].delay_s = 25.1e-3;
     },
     {"25.1 ms", "way.sub"},
     [](R r, V) {
       add_sub(r);
       r.ways[0].delay_s = 25e-3;
     }},
};

const Fault kEqualisers[] = {
    {"boost-large",
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, 10.1)}; },
     {"system.eq[1]", "240 Hz", "10.1 dB"},
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, 10)}; }},
    {"boost-large",
     [](R, V v) { v.feed["left"].eq = {a_band(EqType::highshelf, 8000, 10.1, 0.7)}; },
     {"venue.feed.left.eq[1]"},
     [](R, V v) { v.feed["left"].eq = {a_band(EqType::highshelf, 8000, 10, 0.7)}; }},
    {"boost-large",  // low-passes of Q 2 lift 6 dB below their corner each
     [](R r, V) {
       const rig::EqBand pass = a_band(EqType::lowpass, 7000, 0, 2);
       high(r).eq = {pass, pass, pass};
     },
     {"way high", "18.7 dB", "way.high.eq"},  // 2 / sqrt(1 - 1/16) = 6.3 dB each at the peak, 12 steps an octave
     [](R r, V) {
       const rig::EqBand pass = a_band(EqType::lowpass, 7000, 0, 2);
       high(r).eq = {pass, pass};
     }},
    {"boost-large",  // three of 5.1 dB at one frequency
     [](R r, V v) {
       r.system_eq = {a_band(EqType::peaking, 240, 5.1)};
       v.all.eq = {a_band(EqType::peaking, 240, 5.1, 2)};
       low(r).eq = {a_band(EqType::peaking, 240, 5.1, 1.5)};
     },
     {"way low", "together", "15.", "dB"},
     [](R r, V v) {
       r.system_eq = {a_band(EqType::peaking, 240, 4.9)};
       v.all.eq = {a_band(EqType::peaking, 240, 4.9, 2)};
       low(r).eq = {a_band(EqType::peaking, 240, 4.9, 1.5)};
     }},
    {"cut-large",
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 240, -20.1)}; },
     {"way.low.eq[1]", "20.1 dB"},
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 240, -20)}; }},
    {"cut-large",
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 240, -25, 3.9)}; },
     {"way.low.eq[1]"},
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 240, -25, 4)}; }},
    {"q-extreme",
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, 3, 10.1)}; },
     {"system.eq[1]", "Q of 10.1", "rings"},
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, 3, 10)}; }},
    {"q-extreme",
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, -3, 30.1)}; },
     {"30.1"},
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, -3, 30)}; }},
    {"q-extreme",
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, -3, 0.24)}; },
     {"0.24"},
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, -3, 0.25)}; }},
    {"q-extreme",
     [](R r, V) { r.system_eq = {a_band(EqType::notch, 240, 0, 0.99)}; },
     {"notch"},
     [](R r, V) { r.system_eq = {a_band(EqType::notch, 240, 0, 1)}; }},
    {"q-extreme",
     [](R r, V) { r.system_eq = {a_band(EqType::highshelf, 8000, 3, 2.1)}; },
     {"highshelf"},
     [](R r, V) { r.system_eq = {a_band(EqType::highshelf, 8000, 3, 2)}; }},
    {"q-extreme",
     [](R r, V) { low(r).eq = {a_band(EqType::highpass, 40, 0, 2.1)}; },
     {"way.low.eq[1]"},
     [](R r, V) { low(r).eq = {a_band(EqType::highpass, 40, 0, 2)}; }},
    {"q-extreme",
     [](R r, V) { low(r).eq = {a_band(EqType::highpass, 40, 0, 0.34)}; },
     {"0.34"},
     [](R r, V) { low(r).eq = {a_band(EqType::highpass, 40, 0, 0.35)}; }},
    // Two octaves: Q 0.667 as written; with w0 / sin w0 in the width (W3C's note) 0.261 at 14.6 kHz, 0.242 at 15 kHz.
    {"q-extreme",
     [](R r, V) { r.system_eq = {two_octaves(EqType::highshelf, 15000)}; },
     {"system.eq[1]", "at this sample rate"},
     [](R r, V) { r.system_eq = {two_octaves(EqType::highshelf, 14600)}; }},
    // 0.9 x 55 = 49.5 Hz
    {"boost-below-band",
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 49, 3)}; },
     {"way.low.eq[1]", "49 Hz", "55 Hz"},
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 50, 3)}; }},
    {"boost-below-band",
     [](R, V v) { v.all.eq = {a_band(EqType::lowshelf, 40, 2, 0.7)}; },
     {"venue.eq[1]"},
     [](R, V v) { v.all.eq = {a_band(EqType::lowshelf, 40, 1.9, 0.7)}; }},
    {"boost-below-band",
     [](R r, V) { horn(r).lowest_hz = 1600, high(r).eq = {a_band(EqType::peaking, 1430, 3)}; },
     {"driver horn", "lowest = 1.6 kHz"},
     [](R r, V) { horn(r).lowest_hz = 1600, high(r).eq = {a_band(EqType::peaking, 1450, 3)}; }},
    {"boost-outside-band",
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 3210, 3)}; },
     {"way.low.eq[1]", "to 1.6 kHz"},
     [](R r, V) { low(r).eq = {a_band(EqType::peaking, 3190, 3)}; }},
    {"boost-below-band",
     [](R r, V) { low(r).output["left"].eq = {a_band(EqType::peaking, 49, 3)}; },
     {"way.low.output.left.eq[1]", "49 Hz", "55 Hz"},
     [](R r, V) { low(r).output["left"].eq = {a_band(EqType::peaking, 50, 3)}; }},
    {"boost-outside-band",
     [](R r, V) { low(r).output["right"].eq = {a_band(EqType::peaking, 3210, 3)}; },
     {"way.low.output.right.eq[1]", "to 1.6 kHz"},
     [](R r, V) { low(r).output["right"].eq = {a_band(EqType::peaking, 3190, 3)}; }},
    {"boost-outside-band",
     [](R r, V) { high(r).eq = {a_band(EqType::lowshelf, 790, 3, 0.7)}; },
     {"way.high.eq[1]", "from 1.6 kHz"},
     [](R r, V) {
       high(r).eq = {a_band(EqType::lowshelf, 790, 2.9, 0.7), a_band(EqType::highshelf, 790, 3, 0.7)};
     }},
    {"eq-doubled",
     [](R r, V) { r.system_eq = low(r).eq = {a_band(EqType::peaking, 240, -3)}; },
     {"way.low.eq[1]", "system.eq[1]", "-6 dB"},
     [](R r, V) { r.system_eq = {a_band(EqType::peaking, 240, -3)}, low(r).eq = {a_band(EqType::peaking, 241, -3)}; }},
    {"eq-doubled",
     [](R r, V v) { r.system_eq = v.all.eq = {a_band(EqType::peaking, 240, -3)}; },
     {"venue.eq[1]", "system.eq[1]"},
     [](R, V v) { v.feed["left"].eq = v.feed["right"].eq = {a_band(EqType::peaking, 240, -3)}; }},
    {"eq-doubled",
     [](R r, V) {
       r.system_eq = {a_band(EqType::peaking, 240, -3), a_band(EqType::peaking, 240, -3)};
     },
     {"system.eq[1]", "system.eq[2]"},
     [](R r, V) {
       r.system_eq = {a_pass(EqType::highpass, 40), a_pass(EqType::highpass, 40)};
     }},  // makes 24 dB/oct
    {"gain-large",
     [](R r, V) { high(r).gain_db = 10.1; },
     {"way.high.gain", "+10.1 dB"},
     [](R r, V) { high(r).gain_db = 10; }},
    {"gain-large",
     [](R, V v) { v.feed["right"].gain_db = 10.1; },
     {"venue.feed.right.gain"},
     [](R, V v) { v.feed["right"].gain_db = 10; }},
    {"gain-large",  // each may be, and together they are 16 dB
     [](R r, V v) { r.system_gain_db = v.all.gain_db = 8; },
     {"+16.0 dB", "output low.left", "system.gain"},
     [](R r, V v) { r.system_gain_db = v.all.gain_db = 7.5; }},
    // Shares of a mix, where its feeds carry the same signal: 4 + 6.02 dB, 9 + 6.02 dB.
    {"gain-large",
     [](R r, V) {
       low(r).mix = {{0, 4}, {1, 4}};
     },
     {"way.low.feeds", "left = \"+4 dB\", right = \"+4 dB\"", "+10.0 dB", "Is a minus missing?", "feeds of way.low"},
     [](R r, V) {
       low(r).mix = {{0, 3.9}, {1, 3.9}};
     }},
    {"gain-large",  // four at 0 dB are 12 dB, and none of them lifts
     [](R r, V) {
       r.feeds.push_back({"aux", 3, {}}), r.feeds.push_back({"play", 4, {}});
       low(r).mix = {{0, 0}, {1, 0}, {2, 0}, {3, 0.1}};
     },
     {"+12.1 dB"},
     [](R r, V) {
       r.feeds.push_back({"aux", 3, {}}), r.feeds.push_back({"play", 4, {}});
       low(r).mix = {{0, 0}, {1, 0}, {2, 0}, {3, 0}};
     }},
    {"gain-large",  // one share that is told by itself is not told again
     [](R r, V) {
       low(r).mix = {{0, 12}, {1, 0}};
     },
     {"way.low.feeds takes left with +12 dB"},
     [](R r, V) {
       low(r).mix = {{0, -12}, {1, 0}};
     }},
    {"gain-large",
     [](R r, V) {
       low(r).mix = {{0, 0}, {1, 0}}, r.system_gain_db = 9;
     },
     {"+15.0 dB", "mix (+6.0 dB", "output low", "gain or feeds in way.low"},
     [](R r, V) {
       low(r).mix = {{0, 0}, {1, 0}}, r.system_gain_db = 8.9;
     }},
    // A mean of feeds that the venue treats unalike: (2.818 + 1) / 2 is 5.6 dB, (2.512 + 1) / 2 is 4.9 dB.
    {"gain-large",
     [](R r, V v) {
       low(r).sum_of_feeds = high(r).sum_of_feeds = true;
       r.system_gain_db = 9.9, v.feed["left"].gain_db = 9;
     },
     {"+15.5 dB", "output low"},
     [](R r, V v) {
       low(r).sum_of_feeds = high(r).sum_of_feeds = true;
       r.system_gain_db = 9.9, v.feed["left"].gain_db = 8;
     }},
    {"gain-small", [](R r, V) { high(r).gain_db = -18.1; }, {"way.high.gain"}, [](R r, V) { high(r).gain_db = -18; }},
    {"gain-small", [](R r, V) { r.system_gain_db = -24.1; }, {"system.gain"}, [](R r, V) { r.system_gain_db = -24; }},
    // what the venue lifts by more than 6 dB; the cone's threshold is -12.3 dBFS
    {"venue-into-limiter",
     [](R, V v) { v.all.eq = {a_band(EqType::peaking, 240, 6.1)}; },
     {"way low", "6.1 dB", "-18.4 dBFS", "venue"},
     [](R, V v) { v.all.eq = {a_band(EqType::peaking, 240, 6)}; }},
    {"venue-into-limiter",
     [](R r, V v) {
       r.system_gain_db = -19;
       v.feed["left"].eq = {a_band(EqType::peaking, 240, 8)};
     },
     {"way low", "venue.feed.left", "-1.3 dBFS"},
     [](R r, V v) {
       r.system_gain_db = -21;  // out of reach
       v.feed["left"].eq = {a_band(EqType::peaking, 240, 8)};
     }},
};

class EveryAdvice : public testing::TestWithParam<Fault> {};
INSTANTIATE_TEST_SUITE_P(Devices, EveryAdvice, testing::ValuesIn(kDevices));
INSTANTIATE_TEST_SUITE_P(Bands, EveryAdvice, testing::ValuesIn(kBands));
INSTANTIATE_TEST_SUITE_P(Limits, EveryAdvice, testing::ValuesIn(kLimits));
INSTANTIATE_TEST_SUITE_P(Equalisers, EveryAdvice, testing::ValuesIn(kEqualisers));
TEST_P(EveryAdvice, IsToldOnceWithWhatToChange) { expect_told_once(GetParam()); }
TEST_P(EveryAdvice, IsNotGivenWhereThereIsNoCause) { expect_near_miss_unblamed(GetParam()); }

// W3C Audio EQ Cookbook: Q from a bandwidth in octaves and from a shelf's slope. One octave is Q = 1.4142, for
// 1 / (2 sinh(ln 2 / 2)) = sqrt(2); a slope of 1 is Q = 1 / sqrt(2), whatever the gain.
TEST(Advice, AWidthIsAQHoweverItIsWritten) {
  const auto q_of = [](const rig::EqBand& one) { return dsp::q_of(settings_of(one), 1e9); };  // as an analogue filter
  rig::EqBand band = a_band(EqType::peaking, 240, 3, 1.4);
  EXPECT_EQ(q_of(band), 1.4);
  band.width = rig::EqWidth::bandwidth_oct;
  band.width_value = 1;
  EXPECT_NEAR(q_of(band), std::sqrt(2), 1e-12);
  band.type = EqType::lowshelf;
  band.width = rig::EqWidth::shelf_slope;
  for (const double gain_db : {-12.0, 3.0, 9.0}) {
    band.gain_db = gain_db;
    EXPECT_NEAR(q_of(band), std::sqrt(0.5), 1e-12);
  }
}

// A delayed pair stands 120 m out, and none 280 m.
TEST(Advice, ADelayedPairMayStandFarOut) {
  const auto warnings_at = [](double distance_m) {
    rig::Rig rig = test::demo_rig("town-square.toml");
    rig.loudspeakers[2].delay_s = distance_m / rig::speed_of_sound(rig.controller.temperature_degc);
    return compile(rig).warnings;
  };
  EXPECT_THAT(codes_of(warnings_at(120)), testing::IsEmpty());
  const std::vector<Warning> warnings = warnings_at(280);
  ASSERT_EQ(warnings.size(), 1u);
  EXPECT_EQ(warnings[0].code, "delay-long");
  EXPECT_THAT(warnings[0].text, testing::StartsWith("loudspeaker delayed: output delayed.box.right waits"));
  EXPECT_THAT(warnings[0].text, testing::HasSubstr("unit of delay in loudspeaker.delayed"));
}

// Two ways with one amplifier, bridged without a word: one warning with the figures of both.
TEST(Advice, ABridgeThatTwoWaysShareIsToldOnce) {
  const auto warnings = warnings_with([](R r, V) { high(r).amplifier = "lows", lows(r).bridged = true; });
  EXPECT_EQ(codes_of(warnings).count("bridged-rating-unsaid"), 1u);
  for (const Warning& warning : warnings)
    if (warning.code == "bridged-rating-unsaid")
      EXPECT_THAT(warning.text, testing::AllOf(testing::HasSubstr("way low is"), testing::HasSubstr("way high is")));
}

}  // namespace
}  // namespace rackproof
