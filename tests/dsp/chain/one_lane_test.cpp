// Must hold: what firmware takes for its memory is what the chain asks for when it runs, and known to the compiler; and
// no number of the settings can change without the fingerprint.
#include "dsp/chain/one_lane.hpp"

#include <gtest/gtest.h>

#include <array>
#include <set>
#include <vector>

#include "dsp/chain/chain.hpp"

namespace rackproof::dsp {
namespace {

struct Numbers {
  std::array<Section, 3> sections{{{1.5f, 0.5f, 0.25f, 0.1f, 0.2f, 0.3f}, {}, {}}};
  std::array<FeedSettings, 2> feeds{};
  std::array<PointSettings, 1> points{};
  std::array<float, 2> mix{0.5f, 0.25f};
  std::array<LoudspeakerSettings, 2> loudspeakers{};
  std::array<OutputSettings, 2> outputs{};
  std::uint32_t sample_rate_hz = 48000, latency_samples = 112;

  template <class Use>
  constexpr auto with_settings(Use use) const {
    std::array<FeedSettings, 2> feeds_here = feeds;
    std::array<PointSettings, 1> points_here = points;
    std::array<LoudspeakerSettings, 2> loudspeakers_here = loudspeakers;
    std::array<OutputSettings, 2> outputs_here = outputs;
    feeds_here[0].sections = std::span(sections).first(1);
    points_here[0].low_pass = points_here[0].high_pass = std::span(sections).first(2);
    loudspeakers_here[0].points = loudspeakers_here[1].points = points_here;
    if (loudspeakers_here[1].source == kMixOfFeeds) loudspeakers_here[1].mix = mix;
    outputs_here[1].sections = sections;
    return use(ChainSettings{sample_rate_hz, latency_samples, feeds_here, loudspeakers_here, outputs_here});
  }
  constexpr std::uint64_t print() const { return with_settings(Fingerprint::of); }
  constexpr std::size_t bytes() const { return with_settings(bytes_in_one_lane); }
};
constexpr Numbers example() {
  Numbers n;
  n.loudspeakers[0].source = kMeanOfFeeds;
  n.loudspeakers[1].source = kMixOfFeeds;
  n.outputs[0].delay.whole_samples = 77;
  n.outputs[0].peak = {true, 0.5f, 96, 480, 0.9f, true};
  n.outputs[1].way = 1;
  n.outputs[1].loudspeaker = 1;
  n.outputs[1].power = {true, 0.25f, 0.01f};
  n.outputs[1].delay.whole_samples = 105;
  n.outputs[1].delay.fractional = true;
  return n;
}

TEST(OneLane, ItsBytesAreAConstantAndWhatTheChainAsksFor) {
  constexpr Numbers kExample = example();
  constexpr std::size_t kBytes = kExample.bytes();
  EXPECT_GT(kBytes, 4 * (77 + 64 + 96 + 96 + 480));
  EXPECT_EQ(kBytes,
            kExample.with_settings([](const ChainSettings& s) { return Chain::required_bytes(s, Level::lanes_1); }));
  std::vector<std::byte> memory(kBytes);
  EXPECT_EQ(kExample.with_settings([&](const ChainSettings& s) {
    Chain chain;
    return chain.configure(s, memory, Level::lanes_1);
  }),
            Setup::ok);
  EXPECT_EQ(bytes_in_one_lane({}), 0u) << "settings out of range have no size";
}

TEST(OneLane, EveryNumberCountsInTheFingerprint) {
  constexpr std::uint64_t kPrint = example().print();
  EXPECT_EQ(example().print(), kPrint);
  std::set<std::uint64_t> prints{kPrint};
  const auto changed = [&](auto change) {
    Numbers n = example();
    change(n);
    EXPECT_TRUE(prints.insert(n.print()).second) << "change number " << prints.size();
  };
  changed([](Numbers& n) { n.sample_rate_hz = 44100; });
  changed([](Numbers& n) { n.latency_samples = 10; });
  changed([](Numbers& n) { n.feeds[0].gain = 2.0f; });
  changed([](Numbers& n) { n.feeds[1].gain = 2.0f; });
  for (float Section::*const member :
       {&Section::mix_v, &Section::mix_1, &Section::mix_2, &Section::rate, &Section::damp, &Section::cross})
    changed([member](Numbers& n) { n.sections[0].*member += 0x1p-20f; });
  changed([](Numbers& n) { n.sections[2].mix_1 = 0.0f; });  // it was -0
  changed([](Numbers& n) { n.outputs[0].way = 1; });
  changed([](Numbers& n) { n.outputs[0].loudspeaker = 1; });
  changed([](Numbers& n) { n.outputs[0].muted = true; });
  changed([](Numbers& n) { n.loudspeakers[0].source = 0; });
  changed([](Numbers& n) { n.loudspeakers[1].source = 0; });
  changed([](Numbers& n) { n.loudspeakers[1].gain = 2.0f; });
  changed([](Numbers& n) { n.mix[1] = 0.5f; });
  changed([](Numbers& n) { n.outputs[0].gain = -1.0f; });
  changed([](Numbers& n) { n.outputs[0].delay.whole_samples = 78; });
  changed([](Numbers& n) { n.outputs[0].delay.fractional = true; });
  for (std::size_t tap = 0; tap < kFractionTaps; ++tap)
    changed([tap](Numbers& n) { n.outputs[1].delay.taps[tap] = 0.5f; });
  changed([](Numbers& n) { n.outputs[0].power.enabled = true; });
  changed([](Numbers& n) { n.outputs[1].power.threshold_rms = 0.5f; });
  changed([](Numbers& n) { n.outputs[1].power.forget = 0.5f; });
  changed([](Numbers& n) { n.outputs[0].peak.enabled = false; });
  changed([](Numbers& n) { n.outputs[0].peak.ceiling = 0.75f; });
  changed([](Numbers& n) { n.outputs[0].peak.look_ahead_samples = 97; });
  changed([](Numbers& n) { n.outputs[0].peak.hold_samples = 481; });
  changed([](Numbers& n) { n.outputs[0].peak.release_keep = 0.5f; });
  changed([](Numbers& n) { n.outputs[0].peak.true_peak = false; });
}

}  // namespace
}  // namespace rackproof::dsp
