// Must hold: the claim at the top of stages.hpp. The words alone, put through the formulas of the W3C Working Group Note
// "Audio EQ Cookbook" (8 June 2021) written out here a second time, make the response that the core's section has; keys
// lead to the table of the file that holds these words; and words of another rig are refused.
#include "harness/calibration/stages.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <optional>
#include <set>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "harness/calibration/filters.hpp"
#include "harness/rig/document.hpp"
#include "harness/rig/units.hpp"

namespace rackproof {
namespace {

constexpr const char* kEveryKind = R"(format = 1
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
left = 1
right = 2
[amplifier.big]
ratings = [ { power = "1000 W", load = "8 ohm" } ]
gain = "32 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "400 W"
[system]
eq = [
  { type = "peaking", at = "1 kHz", gain = "+6 dB", q = 1 },
  { type = "peaking", at = "900 Hz", gain = "0 dB", q = 1 },
  { type = "bandpass", at = "5 kHz", bandwidth = "0.7 oct" },
  { type = "lowshelf", at = "160 Hz", gain = "-2 dB", shelf_slope = 0.9 },
  { type = "highshelf", at = "8 kHz", gain = "+4 dB", q = 0.7 },
  { type = "notch", at = "6 kHz", q = 4 },
  { type = "allpass", at = "700 Hz", q = 2 },
]
[crossover]
points = [
  { low = { at = "90 Hz", alignment = "bessel", slope = "30 dB/oct" },
    high = { at = "110 Hz", alignment = "linkwitz-riley", slope = "36 dB/oct" } },
  { at = "500 Hz", alignment = "butterworth", slope = "18 dB/oct" },
  { at = "1.6 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" },
  { at = "12 kHz", alignment = "linkwitz-riley", slope = "12 dB/oct" },
]
[[way]]
name = "sub"
feeds = "sum"
amplifier = "big"
driver = "cone"
highpass = { at = "31 Hz", alignment = "bessel", slope = "24 dB/oct" }
eq = [ { type = "lowpass", at = "300 Hz", q = 0.8 }, { type = "highpass", at = "25 Hz", q = 1.1 } ]
[[way]]
name = "low"
amplifier = "big"
driver = "cone"
[[way]]
name = "mid"
amplifier = "big"
driver = "cone"
[[way]]
name = "high"
amplifier = "big"
driver = "cone"
highpass = { at = "1.2 kHz", alignment = "butterworth", slope = "6 dB/oct" }
[way.output.left]
eq = [ { type = "peaking", at = "3 kHz", gain = "-1 dB", q = 1.5 } ]
[[way]]
name = "top"
amplifier = "big"
driver = "cone"
polarity = "inverted"
)";
constexpr const char* kUnlikeFeeds = R"(format = 1
[venue]
eq = [ { type = "peaking", at = "63 Hz", gain = "-4 dB", q = 3 } ]
[venue.feed.left]
eq = [ { type = "highshelf", at = "7 kHz", gain = "-2 dB", q = 0.6 }, { type = "peaking", at = "95 Hz", gain = "-1 dB", q = 2 } ]
)";

constexpr const char* kOneLoudspeaker = R"([venue.loudspeaker.fill]
eq = [ { type = "peaking", at = "400 Hz", gain = "-3 dB", q = 2 } ]
)";

constexpr double kStagesRate_hz = 48000;

/// Numerator and denominator as the note has them; first order is the bilinear transform of 1 / (s + 1), s / (s + 1) and
/// (1 - s) / (1 + s), with s = j at `at_hz`.
dsp::Biquad by_the_note(const Stage& stage, double rate_hz) {
  const double w0 = 2 * std::numbers::pi * stage.at_hz / rate_hz, cosine = std::cos(w0);
  if (!stage.q) {
    const double t = std::tan(w0 / 2), pole = (t - 1) / (t + 1), share = t / (1 + t);
    if (stage.type == "lowpass") return {share, share, 0, pole, 0};
    if (stage.type == "highpass") return {1 / (1 + t), -1 / (1 + t), 0, pole, 0};
    return {pole, 1, 0, pole, 0};
  }
  const double alpha = std::sin(w0) / (2 * *stage.q), a = std::pow(10, stage.gain_db / 40);
  const double root = 2 * std::sqrt(a) * alpha, up = a + 1, down = a - 1;
  dsp::Biquad b{1 - alpha, -2 * cosine, 1 + alpha, -2 * cosine, 1 - alpha};  // allpass
  double a0 = 1 + alpha;
  if (stage.type == "lowpass" || stage.type == "highpass") {
    const double sign = stage.type == "lowpass" ? 1 : -1, half = (1 - sign * cosine) / 2;
    b = {half, sign * 2 * half, half, b.a1, b.a2};
  } else if (stage.type == "bandpass") {
    b = {alpha, 0, -alpha, b.a1, b.a2};
  } else if (stage.type == "notch") {
    b = {1, b.a1, 1, b.a1, b.a2};
  } else if (stage.type == "peaking") {
    b = {1 + alpha * a, b.a1, 1 - alpha * a, b.a1, 1 - alpha / a};
    a0 = 1 + alpha / a;
  } else if (stage.type == "lowshelf") {
    b = {a * (up - down * cosine + root), 2 * a * (down - up * cosine), a * (up - down * cosine - root),
         -2 * (down + up * cosine), up + down * cosine - root};
    a0 = up + down * cosine + root;
  } else if (stage.type == "highshelf") {
    b = {a * (up + down * cosine + root), -2 * a * (down + up * cosine), a * (up + down * cosine - root),
         2 * (down - up * cosine), up - down * cosine - root};
    a0 = up - down * cosine + root;
  }
  return {b.b0 / a0, b.b1 / a0, b.b2 / a0, b.a1 / a0, b.a2 / a0};
}

/// The greatest difference over the greatest magnitude, 10 Hz to 23 kHz, 40 frequencies a decade.
double furthest_apart(const dsp::Biquad& one, const dsp::Biquad& other, double rate_hz) {
  const auto at = [&](const dsp::Biquad& b, double hz) {
    const std::complex<double> z = std::polar(1.0, -2 * std::numbers::pi * hz / rate_hz);
    return (b.b0 + z * (b.b1 + z * b.b2)) / (1.0 + z * (b.a1 + z * b.a2));
  };
  double apart = 0, greatest = 0;
  for (double hz = 10; hz < 0.48 * rate_hz; hz *= std::pow(10, 1.0 / 40)) {
    apart = std::max(apart, std::abs(at(one, hz) - at(other, hz)));
    greatest = std::max(greatest, std::abs(at(one, hz)));
  }
  return apart / greatest;
}
/// The core's sections are rounded to 2^-24 = 6e-8, some six numbers of them, and a resonance of Q 4 multiplies what its
/// frequency is off by; a word that is off by a part in 10^4 shows as 1e-5 at least.
constexpr double kRounding = 2e-6, kSeen = 1e-5;

std::vector<Stage> stages_at(const rig::Rig& rig, const rig::Venue* venue, const char* name) {
  const CompiledRig made = compile(rig, venue);
  for (const OutputPlan& plan : made.outputs)
    if (plan.name == name) return stages_of(rig, venue, plan);
  ADD_FAILURE() << "no output " << name;
  return {};
}

/// The table that a dotted key names: `way.sub.eq[1]`, counted from 1; ways by their names.
const rig::Node* table_at(const rig::Node& root, std::string_view key) {
  const rig::Node* node = &root;
  while (!key.empty() && node != nullptr) {
    const std::string_view step = key.substr(0, key.find('.'));
    key.remove_prefix(std::min(key.size(), step.size() + 1));
    const std::size_t bracket = step.find('[');
    if (node->kind == rig::Node::Kind::list) {  // of ways
      const rig::Node* named = nullptr;
      for (const rig::Node& item : node->items)
        if (item.find("name")->value.text == step) named = &item;
      node = named;
      continue;
    }
    const rig::Entry* entry = node->find(step.substr(0, bracket));
    node = entry == nullptr ? nullptr : &entry->value;
    if (node != nullptr && bracket != step.npos)
      node = &node->items.at(static_cast<std::size_t>(std::stoi(std::string(step.substr(bracket + 1)))) - 1);
  }
  return node;
}

TEST(Stages, AreTheSectionsOfThePlanForEveryDemoRigVenueAndBypass) {
  const std::string folder = RACKPROOF_SOURCE_DIR "/audio_fixtures/";
  std::size_t stages = 0;
  for (const char* file : {"two-way-top.toml", "three-way-mono-sub.toml", "unmeasured-top.toml", "town-square.toml",
                           "lantern-room-96k.toml", ""}) {
    const rig::Rig rig =
        *file == '\0' ? rig::parse_rig(kEveryKind, "every.toml") : rig::load_rig(folder + std::string(file));
    std::vector<std::optional<rig::Venue>> venues{std::nullopt};
    if (rig.feeds.size() == 2) {
      venues.emplace_back(rig::load_venue(folder + "harbour-hall.venue.toml", rig));
      venues.emplace_back(rig::parse_venue(kUnlikeFeeds, "unlike.toml", rig));
    }
    if (!rig.loudspeakers.empty())
      venues.emplace_back(rig::parse_venue(std::string(kUnlikeFeeds) + kOneLoudspeaker, "one.toml", rig));
    const double rate_hz = rig.controller.sample_rate_hz;
    for (const std::optional<rig::Venue>& venue : venues) {
      const rig::Venue* const tonight = venue ? &*venue : nullptr;
      for (const Bypass bypass : {Bypass::none, Bypass::all, Bypass::venue, Bypass::system, Bypass::limits}) {
        const CompiledRig made = compile(rig, tonight, bypass);
        for (const OutputPlan& plan : made.outputs) {
          const std::vector<Stage> all = stages_of(rig, tonight, plan, bypass);
          ASSERT_EQ(all.size(), plan.sections.size()) << file << plan.name;
          stages += all.size();
          for (std::size_t i = 0; i < all.size(); ++i) {
            EXPECT_EQ(all[i].biquad.b0, plan.sections[i].b0);
            EXPECT_EQ(all[i].biquad.b1, plan.sections[i].b1);
            EXPECT_EQ(all[i].biquad.b2, plan.sections[i].b2);
            EXPECT_EQ(all[i].biquad.a1, plan.sections[i].a1);
            EXPECT_EQ(all[i].biquad.a2, plan.sections[i].a2);
            EXPECT_LT(furthest_apart(plan.sections[i], by_the_note(all[i], rate_hz), rate_hz), kRounding)
                << all[i].key << " " << all[i].type << " " << all[i].at_hz;
          }
          for (const FeedPath& path : plan.feed_paths) {
            const std::vector<Stage> own = stages_of(rig, tonight, path, bypass);
            ASSERT_EQ(own.size(), path.sections.size());
            for (const Stage& stage : own) EXPECT_TRUE(stage.key.starts_with("venue.feed." + path.feed + ".eq["));
          }
        }
      }
    }
  }
  EXPECT_GT(stages, 500u);
}

TEST(Stages, SayWhatEachSectionIsAndWhereItStands) {
  struct Said {
    const char *type, *key;
    double at_hz, gain_db, q;  ///< q 0: first order
  };
  const auto expect = [](const std::vector<Stage>& stages, const std::vector<Said>& said) {
    ASSERT_EQ(stages.size(), said.size());
    for (std::size_t i = 0; i < said.size(); ++i) {
      EXPECT_EQ(stages[i].type, said[i].type) << i;
      EXPECT_EQ(stages[i].key, said[i].key) << i;
      EXPECT_NEAR(stages[i].at_hz, said[i].at_hz, 1e-6 * said[i].at_hz) << i;
      EXPECT_EQ(stages[i].gain_db, said[i].gain_db) << i;
      EXPECT_NEAR(stages[i].q.value_or(0), said[i].q, 1e-6) << i;
    }
  };
  const rig::Rig rig = rig::parse_rig(kEveryKind, "every.toml");
  const rig::Venue venue = rig::parse_venue(kUnlikeFeeds, "unlike.toml", rig);
  // Q of a Butterworth pair: 1 / (2 sin of its angle from the real axis). Of 0.7 octaves at 5 kHz and of a shelf slope
  // of 0.9 at -2 dB: worked from the note's formulas with another program.
  const std::vector<Said> system{{"peaking", "system.eq[1]", 1000, 6, 1},
                                 {"bandpass", "system.eq[3]", 5000, 0, 1.8954041466},
                                 {"lowshelf", "system.eq[4]", 160, -2, 0.6705979694},
                                 {"highshelf", "system.eq[5]", 8000, 4, 0.7},
                                 {"notch", "system.eq[6]", 6000, 0, 4},
                                 {"allpass", "system.eq[7]", 700, 0, 2}};
  std::vector<Said> high{{"peaking", "venue.eq[1]", 63, -4, 3},
                         {"highshelf", "venue.feed.left.eq[1]", 7000, -2, 0.6},
                         {"peaking", "venue.feed.left.eq[2]", 95, -1, 2}};
  high.insert(high.end(), system.begin(), system.end());
  const double root = std::numbers::sqrt2 / 2;
  const std::vector<Said> split{
      {"highpass", "crossover.points[1].high", 110, 0, 0.5}, {"highpass", "crossover.points[1].high", 110, 0, 1},
      {"highpass", "crossover.points[1].high", 110, 0, 1},   {"highpass", "crossover.points[2]", 500, 0, 0},
      {"highpass", "crossover.points[2]", 500, 0, 1},        {"highpass", "crossover.points[3]", 1600, 0, root},
      {"highpass", "crossover.points[3]", 1600, 0, root},    {"lowpass", "crossover.points[4]", 12000, 0, 0.5},
      {"highpass", "way.high.highpass", 1200, 0, 0},         {"peaking", "way.high.output.left.eq[1]", 3000, -1, 1.5}};
  high.insert(high.end(), split.begin(), split.end());
  expect(stages_at(rig, &venue, "high.left"), high);

  // What a low way passes for the points above it: (1 - s) / (1 + s) of an odd Butterworth, whose ways have one polarity;
  // a section of Q 0.7071 of a Linkwitz-Riley of 24 dB/oct; (1 - s) / (1 + s) of one of 12 dB/oct with one way inverted.
  std::vector<Said> low(system);
  low.insert(low.end(), split.begin(), split.begin() + 3);
  low.insert(low.end(), {{"lowpass", "crossover.points[2]", 500, 0, 0},
                         {"lowpass", "crossover.points[2]", 500, 0, 1},
                         {"allpass", "crossover.points[3]", 1600, 0, root},
                         {"allpass", "crossover.points[4]", 12000, 0, 0}});
  expect(stages_at(rig, nullptr, "low.left"), low);
}

// The venue's layer of one loudspeaker ahead of its own system, under keys that begin with its name.
TEST(Stages, OfOneOfSeveralLoudspeakersHaveItsKeys) {
  const std::string file = RACKPROOF_SOURCE_DIR "/audio_fixtures/town-square.toml";
  const rig::Rig rig = rig::load_rig(file);
  const rig::Venue venue = rig::parse_venue("format = 1\n" + std::string(kOneLoudspeaker), "one.toml", rig);
  std::vector<std::string> keys;
  for (const Stage& stage : stages_at(rig, &venue, "fill.box")) keys.push_back(stage.key);
  ASSERT_GE(keys.size(), 3u);
  EXPECT_EQ(keys[0], "venue.loudspeaker.fill.eq[1]");
  EXPECT_EQ(keys[1], "loudspeaker.fill.system.eq[1]");
  EXPECT_EQ(keys.back(), "loudspeaker.fill.way.box.highpass");
}

// Bessel of order 4 and 5 at -3.0103 dB: frequency factors and Q of the reference set in tests/published (1.4302, 1.6034
// and Q 0.5219, 0.8055; 1.5023, 1.5563, 1.7554 and Q 0.5635, 0.9165), warped as its bilinear transform is.
TEST(Stages, OfABesselFilterHaveFrequenciesOfTheirOwn) {
  const rig::Rig rig = rig::parse_rig(kEveryKind, "every.toml");
  std::vector<Stage> bessel;
  for (const Stage& stage : stages_at(rig, nullptr, "sub"))
    if (stage.key == "way.sub.highpass" || stage.key == "crossover.points[1].low") bessel.push_back(stage);
  ASSERT_EQ(bessel.size(), 5u);
  EXPECT_FALSE(bessel[0].q);
  EXPECT_NEAR(bessel[0].at_hz, 90 * 1.5023, 0.01);
  EXPECT_NEAR(bessel[1].at_hz, 90 * 1.5563, 0.01);
  EXPECT_NEAR(*bessel[1].q, 0.5635, 5e-5);
  EXPECT_NEAR(bessel[2].at_hz, 90 * 1.7554, 0.01);
  EXPECT_NEAR(*bessel[2].q, 0.9165, 5e-5);
  EXPECT_NEAR(bessel[3].at_hz, 31 / 1.4302, 0.01);
  EXPECT_NEAR(*bessel[3].q, 0.5219, 5e-5);
  EXPECT_NEAR(bessel[4].at_hz, 31 / 1.6034, 0.01);
  EXPECT_NEAR(*bessel[4].q, 0.8055, 5e-5);
}

// Worked by hand from the note: w0 = 2 pi / 48, alpha = sin(w0) / 2, A = 10^(6 / 40); and w0 = 2 pi / 30, Q = 0.7071.
TEST(Stages, HaveTheNotesNumbers) {
  const rig::Rig rig = rig::parse_rig(kEveryKind, "every.toml");
  const auto expect = [](const dsp::Biquad& b, const std::vector<double>& worked) {
    EXPECT_NEAR(b.b0, worked[0], 1e-6);
    EXPECT_NEAR(b.b1, worked[1], 1e-6);
    EXPECT_NEAR(b.b2, worked[2], 1e-6);
    EXPECT_NEAR(b.a1, worked[3], 1e-6);
    EXPECT_NEAR(b.a2, worked[4], 1e-6);
  };
  const std::vector<Stage> mid = stages_at(rig, nullptr, "mid.left");
  expect(mid[0].biquad, {1.0439530870, -1.8953207239, 0.8677222848, -1.8953207239, 0.9116753718});
  std::size_t seen = 0;
  for (const Stage& stage : mid)
    if (stage.type == "lowpass" && ++seen > 0)
      expect(stage.biquad, {0.0095257624, 0.0190515248, 0.0095257624, -1.7055521455, 0.7436551950});
  EXPECT_EQ(seen, 2u);
}

TEST(Stages, HaveKeysThatLeadToTheTableThatSaysIt) {
  const rig::Rig rig = rig::parse_rig(kEveryKind, "every.toml");
  const rig::Venue venue = rig::parse_venue(kUnlikeFeeds, "unlike.toml", rig);
  const rig::Node rig_root = rig::parse_document(kEveryKind, "every.toml");
  const rig::Node venue_root = rig::parse_document(kUnlikeFeeds, "unlike.toml");
  const CompiledRig made = compile(rig, &venue);
  std::set<std::string> keys;
  for (const OutputPlan& plan : made.outputs) {
    for (const Stage& stage : stages_of(rig, &venue, plan)) {
      const rig::Node* table = table_at(stage.key.starts_with("venue.") ? venue_root : rig_root, stage.key);
      ASSERT_NE(table, nullptr) << stage.key;
      keys.insert(stage.key);
      const double at_hz = rig::read_value(table->find("at")->value.text, rig::Quantity::frequency);
      const rig::Entry* const alignment = table->find("alignment");
      if (alignment == nullptr) EXPECT_EQ(table->find("type")->value.text, stage.type) << stage.key;
      if (alignment == nullptr || alignment->value.text != "bessel")
        EXPECT_NEAR(stage.at_hz, at_hz, 1e-6 * at_hz) << stage.key;
    }
  }
  EXPECT_EQ(keys.size(), 6u + 3u + 5u + 4u + 1u) << "system, venue, sides of points, own of a way, own of an output";
}

TEST(Stages, AWordThatIsOffIsSeen) {  // the control of the tolerance above
  const rig::Rig rig = rig::parse_rig(kEveryKind, "every.toml");
  for (const Stage& right : stages_at(rig, nullptr, "mid.left")) {
    Stage wrong = right;
    wrong.at_hz *= 1.0001;
    EXPECT_GT(furthest_apart(right.biquad, by_the_note(wrong, kStagesRate_hz), kStagesRate_hz), kSeen) << right.key;
  }
}

TEST(Stages, OfAnotherRigAreRefused) {
  const rig::Rig rig = rig::parse_rig(kEveryKind, "every.toml");
  const rig::Venue venue = rig::parse_venue(kUnlikeFeeds, "unlike.toml", rig);
  const CompiledRig made = compile(rig);
  rig::Rig moved = rig;
  moved.points[2].low.at_hz = 1601;
  for (const OutputPlan& plan : made.outputs) {
    EXPECT_NO_THROW(stages_of(rig, nullptr, plan));
    EXPECT_THROW(stages_of(rig, &venue, plan), std::logic_error) << plan.name;
    EXPECT_THROW(stages_of(rig, nullptr, plan, Bypass::system), std::logic_error) << plan.name;
    if (plan.way == "mid") EXPECT_THROW(stages_of(moved, nullptr, plan), std::logic_error);
  }
}

}  // namespace
}  // namespace rackproof
