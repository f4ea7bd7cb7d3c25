// Must hold: the theorem at the top of section_cascade.hpp.
#include "dsp/blocks/section_cascade.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <vector>

#include "dsp/design/exact_section.hpp"

namespace {
using namespace rackproof::dsp;
static_assert(noexcept(std::declval<SectionCascade<1>&>().process({})));
constexpr std::size_t kSignalCount = 4;

/// A section as the trapezoidal rule gives it: g = tan(pi f / fs), damping k, mixes of input, band and low outputs.
Section section_of(double g, double k, double m0, double m1, double m2) {
  return rounded(second_order(g, k, {.high = m0, .band = m0 * k + m1, .low = m0 + m2}));
}
struct Analogue {  // the same filter, textbook order, in long double: independent of the incremental form
  long double g, k, m0, m1, m2, i1 = 0, i2 = 0;
  long double step(long double x) {
    const long double h = 1 / (1 + g * (g + k)), v3 = x - i2, v1 = h * (i1 + g * v3), v2 = i2 + g * v1;
    i1 = 2 * v1 - i1;
    i2 = 2 * v2 - i2;
    return m0 * x + m1 * v1 + m2 * v2;
  }
};
struct Design {
  double g, k, m0, m1, m2;
  Section section() const { return section_of(g, k, m0, m1, m2); }
  Analogue reference() const { return {g, k, m0, m1, m2}; }
};
Design highpass(double hz, double q, double fs) { return {std::tan(std::numbers::pi * hz / fs), 1 / q, 1, -1 / q, -1}; }
Design peaking(double hz, double q, double gain_db, double fs) {
  const double a = std::pow(10, gain_db / 40), k = 1 / (q * a);
  return {std::tan(std::numbers::pi * hz / fs), k, 1, k * (a * a - 1), 0};
}
double uniform(std::mt19937& rng) { return static_cast<double>(rng()) / 2147483648.0 - 1.0; }

std::vector<float> signal(std::size_t kind, double fs, std::size_t frames) {
  std::mt19937 rng(7);
  std::vector<float> x(frames);
  for (std::size_t n = 0; n < frames; ++n) {
    const double t = 2 * std::numbers::pi * static_cast<double>(n) / fs;
    switch (kind) {
      case 0:
        x[n] = static_cast<float>(uniform(rng));
        break;
      case 1:
        x[n] = static_cast<float>(std::sin(25 * t));
        break;
      case 2:
        x[n] = static_cast<float>(std::sin(1000 * t));
        break;
      default:
        x[n] = static_cast<float>(0.5 * std::sin(55 * t) + 0.3 * std::sin(440.3 * t) + 0.2 * uniform(rng));
        break;
    }
  }
  return x;
}
template <int W>
std::vector<typename SectionCascade<W>::Stage> stages(std::size_t count) {
  return std::vector<typename SectionCascade<W>::Stage>(count);
}
std::vector<float> through(SectionCascade<1>& cascade, std::vector<float> x, std::size_t block) {
  for (std::size_t n = 0; n < x.size(); n += block)
    cascade.process(std::span(x).subspan(n, std::min(block, x.size() - n)));
  return x;
}
std::vector<Section> random_sections(std::mt19937& rng, std::size_t count) {
  std::vector<Section> sections;
  for (std::size_t k = 0; k < count; ++k) {
    const double hz = 20 * std::pow(1000, 0.5 + 0.5 * uniform(rng));
    sections.push_back(k % 3 == 0 ? highpass(hz, 0.7, 48000).section() : peaking(hz, 2, 6, 48000).section());
  }
  return sections;
}

class EveryRate : public testing::TestWithParam<double> {};
INSTANTIATE_TEST_SUITE_P(, EveryRate, testing::Values(44100., 48000., 88200., 96000., 176400., 192000.));

// -125 dBFS is what the core promises (RMS of the error against a full-scale sine's). Fourth-order Butterworth
// high-pass at 20 Hz is the hardest of the trade's filters: single-precision direct forms err by -56 dBFS and worse.
TEST_P(EveryRate, ErrorAgainstExactArithmeticIsBelow125) {
  const double fs = GetParam();
  const std::vector<std::vector<Design>> cascades = {
      {highpass(20, 0.541196100146197, fs), highpass(20, 1.306562964876377, fs)},
      {peaking(31, 4, 9, fs), peaking(31, 4, -9, fs), peaking(12000, 1, 3, fs)},
      {highpass(25, 2.5, fs), peaking(100, 8, -12, fs), peaking(50, 1, 6, fs), peaking(3000, 1, -6, fs)}};
  for (const std::vector<Design>& designs : cascades)
    for (std::size_t kind = 0; kind < kSignalCount; ++kind) {
      const std::vector<float> x = signal(kind, fs, static_cast<std::size_t>(2 * fs));
      std::vector<Section> sections;
      std::vector<Analogue> exact;
      for (const Design& d : designs) {
        sections.push_back(d.section());
        exact.push_back(d.reference());
      }
      auto memory = stages<1>(sections.size());
      SectionCascade<1> cascade;
      ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
      const std::vector<float> y = through(cascade, x, 64);
      long double square = 0;
      for (std::size_t n = 0; n < x.size(); ++n) {
        long double e = x[n];
        for (Analogue& section : exact) e = section.step(e);
        square += (y[n] - e) * (y[n] - e);
      }
      const auto dbfs = static_cast<double>(10 * std::log10(2 * square / static_cast<long double>(x.size())));
      EXPECT_LT(dbfs, -125) << "signal " << kind << ", " << designs.size() << " sections";
    }
}
// Negative control: the same filter without what the compensation keeps, or as a direct form, does not hold it.
TEST(SectionCascade, ADirectFormInSinglePrecisionIsFarWorse) {
  const std::vector<float> x = signal(0, 48000, 96000);
  const Design d = highpass(20, 0.70710678, 48000);
  const Biquad b = biquad_of(d.section());
  const auto b0 = static_cast<float>(b.b0), b1 = static_cast<float>(b.b1), b2 = static_cast<float>(b.b2);
  const auto a1 = static_cast<float>(b.a1), a2 = static_cast<float>(b.a2);
  float s1 = 0, s2 = 0;
  Analogue exact = d.reference();
  long double square = 0;
  for (const float v : x) {
    const float y = b0 * v + s1;
    s1 = b1 * v - a1 * y + s2;
    s2 = b2 * v - a2 * y;
    const long double e = y - exact.step(v);
    square += e * e;
  }
  EXPECT_GT(static_cast<double>(10 * std::log10(2 * square / 96000)), -100);
}

/// A section's recurrence in single precision, as the block has it; with what rounding has taken from the integrators'
/// sums looked at in the output and in v as well, or not even added to the next increments.
enum class Taken { as_the_block, seen_at_once, lost };
std::vector<float> by_recurrence(const Section& s, const std::vector<float>& in, Taken taken) {
  float s1 = 0, s2 = 0, up_1 = 0, up_2 = 0;
  std::vector<float> out;
  for (const float x : in) {
    const float sum_1 = s1 + up_1;
    const float sum_2 = s2 + up_2;
    const float rest_2 = taken == Taken::seen_at_once ? up_2 - (sum_2 - s2) : 0;
    const float v = (x - sum_2) - rest_2;
    out.push_back(fma(s.mix_v, v, fma(s.mix_1, sum_1, fma(s.mix_2, sum_2, s.mix_2 * rest_2))));
    if (taken == Taken::lost) {
      up_1 = fma(s.rate, v, -s.damp * sum_1);
      up_2 = fma(s.cross, v, s.rate * sum_1);
    } else {
      up_1 = fma(s.rate, v, fma(-s.damp, sum_1, up_1) - (sum_1 - s1));
      up_2 = fma(s.cross, v, fma(s.rate, sum_1, up_2) - (sum_2 - s2));
    }
    s1 = sum_1;
    s2 = sum_2;
  }
  return out;
}
/// RMS of the error against the same coefficients in long double, against a full-scale sine's.
double rounding_dbfs(const Section& s, const std::vector<float>& in, const std::vector<float>& out) {
  long double s1 = 0, s2 = 0, square = 0;
  for (std::size_t n = 0; n < in.size(); ++n) {
    const long double v = in[n] - s2;
    const long double error = out[n] - (s.mix_v * v + s.mix_1 * s1 + s.mix_2 * s2);
    square += error * error;
    s2 += s.cross * v + s.rate * s1;
    s1 += s.rate * v - s.damp * s1;
  }
  return static_cast<double>(10 * std::log10(2 * square / static_cast<long double>(in.size())));
}
/// The output and v take the second integrator's sum without what rounding has taken from it: half a step of single
/// precision at most, as the output's own rounding is. That costs at most 1 dB of an error that is below -130 dBFS; two
/// operations of sixteen would bring it back. The increments do need it.
TEST(SectionCascade, WhatRoundingTakesIsNotMissedInTheOutput) {
  std::size_t cases = 0, needed = 0;
  for (const double fs : {48000., 192000.})
    for (const double hz : {20., 63.}) {
      const double g = std::tan(std::numbers::pi * hz / fs);
      const double gain = std::pow(10, 12 / 40.);  // of +12 dB, the root
      const Section low_pass = section_of(g, 1 / 0.7071, 0, 0, 1);
      const Section low_shelf = section_of(g / std::sqrt(gain), 1 / 0.7071, 1, (gain - 1) / 0.7071, gain * gain - 1);
      for (const Section& s : {low_pass, low_shelf})
        for (const std::size_t kind : {0u, 3u}) {
          const std::vector<float> in = signal(kind, fs, 48000);
          auto memory = stages<1>(1);
          SectionCascade<1> cascade;
          ASSERT_EQ(cascade.configure(std::span(&s, 1), memory), Setup::ok);
          const std::vector<float> out = through(cascade, in, 64);
          ASSERT_EQ(out, by_recurrence(s, in, Taken::as_the_block));
          const double error = rounding_dbfs(s, in, out);
          const double with = rounding_dbfs(s, in, by_recurrence(s, in, Taken::seen_at_once));
          EXPECT_LT(error, -130) << fs << ", " << hz << " Hz, signal " << kind;
          EXPECT_LT(error, with + 1) << fs << ", " << hz << " Hz, signal " << kind;
          if (rounding_dbfs(s, in, by_recurrence(s, in, Taken::lost)) > error + 10) ++needed;
          ++cases;
        }
    }
  EXPECT_EQ(cases, 16u);
  EXPECT_GE(needed, 12u) << "the measure sees nothing";
}

TEST(SectionCascade, SameBitsInEveryCut) {
  std::mt19937 rng(3);
  for (std::size_t count = 0; count <= 9; ++count) {
    const std::vector<Section> sections = random_sections(rng, count);
    auto memory = stages<1>(count);
    SectionCascade<1> cascade;
    ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
    const std::vector<float> x = signal(3, 48000, 1000), whole = through(cascade, x, x.size());
    for (const std::size_t block : {1u, 7u, 63u, 64u, 65u}) {
      cascade.reset();
      ASSERT_EQ(through(cascade, x, block), whole) << count << " sections, blocks of " << block;
    }
  }
}

template <int W>
void lanes_are_the_single_channel() {
  std::mt19937 rng(W);
  std::vector<std::vector<Section>> sections;
  std::vector<std::vector<float>> x, expected;
  std::vector<std::size_t> counts;
  const std::size_t used = W - 1;  // one lane stays empty
  for (std::size_t l = 0; l < used; ++l) {
    sections.push_back(random_sections(rng, l * 5 % 11));
    counts.push_back(sections.back().size());
    x.push_back(signal(l % kSignalCount, 48000, 500));
    x.back()[17] = -0.0f, x.back()[18] = 1e-41f;  // what a lane without sections must pass unharmed
    for (std::size_t n = 200 + l; n < 500; ++n) x.back()[n] = 0;
    auto memory = stages<1>(counts.back());
    SectionCascade<1> alone;
    ASSERT_EQ(alone.configure(sections.back(), memory), Setup::ok);
    expected.push_back(through(alone, x.back(), 64));
  }
  auto memory = stages<W>(SectionCascade<W>::required_stages(counts));
  SectionCascade<W> cascade;
  ASSERT_EQ(cascade.configure(
                counts, [&](std::size_t l, std::size_t k) { return sections[l][k]; }, memory),
            Setup::ok);
  std::vector<Pack<W>> frames(500);
  for (std::size_t n = 0; n < frames.size(); ++n)
    for (std::size_t l = 0; l < used; ++l) set_lane<W>(frames[n], static_cast<int>(l), x[l][n]);
  cascade.process(frames);
  for (std::size_t l = 0; l < used; ++l)
    for (std::size_t n = 0; n < frames.size(); ++n)
      ASSERT_EQ(std::bit_cast<std::uint32_t>(lane<W>(frames[n], static_cast<int>(l))),
                std::bit_cast<std::uint32_t>(expected[l][n]))
          << "lane " << l << " of " << W << ", frame " << n;
}
TEST(SectionCascade, EveryLaneIsTheSingleChannelToTheBit) {
  lanes_are_the_single_channel<4>();
#ifdef __AVX2__
  lanes_are_the_single_channel<8>();
#endif
#ifdef __AVX512F__
  lanes_are_the_single_channel<16>();
#endif
}

/// Through rows, `block` frames a call; what is left in the memory comes behind the samples.
template <int W>
std::vector<float> through_rows(const std::vector<std::vector<Section>>& sections, std::vector<std::vector<float>> x,
                                std::size_t block) {
  std::vector<std::size_t> counts;
  for (const auto& of_one : sections) counts.push_back(of_one.size());
  auto memory = stages<W>(SectionCascade<W>::required_stages(counts));
  SectionCascade<W> cascade;
  EXPECT_EQ(cascade.configure(
                counts, [&](std::size_t l, std::size_t k) { return sections[l][k]; }, memory),
            Setup::ok);
  EXPECT_TRUE(cascade.takes_rows());
  const std::size_t frames = x[0].size();
  for (std::size_t n = 0; n < frames; n += block) {
    std::vector<float*> rows;
    for (auto& row : x) rows.push_back(row.data() + n);
    const std::vector<const float*> from(rows.begin(), rows.end());
    cascade.process_rows(from, rows, std::min(block, frames - n));
  }
  std::vector<float> all;
  for (const auto& row : x) all.insert(all.end(), row.begin(), row.end());
  for (const auto& stage : memory)
    for (const auto& state : {stage.s1, stage.s2, stage.up_1, stage.up_2})
      for (int l = 0; l < W; ++l) all.push_back(lane<W>(state, l));
  return all;
}
std::vector<std::uint32_t> cascade_bits_of(const std::vector<float>& x) {
  std::vector<std::uint32_t> bits;
  for (const float one : x) bits.push_back(std::bit_cast<std::uint32_t>(one));
  return bits;
}
/// A burst and its end: states fall below silence at one point of the grid after another, each section's at its own.
/// And a value that no number is, from which a section starts anew at the next point of the grid.
template <int W>
void rows_over_the_grid_are_cells(std::size_t channels, std::size_t count) {
  std::mt19937 rng(static_cast<unsigned>(count));
  std::vector<std::vector<Section>> sections;
  std::vector<std::vector<float>> x;
  for (std::size_t c = 0; c < channels; ++c) {
    std::vector<Section>& made = sections.emplace_back();
    for (std::size_t k = 0; k < count; ++k)
      made.push_back(peaking(3000 + 40 * static_cast<double>(k), 0.3, k % 2 == 0 ? -6 : 6, 48000).section());
    std::vector<float>& row = x.emplace_back(3000, 0.0f);
    for (std::size_t n = 0; n < 40; ++n) row[n] = static_cast<float>(uniform(rng));
    row[1500 + 100 * c] = std::numeric_limits<float>::infinity();
  }
  const auto expected = cascade_bits_of(through_rows<W>(sections, x, kGridFrames));
  for (const std::size_t block : {3000u, 130u, 200u, 1u})
    ASSERT_EQ(cascade_bits_of(through_rows<W>(sections, x, block)), expected)
        << W << " lanes, " << channels << " channels, " << count << " sections, blocks of " << block;
}
/// One pass and several; wavefronts as long as a cell and longer.
TEST(SectionCascade, ARunOverTheGridSettlesEachRowAtItsOwnPoint) {
  for (const std::size_t channels : {1u, 2u})
    for (const std::size_t count : {3u, 8u, 20u, 33u, 64u, 65u, 81u, 145u}) {
      rows_over_the_grid_are_cells<4>(channels, count);
#ifdef __AVX2__
      rows_over_the_grid_are_cells<8>(channels, count);
#endif
#ifdef __AVX512F__
      rows_over_the_grid_are_cells<16>(channels, count);
#endif
    }
}

TEST(SectionCascade, SilenceComesBackAsExactSilenceWithoutSubnormals) {
  const std::vector<Section> sections = {highpass(20, 0.7, 48000).section(), peaking(100, 8, 12, 48000).section()};
  auto memory = stages<1>(2);
  SectionCascade<1> cascade;
  ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
  (void)through(cascade, signal(0, 48000, 4800), 64);
  // The slowest pole is the peaking one's: pi 100 Hz / (Q A = 16) = 19.6 nepers a second, so 400 dB (46 nepers) take
  // 2.4 s; three are ample.
  std::vector<float> tail(144000, 0.0f);
  cascade.process(tail);
  for (const auto& s : memory)
    for (const float state : {s.s1, s.s2, s.up_1, s.up_2}) EXPECT_EQ(state, 0.0f);
  EXPECT_EQ(tail.back(), 0.0f);
  std::size_t subnormal = 0;
  for (const float y : tail) subnormal += std::fpclassify(y) == FP_SUBNORMAL;
  EXPECT_EQ(subnormal, 0u);
  std::vector<float> whisper(64 * 100, 1e-39f);  // an input that is subnormal itself
  cascade.process(whisper);
  EXPECT_EQ(whisper.back(), 0.0f);
}
/// Under a constant input the second integrator holds it, and the first falls for ever: past the last number but the
/// subnormal ones, which cost a hundred cycles each. It may pass through them once, within a cell; the grid ends it.
TEST(SectionCascade, AConstantInputLeavesNoSubnormalOnTheGrid) {
  for (const double hz : {20., 1000., 5000., 15000.})
    for (const double q : {0.5, 0.7071, 4.})
      for (const float level : {1.0f, 0.3f, -1e-3f}) {
        const std::vector<Section> sections = {peaking(hz, q, 6, 48000).section(), highpass(hz, q, 48000).section()};
        auto memory = stages<1>(2);
        SectionCascade<1> cascade;
        ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
        for (std::size_t cell = 0; cell < 1500; ++cell) {  // 2 s
          std::vector<float> x(kGridFrames, level);
          cascade.process(x);
          for (const auto& s : memory)
            for (const float state : {s.s1, s.s2, s.up_1, s.up_2})
              ASSERT_TRUE(state == 0.0f || std::fabs(state) >= 0x1p-120f) << hz << " Hz, " << q << ", " << level;
        }
        EXPECT_NEAR(memory[0].s2, level, 1e-3 * std::fabs(level)) << "what is held";
      }
}
/// Its numbers lie far apart: what is due each frame is a thousandth of a millionth of what is held. Its pole falls by
/// 400 dB (46 nepers) in 6.6 s (q 0.7: pi 1.6 Hz / 0.7 = 7 nepers a second).
TEST(SectionCascade, ASlowSectionFallsSilentToo) {
  const std::vector<Section> sections = {highpass(1.6, 0.7, 88200).section()};
  auto memory = stages<1>(1);
  SectionCascade<1> cascade;
  ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
  (void)through(cascade, signal(0, 88200, 8820), 64);
  std::vector<float> tail(8 * 88200, 0.0f);
  cascade.process(tail);
  EXPECT_NE(tail[4 * 88200], 0.0f) << "too soon";
  EXPECT_EQ(tail.back(), 0.0f);
  for (const float state : {memory[0].s1, memory[0].s2, memory[0].up_1, memory[0].up_2}) EXPECT_EQ(state, 0.0f);
}
TEST(SectionCascade, NothingThatIsNotFiniteOutlivesTheGrid) {
  const std::vector<Section> sections = {peaking(100, 8, 12, 48000).section()};
  auto memory = stages<1>(1);
  SectionCascade<1> cascade;
  ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
  std::vector<float> x(kGridFrames, std::numeric_limits<float>::max());
  x[3] = std::numeric_limits<float>::quiet_NaN();
  cascade.process(x);
  std::vector<float> after(kGridFrames, 0.0f);
  cascade.process(after);
  for (const float y : after) EXPECT_EQ(y, 0.0f);
}
TEST(SectionCascade, WhatComesInTheLastFrameOfACellIsSeenOnTheGrid) {
  const std::vector<Section> sections = {peaking(100, 8, 12, 48000).section(), highpass(20, 0.7, 48000).section()};
  auto memory = stages<1>(2);
  SectionCascade<1> cascade;
  ASSERT_EQ(cascade.configure(sections, memory), Setup::ok);
  const auto response = [&](std::size_t at) {  // to an impulse out of silence
    cascade.reset();
    std::vector<float> x(500, 0.0f);
    x[at] = 1.0f;
    x = through(cascade, x, 64);
    return std::vector<float>(x.begin() + static_cast<std::ptrdiff_t>(at),
                              x.begin() + static_cast<std::ptrdiff_t>(at) + 400);
  };
  EXPECT_EQ(response(kGridFrames - 1), response(5)) << "taken for silence";

  cascade.reset();
  std::vector<float> x(2 * kGridFrames, 0.0f);
  x[kGridFrames - 1] = std::numeric_limits<float>::quiet_NaN();
  cascade.process(x);
  for (std::size_t n = kGridFrames; n < x.size(); ++n) EXPECT_EQ(x[n], 0.0f) << n;
}
TEST(SectionCascade, RefusedSetupLeavesItAsItWas) {
  const std::vector<Section> sections = {highpass(100, 0.7, 48000).section(), peaking(100, 8, 12, 48000).section()};
  auto memory = stages<1>(3);
  memory[2].s1 = 42;  // a fence
  SectionCascade<1> cascade;
  ASSERT_EQ(cascade.configure(sections, std::span(memory).first(2)), Setup::ok);
  const std::vector<float> x = signal(0, 48000, 300), expected = through(cascade, x, 64);
  cascade.reset();
  EXPECT_EQ(cascade.configure(sections, std::span(memory).first(1)), Setup::memory_too_small);
  const std::vector<Section> many(SectionCascade<1>::kMaxSections + 1);
  auto room = stages<1>(many.size());
  EXPECT_EQ(cascade.configure(many, room), Setup::out_of_range);
  EXPECT_EQ(through(cascade, x, 64), expected);
  EXPECT_EQ(memory[2].s1, 42) << "wrote past the memory it asked for";
}
TEST(SectionCascade, PassesItsInputBeforeItIsConfigured) {
  SectionCascade<1> cascade;
  const std::vector<float> x = {1.0f, -0.0f, 1e-41f};
  const std::vector<float> y = through(cascade, x, 3);
  EXPECT_EQ(y, x);
  EXPECT_TRUE(std::signbit(y[1]));
}
// The identity that pads short lanes is the identity to the bit, the sign of zero included.
TEST(SectionCascade, PaddingIsTheIdentity) {
  auto memory = stages<1>(1);
  SectionCascade<1> cascade;
  ASSERT_EQ(cascade.configure(std::vector<Section>(1), memory), Setup::ok);
  std::vector<float> x = signal(0, 48000, 200);
  EXPECT_EQ(through(cascade, x, 64), x);
}
TEST(Section, BiquadHasTheSectionsImpulseResponse) {
  std::mt19937 rng(11);
  for (const Section& s : random_sections(rng, 12)) {
    const Biquad b = biquad_of(s);
    double s1 = 0, s2 = 0, x1 = 0, x2 = 0, y1 = 0, y2 = 0;
    for (int n = 0; n < 200; ++n) {
      const double x = n == 0, v = x - s2, state_1 = s1;
      const double y = double{s.mix_v} * v + double{s.mix_1} * s1 + double{s.mix_2} * s2;
      s1 += double{s.rate} * v - double{s.damp} * s1;
      s2 += double{s.cross} * v + double{s.rate} * state_1;
      const double direct = b.b0 * x + b.b1 * x1 + b.b2 * x2 - b.a1 * y1 - b.a2 * y2;
      ASSERT_NEAR(direct, y, 1e-11);  // 200 steps of double rounding, amplified by a slow pole
      x2 = x1;
      x1 = x;
      y2 = y1;
      y1 = direct;
    }
  }
}
}  // namespace
