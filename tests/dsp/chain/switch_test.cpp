#include "dsp/chain/switch.hpp"

#include <gtest/gtest.h>

#include <atomic>
#include <bit>
#include <cmath>
#include <random>
#include <thread>

#include "tests/dsp/chain/test_rig.hpp"

namespace rackproof::dsp {
namespace {

using test::LentChain;
using test::Signals;
using test::TestRig;

constexpr std::size_t kCell = kGridFrames;
constexpr std::uint32_t kSettle = 640;  // ten cells: the tests' filters need no more

SwitchPlan plan_for(std::initializer_list<const TestRig*> rigs, std::size_t chains = 2) {
  std::vector<ChainSettings> all;
  for (const TestRig* rig : rigs) all.push_back(rig->settings);
  SwitchPlan plan = SwitchPlan::of(all, [](const ChainSettings& s) { return Chain::required_bytes(s); });
  plan.chains = chains;
  plan.settle_frames = kSettle;
  return plan;
}

/// A switch with memory of its own, at an odd address and with a fence behind it.
class Rack {
 public:
  Rack(const SwitchPlan& plan, const ChainSettings& first)
      : memory_(ChainSwitch::required_bytes(plan) + 1 + kFence, std::byte{42}) {
    setup = made.configure(plan, first, std::span(memory_).subspan(1, memory_.size() - 1 - kFence));
  }
  bool fence_stands() const {
    return std::all_of(memory_.end() - kFence, memory_.end(), [](std::byte b) { return b == std::byte{42}; });
  }
  template <class Act>
  Signals run(const Signals& in, std::size_t block, Act&& act) {
    return test::in_blocks(made, in, block, act);
  }
  Signals run(const Signals& in, std::size_t block) {
    return run(in, block, [](std::size_t) {});
  }
  /// As many frames of silence as priming takes.
  void start() {
    const std::size_t frames = 4 * 4096;
    (void)run(Signals(made.feeds(), std::vector<float>(frames, 0.0f)), kCell);
  }

  ChainSwitch made;
  Setup setup = Setup::out_of_range;

 private:
  static constexpr std::ptrdiff_t kFence = 64;
  std::vector<std::byte> memory_;
};

void set_ceilings(TestRig& rig, float ceiling) {
  for (OutputSettings& out : rig.outputs()) out.peak.ceiling = ceiling;
}
float greatest(std::span<const float> row) {
  float most = 0;
  for (const float x : row) most = std::max(most, std::abs(x));
  return most;
}
Signals noise(std::size_t feeds, std::size_t frames, float level, unsigned seed = 1) {
  Signals in(feeds, std::vector<float>(frames));
  std::mt19937 random(seed);
  for (auto& row : in)
    for (float& x : row) x = level * static_cast<float>(test::uniform(random));
  return in;
}
Signals sines(std::size_t feeds, std::size_t frames, double at_hz, double level) {
  Signals in(feeds, std::vector<float>(frames));
  for (auto& row : in)
    for (std::size_t n = 0; n < frames; ++n)
      row[n] = static_cast<float>(level * std::sin(6.283185307179586 * at_hz * static_cast<double>(n) / 48000));
  return in;
}
bool same_bits(float a, float b) { return std::bit_cast<std::uint32_t>(a) == std::bit_cast<std::uint32_t>(b); }

TEST(ChainSwitch, StartsMutedThenIsTheChainToTheBit) {
  const TestRig rig(2, 3, true);
  Rack rack(plan_for({&rig}), rig.settings);
  ASSERT_EQ(rack.setup, Setup::ok);
  const Signals in = test::programme(2, 48000, 48000);
  const Signals out = rack.run(in, 100);
  LentChain alone(rig.settings);
  const Signals plain = alone.run(in, 64);
  for (std::size_t o = 0; o < out.size(); ++o) {
    std::size_t heard = 0;
    while (heard < out[o].size() && same_bits(out[o][heard], 0.0f)) ++heard;
    // Priming lasts the longest delay and look-ahead (below 300 frames here) and the settling; a mute ends in a cell.
    EXPECT_GT(heard, kSettle);
    EXPECT_LT(heard, kSettle + 1000);
    std::size_t different = 0;
    for (std::size_t n = heard + kCell; n < out[o].size(); ++n) different += same_bits(out[o][n], plain[o][n]) ? 0 : 1;
    EXPECT_EQ(different, 0u);
    EXPECT_GT(greatest(out[o]), 0.05f) << "something was heard";
  }
  EXPECT_TRUE(rack.fence_stands());
}

/// All that can be asked for, at points of the grid: two changes, mutes, trims.
Signals eventful(std::size_t block, std::size_t chains) {
  TestRig first(2, 3, true), second(2, 3, true);
  set_ceilings(second, 0.1f);
  second.outputs()[0].delay.whole_samples = 200;
  Rack rack(plan_for({&first, &second}, chains), first.settings);
  const TestRig* wanted = nullptr;
  return rack.run(test::programme(2, 64 * 1000, 48000), block, [&](std::size_t n) {
    if (n % 6400 != 0) return;
    const std::size_t event = n / 6400;
    if (event == 1) rack.made.mute(1, true);
    if (event == 2) wanted = &second;
    if (event == 3) rack.made.mute(1, false);
    if (event == 4) EXPECT_TRUE(rack.made.trim(0, 0.25f) && rack.made.trim(1, 2.0f));
    if (event == 6) wanted = &first;
    if (wanted != nullptr && rack.made.change(wanted->settings) == Change::taken) wanted = nullptr;
  });
}
TEST(ChainSwitch, BitsDoNotDependOnTheBlock) {
  for (const std::size_t chains : {1u, 2u}) {
    const Signals by_64 = eventful(64, chains);
    // 6400 is a multiple of each: events come at the same frames.
    for (const std::size_t block : {1u, 50u, 128u, 6400u}) {
      const Signals other = eventful(block, chains);
      for (std::size_t o = 0; o < by_64.size(); ++o) {
        std::size_t different = 0;
        for (std::size_t n = 0; n < by_64[o].size(); ++n) different += same_bits(by_64[o][n], other[o][n]) ? 0 : 1;
        EXPECT_EQ(different, 0u) << "block " << block << ", " << chains << " chains, output " << o;
      }
    }
  }
}

struct Excess {
  std::size_t over_greater = 0, over_lower_late = 0, over_lower_early = 0;
};
/// A change every `period` frames between random ceilings under loud noise, each sample against the theorem. `hostile`
/// makes the signal.
Excess excess_of_changes(const Signals& in, std::size_t count, bool unlimited_too) {
  std::mt19937 random(7);
  TestRig rig(1, 2, true);
  set_ceilings(rig, 0.5f);
  Rack rack(plan_for({&rig}), rig.settings);
  float now = 0.5f, next = 0.5f;
  Excess excess;
  const std::size_t period = 64 * 70;  // priming (704 + kSettle), the fade, and some more
  std::size_t n = 0;
  for (std::size_t c = 0; c < count; ++c) {
    next = std::exp2(-8.0f * static_cast<float>(random() % 1000) / 1000.0f);
    const bool limited = !unlimited_too || random() % 4 != 0;
    for (OutputSettings& out : rig.outputs()) {
      out.peak.ceiling = next;
      out.peak.enabled = limited;
      out.power.enabled = limited;
    }
    if (!limited) next = 1e9f;
    EXPECT_EQ(rack.made.change(rig.settings), Change::taken);
    Signals part(1, std::vector<float>(period));
    for (std::size_t k = 0; k < period; ++k) part[0][k] = in[0][(n + k) % in[0].size()];
    const Signals out = rack.run(part, kCell);
    for (const auto& row : out)
      for (std::size_t k = 0; k < period; ++k) {
        const float size = std::abs(row[k]);
        if (!(size <= std::max(now, next))) ++excess.over_greater;
        if (!(size <= std::min(now, next)) && next < now)
          ++(k >= ChainSwitch::kCutFrames ? excess.over_lower_late : excess.over_lower_early);
      }
    n += period;
    EXPECT_FALSE(rack.made.busy());
    now = next;
  }
  return excess;
}
TEST(ChainSwitch, NoSampleIsAboveTheGreaterCeilingNorLateAboveTheLowerOne) {
  Signals square(1, std::vector<float>(48000));
  for (std::size_t n = 0; n < square[0].size(); ++n) square[0][n] = (n / 37) % 2 == 0 ? 8.0f : -8.0f;
  for (const Signals& in : {noise(1, 48000, 8.0f), square, sines(1, 48000, 997, 8.0)}) {
    const Excess excess = excess_of_changes(in, 130, false);
    EXPECT_EQ(excess.over_greater, 0u);
    EXPECT_EQ(excess.over_lower_late, 0u);
    EXPECT_GT(excess.over_lower_early, 0u) << "the limit comes within the cut, not before: else nothing was tested";
  }
  const Excess excess = excess_of_changes(noise(1, 48000, 8.0f), 130, true);
  EXPECT_EQ(excess.over_greater + excess.over_lower_late, 0u) << "also from and to a chain without a ceiling";
}
TEST(ChainSwitch, AWeightedSampleIsNeverLongerThanTheLongerOfBoth) {
  // The proof's arithmetic by brute force: neighbours in single precision, and any pair of sizes and signs.
  std::mt19937 random(3);
  std::size_t above = 0;
  for (int n = 0; n < 4'000'000; ++n) {
    const float a = static_cast<float>(test::uniform(random));
    const auto near = static_cast<std::uint32_t>(std::bit_cast<std::uint32_t>(a) + random() % 9 - 4);
    const float b = n % 2 == 0 ? std::bit_cast<float>(near) : static_cast<float>(test::uniform(random));
    const float weight = static_cast<float>(1 + random() % 2047) / 2048.0f;
    above += std::abs(a + weight * (b - a)) > std::max(std::abs(a), std::abs(b)) ? 1 : 0;
  }
  EXPECT_EQ(above, 0u);
}

/// The greatest of the wave at eight points a sample, from frame `from` to before `to`: 64 taps under a Hann window.
double wave_peak(std::span<const float> row, std::size_t from, std::size_t to) {
  constexpr std::size_t kHalf = 32, kPoints = 8;
  constexpr double kPi = 3.141592653589793;
  double most = 0;
  for (std::size_t p = 0; p < kPoints; ++p) {
    std::vector<double> taps;
    for (std::size_t k = 0; k < 2 * kHalf; ++k) {
      const double t = static_cast<double>(k) - static_cast<double>(kHalf) - static_cast<double>(p) / kPoints;
      const double sinc = t == 0 ? 1 : std::sin(kPi * t) / (kPi * t);
      taps.push_back(sinc * (0.5 + 0.5 * std::cos(kPi * t / (kHalf + 1))));
    }
    for (std::size_t n = std::max(from, kHalf); n + kHalf < std::min(to, row.size()); ++n) {
      double sum = 0;
      for (std::size_t k = 0; k < 2 * kHalf; ++k) sum += taps[k] * static_cast<double>(row[n + k - kHalf]);
      most = std::max(most, std::abs(sum));
    }
  }
  return most;
}
TEST(ChainSwitch, InAFadeTheWaveBetweenTheSamplesPassesBothByLittle) {
  TestRig first(1, 1, true), second(1, 1, true);
  second.outputs()[0].gain *= -1;  // the other polarity, at the same ceiling: b - a is as long as it can be
  const Signals in = noise(1, 64 * 100, 8.0f, 5);
  Rack rack(plan_for({&first, &second}), first.settings);
  rack.start();
  const Signals out = rack.run(in, kCell, [&](std::size_t n) {
    if (n == 640) EXPECT_EQ(rack.made.change(second.settings), Change::taken);
  });
  LentChain alone_first(first.settings), alone_second(second.settings);
  const std::size_t from = 640, to = 64 * 60;  // priming and the fade
  const double alone =
      std::max(wave_peak(alone_first.run(in, kCell)[0], from, to), wave_peak(alone_second.run(in, kCell)[0], from, to));
  const double fade = wave_peak(out[0], from, to);
  // What the head claims: 5 / 2048 of |b - a|, here at most twice the ceiling of 0.2.
  EXPECT_LE(fade, alone + 5.0 / ChainSwitch::kFadeFrames * 0.4);
  EXPECT_GT(fade, 0.5 * alone) << "it was loud meanwhile";
}

/// The greatest |x[n+1] - 2 x[n] + x[n-1]|.
double greatest_bend(std::span<const float> row) {
  double most = 0;
  for (std::size_t n = 1; n + 1 < row.size(); ++n)
    most = std::max(most, std::abs(static_cast<double>(row[n + 1]) - 2 * static_cast<double>(row[n]) +
                                   static_cast<double>(row[n - 1])));
  return most;
}
TEST(ChainSwitch, AChangeIsWithoutAClick) {
  TestRig first(1, 1, false), second(1, 1, false);
  second.outputs()[0].gain = -0.4f;  // the other polarity: as unlike as two settings can be
  second.outputs()[0].delay.whole_samples = 300;
  const Signals in = sines(1, 48000, 200, 0.5);
  Rack rack(plan_for({&first, &second}), first.settings);
  rack.start();
  const Signals out = rack.run(in, kCell, [&](std::size_t n) {
    if (n == 6400) EXPECT_EQ(rack.made.change(second.settings), Change::taken);
  });
  LentChain alone_first(first.settings), alone_second(second.settings);
  const auto settled = [](const Signals& s) { return std::span(s[0]).subspan(4800); };
  const double least =
      std::max(greatest_bend(settled(alone_first.run(in, 64))), greatest_bend(settled(alone_second.run(in, 64))));
  // Half of 1.3 and half of -0.4: what they differ by, and what the straight line's ends add (see the claim); the line
  // itself adds 2 |slope of (b - a)| / 2048, below 5 % of the least.
  const double ends = 0.5 * (1.3 + 0.4) / ChainSwitch::kFadeFrames;
  EXPECT_LE(greatest_bend(settled(out)), 1.05 * least + ends);
  // A control: the same two, one after the other, would click.
  LentChain before(first.settings), after(second.settings);
  Signals hard = before.run(in, 64);
  const Signals other = after.run(in, 64);
  std::copy(other[0].begin() + 20000, other[0].end(), hard[0].begin() + 20000);
  EXPECT_GT(greatest_bend(settled(hard)), 5 * least);
}

/// Mean square through one pole a sample of `time_s`, its greatest value from frame `from` on.
double greatest_heat(std::span<const float> row, double time_s, std::size_t from) {
  const double keep = std::exp(-1 / (time_s * 48000));
  double heat = 0, most = 0;
  for (std::size_t n = 0; n < row.size(); ++n) {
    heat = keep * heat + (1 - keep) * static_cast<double>(row[n]) * static_cast<double>(row[n]);
    if (n >= from) most = std::max(most, heat);
  }
  return most;
}
TEST(ChainSwitch, NoChangeLetsACoilGetHotterThanItsThreshold) {
  constexpr double kTime_s = 2.0, kThreshold = 0.12;
  TestRig rig(1, 1, true);
  rig.outputs()[0].peak.ceiling = 0.6f;
  ASSERT_TRUE(forget_per_grid(kTime_s, 48000, rig.outputs()[0].power.forget));
  rig.outputs()[0].delay.whole_samples = 400;
  const Signals in = sines(1, 48000 * 24, 1000, 0.5);
  const auto heat_of = [&](std::span<const float> row) {
    return greatest_heat(row, kTime_s, 0) / (kThreshold * kThreshold);
  };
  for (const std::size_t chains : {2u, 1u}) {
    Rack rack(plan_for({&rig}, chains), rig.settings);
    bool wanted = false;
    const Signals out = rack.run(in, kCell, [&](std::size_t n) {
      wanted = wanted || (n > 0 && n % (48000 * 2) == 0);
      if (wanted && rack.made.change(rig.settings) == Change::taken) wanted = false;
    });
    EXPECT_LE(heat_of(out[0]), 1.01) << "the power limiter's theorem, over eleven changes";
    EXPECT_GT(heat_of(out[0]), 0.7) << "and it was at work";
  }
  // A control: chains that know nothing of one another's heat, one after the other.
  Signals fresh(1);
  for (std::size_t n = 0; n < in[0].size(); n += 48000 * 2) {
    LentChain cold(rig.settings);
    const Signals out = cold.run(
        {{in[0].begin() + static_cast<std::ptrdiff_t>(n), in[0].begin() + static_cast<std::ptrdiff_t>(n) + 48000 * 2}},
        64);
    fresh[0].insert(fresh[0].end(), out[0].begin(), out[0].end());
  }
  EXPECT_GT(heat_of(fresh[0]), 1.1);
}

/// The greatest heat, in units of the threshold's square, after a change from a chain without a power limiter, whose coil
/// was as warm as `before` then, to one with it, under a signal that is loud from there on.
struct HeatOfChange {
  double before = 0, after = 0;
};
HeatOfChange heat_from_uncounted(std::size_t chains, bool has_ceiling, bool carries) {
  constexpr double kTime_s = 2.0, kThreshold = 0.12;
  constexpr std::size_t kLoudFrom = 48000 * 12;
  TestRig counted(1, 1, true), uncounted(1, 1, true);
  for (TestRig* rig : {&counted, &uncounted}) rig->outputs()[0].peak.ceiling = 0.6f;
  EXPECT_TRUE(forget_per_grid(kTime_s, 48000, counted.outputs()[0].power.forget));
  uncounted.outputs()[0].power.enabled = false;
  uncounted.outputs()[0].peak.enabled = has_ceiling;
  if (carries) uncounted.outputs()[0].peak.ceiling = 0.01f;  // it warms nothing: another chain did, before it
  Rack rack(plan_for({&counted, &uncounted}, chains), carries ? counted.settings : uncounted.settings);
  Signals in = sines(1, kLoudFrom * 2, 1000, 0.5);
  if (!carries)
    for (std::size_t n = 0; n < kLoudFrom; ++n) in[0][n] *= 0.165f;  // an RMS half a dB below the threshold
  const TestRig* wanted = nullptr;
  const Signals out = rack.run(in, kCell, [&](std::size_t n) {
    if (carries && n == kLoudFrom - 48000 / 2) wanted = &uncounted;
    if (n == kLoudFrom - 6400) wanted = &counted;
    if (wanted != nullptr && rack.made.change(wanted->settings) == Change::taken) wanted = nullptr;
  });
  EXPECT_FALSE(rack.made.busy());
  const auto heat = [&](std::size_t from, std::size_t to) {
    return greatest_heat(std::span(out[0]).first(to), kTime_s, from) / (kThreshold * kThreshold);
  };
  return {heat(kLoudFrom - 1, kLoudFrom), heat(kLoudFrom, in[0].size())};
}
TEST(ChainSwitch, ACoilThatNothingHasCountedIsTakenForWarm) {
  // What the look-ahead holds (four cells) at the peak of 0.6: 4 * 64 / 96000 * 25 of the threshold's square at most.
  constexpr double kMost = 1.01 + 0.07;
  for (const std::size_t chains : {2u, 1u})
    for (const bool has_ceiling : {true, false}) {
      const HeatOfChange heat = heat_from_uncounted(chains, has_ceiling, false);
      EXPECT_GT(heat.before, 0.8) << "else nothing is handed over: " << chains << has_ceiling;
      EXPECT_LT(heat.before, 1.0);
      EXPECT_LE(heat.after, kMost) << chains << has_ceiling;
      EXPECT_GT(heat.after, 0.8) << "and it plays";
    }
}
TEST(ChainSwitch, HeatIsCarriedThroughAChainThatDoesNotCountIt) {
  for (const std::size_t chains : {2u, 1u}) {
    const HeatOfChange heat = heat_from_uncounted(chains, true, true);
    EXPECT_GT(heat.before, 0.6) << chains;
    EXPECT_LE(heat.after, 1.01 + 0.07) << chains;
  }
}
TEST(ChainSwitch, NoMoreHeatIsHandedOverThanTheCeilingCanHaveMade) {
  for (const std::size_t chains : {2u, 1u}) {
    TestRig quiet(1, 1, true), counted(1, 1, true);
    quiet.outputs()[0].power.enabled = false;
    quiet.outputs()[0].peak.ceiling = 0.06f;  // its square is a quarter of the threshold's, 0.12
    Rack rack(plan_for({&quiet, &counted}, chains), quiet.settings);
    rack.start();
    bool taken = false, heard = false;
    float most = 0;
    (void)rack.run(Signals(1, std::vector<float>(64 * 60, 0.0f)), kCell, [&](std::size_t) {
      if (!taken) taken = rack.made.change(counted.settings) == Change::taken;
      most = std::max(most, rack.made.take_meter(0).heat_mean_square);
      heard = heard || (taken && !rack.made.busy());
    });
    EXPECT_TRUE(heard);
    EXPECT_LE(most, 0.06f * 0.06f) << chains;
    EXPECT_GT(most, 0.5f * 0.06f * 0.06f) << chains;
  }
}

TEST(ChainSwitch, WhileBothAreHeardBothHaveTheGreaterHeat) {
  TestRig cold(1, 1, true), hot(1, 1, true);
  cold.outputs()[0].gain = 0.01f;
  Rack rack(plan_for({&cold, &hot}), cold.settings);
  rack.start();
  const auto heat = [&] { return rack.made.take_meter(0).heat_mean_square; };
  float before_fade = 0, in_fade = 0;
  ASSERT_EQ(rack.made.change(hot.settings), Change::taken);
  for (int cell = 0; rack.made.busy(); ++cell) {
    (void)rack.run(sines(1, kCell, 750, 1.0), kCell);  // a whole number of periods in a cell
    // Priming is the longest path of about 300 frames and the settling of 640; the fade 2048.
    if (cell < 10) before_fade = std::max(before_fade, heat());
    if (cell > 40 && rack.made.busy()) in_fade = std::max(in_fade, heat());
  }
  EXPECT_LT(before_fade, 1e-3f) << "it heats nothing itself";
  EXPECT_GT(in_fade, 0.2f * 0.12f * 0.12f) << "what the other would heat by then, of its threshold of 0.12";
}

TEST(ChainSwitch, AMuteHoldsOverAChangeAndIsExactZeros) {
  const TestRig first(1, 2, true), second(1, 2, true);
  Rack rack(plan_for({&first, &second}), first.settings);
  rack.start();
  rack.made.mute(1, true);
  rack.made.mute(9, true);  // not there: nothing
  const Signals in = noise(1, 64 * 200, 1.0f);
  const Signals out = rack.run(in, kCell, [&](std::size_t n) {
    if (n == 640) EXPECT_EQ(rack.made.change(second.settings), Change::taken);
  });
  EXPECT_FALSE(rack.made.busy());
  EXPECT_EQ(greatest(std::span(out[1]).subspan(kCell)), 0.0f);
  EXPECT_GT(greatest(std::span(out[0]).last(640)), 0.02f);
  rack.made.mute(1, false);
  EXPECT_GT(greatest(std::span(rack.run(in, kCell)[1]).last(640)), 0.02f);
}
TEST(ChainSwitch, WhatTheSettingsMuteStaysMuted) {
  TestRig rig(1, 2, true);
  rig.outputs()[0].muted = true;
  Rack rack(plan_for({&rig}), rig.settings);
  rack.start();
  rack.made.mute(0, false);
  const Signals out = rack.run(noise(1, 6400, 1.0f), kCell);
  EXPECT_EQ(greatest(out[0]), 0.0f);
  EXPECT_GT(greatest(out[1]), 0.05f);
}

TEST(ChainSwitch, ATrimIsARampAheadOfTheLimiters) {
  TestRig rig(1, 1, false);
  Rack rack(plan_for({&rig}), rig.settings);
  rack.start();
  EXPECT_FALSE(rack.made.trim(1, 1.0f)) << "no such feed";
  EXPECT_FALSE(rack.made.trim(0, 4.1f));
  EXPECT_FALSE(rack.made.trim(0, -0.1f));
  EXPECT_FALSE(rack.made.trim(0, std::numeric_limits<float>::quiet_NaN()));
  const Signals in = sines(1, 48000, 500, 0.1);
  const Signals plain = rack.run(in, kCell);
  const Signals halved = rack.run(in, kCell, [&](std::size_t n) {
    if (n == 4800) EXPECT_TRUE(rack.made.trim(0, 0.5f));
  });
  const double whole = static_cast<double>(greatest(std::span(plain[0]).last(9600)));
  EXPECT_NEAR(static_cast<double>(greatest(std::span(halved[0]).last(9600))), whole / 2, 1e-3 * whole);
  EXPECT_LE(greatest_bend(std::span(halved[0]).subspan(4000)), 1.01 * greatest_bend(std::span(plain[0]).last(9600)))
      << "no click";
  // Ahead of the limiters: the greatest trim cannot lift the output over the ceiling.
  TestRig limited(1, 1, true);
  Rack held(plan_for({&limited}), limited.settings);
  held.start();
  EXPECT_TRUE(held.made.trim(0, ChainSwitch::kMostTrim));
  EXPECT_LE(greatest(held.run(noise(1, 48000, 4.0f), kCell)[0]), 0.2f);
}

TEST(ChainSwitch, WithOneChainAChangeIsASilence) {
  TestRig first(1, 2, true), second(1, 2, true);
  set_ceilings(second, 0.05f);
  const SwitchPlan one = plan_for({&first, &second}, 1), two = plan_for({&first, &second}, 2);
  EXPECT_LT(ChainSwitch::required_bytes(one), ChainSwitch::required_bytes(two) * 6 / 10);
  Rack rack(one, first.settings);
  rack.start();
  const Signals in = noise(1, 64 * 100, 2.0f);
  EXPECT_GT(greatest(rack.run(in, kCell)[0]), 0.1f);
  ChainSettings bad = second.settings;
  bad.sample_rate_hz = 96000;
  EXPECT_EQ(rack.made.change(bad), Change::refused);
  EXPECT_FALSE(rack.made.busy()) << "what runs goes on";
  EXPECT_EQ(rack.made.change(second.settings), Change::not_yet);
  const Signals falling = rack.run({{in[0].begin(), in[0].begin() + 128}}, kCell);
  EXPECT_EQ(greatest(std::span(falling[0]).subspan(kCell)), 0.0f) << "silent after a cell";
  const std::uint64_t bad_before = rack.made.bad_samples();
  EXPECT_EQ(rack.made.change(second.settings), Change::taken);
  EXPECT_EQ(rack.made.bad_samples(), bad_before);
  const Signals after = rack.run(in, kCell);
  std::size_t heard = 0;
  while (heard < after[0].size() && same_bits(after[0][heard], 0.0f)) ++heard;
  EXPECT_GT(heard, kSettle) << "primed in silence";
  EXPECT_LT(heard, kSettle + 1000);
  EXPECT_LE(greatest(after[0]), 0.05f);
  EXPECT_GT(greatest(after[0]), 0.02f);
  EXPECT_FALSE(rack.made.busy());
  EXPECT_TRUE(rack.fence_stands());
}

TEST(ChainSwitch, SaysNotYetWhileOneChangeIsOnItsWay) {
  const TestRig rig(1, 1, true);
  Rack rack(plan_for({&rig}), rig.settings);
  rack.start();
  EXPECT_FALSE(rack.made.busy());
  EXPECT_EQ(rack.made.change(rig.settings), Change::taken);
  EXPECT_TRUE(rack.made.busy());
  EXPECT_EQ(rack.made.change(rig.settings), Change::not_yet);
  (void)rack.run(noise(1, 64 * 70, 1.0f), kCell);
  EXPECT_EQ(rack.made.change(rig.settings), Change::taken);
}

TEST(ChainSwitch, AChangeBeforeAnythingIsHeardNeedsNoFade) {
  const TestRig first(1, 1, true), second(1, 1, true);
  Rack rack(plan_for({&first, &second}), first.settings);
  EXPECT_EQ(rack.made.change(second.settings), Change::taken);
  (void)rack.run(noise(1, kCell, 1.0f), kCell);
  EXPECT_FALSE(rack.made.busy());
}

TEST(ChainSwitch, RefusesWhatItCannotRunAndSaysWhy) {
  const TestRig rig(2, 2, true), other(1, 2, true), more(2, 3, true);
  const SwitchPlan plan = plan_for({&rig});
  EXPECT_EQ(plan_for({&rig, &other}).feeds, 0u) << "other feeds";
  EXPECT_EQ(plan_for({&rig, &more}).feeds, 0u) << "other outputs";
  EXPECT_EQ(plan_for({}).feeds, 0u);
  std::vector<std::byte> memory(ChainSwitch::required_bytes(plan));
  ChainSwitch made;
  EXPECT_EQ(made.configure(plan, rig.settings, std::span(memory).first(memory.size() - 1)), Setup::memory_too_small);
  std::vector<float> row(64, 1.0f);
  float* out[4] = {row.data(), row.data(), row.data(), row.data()};
  const float* in[2] = {row.data(), row.data()};
  made.process(in, out, 64);
  EXPECT_EQ(greatest(row), 0.0f) << "with nothing to run: zeros";
  ASSERT_EQ(made.configure(plan, rig.settings, memory), Setup::ok);
  EXPECT_EQ(made.refusal(rig.settings), Refusal{});
  EXPECT_EQ(made.refusal(other.settings).field, Field::feeds);
  EXPECT_EQ(made.refusal(more.settings).setup, Setup::memory_too_small) << "larger than planned";
  TestRig hot(2, 2, true);
  hot.outputs()[3].peak.ceiling = 50;
  const Refusal refused = made.refusal(hot.settings);
  EXPECT_EQ(refused.part, Part::output);
  EXPECT_EQ(refused.index, 3u);
  EXPECT_EQ(refused.field, Field::ceiling);
  EXPECT_EQ(made.change(hot.settings), Change::refused);
  std::fill(row.begin(), row.end(), 1.0f);
  made.process(in, std::span(out).first(3), 64);
  EXPECT_EQ(greatest(row), 0.0f) << "too few rows: zeros";
}

TEST(ChainSwitch, CountsWhatEntersOnce) {
  const TestRig rig(1, 1, true);
  Rack rack(plan_for({&rig}), rig.settings);
  rack.start();
  Signals in = noise(1, 64 * 100, 1.0f);
  for (std::size_t n = 0; n < in[0].size(); n += 10) in[0][n] = std::numeric_limits<float>::infinity();
  (void)rack.run(in, kCell, [&](std::size_t n) {
    if (n == 640) EXPECT_EQ(rack.made.change(rig.settings), Change::taken);
  });
  EXPECT_FALSE(rack.made.busy());
  EXPECT_EQ(rack.made.bad_samples(), 640u);
}

// Run under a thread sanitizer it says whether the two threads meet in atomic numbers alone.
TEST(ChainSwitch, TwoThreadsMayUseItAsItSays) {
  for (const std::size_t chains : {2u, 1u}) {
    TestRig quiet(1, 1, true), loud(1, 1, true);
    set_ceilings(quiet, 0.05f);
    Rack rack(plan_for({&quiet, &loud}, chains), quiet.settings);
    std::atomic<bool> ends{false};
    int taken = 0;
    std::thread other([&] {
      while (!ends.load()) {
        if (rack.made.change((taken % 2 == 0 ? loud : quiet).settings) == Change::taken) ++taken;
        rack.made.mute(0, taken % 3 == 0);
        (void)rack.made.trim(0, taken % 2 == 0 ? 1.0f : 0.5f);
        std::this_thread::yield();
      }
    });
    const Signals in = noise(1, 48000 * 4, 4.0f);
    float most = 0;
    for (int n = 0; n < 4; ++n)
      most = std::max(most, greatest(rack.run(in, kCell, [&](std::size_t) { (void)rack.made.take_meter(0); })[0]));
    ends.store(true);
    other.join();
    EXPECT_LE(most, 0.2f);
    EXPECT_TRUE(rack.fence_stands());
  }
}

}  // namespace
}  // namespace rackproof::dsp
