// Must hold: a rig that a careful engineer would sign gets no warning at all, whatever its shape. Each is the sound rig
// of a_rig.hpp with something unusual and right.
#include "faulty_rigs.hpp"

namespace rackproof {
namespace {

using rig::Alignment, rig::EqType;
using R = rig::Rig&;
using V = rig::Venue&;

struct Sound {
  const char* name;
  std::function<void(rig::Rig&, rig::Venue&)> change;
};
void PrintTo(const Sound& sound, std::ostream* out) { *out << sound.name; }

/// A living room: amplifiers of 100 W, a woofer and a dome.
void at_home(R r) {
  r.amplifiers = {an_amplifier("stereo", {{100, 8}, {160, 4}}, 29)};
  r.drivers = {a_driver("woofer", 8, 80, 150), a_driver("dome", 8, 10, 80)};
  r.ways[0].amplifier = r.ways[1].amplifier = "stereo";
  r.ways[0].driver = "woofer";
  r.ways[1].driver = "dome";
  r.ways[0].highpass = a_filter(35, Alignment::butterworth, 12);
  r.points[0] = a_point(2400);
}
void sheets(R r) {
  r.drivers[0].lowest_hz = 50;
  r.drivers[0].highest_hz = 3000;
  r.drivers[0].sensitivity_db = 98;
  r.drivers[1].lowest_hz = 1200;
  r.drivers[1].highest_hz = 18'000;
  r.drivers[1].sensitivity_db = 104;
  r.ways[0].depth_m = 0.1;
  r.ways[1].depth_m = 0.35;
  r.ways[0].delay_s = 0.25 / 343;
}
rig::EqBand pass(EqType type, double at_hz, double q) { return a_band(type, at_hz, 0, q); }

const Sound kSound[] = {
    {"sheets", [](R r, V) { sheets(r); }},
    {"amplifier_of_1_3_to_1",
     [](R r, V) {
       r.amplifiers[0].ratings = {{700, 8}, {910, 4}};
     }},
    {"amplifier_of_2_to_1",
     [](R r, V) {
       r.amplifiers[0].ratings = {{600, 8}, {1200, 4}, {2000, 2}};
     }},
    {"amplifier_that_gives_less_into_2_ohm",
     [](R r, V) {
       r.amplifiers[0].ratings = {{700, 8}, {1150, 4}, {1000, 2}};
     }},
    {"ratings_from_low_to_high",
     [](R r, V) {
       r.amplifiers[0].ratings = {{1150, 4}, {700, 8}};
     }},
    {"bridged_per_side",
     [](R r, V) {
       r.amplifiers[0].bridged = true;
       r.amplifiers[0].rated = rig::Rated::per_side;
       r.amplifiers[0].ratings = {{200, 8}, {350, 4}};
     }},
    {"bridged_as_printed",
     [](R r, V) {
       r.amplifiers[0].bridged = true;
       r.amplifiers[0].rated = rig::Rated::bridged;
       r.amplifiers[0].gain_db = 38;
       r.amplifiers[0].ratings = {{700, 8}, {900, 4}};
     }},
    {"smaller_amplifier_than_driver",
     [](R r, V) {
       r.amplifiers[0].ratings = {{175, 8}};
     }},
    {"all_channels_alike",
     [](R r, V) {
       r.amplifiers[1] = r.amplifiers[0];
       r.amplifiers[1].name = "highs";
       r.drivers[1].peak_power_watts = 240;
     }},
    {"larger_amplifier_with_a_margin",
     [](R r, V) {
       r.amplifiers[1].ratings = {{500, 8}};
       r.ways[1].limit->below_clip_db = 9;
       r.drivers[1].peak_power_watts.reset();
     }},
    {"no_power_limiter_where_the_peak_limiter_does",
     [](R r, V) {
       r.amplifiers[1].ratings = {{47, 8}};  // 21.8 V peak below it, which the horn takes as RMS
       r.ways[1].thermal.reset();
     }},
    {"two_in_series_of_4_ohm",
     [](R r, V) {
       r.ways[0].in_series = true;
       r.ways[0].drivers = 2;
       r.drivers[0].impedance_ohm = 4;
     }},
    {"driver_of_16_ohm", [](R r, V) { r.drivers[1].impedance_ohm = 16; }},
    {"converter_of_24_dbu", [](R r, V) { r.controller.output_full_scale_volts_rms = volts_of_dbu(24); }},
    {"converter_of_2_volts",
     [](R r, V) {
       at_home(r);
       r.controller.output_full_scale_volts_rms = 2;
     }},
    {"studio_at_home",
     [](R r, V) {
       at_home(r);
       r.controller.output_full_scale_volts_rms = r.controller.input_full_scale_volts_rms.emplace(12.28);
       r.amplifiers[0].gain_db.reset();
       r.amplifiers[0].sensitivity_volts_rms = 0.8;
     }},
    {"third_order",
     [](R r, V) {
       at_home(r);
       r.points[0] = a_point(2400, Alignment::butterworth, 18);
     }},
    {"second_order_turned_over",
     [](R r, V) {
       r.points[0] = a_point(1600, Alignment::linkwitz_riley, 12);
       r.ways[1].inverted = true;
     }},
    {"sides_apart",
     [](R r, V) {
       r.points[0].low.at_hz = 1600;
       r.points[0].high.at_hz = 1800;
     }},
    {"sub_of_48_db",
     [](R r, V) {
       add_sub(r);
       r.points[0] = a_point(100, Alignment::linkwitz_riley, 48);
       r.ways[0].highpass = a_filter(30, Alignment::butterworth, 48);
     }},
    {"sub_that_waits_for_flown_tops",
     [](R r, V) {
       add_sub(r);
       r.ways[0].delay_s = 20e-3;
     }},
    {"sub_of_the_cinema",
     [](R r, V) {
       add_sub(r);
       r.ways[0].highpass->at_hz = 20;
     }},
    {"mono_sub",
     [](R r, V) {
       add_sub(r);
       r.ways[0].sum_of_feeds = true;
     }},
    {"sub_alone",
     [](R r, V) {
       r.ways.pop_back();
       r.points.clear();
       r.amplifiers.pop_back();
       r.drivers.pop_back();
       r.ways[0].eq = {pass(EqType::lowpass, 100, 0.707)};
     }},
    {"sub_alone_with_its_low_pass_in_the_system",
     [](R r, V) {
       r.ways.pop_back();
       r.points.clear();
       r.amplifiers.pop_back();
       r.drivers.pop_back();
       r.system_eq = {pass(EqType::lowpass, 100, 0.541), pass(EqType::lowpass, 100, 1.307)};
     }},
    {"super_tweeter_at_44_1_khz",
     [](R r, V) {
       r.controller.sample_rate_hz = 44'100;
       r.drivers.push_back(a_driver("super", 8, 30, 120));
       r.points.push_back(a_point(14'000));
       r.ways.push_back(a_way("super", "highs", "super"));
     }},
    {"192_khz",
     [](R r, V) {
       r.controller.sample_rate_hz = 192'000;
       r.controller.block_frames = 32;
     }},
    {"horn_of_constant_directivity", [](R r, V) { r.ways[1].eq = {a_band(EqType::highshelf, 8000, 6, 0.7)}; }},
    {"box_of_the_sixth_order",
     [](R r, V) {
       r.ways[0].highpass = a_filter(40, Alignment::butterworth);
       r.ways[0].eq = {pass(EqType::highpass, 40, 2)};
     }},
    {"much_eq",
     [](R r, V) {
       r.system_eq = {a_band(EqType::peaking, 240, -3.5, 1.4), a_band(EqType::peaking, 80, 4, 1.2),
                      a_band(EqType::notch, 50, 0, 30), pass(EqType::highpass, 40, 0.707)};
     }},
    {"a_usual_venue",
     [](R, V v) {
       v.all.gain_db = -2;
       v.all.eq = {a_band(EqType::peaking, 80, 4, 2), a_band(EqType::highshelf, 8000, 3, 0.7)};
       v.feed["left"].eq = v.feed["right"].eq = {a_band(EqType::lowshelf, 100, -4, 0.7)};
     }},
    {"tower_at_60_m", [](R r, V) { r.ways[0].delay_s = r.ways[1].delay_s = 60 / 343.0; }},
    {"one_feed", [](R r, V) { r.feeds.pop_back(); }},
    {"three_feeds",
     [](R r, V) {
       r.feeds.push_back({"centre", 3, {}});
     }},
};

class EverySoundRig : public testing::TestWithParam<Sound> {};
INSTANTIATE_TEST_SUITE_P(, EverySoundRig, testing::ValuesIn(kSound));
TEST_P(EverySoundRig, GetsNoWarning) {
  for (const Warning& warning : warnings_with(GetParam().change))
    ADD_FAILURE() << GetParam().name << ": " << warning.code << ": " << warning.text;
}

}  // namespace
}  // namespace rackproof
