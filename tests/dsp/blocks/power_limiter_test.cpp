// Must hold: the theorem at the top of power_limiter.hpp, judged in double on what left the peak limiter behind it.
#include "dsp/blocks/power_limiter.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cfenv>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "dsp/blocks/peak_limiter.hpp"
#include "dsp/design/time_constants.hpp"
namespace {
using namespace rackproof::dsp;
static_assert(noexcept(std::declval<PowerLimiter<1>&>().process({}, {}, std::declval<PeakLimiter<1>&>())));

using Track = std::vector<float>;
constexpr float kNaN = std::numeric_limits<float>::quiet_NaN(), kInf = std::numeric_limits<float>::infinity();
constexpr double kAllowed = 1.01;  // of the threshold's square

std::vector<std::uint32_t> bits(std::span<const float> track) {
  std::vector<std::uint32_t> all;
  for (const float x : track) all.push_back(std::bit_cast<std::uint32_t>(x));
  return all;
}
double ratio_of(double db) { return std::pow(10, db / 20); }
double db_of(double square) { return 10 * std::log10(square); }

/// An output: what its two limiters are set to.
struct Set {
  double time_s = 2;
  double peak_db = 8;  ///< the ceiling over the threshold
  double rate_hz = 48000;
  std::uint32_t look_ahead = 96, hold = 0;
  bool true_peak = false;
  double release_s = 0.1;
  float threshold = 0.1f;
  bool enabled = true;

  LimiterShape shape() const { return {look_ahead, hold, true_peak}; }
  std::size_t latency() const { return PeakLimiter<1>::latency_samples(shape()); }
  float ceiling() const {
    return std::min(kMagnitudeBound, static_cast<float>(static_cast<double>(threshold) * ratio_of(peak_db)));
  }
  float forget() const {
    float f = 0;
    EXPECT_TRUE(forget_per_grid(time_s, rate_hz, f));
    return f;
  }
  std::size_t frames(double seconds) const { return static_cast<std::size_t>(seconds * rate_hz) / 64 * 64; }
  std::string words() const {
    return std::to_string(time_s) + " s at " + std::to_string(rate_hz) + " Hz, P/T " + std::to_string(peak_db) +
           " dB, look-ahead " + std::to_string(look_ahead) + (true_peak ? ", true peak" : "") + ", release " +
           std::to_string(release_s) + " s";
  }
};

/// Both limiters of W outputs, with memory of their own and a fence behind it. `Peak`: what stands behind.
template <int W, class Peak = PeakLimiter<W>>
class Pair {
 public:
  PowerLimiter<W> power;
  Peak peak;

  explicit Pair(const std::vector<Set>& sets) {
    std::vector<LimiterShape> shapes;
    std::vector<typename PeakLimiter<W>::LaneSettings> peaks;
    for (const Set& s : sets) {
      shapes.push_back(s.shape());
      float keep = 0;
      EXPECT_TRUE(keep_per_sample(s.release_s, s.rate_hz, keep));
      peaks.push_back({true, s.ceiling(), keep});
      lanes_.push_back({s.enabled, s.threshold, s.forget(), s.ceiling(), static_cast<std::uint32_t>(s.latency())});
    }
    const auto needed = PeakLimiter<W>::required(shapes);
    values_.resize(needed.values);
    integers_.resize(needed.integers);
    EXPECT_EQ(peak.configure(shapes, peaks, values_, integers_), Setup::ok);
    memory_.assign(PowerLimiter<W>::required_values(lanes_) + 1, broadcast<W>(42.0f));
    EXPECT_EQ(power.configure(lanes_, std::span(memory_).first(memory_.size() - 1)), Setup::ok);
  }
  explicit Pair(const Set& set) : Pair(std::vector<Set>{set}) {}
  ~Pair() { EXPECT_EQ(lane<W>(memory_.back(), 0), 42.0f) << "wrote past its memory"; }
  Pair(const Pair&) = delete;
  Pair& operator=(const Pair&) = delete;

  void reset() {
    power.reset();
    peak.reset();
  }
  std::vector<Track> run(const std::vector<Track>& tracks, std::size_t cut = 64) {  // in place, as the chain calls it
    std::vector<Pack<W>> packs(tracks[0].size(), Pack<W>{});
    for (std::size_t l = 0; l < tracks.size(); ++l)
      for (std::size_t n = 0; n < packs.size(); ++n) set_lane<W>(packs[n], static_cast<int>(l), tracks[l][n]);
    for (std::size_t n = 0; n < packs.size(); n += cut) {
      const std::span piece(&packs[n], std::min(cut, packs.size() - n));
      power.process(piece, piece, peak);
    }
    std::vector<Track> out(tracks.size());
    for (std::size_t l = 0; l < tracks.size(); ++l)
      for (const Pack<W>& pack : packs) out[l].push_back(lane<W>(pack, static_cast<int>(l)));
    return out;
  }
  Track run(const Track& track, std::size_t cut = 64) { return run(std::vector<Track>{track}, cut)[0]; }

 private:
  std::vector<typename PowerLimiter<W>::LaneSettings> lanes_;
  std::vector<Pack<W>> values_, memory_;
  std::vector<PackInt<W>> integers_;
};
Track run(const Set& set, const Track& track, std::size_t cut = 64) { return Pair<1>(set).run(track, cut); }

/// The heat of what left in double, in units of the threshold's square, by every reading that the theorem names.
class Judge {
 public:
  explicit Judge(const Set& set)
      : unit_(static_cast<double>(set.threshold) * static_cast<double>(set.threshold)),
        keep_(std::exp(-1 / (set.time_s * set.rate_hz))),
        forget_(-std::expm1(-64 / (set.time_s * set.rate_hz))),
        // Cells as they entered, and cells that begin elsewhere.
        cells_{{set.latency() % 64}, {(set.latency() + 21) % 64}, {(set.latency() + 37) % 64}} {}
  void hear(std::span<const float> out) {
    for (const float sample : out) {
      const double square = static_cast<double>(sample) * static_cast<double>(sample) / unit_;
      heat_ = keep_ * heat_ + (1 - keep_) * square;
      greatest_ = std::max(greatest_, heat_);
      for (Cells& c : cells_) {
        c.sum += square;
        if (frame_ % 64 != (c.begin + 63) % 64) continue;
        c.heat += forget_ * (c.sum / 64 - c.heat);
        c.sum = 0;
        greatest_ = std::max(greatest_, c.heat);
      }
      ++frame_;
    }
  }
  double greatest() const { return greatest_; }
  double heat() const { return heat_; }
  void go_on_from(double heat) {
    heat_ = greatest_ = heat;
    for (Cells& c : cells_) c.heat = heat;
  }
  void forget_greatest() { greatest_ = heat_; }

 private:
  struct Cells {
    std::size_t begin = 0;
    double heat = 0, sum = 0;
  };
  double unit_, keep_, forget_, heat_ = 0, greatest_ = 0;
  Cells cells_[3];
  std::size_t frame_ = 0;
};
double greatest_heat(const Set& set, const Track& out) {
  Judge judge(set);
  judge.hear(out);
  return judge.greatest();
}
/// Mean square of the last `seconds`, over the threshold's, in dB.
double level_db(const Set& set, const Track& out, double seconds) {
  double sum = 0;
  const std::size_t frames = set.frames(seconds);
  for (std::size_t n = out.size() - frames; n < out.size(); ++n)
    sum += static_cast<double>(out[n]) * static_cast<double>(out[n]);
  return db_of(sum / static_cast<double>(frames)) - 20 * std::log10(static_cast<double>(set.threshold));
}

/// `over_db`: RMS over the threshold.
Track sine(const Set& set, double seconds, double hz, double over_db) {
  Track track(set.frames(seconds));
  const double peak = std::numbers::sqrt2 * static_cast<double>(set.threshold) * ratio_of(over_db);
  for (std::size_t n = 0; n < track.size(); ++n)
    track[n] = static_cast<float>(peak * std::sin(2 * std::numbers::pi * hz * static_cast<double>(n) / set.rate_hz));
  return track;
}
double uniform(std::mt19937& rng) { return static_cast<double>(rng()) * 0x1p-32; }  // 0 .. 1
Track noise(std::size_t frames, float peak, unsigned seed) {
  Track track(frames);
  std::mt19937 rng(seed);
  for (float& x : track) x = peak * static_cast<float>(2 * uniform(rng) - 1);
  return track;
}
/// Pink within 1 dB from 20 Hz up: first-order sections an octave and a half apart, weighted evenly; its crests held to
/// 12 dB.
Track pink(const Set& set, double seconds, double over_db, unsigned seed) {
  std::mt19937 rng(seed);
  std::vector<double> x(set.frames(seconds));
  double poles[8] = {}, keeps[8], gains[8];
  for (int k = 0; k < 8; ++k) {
    keeps[k] = std::exp(-2 * std::numbers::pi * 20 * std::pow(2.0, 1.5 * k) / set.rate_hz);
    gains[k] = std::sqrt(1 - keeps[k] * keeps[k]);
  }
  for (double& sample : x)
    for (int k = 0; k < 8; ++k) {
      poles[k] = keeps[k] * poles[k] + gains[k] * (2 * uniform(rng) - 1);
      sample += poles[k];
    }
  const auto rms_of = [&] {
    double sum = 0;
    for (const double sample : x) sum += sample * sample;
    return std::sqrt(sum / static_cast<double>(x.size()));
  };
  for (int round = 0; round < 4; ++round) {
    const double crest = ratio_of(12) * rms_of();
    for (double& sample : x) sample = std::clamp(sample, -crest, crest);
  }
  const double gain = static_cast<double>(set.threshold) * ratio_of(over_db) / rms_of();
  Track track;
  for (const double sample : x) track.push_back(static_cast<float>(gain * sample));
  return track;
}
Track joined(Track a, const Track& b) {
  a.insert(a.end(), b.begin(), b.end());
  return a;
}
/// Stretches of 1 to 100 000 frames, half of them ending on the grid, 30 dB up and down, of all kinds: what could find
/// a gap between two cells. A few samples that are no numbers.
Track hostile(const Set& set, std::size_t frames, unsigned seed) {
  std::mt19937 rng(seed);
  Track x(frames);
  double level = 0;
  std::size_t next = 0;
  unsigned kind = 0;
  for (std::size_t n = 0; n < frames; ++n) {
    if (n >= next) {
      next = n + 1 + static_cast<std::size_t>(std::pow(10.0, 5 * uniform(rng)));
      if (uniform(rng) < 0.5) next = (next + 63) / 64 * 64;
      level = uniform(rng) < 0.2 ? 0 : static_cast<double>(set.threshold) * ratio_of(60 * uniform(rng) - 30);
      kind = static_cast<unsigned>(rng() % 6);
    }
    const double t = static_cast<double>(n);
    const double sample = kind == 0   ? level
                          : kind == 1 ? (n % 2 == 0 ? level : -level)
                          : kind == 2 ? level * (2 * uniform(rng) - 1)
                          : kind == 3 ? level * std::sin(t * 0.003 * (1 + seed % 97))
                          : kind == 4 ? (uniform(rng) < 0.01 ? 30 * level : 0)
                                      : (n % 64 == 0 ? 8 * level : 0);
    x[n] = static_cast<float>(sample);
    if (rng() % 5000 == 0) x[n] = rng() % 2 == 0 ? kNaN : n % 3 == 0 ? kInf : -std::numeric_limits<float>::max();
  }
  return x;
}
Set any_set(std::mt19937& rng) {
  constexpr double kRates[] = {44100, 48000, 96000, 192000};
  Set set;
  set.rate_hz = kRates[rng() % 4];
  set.time_s = 0.05 * std::pow(1200.0, uniform(rng));  // 50 ms .. 60 s
  if (rng() % 2 == 0) set.time_s = 0.05 * std::pow(20.0, uniform(rng));
  set.peak_db = 25 * uniform(rng) - 2;
  set.threshold = static_cast<float>(std::pow(10.0, -3 * uniform(rng)));
  const auto below = [&](unsigned limit) { return static_cast<std::uint32_t>(rng() % limit); };
  set.look_ahead = below(4) == 0 ? below(4) : below(4) == 0 ? below(3000) : 96;
  set.hold = below(3) == 0 ? below(1000) : 0;
  set.true_peak = rng() % 2 == 0;
  set.release_s = 1e-3 * std::pow(1000.0, uniform(rng));
  return set;
}

// ---- the bound ------------------------------------------------------------------------------------------------------

TEST(PowerLimiter, NoHostileInputHeatsMoreThanOnePercentOverTheThreshold) {
  double worst = 0;
  for (unsigned trial = 0; trial < 120; ++trial) {
    std::mt19937 rng(trial);
    const Set set = any_set(rng);
    const Track in = hostile(set, set.frames(std::min(1.5, 0.2 + 3 * set.time_s) * 48000 / set.rate_hz), 100 + trial);
    const double greatest = greatest_heat(set, run(set, in));
    ASSERT_LE(greatest, kAllowed) << set.words() << ", trial " << trial;
    worst = std::max(worst, greatest);
  }
  EXPECT_GT(worst, 0.98) << "control: the attack gets near the bound, and so would find a way past it";
}
TEST(PowerLimiter, NoStepHeatsMoreFromColdOrFromJustBelow) {
  double least = 1;
  for (const double time_s : {0.05, 0.3, 2.0})
    for (const double peak_db : {5.0, 10.0, 20.0})
      for (const double over_db : {3.0, 12.0, 24.0})
        for (const bool warm : {false, true}) {
          if (time_s > 1 && peak_db != 10) continue;
          const Set set{.time_s = time_s, .peak_db = peak_db, .true_peak = warm};
          const Track before = warm ? sine(set, 5 * time_s, 997, -0.1) : Track{};
          const Track out = run(set, joined(before, sine(set, 3 * time_s, 997, over_db)));
          const double greatest = greatest_heat(set, out);
          ASSERT_LE(greatest, kAllowed) << set.words() << ", " << over_db << " dB over, " << warm;
          if (time_s > 0.1)
            least = std::min(least, greatest);  // else the peak limiter's release is longer than the step
        }
  EXPECT_GT(least, 0.9) << "and no step is kept from what the coil may have";
}
TEST(PowerLimiter, NoBurstsHeatMoreAndFewAreTouched) {
  for (const double time_s : {0.05, 0.3, 1.0})
    for (const double over_db : {6.0, 12.0, 24.0})
      for (const std::size_t on : {std::size_t{0}, std::size_t{64}, std::size_t{50}}) {  // 0: a thermal time
        const Set set{.time_s = time_s};
        Track in = sine(set, 12 * time_s, on == 0 ? 100 : 750, over_db);
        const std::size_t burst = on == 0 ? set.frames(time_s) : on;
        for (std::size_t n = 0; n < in.size(); ++n)
          if (n % (6 * burst) >= burst) in[n] = 0;
        const Track out = run(set, in);
        const double greatest = greatest_heat(set, out);
        ASSERT_LE(greatest, kAllowed) << set.words() << ", " << over_db << " dB over, " << on;
        EXPECT_TRUE(on > 0 || greatest > 0.75) << set.words() << ", " << over_db;  // no more is taken than must be
      }
  // A cell on, five off, 12 dB over the threshold: a sixth of that is 4.2 dB over, of which a coil of 2 s has 78 % in
  // 0.7 s.
  const Set slow{.time_s = 2, .peak_db = 30};
  Track in = sine(slow, 0.7, 750, 12);
  for (std::size_t n = 0; n < in.size(); ++n)
    if (n % 384 >= 64) in[n] = 0;
  const Track out = run(slow, in);
  EXPECT_EQ(bits(std::span(out).subspan(slow.latency())), bits(std::span(in).first(in.size() - slow.latency())));
}
TEST(PowerLimiter, PinkNoiseGivesAwayLittle) {
  const Set low{.time_s = 2, .peak_db = 8}, high{.time_s = 2, .peak_db = 12};
  for (const double over_db : {6.0, 12.0}) {
    for (const Set& set : {low, high}) {
      const Track out = run(set, pink(set, 9, over_db, 5));
      EXPECT_LE(greatest_heat(set, out), kAllowed);
      // Counting what entered instead of what left gave 2.2 dB away at a ceiling 8 dB over the threshold.
      EXPECT_GT(level_db(set, out, 5), -1.5) << set.words() << ", " << over_db;
    }
  }
}
/// A peak limiter that is not told what heat is left, and one from whose output 1 % more volts come.
struct Deaf : PeakLimiter<1> {
  void bound_ceiling(float) noexcept {}
};
TEST(PowerLimiter, WithoutTheCeilingsItsGainAloneDoesNotHoldIt) {
  const Set set{.time_s = 0.3, .peak_db = 20};
  const Track in = joined(sine(set, 2, 997, -0.4), Track(640, 1.0f));
  EXPECT_LE(greatest_heat(set, run(set, in)), kAllowed);
  Pair<1, Deaf> deaf(set);
  EXPECT_GT(greatest_heat(set, deaf.run(in)), 1.2);
}
TEST(PowerLimiter, KnowsAtLeastTheHeatThatLeftAndHardlyMore) {
  for (const double time_s : {0.05, 0.5, 10.0})
    for (const std::uint32_t look_ahead : {0u, 55u, 64u, 96u, 1000u}) {
      const Set set{.time_s = time_s, .peak_db = 6, .look_ahead = look_ahead, .true_peak = look_ahead == 55};
      Pair<1> pair(set);
      Judge judge(set);
      const double unit = static_cast<double>(set.threshold) * static_cast<double>(set.threshold);
      const auto known = [&] { return static_cast<double>(pair.power.heat(0).mean_square) / unit; };
      const Track loud = hostile(set, 64 * 400, look_ahead);
      for (std::size_t n = 0; n < loud.size(); n += 64) {
        judge.hear(pair.run(Track(&loud[n], &loud[n] + 64)));
        // What has left until now stood `latency` earlier among what has entered: it has not cooled as long.
        const double cooled = std::exp(-static_cast<double>(set.latency()) / (set.time_s * set.rate_hz));
        ASSERT_GE(known(), cooled * judge.heat() * (1 - 1e-5) - 1e-9) << set.words() << ", frame " << n;
      }
      // Silence until all has left: then they differ by what a pole a cell and a pole a sample differ by, f/2, twice,
      // and by the latency, in which the coil has not cooled yet.
      const Track silence(set.latency() / 64 * 64 + 128, 0.0f);
      judge.hear(pair.run(silence));
      const double cooled = std::exp(-static_cast<double>(set.latency()) / (set.time_s * set.rate_hz));
      const double differ = static_cast<double>(set.forget()) + 64 / (set.time_s * set.rate_hz) + 1e-4;
      EXPECT_NEAR(known(), cooled * judge.heat(), differ * judge.heat() + 1e-6) << set.words();
    }
}

// ---- what is left alone, and where it settles -----------------------------------------------------------------------

TEST(PowerLimiter, LeavesWhatIsBelowBitForBit) {
  for (const double time_s : {0.05, 0.3, 1.0})
    for (const double hz : {100.0, 997.0, 15000.0}) {
      const Set set{.time_s = time_s, .peak_db = time_s < 0.1 ? 3.5 : 8};
      Track in = sine(set, 8 * time_s, hz, -0.31);
      for (std::size_t n = 0; n < in.size(); n += 101) in[n] = n % 2 == 0 ? -0.0f : 1e-42f;
      const Track out = run(set, in);
      EXPECT_EQ(bits(std::span(out).subspan(set.latency())), bits(std::span(in).first(in.size() - set.latency())))
          << set.words();
      const Track louder = sine(set, 8 * time_s, hz, 0.1), touched = run(set, louder);  // control
      EXPECT_NE(bits(std::span(touched).subspan(set.latency())),
                bits(std::span(louder).first(louder.size() - set.latency())));
    }
}
TEST(PowerLimiter, LeavesEveryProgrammeWhoseHeatStaysBelow) {
  for (unsigned seed = 0; seed < 12; ++seed) {
    std::mt19937 rng(seed);
    const Set set{.time_s = 0.2 * std::pow(20.0, uniform(rng)), .peak_db = 30};
    Track in = seed % 3 == 0 ? pink(set, 3, 0, seed) : noise(set.frames(3), 0.2f, seed);
    if (seed % 3 == 2)
      for (std::size_t n = 0; n < in.size(); ++n)
        if (n / 3000 % 4 != 0) in[n] *= 0.1f;
    // To 0.3 dB below by a pole a cell, or, where that is less, to what one sample may be.
    const double f = static_cast<double>(set.forget()), threshold = static_cast<double>(set.threshold);
    double heat = 0, most = 0, crest = 0, sum = 0;
    for (std::size_t n = 0; n < in.size(); ++n) {
      const double x = static_cast<double>(in[n]) / threshold;
      sum += x * x;
      crest = std::max(crest, std::abs(x));
      if (n % 64 != 63) continue;
      heat += f * (sum / 64 - heat);
      most = std::max(most, heat);
      sum = 0;
    }
    const double gain = std::min(std::sqrt(ratio_of(-0.6) / most), std::sqrt(0.07 / f) / crest) * (1 - 1e-5);
    for (float& x : in) x = static_cast<float>(gain * static_cast<double>(x));
    const Track out = run(set, in);
    EXPECT_EQ(bits(std::span(out).subspan(set.latency())), bits(std::span(in).first(in.size() - set.latency())))
        << set.words();
  }
}
TEST(PowerLimiter, ALastingSineSettlesWithinThreeTenthsOfADecibel) {
  for (const double rate_hz : {44100.0, 96000.0})
    for (const double time_s : {0.05, 0.2, 0.7})
      for (const double peak_db : {3.2, 8.0, 20.0})
        for (const double over_db : {0.1, 3.0, 24.0}) {
          if (rate_hz > 50000 && time_s > 0.5) continue;
          const Set set{.time_s = time_s, .peak_db = peak_db, .rate_hz = rate_hz, .true_peak = peak_db > 5};
          for (const double hz : {10 / time_s, 997.0}) {
            const Track out = run(set, sine(set, 10 * time_s + 0.5, hz, over_db));
            const double db = level_db(set, out, 2 * time_s);
            ASSERT_LE(db, 0.0) << set.words() << ", " << hz << " Hz, " << over_db << " dB over";
            ASSERT_GE(db, -0.3) << set.words() << ", " << hz << " Hz, " << over_db << " dB over";
          }
        }
}
TEST(PowerLimiter, PassesAnythingWhereNotEnabled) {
  const Track loud = noise(10000, 60.0f, 2);
  const Set set{.peak_db = 200, .look_ahead = 0, .threshold = kMagnitudeBound, .enabled = false};
  const Track out_of_both = run(set, loud);
  EXPECT_EQ(bits(std::span(out_of_both).subspan(set.latency())),
            bits(std::span(loud).first(loud.size() - set.latency())));
  PowerLimiter<1> fresh;
  PeakLimiter<1> behind;
  Track out(loud.size());
  fresh.process(loud, out, behind);
  EXPECT_EQ(bits(out), bits(loud));
  EXPECT_EQ(fresh.heat(0).mean_square, 0.0f);
}
TEST(PowerLimiter, NeverAmplifies) {
  for (unsigned seed = 0; seed < 20; ++seed) {
    std::mt19937 rng(seed);
    const Set set = any_set(rng);
    Track in = hostile(set, 64 * 500, seed);
    for (float& x : in) x = std::isfinite(x) ? std::clamp(x, -kMagnitudeBound, kMagnitudeBound) : 0.0f;
    const Track out = run(set, in);
    for (std::size_t n = set.latency(); n < out.size(); ++n)
      ASSERT_LE(std::abs(out[n]), std::abs(in[n - set.latency()])) << set.words() << ", frame " << n;
  }
}
TEST(PowerLimiter, FallsOverWhateverTheGainTakes) {  // the gain comes back as the level's pole forgets
  const Set set{.time_s = 0.1, .peak_db = 20};
  Pair<1> pair(set);
  pair.run(sine(set, 1, 997, 20));
  EXPECT_LT(pair.power.take_least_gain(0), 0.15f);
  pair.run(Track(set.frames(0.1 * 8), 0.0f));
  static_cast<void>(pair.power.take_least_gain(0));
  const Track quiet = sine(set, 0.2, 997, -3);
  const Track out = pair.run(quiet);
  EXPECT_EQ(pair.power.take_least_gain(0), 1.0f);
  EXPECT_EQ(bits(std::span(out).subspan(set.latency())), bits(std::span(quiet).first(quiet.size() - set.latency())));
}

// ---- its state ------------------------------------------------------------------------------------------------------

TEST(PowerLimiter, SlowPolesDoNotStall) {
  const Set set{.time_s = 60, .peak_db = 30, .rate_hz = 192000, .look_ahead = 0, .threshold = 1.0f};
  Pair<1> pair(set);
  const double forget = static_cast<double>(set.forget());
  const Track cell(64, 0.9f);
  Track out(64);
  float plain = 0.995f * 0.81f;
  pair.power.adopt(0, {.mean_square = plain, .level = 0});
  double mean_square = static_cast<double>(plain);
  for (int i = 0; i < 200000; ++i) {
    pair.power.process(cell, out, pair.peak);
    mean_square += forget * (0.9 * 0.9 - mean_square);
    plain += set.forget() * (0.81f - plain);
  }
  EXPECT_NEAR(static_cast<double>(pair.power.heat(0).mean_square) / mean_square, 1.0, 64 * 0x1p-24);
  EXPECT_GT(std::abs(static_cast<double>(plain) / mean_square - 1.0), 1e-3);  // control: a plain pole stalls
}
TEST(PowerLimiter, NoInputHarmsIt) {
  const Set set{.time_s = 0.1, .threshold = 0.5f};
  const Track in = noise(64 * 800, 2.0f, 7);
  Track bad = in;
  for (std::size_t n = 0; n < 64 * 20; n += 3) bad[n] = n % 2 == 0 ? kNaN : n % 5 == 0 ? -kInf : kInf;
  for (std::size_t n = 1; n < 64 * 20; n += 3) bad[n] = std::numeric_limits<float>::max();
  const Track out = run(set, bad), clean = run(set, in);
  EXPECT_LE(greatest_heat(set, out), kAllowed);
  EXPECT_GT(greatest_heat(set, out), 0.8) << "what is huge counts as what the core carries at most";
  for (std::size_t n = in.size() - 640; n < in.size(); ++n) ASSERT_NEAR(out[n], clean[n], 2e-3f);  // forgotten
}
TEST(PowerLimiter, ACellWithABadSampleIsHotOnlyUntilItHasLeft) {
  const Set set{.time_s = 2};
  Pair<1> pair(set);
  Track cell(64, 0.01f);
  cell[20] = kNaN;
  pair.run(cell);
  const double unit = static_cast<double>(set.threshold) * static_cast<double>(set.threshold);
  const double most = static_cast<double>(set.forget()) * ratio_of(2 * set.peak_db) * unit;
  EXPECT_NEAR(static_cast<double>(pair.power.heat(0).mean_square), most, 1e-3 * most);
  pair.run(Track(64 * 3, 0.01f));
  EXPECT_NEAR(static_cast<double>(pair.power.heat(0).mean_square), 4 * static_cast<double>(set.forget()) * 1e-4,
              1e-2 * 4 * static_cast<double>(set.forget()) * 1e-4);
}
TEST(PowerLimiter, FallsToExactlyOneAndZeroNeverSubnormal) {
  for (const double time_s : {0.05, 0.5}) {
    const Set set{.time_s = time_s, .true_peak = true, .threshold = 0.01f};
    Pair<1> pair(set);
    pair.run(noise(64 * 300, 1.0f, 8));
    std::feclearexcept(FE_ALL_EXCEPT);
    for (int cell = 0; cell < 22000; ++cell) {
      Track quiet(64, cell % 2 == 0 ? 1e-20f : 1e-30f);
      pair.power.process(quiet, quiet, pair.peak);
      ASSERT_NE(std::fpclassify(pair.power.heat(0).mean_square), FP_SUBNORMAL);
    }
    EXPECT_EQ(std::fetestexcept(FE_UNDERFLOW), 0);
    EXPECT_EQ(pair.power.heat(0).mean_square, 0.0f);
    EXPECT_EQ(pair.power.heat(0).level, 0.0f);
    static_cast<void>(pair.power.take_least_gain(0));
    pair.run(Track(640, 0.0f));
    EXPECT_EQ(pair.power.take_least_gain(0), 1.0f);
  }
}
/// The bits of each lane by itself, from blocks of 64.
template <int W>
void expect_the_bits_of_one_lane() {
  const std::vector<LimiterShape> kinds[] = {{{96, 0, false}},
                                             {{0, 0, false}, {33, 2, false}, {64, 90, false}, {700, 40, false}},
                                             {{48, 200, true}, {1, 0, true}, {55, 20, true}, {95, 3, true}}};
  for (const std::vector<LimiterShape>& kind : kinds) {
    std::vector<Track> tracks, wanted;
    std::vector<Set> sets;
    std::vector<float> heats;
    for (unsigned l = 0; l < static_cast<unsigned>(W); ++l) {
      const LimiterShape shape = kind[l % kind.size()];
      sets.push_back({.time_s = l % 2 == 0 ? 0.06 : 0.7,
                      .peak_db = 4.0 + l,
                      .look_ahead = shape.look_ahead_samples,
                      .hold = shape.hold_samples,
                      .true_peak = shape.true_peak,
                      .threshold = 0.05f * static_cast<float>(l + 1),
                      .enabled = l != 3});
      tracks.push_back(hostile(sets[l], 64 * 150 + 17, 20 + l));
      Pair<1> one(sets[l]);
      wanted.push_back(one.run(tracks[l]));
      heats.push_back(one.power.heat(0).mean_square);
    }
    Pair<W> wide(sets);
    for (const std::size_t cut : {std::size_t{1}, std::size_t{7}, std::size_t{64}, tracks[0].size()}) {
      wide.reset();
      const std::vector<Track> out = wide.run(tracks, cut);
      for (std::size_t l = 0; l < out.size(); ++l) {
        EXPECT_EQ(bits(out[l]), bits(wanted[l])) << "lane " << l << " of " << W << ", blocks of " << cut;
        EXPECT_EQ(wide.power.heat(static_cast<int>(l)).mean_square, heats[l]);
      }
    }
  }
}
TEST(PowerLimiter, HasTheSameBitsForEveryCutAndWidth) {
  expect_the_bits_of_one_lane<1>();
  expect_the_bits_of_one_lane<4>();
#if defined(__AVX2__)
  expect_the_bits_of_one_lane<8>();
#endif
}
TEST(PowerLimiter, MetersTheLeastGainSinceItWasRead) {
  const Set set{.time_s = 0.1, .peak_db = 20};
  for (const std::size_t cut : {1u, 7u, 64u, 640u}) {
    Pair<1> pair(set);
    pair.run(sine(set, 0.05, 997, -3), cut);
    EXPECT_EQ(pair.power.take_least_gain(0), 1.0f);
    pair.run(sine(set, 1, 997, 6), cut);
    const float least = pair.power.take_least_gain(0);
    EXPECT_LT(20 * std::log10(least), -6.0f);
    EXPECT_GT(20 * std::log10(least), -9.0f);
    pair.run(sine(set, 0.1, 997, 6), cut);
    EXPECT_NEAR(20 * std::log10(pair.power.take_least_gain(0)), -6.25f, 0.15f) << "the gain has settled by now";
  }
}

// ---- from one limiter to the next -----------------------------------------------------------------------------------

// Of an input of plus and minus a power of two, far below the peak limiter, the output is the gain itself.
TEST(PowerLimiter, MetersTheLeastGainOfEveryFewFramesExactly) {
  const Set set{.time_s = 0.5, .peak_db = 20};
  const float size = 0.25f;  // 8 dB over the threshold
  const std::size_t latency = set.latency();
  for (const std::size_t every : {1u, 10u, 64u, 100u}) {
    Pair<1> pair(set);
    std::vector<float> least;
    Track out;
    for (std::size_t n = 0; n < 64 * 800 + latency; n += every) {
      const float x = n < 64 * 300 ? size : size / 16;  // the gain falls, then comes back
      Track piece(every, x);
      for (std::size_t i = 0; i < every; ++i) piece[i] = (n + i) % 2 == 0 ? x : -x;
      const Track came = pair.run(piece, every);
      out.insert(out.end(), came.begin(), came.end());
      least.push_back(pair.power.take_least_gain(0));
    }
    std::size_t falls = 0, comes_back = 0;
    for (std::size_t k = 0; k * every + latency + every <= out.size(); ++k) {
      const float x = k * every < 64 * 300 ? size : size / 16;
      float right = 1;
      for (std::size_t n = k * every; n < (k + 1) * every; ++n) right = std::min(right, std::abs(out[n + latency]) / x);
      ASSERT_EQ(least[k], right) << "frames " << k * every << " on, every " << every;
      falls += k > 0 && least[k] < least[k - 1];
      comes_back += k > 0 && least[k] > least[k - 1];
    }
    EXPECT_GT(falls, 50u);
    EXPECT_GT(comes_back, 50u);
  }
}
TEST(PowerLimiter, GoesOnWithTheGreaterHeat) {
  const Set set{.time_s = 1, .peak_db = 12};
  const Track before = sine(set, 3, 997, 9), after = sine(set, 2, 997, 9);
  Pair<1> first(set);
  Judge judge(set);
  judge.hear(first.run(before));
  judge.forget_greatest();
  EXPECT_GT(judge.heat(), 0.9);
  for (const std::size_t primed : {std::size_t{0}, std::size_t{64 * 30}, std::size_t{64 * 30 + 11}}) {
    Pair<1> heir(set), heedless(set);
    heir.run(Track(before.end() - static_cast<std::ptrdiff_t>(primed), before.end()), 61);
    heir.power.adopt(0, first.power.heat(0));
    Judge judged = judge, without = judge;
    const Track out = heir.run(after);
    judged.hear(out);
    without.hear(heedless.run(after));
    EXPECT_LE(judged.greatest(), kAllowed) << primed;
    EXPECT_GT(without.greatest(), 1.5) << "control: one that thinks the coil cold";
    EXPECT_NEAR(level_db(set, out, 1.5), -0.25, 0.1) << "and the level stays where it was";
  }
  // The other way round nothing changes: its own heat is greater.
  const CoilHeat own = first.power.heat(0);
  first.power.adopt(0, {});
  EXPECT_EQ(first.power.heat(0).mean_square, own.mean_square);
  EXPECT_EQ(first.power.heat(0).level, own.level);
}
TEST(PowerLimiter, AdoptedInTheMiddleOfHotCellsItTakesNothingOffThatItHadNotCounted) {
  const Set set{.time_s = 0.3, .peak_db = 3.5, .look_ahead = 500};
  Pair<1> pair(set);
  Track hot(64 * 6, 0.0f);  // six cells on their way that are counted as far too hot: one sample of each leaves
  for (std::size_t n = 32; n < hot.size(); n += 64) hot[n] = 60.0f;
  pair.run(hot);
  const double unit = static_cast<double>(set.threshold) * static_cast<double>(set.threshold);
  EXPECT_GT(static_cast<double>(pair.power.heat(0).mean_square) / unit, 0.01) << "control: they were counted";
  pair.power.adopt(0, {.mean_square = static_cast<float>(0.95 * unit), .level = 0});
  double cooling = 0.95;
  for (int cell = 0; cell < 60; ++cell) {
    pair.run(Track(64, 0.0f));
    cooling *= 1 - static_cast<double>(set.forget());
    ASSERT_GE(static_cast<double>(pair.power.heat(0).mean_square) / unit, cooling * (1 - 1e-5)) << cell;
  }
}
// The ceiling of the cell that begins there knows the heat already: a cell at the peak limiter's own would bring 0.2 more.
TEST(PowerLimiter, AdoptedAtAPointOfTheGridTheNextCellIsHeldAlready) {
  const Set set{.time_s = 0.1, .peak_db = 12, .look_ahead = 8};
  const float unit = set.threshold * set.threshold;
  Pair<1> pair(set);
  pair.power.adopt(0, {.mean_square = 0.99f * unit, .level = 0});
  Judge judge(set);
  judge.go_on_from(0.99);
  judge.hear(pair.run(Track(64 * 100, 60.0f)));
  EXPECT_LE(judge.greatest(), kAllowed);
  Pair<1> cold(set);
  Judge judged_cold(set);
  judged_cold.go_on_from(0.99);
  judged_cold.hear(cold.run(Track(64 * 100, 60.0f)));
  EXPECT_GT(judged_cold.greatest(), 1.1) << "control: one that was not told";
}
// Compared by its output and by its heat, after each cell. It is reset while its gain moves, in the middle of hot cells;
// what comes then is not so hot that its budget alone counts.
TEST(PowerLimiter, AResetIsAsJustConfiguredFromEveryPlaceOfTheGrid) {
  for (const std::uint32_t look_ahead : {8u, 200u}) {
    const Set set{.time_s = 0.2, .peak_db = 20, .look_ahead = look_ahead};
    const Track before = noise(64 * 26, 1.2f, 5), after = noise(64 * 40, 0.2f, 6);
    for (std::size_t stop = 1; stop <= 64; ++stop) {
      Pair<1> used(set), fresh(set);
      used.run(Track(before.begin(), before.end() - 64));
      const float gain_before = used.power.take_least_gain(0);
      used.run(Track(before.end() - 64, before.end() - static_cast<std::ptrdiff_t>(64 - stop)));
      if (stop > 1) {
        ASSERT_NE(used.power.take_least_gain(0), gain_before) << "control: the gain moves";
      }
      used.reset();
      for (std::size_t n = 0; n < after.size(); n += 64) {
        const Track cell(&after[n], &after[n] + 64);
        ASSERT_EQ(bits(used.run(cell)), bits(fresh.run(cell))) << stop << ", frame " << n;
        const CoilHeat heat = used.power.heat(0), right = fresh.power.heat(0);
        ASSERT_EQ(heat.mean_square, right.mean_square) << stop << ", frame " << n;
        ASSERT_EQ(heat.level, right.level) << stop << ", frame " << n;
      }
    }
  }
}
TEST(PowerLimiter, FromAHotterCoilItCools) {
  const Set set{.time_s = 0.5, .peak_db = 15};
  const double unit = static_cast<double>(set.threshold) * static_cast<double>(set.threshold);
  Pair<1> pair(set);
  pair.power.adopt(0, {.mean_square = static_cast<float>(4 * unit), .level = static_cast<float>(4 * unit)});
  Judge judge(set);
  judge.go_on_from(4);
  const Track in = hostile(set, 64 * 2000, 3);
  double before = 4;
  bool allowed = false;
  for (std::size_t n = 0; n < in.size(); n += 64) {
    judge.hear(pair.run(Track(&in[n], &in[n] + 64)));
    allowed = allowed || judge.heat() < 1;
    if (allowed) {
      ASSERT_LE(judge.heat(), kAllowed);
    } else if (n >= 192) {
      ASSERT_LT(judge.heat(), before) << n;
    }
    before = judge.heat();
  }
  // ln((4 - 0.25) / (1 - 0.25)) = 1.6 thermal times at the loudest.
  EXPECT_TRUE(allowed) << "it cools in the time that it has";
}

TEST(PowerLimiter, RefusedSetupLeavesItAsItWas) {
  using Limiter = PowerLimiter<1>;
  using Lane = Limiter::LaneSettings;
  const Set set{.time_s = 0.1, .threshold = 0.25f};
  const Track in = noise(1280, 2.0f, 10), wanted = run(set, in);
  Pair<1> pair(set);
  Track out = pair.run(Track(in.begin(), in.begin() + 640));
  Track memory(100);
  const Lane good{true, 0.25f, 0.01f, 0.5f, 96};
  for (const auto& spoil : std::vector<void (*)(Lane&)>{
           [](Lane& l) { l.threshold_rms = 0; }, [](Lane& l) { l.threshold_rms = 0.9e-6f; },
           [](Lane& l) { l.threshold_rms = 100; }, [](Lane& l) { l.threshold_rms = kNaN; },
           [](Lane& l) { l.forget = 0; }, [](Lane& l) { l.forget = 0.9e-6f; }, [](Lane& l) { l.forget = 0.0313f; },
           [](Lane& l) { l.forget = kNaN; }, [](Lane& l) { l.ceiling = 0; }, [](Lane& l) { l.ceiling = 100; },
           [](Lane& l) { l.ceiling = kNaN; }, [](Lane& l) { l.latency_samples = (1u << 16) + 1; }}) {
    Lane bad = good;
    spoil(bad);
    EXPECT_EQ(pair.power.configure({&bad, 1}, memory), Setup::out_of_range);
  }
  const Lane two[2] = {good, good};
  EXPECT_EQ(pair.power.configure(two, memory), Setup::out_of_range);
  EXPECT_EQ(Limiter::required_values({&good, 1}), 4u) << "two values for each of two cells";
  EXPECT_EQ(pair.power.configure({&good, 1}, std::span(memory).first(3)), Setup::memory_too_small);
  const Track rest = pair.run(Track(in.begin() + 640, in.end()));
  EXPECT_EQ(bits(joined(out, rest)), bits(wanted));
  // Every thermal time that a rig may have, at every rate.
  for (const double rate_hz : {44100.0, 192000.0})
    for (const double time_s : {0.05, 60.0}) {
      Lane l = good;
      ASSERT_TRUE(forget_per_grid(time_s, rate_hz, l.forget));
      EXPECT_EQ(pair.power.configure({&l, 1}, memory), Setup::ok) << time_s << ' ' << rate_hz;
    }
}
}  // namespace
