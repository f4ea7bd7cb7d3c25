// Must hold: bad-samples, block-size and bypass see a single wrong bit, and a sound rig has none.
#include <gmock/gmock.h>

#include <cmath>

#include "proof_rig.hpp"

namespace rackproof::proof::test {
namespace {

using testing::HasSubstr;

/// A device whose feeds are changed on their way in.
class Fed final : public Device {
 public:
  Fed(std::unique_ptr<Device> inner, std::function<float(float)> change)
      : inner_(std::move(inner)), change_(std::move(change)) {}
  void reset() override { inner_->reset(); }
  void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) override {
    std::vector<std::vector<float>> rows;
    std::vector<const float*> at;
    for (const float* feed : feeds) {
      rows.emplace_back(feed, feed + frames);
      for (float& x : rows.back()) x = change_(x);
    }
    for (const auto& row : rows) at.push_back(row.data());
    inner_->process(at, outputs, frames);
  }
  dsp::Meter take_meter(std::size_t output) override { return inner_->take_meter(output); }

 private:
  std::unique_ptr<Device> inner_;
  std::function<float(float)> change_;
};
DeviceMaker fed_through(std::function<float(float)> change) {
  return [change = std::move(change)](const dsp::ChainSettings& s) {
    return std::make_unique<Fed>(make_chain(s), change);
  };
}

TEST(BadSamples, EndAtTheDoorAndADoorThatMistakesOneFalls) {
  EXPECT_EQ(fallen_ids(check_bad_samples(Prepared(kRig).subject)), "");
  const auto nan_as_something = fed_through([](float x) { return std::isnan(x) ? 1e-3f : x; });
  const auto infinity_as_the_bound = fed_through([](float x) { return std::isinf(x) ? std::copysign(60.0f, x) : x; });
  const auto bounded_lower = fed_through([](float x) { return std::isfinite(x) ? std::clamp(x, -50.0f, 50.0f) : x; });
  for (const DeviceMaker& make : {nan_as_something, infinity_as_the_bound})
    EXPECT_EQ(fallen_ids(check_bad_samples(Prepared(kRig, make).subject)), "bad-samples");
  // Bounded elsewhere, but bounded alike: nothing that harms, and no difference to be seen.
  EXPECT_EQ(fallen_ids(check_bad_samples(Prepared(kRig, bounded_lower).subject)), "");
}
TEST(BadSamples, ANumberThatIsNoneAtTheOutputFalls) {
  const Prepared prepared(kRig, spoiling([]() -> Spoil {
                            return [n = std::size_t{0}](std::span<float* const> rows, std::size_t frames) mutable {
                              if (n <= 9000 && n + frames > 9000) rows[1][9000 - n] = NAN;
                              n += frames;
                            };
                          }));
  EXPECT_EQ(fallen_ids(check_bad_samples(prepared.subject)), "bad-samples");
}
TEST(BlockSize, ADecisionOnTheHostsBlockFalls) {
  EXPECT_EQ(fallen_ids(check_block_size(Prepared(kRig).subject)), "");
  // The last sample of each call of more than 63 frames, one unit in the last place up.
  const Prepared prepared(kRig, spoiling([]() -> Spoil {
                            return [](std::span<float* const> rows, std::size_t frames) {
                              if (frames > 63) rows[0][frames - 1] = std::nextafter(rows[0][frames - 1], 2.0f);
                            };
                          }));
  const auto fell = fallen(check_block_size(prepared.subject), "block-size");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_THAT(fell[0].text, HasSubstr("in blocks of 64"));
}
TEST(Bypass, LeavesWhatItShouldForEveryLayer) {
  const rig::Rig rig = rig::parse_rig(kRig, "test.toml");
  EXPECT_EQ(fallen_ids(check_bypass(Prepared(rig).subject)), "");
  const rig::Venue venue = rig::parse_venue(R"(format = 1
[venue]
gain = "-1 dB"
eq = [ { type = "peaking", at = "63 Hz", gain = "-4 dB", q = 3 } ]
[venue.feed.left]
gain = "-0.5 dB"
)",
                                            "hall.toml", rig);
  EXPECT_EQ(fallen_ids(check_bypass(Prepared(rig, venue).subject)), "");
}
TEST(Bypass, ASampleTooLateOrABitTooMuchFalls) {
  const auto a_sample_late = [](const dsp::ChainSettings& original) {
    std::vector<dsp::OutputSettings> outputs(original.outputs.begin(), original.outputs.end());
    const bool bare = outputs[0].sections.empty() && original.loudspeakers[0].points.empty();
    if (bare) outputs[2].delay.whole_samples += 1;
    dsp::ChainSettings settings = original;
    settings.outputs = outputs;
    return make_chain(settings);
  };
  const auto fell = fallen(check_bypass(Prepared(kRig, a_sample_late).subject), "bypass");
  ASSERT_EQ(fell.size(), 1u);
  EXPECT_THAT(fell[0].text, HasSubstr("(all)"));
  EXPECT_THAT(fell[0].text, testing::Not(HasSubstr("limits")));
}
TEST(Bypass, LimitsThatStayInFall) {
  Prepared prepared(kRig);
  const CompiledRig still_limited = compile(prepared.rig);
  const Subject subject{.rig = prepared.rig,
                        .venue = nullptr,
                        .compiled = prepared.compiled,
                        .unlimited = still_limited,
                        .make = make_chain,
                        .programmes = {}};
  EXPECT_THAT(fallen(check_bypass(subject), "bypass").at(0).text, HasSubstr("limits"));
}

}  // namespace
}  // namespace rackproof::proof::test
