/// Attacks the ceiling of the peak limiter, for minutes, and says what was tried. Two parts:
///   every reading   With no look-ahead, no hold and no release the limiter forgets at the end of a step of four
///                   frames: there a sample meets its need, the rounding, the gain and the product alone. For each of
///                   many ceilings EVERY float from the ceiling to the bound of the input goes through, a step of
///                   each, so that nothing about them is left to a proof on paper.
///   hostile input   random settings and input of every kind that has ever been hard, in 1, 4, 8 and 16 lanes.
///
///     limiter_attack [SAMPLES [SEED]]    1e10 samples of hostile input unless told otherwise; 1 where one passed
#include <algorithm>
#include <array>
#include <bit>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <vector>

#include "dsp/blocks/peak_limiter.hpp"

namespace {

using namespace rackproof::dsp;

constexpr std::size_t kFrames = 4096;

template <int W>
struct Held {
  std::vector<Pack<W>> values;
  std::vector<PackInt<W>> integers;
  PeakLimiter<W> limiter;
  Held(const LimiterShape& shape, const std::vector<typename PeakLimiter<W>::LaneSettings>& lanes) {
    const auto memory = PeakLimiter<W>::required(shape);
    values.resize(memory.values);
    integers.resize(memory.integers);
    if (limiter.configure(shape, lanes, values, integers) != Setup::ok) std::abort();
    limiter.reset();
  }
};

/// What has been tried, and how near it came.
struct Tally {
  double samples = 0, passed = 0;  ///< passed: stretches of a lane that a sample above its ceiling, or none, left
  float nearest = 0;               ///< greatest output / ceiling
  /// By the bits of the magnitudes, which stand in the same order; what is no number comes last.
  template <int W>
  void look(const std::vector<Pack<W>>& out, const float* ceilings) {
    std::array<std::int32_t, W> greatest{};
    for (const Pack<W>& frame : out) {
      const auto bits = std::bit_cast<std::array<std::int32_t, W>>(frame);
      for (std::size_t l = 0; l < W; ++l) {
        const std::int32_t size = bits[l] & 0x7fffffff;
        greatest[l] = size > greatest[l] ? size : greatest[l];
      }
    }
    for (std::size_t l = 0; l < W; ++l) {
      const float most = std::bit_cast<float>(greatest[l]);
      passed += most <= ceilings[l] ? 0 : 1;
      nearest = std::max(nearest, most / ceilings[l]);
    }
    samples += static_cast<double>(out.size()) * W;
  }
};

/// Every float from the ceiling to the bound for a step, of one sign after the other frame by frame.
void every_reading(float ceiling, Tally& tally) {
  constexpr int W = 16;
  Held<W> held(LimiterShape{}, std::vector<PeakLimiter<W>::LaneSettings>(W, {.enabled = true, .ceiling = ceiling}));
  float ceilings[W];
  std::fill_n(ceilings, W, ceiling);
  std::vector<Pack<W>> frames(kFrames);
  const auto last = std::bit_cast<std::uint32_t>(kMagnitudeBound);
  for (std::uint32_t bits = std::bit_cast<std::uint32_t>(ceiling); bits <= last;) {
    for (std::size_t n = 0; n < kFrames; n += PeakLimiter<W>::kStepFrames)
      for (int l = 0; l < W; ++l, ++bits) {
        const float reading = std::bit_cast<float>(std::min(bits, last));
        for (std::size_t k = 0; k < PeakLimiter<W>::kStepFrames; ++k)
          set_lane<W>(frames[n + k], l, k % 2 == 0 ? reading : -reading);
      }
    held.limiter.process(frames, frames);
    tally.look<W>(frames, ceilings);
  }
}

/// One stretch of hostile input: a kind for each lane, renewed now and then.
class Hostile {
 public:
  explicit Hostile(std::mt19937& rng) : state_(static_cast<std::uint32_t>(rng()) | 1u) { renew(); }
  float next(float ceiling) {
    if (--left_ == 0) renew();
    ++n_;
    const float noise = static_cast<float>(random()) * 0x1p-31f - 1;
    switch (kind_) {
      case 0:
        return level_ * noise;
      case 1:
        return n_ % period_ == 0 ? level_ : 0.1f * ceiling * noise;  // clicks
      case 2:
        return n_ / period_ % 2 == 0 ? level_ : -level_;  // a square
      case 3:
        return n_ < period_ ? 0.5f * ceiling : level_;  // a step
      case 4:
        return std::bit_cast<float>(std::bit_cast<std::uint32_t>(ceiling) + random() % 64);  // just above
      case 5:
        return (n_ % 2 == 0 ? 1 : -1) * level_ * static_cast<float>(n_ % period_) / static_cast<float>(period_);
      case 6:
        return std::bit_cast<float>(random());  // any bits at all
      default:
        return level_ / static_cast<float>(1 + n_ % period_);  // decays that begin anew
    }
  }

 private:
  std::uint32_t random() {
    state_ ^= state_ << 13, state_ ^= state_ >> 17, state_ ^= state_ << 5;
    return state_;
  }
  void renew() {
    left_ = 64 + random() % 8192;
    n_ = 0;
    kind_ = random() % 8;
    period_ = 1 + random() % 700;
    level_ = std::exp2(static_cast<float>(random() % 4096) / 128 - 16);  // to 96 dB above 0 dBFS
  }
  std::uint32_t state_, left_ = 1, n_ = 0, kind_ = 0, period_ = 1;
  float level_ = 1;
};

template <int W>
void hostile_input(double samples, std::mt19937& rng, Tally& tally) {
  for (const double end = tally.samples + samples; tally.samples < end;) {
    const auto below = [&](std::uint32_t end) { return static_cast<std::uint32_t>(rng() % end); };
    const LimiterShape shape{.look_ahead_samples = below(4) == 0 ? below(4) : below(300),
                             .hold_samples = below(3) == 0 ? 0 : below(600),
                             .true_peak = below(2) == 0};
    std::vector<typename PeakLimiter<W>::LaneSettings> lanes(W);
    float ceilings[W];
    std::vector<Hostile> input;
    for (int l = 0; l < W; ++l) {
      ceilings[l] = std::exp2(static_cast<float>(rng() % 2048) / 100 - 15);
      ceilings[l] = std::clamp(ceilings[l] * (1 + static_cast<float>(rng()) * 0x1p-34f), 1e-6f, kMagnitudeBound);
      const double seconds = std::exp2(static_cast<double>(rng() % 1500) / 100 - 12);
      const float keep = rng() % 5 == 0 ? 0 : static_cast<float>(std::exp(-1 / (48000 * seconds)));
      lanes[static_cast<std::size_t>(l)] = {.enabled = true, .ceiling = ceilings[l], .release_keep = keep};
      input.emplace_back(rng);
    }
    Held<W> held(shape, lanes);
    std::vector<Pack<W>> in(kFrames), out(kFrames);
    for (int block = 0; block < 40; ++block) {
      for (Pack<W>& frame : in)
        for (int l = 0; l < W; ++l) set_lane<W>(frame, l, input[static_cast<std::size_t>(l)].next(ceilings[l]));
      // Again and again from other places: to make input takes longer than to limit it.
      for (std::size_t from = 0; from < kFrames; from += 1 + below(1000)) {
        std::rotate_copy(in.begin(), in.begin() + static_cast<std::ptrdiff_t>(from), in.end(), out.begin());
        held.limiter.process(out, out);
        tally.template look<W>(out, ceilings);
      }
    }
  }
}

void say(const char* what, const Tally& tally, std::chrono::steady_clock::time_point began) {
  const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  std::printf("%-34s %.4g samples, %.0f passed, the nearest at %.8f of its ceiling; %.0f s\n", what, tally.samples,
              tally.passed, static_cast<double>(tally.nearest), seconds);
  std::fflush(stdout);
}

}  // namespace

int main(int argc, char** argv) {
  const double samples = argc > 1 ? std::atof(argv[1]) : 1e10;
  std::mt19937 rng(argc > 2 ? static_cast<std::uint32_t>(std::atoi(argv[2])) : 1);
  double passed = 0;
  auto began = std::chrono::steady_clock::now();
  Tally every;
  std::vector<float> ceilings{PeakLimiter<16>::kMinCeiling, 1.0f, std::nextafter(1.0f, 0.0f),
                              std::nextafter(1.0f, 2.0f)};
  while (ceilings.size() < 64)  // -54 to +6 dBFS, anywhere between two powers of two
    ceilings.push_back(std::exp2(static_cast<float>(rng()) * 0x1p-32f * 10 - 9));
  for (const float ceiling : ceilings) every_reading(ceiling, every);
  say("every reading of 64 ceilings", every, began);
  passed += every.passed;
  const auto attack = [&](auto width, double share, const char* what) {
    began = std::chrono::steady_clock::now();
    Tally tally;
    hostile_input<decltype(width)::value>(share * samples, rng, tally);
    say(what, tally, began);
    passed += tally.passed;
  };
  attack(std::integral_constant<int, 1>{}, 0.1, "hostile input in 1 lane");
  attack(std::integral_constant<int, 4>{}, 0.2, "hostile input in 4 lanes");
  attack(std::integral_constant<int, 8>{}, 0.3, "hostile input in 8 lanes");
  attack(std::integral_constant<int, 16>{}, 0.4, "hostile input in 16 lanes");
  return passed == 0 ? 0 : 1;
}
