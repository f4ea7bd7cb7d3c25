// Must hold: the two claims at the top of compile.hpp, and that the plan is what the core then does: an impulse through
// the chain has the response of sections x gain x polarity x delay.
#include "harness/calibration/compile.hpp"

#include <gmock/gmock.h>

#include <complex>
#include <functional>
#include <random>

#include "a_rig.hpp"
#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/chain/chain.hpp"
#include "harness/calibration/filters.hpp"
#include "harness/calibration/levels.hpp"

namespace rackproof {
namespace {

using Complex = std::complex<double>;
using rig::Alignment;
using rig::EqType;
using testing::ElementsAre;
using testing::HasSubstr;

constexpr std::uint32_t kDetector = dsp::TruePeakDetector<1>::kLatency;
constexpr std::uint32_t kStep = dsp::PeakLimiter<1>::kStepFrames - 1;  // what a limiter adds to its look-ahead
constexpr double kRate = 48000;

Complex response_of(const std::vector<dsp::Biquad>& sections, double at_hz) {
  const Complex z = std::polar(1.0, -2 * std::numbers::pi * at_hz / kRate);
  Complex h = 1;
  for (const dsp::Biquad& s : sections) h *= (s.b0 + z * (s.b1 + z * s.b2)) / (1.0 + z * (s.a1 + z * s.a2));
  return h;
}
/// sections x gain x polarity x delay.
Complex path_of(const OutputPlan& plan, double at_hz) {
  const Complex delay = std::polar(1.0, -2 * std::numbers::pi * at_hz / kRate * plan.delay_samples);
  return response_of(plan.sections, at_hz) * analysis::ratio_from_db(plan.gain_db) * double(plan.polarity) * delay;
}
/// What the core is told to add to every delay: must be the latency, for every output.
double lateness(const CompiledRig& made, std::size_t output) {
  const dsp::OutputSettings& o = made.settings().outputs[output];
  double late = o.delay.whole_samples + (o.delay.fractional ? dsp::kFractionLatency : 0);
  const bool limits = o.peak.enabled || o.power.enabled || o.peak.look_ahead_samples > 0 || o.peak.true_peak;
  late += o.peak.look_ahead_samples + (o.peak.true_peak ? kDetector : 0) + (limits ? kStep : 0);
  return late - std::floor(made.outputs[output].delay_samples);
}

/// Every output's signal for one sample of `level` in feed `feed`, silence in the others.
std::vector<std::vector<float>> impulse(const CompiledRig& made, std::size_t feed, float level, std::size_t frames) {
  std::vector<std::byte> memory(dsp::Chain::required_bytes(made.settings()));
  dsp::Chain chain;
  EXPECT_EQ(chain.configure(made.settings(), memory), dsp::Setup::ok);
  std::vector<std::vector<float>> in(made.settings().feeds.size(), std::vector<float>(frames));
  std::vector<std::vector<float>> out(made.settings().outputs.size(), std::vector<float>(frames));
  in[feed][0] = level;
  std::vector<const float*> from;
  std::vector<float*> to;
  for (auto& x : in) from.push_back(x.data());
  for (auto& x : out) to.push_back(x.data());
  chain.process(from, to, frames);
  return out;
}
Complex spectrum(const std::vector<float>& x, double at_hz) {
  Complex sum = 0;
  for (std::size_t n = 0; n < x.size(); ++n) {
    sum += double{x[n]} * std::polar(1.0, -2 * std::numbers::pi * at_hz / kRate * double(n));
  }
  return sum;
}

/// Sub in mono, mid and high: points at 100 Hz and 1.6 kHz.
rig::Rig three_way() {
  rig::Rig rig = a_rig();
  rig.points.insert(rig.points.begin(), a_point(100));
  rig.ways.insert(rig.ways.begin(), a_way("sub", "lows", "cone"));
  rig.ways[0].sum_of_feeds = true;
  rig.ways[0].highpass = a_filter(30, Alignment::butterworth);
  rig.ways[1].highpass.reset();
  return rig;
}

TEST(Compile, OutputsGoFromLowToHighAFeedAtATime) {
  const CompiledRig made = compile(three_way());
  std::vector<std::string> names, feeds;
  for (const OutputPlan& plan : made.outputs) {
    names.push_back(plan.name);
    feeds.push_back(plan.feed);
  }
  EXPECT_THAT(names, ElementsAre("sub", "low.left", "low.right", "high.left", "high.right"));
  EXPECT_THAT(feeds, ElementsAre("sum", "left", "right", "left", "right"));
  const auto outputs = made.settings().outputs;
  ASSERT_EQ(outputs.size(), 5u);
  const int ways[] = {0, 1, 1, 2, 2}, sources[] = {dsp::kMeanOfFeeds, 0, 1, 0, 1};
  for (std::size_t o = 0; o < 5; ++o) {
    EXPECT_EQ(outputs[o].way, ways[o]);
    EXPECT_EQ(made.settings().loudspeakers[outputs[o].loudspeaker].source, sources[o]);
  }
  // Sections by hand. sub: low-pass 2, all-pass 1, high-pass 2; low: 2 + 2; high: 2 + 2.
  EXPECT_EQ(made.outputs[0].sections.size(), 5u);
  EXPECT_EQ(made.outputs[1].sections.size(), 4u);
  EXPECT_EQ(made.outputs[3].sections.size(), 4u);
}

// ---- the split: the ways add up exactly, or it is said that they do not

struct Sides {
  Alignment alignment;
  int slope;
};
class EveryAlignment : public testing::TestWithParam<Sides> {};
INSTANTIATE_TEST_SUITE_P(, EveryAlignment,
                         testing::Values(Sides{Alignment::linkwitz_riley, 12}, Sides{Alignment::linkwitz_riley, 24},
                                         Sides{Alignment::linkwitz_riley, 36}, Sides{Alignment::linkwitz_riley, 48},
                                         Sides{Alignment::butterworth, 6}, Sides{Alignment::butterworth, 12},
                                         Sides{Alignment::butterworth, 18}, Sides{Alignment::butterworth, 24},
                                         Sides{Alignment::butterworth, 30}, Sides{Alignment::butterworth, 48},
                                         Sides{Alignment::bessel, 12}, Sides{Alignment::bessel, 24}));

// The electrical sum of all ways, polarities in, is flat to 1e-3 dB (single-precision coefficients) exactly where each
// point adds to an all-pass; and the all-pass is put into the ways below, with gain +1 at 0 Hz, exactly there.
TEST_P(EveryAlignment, WaysAddUpOrTheWarningSaysSo) {
  for (const bool upper_inverted : {false, true}) {
    rig::Rig rig = three_way();
    rig.ways[0].highpass.reset();
    rig.points[1] = a_point(1600, GetParam().alignment, GetParam().slope);
    rig.ways[2].inverted = upper_inverted;
    const CompiledRig made = compile(rig);
    double worst_db = 0, point_db = 0;
    for (double f = 20; f < 20000; f *= 1.05) {
      const Complex low = path_of(made.outputs[0], f), mid = path_of(made.outputs[1], f),
                    high = path_of(made.outputs[3], f);
      worst_db = std::max(worst_db, std::abs(analysis::db_from_ratio(std::abs(low + mid + high))));
      const dsp::SectionList l = sections_of(rig.points[1].low, dsp::Pass::low, kRate);
      const dsp::SectionList h = sections_of(rig.points[1].high, dsp::Pass::high, kRate);
      std::vector<dsp::Biquad> lows, highs;
      for (const auto& s : l.view()) lows.push_back(dsp::biquad_of(s));
      for (const auto& s : h.view()) highs.push_back(dsp::biquad_of(s));
      const Complex sum = response_of(lows, f) + (upper_inverted ? -1.0 : 1.0) * response_of(highs, f);
      point_db = std::max(point_db, std::abs(analysis::db_from_ratio(std::abs(sum) + 1e-9)));
    }
    const bool all_pass = point_db < 1e-3;
    const bool warned = std::any_of(made.warnings.begin(), made.warnings.end(),
                                    [](const Warning& w) { return w.code == "not-phase-matched"; });
    EXPECT_EQ(warned, !all_pass) << "inverted " << upper_inverted;
    EXPECT_EQ(worst_db < 1e-3, all_pass) << worst_db << " dB, inverted " << upper_inverted;
    const auto inserted = made.settings().loudspeakers[0].points[1].all_pass;
    if (!all_pass) EXPECT_TRUE(inserted.empty());
    if (all_pass) {
      std::vector<dsp::Biquad> pass;
      for (const auto& s : inserted) pass.push_back(dsp::biquad_of(s));
      EXPECT_GT(response_of(pass, 1).real(), 0.99);  // a polarity is never put in silently
    }
    EXPECT_TRUE(made.settings().loudspeakers[0].points[0].all_pass.empty());  // there is no way below the lowest point
  }
}

TEST(Split, TwoInvertedWaysAreInPhaseWithEachOther) {
  // LR 12 at both points wants the mid against both neighbours.
  rig::Rig rig = three_way();
  rig.ways[0].highpass.reset();
  rig.points = {a_point(100, Alignment::linkwitz_riley, 12), a_point(1600, Alignment::linkwitz_riley, 12)};
  rig.ways[1].inverted = true;
  const CompiledRig made = compile(rig);
  for (double f = 20; f < 20000; f *= 1.1) {
    const Complex sum = path_of(made.outputs[0], f) + path_of(made.outputs[1], f) + path_of(made.outputs[3], f);
    EXPECT_NEAR(analysis::db_from_ratio(std::abs(sum)), 0, 1e-3) << f;
  }
}

// Linkwitz-Riley of 24 dB/oct at 250 and 2500 Hz dips to -0.086 dB at 250 Hz without the all-pass (48 kHz; computed
// with mpmath from the published identity of the all-pass sum).
TEST(Split, WithoutPhaseMatchingTheSumErrs) {
  rig::Rig rig = three_way();
  rig.ways[0].highpass.reset();
  rig.points = {a_point(250), a_point(2500)};
  const auto sum_db = [&](double f) {
    const CompiledRig made = compile(rig);
    return analysis::db_from_ratio(
        std::abs(path_of(made.outputs[0], f) + path_of(made.outputs[1], f) + path_of(made.outputs[3], f)));
  };
  EXPECT_NEAR(sum_db(250), 0, 1e-3);
  rig.phase_matched = false;
  EXPECT_NEAR(sum_db(250), -0.086, 1e-3);
  for (const Warning& w : compile(rig).warnings) EXPECT_NE(w.code, "not-phase-matched");  // it was asked for
}

TEST(Split, SidesApartAreNotAnAllPass) {
  rig::Rig rig = three_way();
  rig.points[1].low.at_hz = 1500;
  const CompiledRig made = compile(rig);
  EXPECT_TRUE(made.settings().loudspeakers[0].points[1].all_pass.empty());
  EXPECT_THAT(made.warnings, ElementsAre(testing::Field(&Warning::code, "not-phase-matched")));
}

// ---- feeds, venue

TEST(Feeds, GainsAddUpInDecibelsAndSectionsInTheirOrder) {
  rig::Rig rig = a_rig();
  rig.system_gain_db = -4;
  rig.system_eq = {a_band(EqType::peaking, 240, -3.5), a_band(EqType::peaking, 500, 0)};  // 0 dB: left out
  rig.ways[1].gain_db = -2;
  rig.ways[1].eq = {a_band(EqType::highshelf, 8000, 3)};
  rig.ways[1].inverted = true;
  rig::Venue venue;
  venue.all = {-1, {a_band(EqType::notch, 63, 0, 8)}};
  venue.feed["left"] = {-0.5, {a_band(EqType::lowshelf, 160, -2)}};
  const CompiledRig made = compile(rig, &venue);
  EXPECT_FLOAT_EQ(made.settings().feeds[0].gain, std::pow(10.0f, -5.5f / 20));
  EXPECT_FLOAT_EQ(made.settings().feeds[1].gain, std::pow(10.0f, -5.0f / 20));
  EXPECT_THAT(std::vector(made.settings().feeds[0].sections.begin(), made.settings().feeds[0].sections.end()),
              ElementsAre(section_of(venue.all.eq[0], kRate), section_of(venue.feed["left"].eq[0], kRate),
                          section_of(rig.system_eq[0], kRate)));
  EXPECT_EQ(made.settings().feeds[1].sections.size(), 2u);
  const OutputPlan& high_left = made.outputs[2];
  EXPECT_EQ(high_left.name, "high.left");
  EXPECT_NEAR(high_left.gain_db, -7.5, 1e-12);
  EXPECT_NEAR(made.outputs[3].gain_db, -7, 1e-12);
  EXPECT_EQ(high_left.polarity, -1);
  EXPECT_FLOAT_EQ(made.settings().outputs[2].gain, -std::pow(10.0f, -2.0f / 20));
  EXPECT_EQ(high_left.sections.size(), 3u + 2u + 1u);
}

TEST(Feeds, AMeanOfUnlikeFeedsListsWhatTheyShareAndWhatNot) {
  rig::Rig rig = three_way();
  rig.system_gain_db = -4;
  rig::Venue venue;
  venue.all.gain_db = -1;
  EXPECT_TRUE(compile(rig, &venue).outputs[0].feed_paths.empty());
  venue.feed["right"] = {-3, {a_band(EqType::peaking, 80, -6)}};
  const CompiledRig made = compile(rig, &venue);
  const OutputPlan& sub = made.outputs[0];
  EXPECT_NEAR(sub.gain_db, -5, 1e-12);
  EXPECT_EQ(sub.sections.size(), 5u);
  ASSERT_EQ(sub.feed_paths.size(), 2u);
  EXPECT_EQ(sub.feed_paths[0].feed, "left");
  EXPECT_EQ(sub.feed_paths[0].gain_db, 0);
  EXPECT_TRUE(sub.feed_paths[0].sections.empty());
  EXPECT_EQ(sub.feed_paths[1].gain_db, -3);
  EXPECT_EQ(sub.feed_paths[1].sections.size(), 1u);
  EXPECT_TRUE(made.outputs[1].feed_paths.empty());
}

// ---- the core does what the plan says

TEST(Compile, TheChainHasTheResponseOfThePlan) {
  rig::Rig rig = three_way();
  rig.system_eq = {a_band(EqType::peaking, 240, -3.5, 1.4)};
  rig.system_gain_db = -2;
  rig.ways[0].gain_db = 3;
  rig.ways[0].delay_s = 0.4e-3;  // 19.2 samples
  rig.ways[0].eq = {a_band(EqType::peaking, 60, -2)};
  rig.ways[1].delay_s = 1.3 / kRate;  // shorter than the taps' own seven samples
  rig.ways[2].inverted = true;
  rig.ways[2].limit->look_ahead_s = 1e-3;
  rig::Venue venue;
  venue.all = {-1, {a_band(EqType::peaking, 400, 2)}};
  venue.feed["right"] = {1.5, {a_band(EqType::lowshelf, 160, -2)}};
  const CompiledRig made = compile(rig, &venue);
  for (std::size_t feed = 0; feed < 2; ++feed) {
    const float level = 1e-3f;  // far below every threshold
    const auto out = impulse(made, feed, level, 16384);
    for (std::size_t o = 0; o < made.outputs.size(); ++o) {
      const OutputPlan& plan = made.outputs[o];
      for (const double f : {40.0, 90.0, 300.0, 1500.0, 6000.0, 11000.0}) {
        Complex expected = path_of(plan, f) * std::polar(1.0, -2 * std::numbers::pi * f / kRate * made.latency_samples);
        if (plan.source == dsp::kMeanOfFeeds) {
          const FeedPath& own = plan.feed_paths.at(feed);
          expected *= response_of(own.sections, f) * analysis::ratio_from_db(own.gain_db) / 2.0;
        } else if (plan.source != static_cast<int>(feed)) {
          expected = 0;
        }
        // Single precision: 1e-4 of full level, and the taps' ripple (0.001 dB below a quarter of the rate).
        EXPECT_LT(std::abs(spectrum(out[o], f) / double{level} - expected), 1e-4 + 3e-4 * std::abs(expected))
            << plan.name << " at " << f << " Hz";
      }
    }
  }
}

TEST(Compile, ARigThatMovesKeepsItsNumbers) {
  CompiledRig first = compile(three_way());
  const dsp::Section one = first.settings().loudspeakers[0].points[0].low_pass[0];
  std::vector<CompiledRig> elsewhere;
  elsewhere.push_back(std::move(first));
  elsewhere.push_back(compile(a_rig()));  // makes the first move again
  EXPECT_EQ(elsewhere[0].settings().loudspeakers[0].points[0].low_pass[0], one);
  EXPECT_EQ(elsewhere[0].settings().outputs.size(), 5u);
  static_assert(!std::is_copy_constructible_v<CompiledRig>);
}

// ---- latency

void without_limiters(rig::Rig& rig) {
  for (rig::Way& way : rig.ways) {
    way.limit.reset();
    way.thermal.reset();
  }
}
TEST(Latency, IsTheLongestLookAheadWithItsStepAndItsDetector) {
  rig::Rig rig = a_rig();
  rig.ways[0].limit->look_ahead_s = 2e-3;  // 96 samples
  rig.ways[1].limit->look_ahead_s = 1e-3;
  rig.ways[1].limit->true_peak = false;  // 48
  const CompiledRig made = compile(rig);
  EXPECT_EQ(made.latency_samples, 96 + kStep + kDetector);
  EXPECT_EQ(made.settings().latency_samples, made.latency_samples);
  EXPECT_EQ(made.settings().outputs[0].delay.whole_samples, 0u);
  EXPECT_EQ(made.settings().outputs[2].delay.whole_samples, 48 + kDetector);
  for (rig::Way& way : rig.ways) way.limit.reset();
  rig.ways[1].thermal = rig::Thermal{};
  EXPECT_EQ(compile(rig).latency_samples, kStep) << "a power limiter works through a peak limiter";
  EXPECT_EQ(compile(rig, nullptr, Bypass::limits).latency_samples, kStep);
  without_limiters(rig);
  EXPECT_EQ(compile(rig).latency_samples, 0u) << "nothing limits, nothing is later";
}

TEST(Latency, AFractionTakesItsSevenSamplesFromTheDelayThenFromSlackThenFromAll) {
  rig::Rig rig = a_rig();
  const auto delay_by = [&](double samples) {
    rig.ways[1].delay_s = samples / kRate;
    return compile(rig);
  };
  without_limiters(rig);
  CompiledRig made = delay_by(100.25);  // 93 in the line, 7.25 in the taps
  EXPECT_EQ(made.latency_samples, 0u);
  EXPECT_EQ(made.settings().outputs[2].delay.whole_samples, 93u);
  EXPECT_TRUE(made.settings().outputs[2].delay.fractional);
  EXPECT_NEAR(made.outputs[2].delay_samples, 100.25, 1e-9);
  made = delay_by(7.5);
  EXPECT_EQ(made.latency_samples, 0u);
  made = delay_by(2.5);  // 5 are missing
  EXPECT_EQ(made.latency_samples, 5u);
  EXPECT_EQ(made.settings().outputs[2].delay.whole_samples, 0u);
  EXPECT_EQ(made.settings().outputs[0].delay.whole_samples, 5u);
  rig.ways[0].limit = rig::Limit{};
  rig.ways[0].limit->look_ahead_s = 1 / kRate;
  rig.ways[0].limit->true_peak = false;  // 4 of slack: 1 is missing
  EXPECT_EQ(delay_by(2.5).latency_samples, 5u);
  rig.ways[0].limit->look_ahead_s = 96 / kRate;  // slack enough
  made = delay_by(2.5);
  EXPECT_EQ(made.latency_samples, 96u + kStep);
  EXPECT_EQ(made.settings().outputs[2].delay.whole_samples, 96u + kStep - 5u);
}

TEST(Latency, ANearlyWholeDelayIsWhole) {
  rig::Rig rig = a_rig();
  for (const auto& [samples, fractional] : {std::pair{48 + 4e-7, false},
                                            {48 - 4e-7, false},
                                            {48 + 4e-6, true},
                                            {48 - 4e-6, true},
                                            {1e-7, false},
                                            {0.0, false}}) {
    rig.ways[0].delay_s = samples / kRate;
    const CompiledRig made = compile(rig);
    EXPECT_EQ(made.settings().outputs[0].delay.fractional, fractional) << samples;
    if (!fractional) EXPECT_EQ(made.outputs[0].delay_samples, std::round(samples));
  }
}

TEST(Latency, IsOneNumberAndTheLeastForEveryRigAndBypass) {
  std::mt19937 random(3);
  for (int round = 0; round < 300; ++round) {
    rig::Rig rig = three_way();
    for (rig::Way& way : rig.ways) {
      way.delay_s = double(random() % 4000) / 100 / kRate * double(random() % 3);
      if (random() % 3 == 0) way.limit.reset();
      if (random() % 3 == 0) way.thermal.reset();
      if (way.limit) {
        way.limit->look_ahead_s = double(random() % 200) / kRate;
        way.limit->true_peak = random() % 2 == 0;
      }
    }
    const CompiledRig made = compile(rig);
    bool tight = made.latency_samples == 0;
    for (std::size_t o = 0; o < made.outputs.size(); ++o) {
      EXPECT_EQ(lateness(made, o), made.latency_samples);
      tight = tight || made.settings().outputs[o].delay.whole_samples == 0 ||  // nothing left to take away
              (made.settings().outputs[o].delay.whole_samples == std::floor(made.outputs[o].delay_samples) &&
               !made.settings().outputs[o].delay.fractional);  // or it is this limiter's own
      const dsp::DelaySettings& delay = made.settings().outputs[o].delay;
      tight = tight || double(delay.whole_samples) + dsp::kFractionLatency == std::floor(made.outputs[o].delay_samples);
    }
    EXPECT_TRUE(tight);
    for (const Bypass bypass : {Bypass::all, Bypass::venue, Bypass::system, Bypass::limits}) {
      const CompiledRig passed = compile(rig, nullptr, bypass);
      EXPECT_EQ(passed.latency_samples, made.latency_samples);
      for (std::size_t o = 0; o < passed.outputs.size(); ++o) EXPECT_EQ(lateness(passed, o), made.latency_samples);
    }
  }
}

// ---- bypass

// What is told is what is wrong in the files, not what a bypass leaves out.
TEST(Bypass, WarningsAreThoseOfTheFiles) {
  rig::Rig rig = a_rig();
  rig.drivers[0].lowest_hz = 50;
  const auto codes = [&](Bypass bypass) {
    std::vector<std::string> found;
    for (const Warning& warning : compile(rig, nullptr, bypass).warnings) found.push_back(warning.code);
    return found;
  };
  for (const Bypass bypass : {Bypass::none, Bypass::all, Bypass::venue, Bypass::system, Bypass::limits})
    EXPECT_THAT(codes(bypass), testing::IsEmpty());
  rig.ways[0].highpass.reset();
  for (const Bypass bypass : {Bypass::none, Bypass::all, Bypass::system})
    EXPECT_THAT(codes(bypass), testing::Contains("below-lowest"));
}

TEST(Bypass, OfAllLeavesTheFeedLaterAndNothingElse) {
  rig::Rig rig = three_way();
  rig.system_gain_db = -4;
  rig.system_eq = {a_band(EqType::peaking, 240, -3)};
  rig.ways[0].delay_s = 1.234e-3;
  rig.ways[0].inverted = true;
  rig.ways[2].gain_db = -5;
  rig::Venue venue;
  venue.all.gain_db = -6;
  const CompiledRig made = compile(rig, &venue, Bypass::all);
  const auto out = impulse(made, 1, 0.8f, 1000);
  for (std::size_t o = 0; o < out.size(); ++o) {
    std::vector<float> expected(1000);
    const int source = made.outputs[o].source;
    expected[made.latency_samples] = source == dsp::kMeanOfFeeds ? 0.4f : source == 1 ? 0.8f : 0.0f;
    EXPECT_EQ(out[o], expected) << made.outputs[o].name;
    EXPECT_EQ(made.outputs[o].gain_db, 0);
    EXPECT_EQ(made.outputs[o].polarity, 1);
    EXPECT_EQ(made.outputs[o].delay_samples, 0);
    EXPECT_TRUE(made.outputs[o].sections.empty());
  }
}

TEST(Bypass, OfOneLayerLeavesTheOthers) {
  rig::Rig rig = a_rig();
  rig.system_gain_db = -4;
  rig.system_eq = {a_band(EqType::peaking, 240, -3)};
  rig::Venue venue;
  venue.all = {-1, {a_band(EqType::peaking, 63, -4)}};
  const auto feed = [&](Bypass bypass) {
    const CompiledRig made = compile(rig, &venue, bypass);
    return std::pair(made.settings().feeds[0].gain, made.settings().feeds[0].sections.size());
  };
  EXPECT_EQ(feed(Bypass::none), std::pair(float(analysis::ratio_from_db(-5)), std::size_t{2}));
  EXPECT_EQ(feed(Bypass::venue), std::pair(float(analysis::ratio_from_db(-4)), std::size_t{1}));
  EXPECT_EQ(feed(Bypass::system), std::pair(float(analysis::ratio_from_db(-1)), std::size_t{1}));
  EXPECT_EQ(feed(Bypass::limits), feed(Bypass::none));
  for (const Bypass bypass : {Bypass::none, Bypass::venue, Bypass::system, Bypass::limits}) {
    const CompiledRig made = compile(rig, &venue, bypass);
    for (const dsp::OutputSettings& o : made.settings().outputs) {
      EXPECT_EQ(o.peak.enabled, bypass != Bypass::limits);
      EXPECT_EQ(o.power.enabled, bypass != Bypass::limits);
    }
    EXPECT_EQ(made.settings().loudspeakers[0].points.size(), 1u);
  }
}

// ---- limiters' numbers, and what cannot be had

TEST(Limiters, TimesBecomeSharesAndSamples) {
  rig::Rig rig = a_rig();
  *rig.ways[0].limit = {2, 2e-3, 5e-3, 120e-3, false, {}};
  rig.drivers[0].thermal_time_s = 3;
  const CompiledRig made = compile(rig);
  const dsp::OutputSettings& low = made.settings().outputs[0];
  EXPECT_EQ(low.peak.look_ahead_samples, 96u);
  EXPECT_EQ(low.peak.hold_samples, 240u);
  EXPECT_FALSE(low.peak.true_peak);
  // exp(-1 / 5760) = 0.99982640...; 1 - exp(-64 / 144000) = 4.443457e-4
  EXPECT_NEAR(low.peak.release_keep, 0.9998264040, 1e-7);
  EXPECT_NEAR(low.power.forget, 4.443457e-4, 1e-10);
  rig.ways[0].limit->release_s = 0;
  EXPECT_EQ(compile(rig).settings().outputs[0].peak.release_keep, 0.0f);
}

TEST(Refused, WhatTheCoreCannotCarryNamesTheKey) {
  const auto refused = [](const std::function<void(rig::Rig&)>& bend, const char* key) {
    rig::Rig rig = a_rig();
    bend(rig);
    try {
      compile(rig);
      ADD_FAILURE() << key << " was taken";
    } catch (const InputError& error) {
      EXPECT_THAT(error.what(), testing::AllOf(HasSubstr("a.toml:7:3"), HasSubstr(key)));
    }
  };
  refused([](auto& r) { r.ways[0].delay_s = 100; }, "way.low.delay");
  refused([](auto& r) { r.ways[0].delay_s = -1e-3; }, "way.low.delay");
  refused([](auto& r) { r.ways[1].delay_s = NAN; }, "way.high.delay");
  refused([](auto& r) { r.ways[1].limit->look_ahead_s = 2; }, "way.high.limit.look_ahead");
  refused([](auto& r) { r.ways[1].limit->hold_s = 20; }, "way.high.limit.hold");
  refused([](auto& r) { r.ways[1].limit->release_s = 1e6; }, "way.high.limit.release");
  refused([](auto& r) { r.amplifiers[0].gain_db = 160; }, "way.low.limit");
  refused(
      [](auto& r) {
        r.ways[0].limit.reset();
        r.amplifiers[0].gain_db = 160;
      },
      "way.low.thermal");
  refused([](auto& r) { r.ways[0].gain_db = 60.1; }, "way.low");
  refused(
      [](auto& r) {
        r.system_gain_db = 60.1;
        r.feeds[0].source = a_source("feed.left");
      },
      "feed.left");
  refused([](auto& r) { r.ways[0].eq.assign(300, a_band(EqType::peaking, 100, -1)); }, "way.low");
  refused(
      [](auto& r) {
        r.ways[1].eq = {a_band(EqType::peaking, 30000, -1)};
        r.ways[1].eq[0].source = a_source("eq");
      },
      "eq");
  refused([](auto& r) { r.ways.resize(9, a_way("more", "lows", "cone")); }, "9 ways");
}

}  // namespace
}  // namespace rackproof
