// Must hold: what is heard is the outputs, each through its factor and as late as its box is deep, added up; the same
// however the stream is cut; of measured responses the sum that their levels and phases make; and where a filter cannot
// follow a response, that is told.
#include "harness/listen/listener.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <fstream>
#include <numbers>
#include <random>

#include "tests/harness/calibration/a_rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::listen {
namespace {

using Rows = std::vector<std::vector<float>>;
using Complex = std::complex<double>;

/// Left and right, in pieces of these sizes by turns.
std::array<std::vector<double>, 2> heard(Listener& listener, const Rows& rows, const std::vector<std::size_t>& pieces) {
  std::array<std::vector<double>, 2> channels;
  const Listener::Heard keep = [&](std::span<const float> stereo) {
    for (std::size_t n = 0; n < stereo.size(); ++n) channels[n % 2].push_back(static_cast<double>(stereo[n]));
  };
  std::vector<const float*> at(rows.size());
  for (std::size_t done = 0, turn = 0; done < rows[0].size(); ++turn) {
    const std::size_t count = std::min(pieces[turn % pieces.size()], rows[0].size() - done);
    for (std::size_t o = 0; o < rows.size(); ++o) at[o] = rows[o].data() + done;
    listener.add(at, count, keep);
    done += count;
  }
  listener.finish(keep);
  return channels;
}
Rows noises(std::size_t rows, std::size_t frames) {
  std::mt19937 bits(11);
  Rows all(rows, std::vector<float>(frames));
  for (auto& row : all)
    for (float& x : row) x = static_cast<float>(static_cast<std::int32_t>(bits())) * 0x1p-31f;
  return all;
}

TEST(Listener, IsTheConvolutionHoweverTheStreamIsCut) {
  // Two filters that nobody would hear, of 40 taps, their time zero at tap 9.
  std::vector<Filter> filters(3);
  std::mt19937 bits(3);
  for (Filter& filter : filters) {
    filter.zero = 9;
    for (int k = 0; k < 40; ++k)
      filter.taps.push_back(static_cast<double>(static_cast<std::int32_t>(bits())) * 0x1p-31);
  }
  const std::vector<Route> routes{{true, false}, {false, true}, {true, true}};
  const Rows rows = noises(3, 20000);
  std::vector<std::array<std::vector<double>, 2>> cuts;
  for (const std::vector<std::size_t>& pieces : {std::vector<std::size_t>{20000}, {1, 7, 640}, {8192}, {4097}}) {
    Listener listener(filters, routes);
    EXPECT_EQ(listener.tail_frames(), 30u);
    cuts.push_back(heard(listener, rows, pieces));
    EXPECT_EQ(cuts.back()[0].size(), 20030u);
    EXPECT_EQ(cuts.back(), cuts.front());  // to the bit
  }
  for (std::size_t n = 0; n < 20030; n += n < 100 || n > 19900 ? 1 : 97) {
    double sums[2] = {};
    for (std::size_t o = 0; o < 3; ++o)
      for (std::size_t k = 0; k < 40; ++k) {
        const std::ptrdiff_t at = static_cast<std::ptrdiff_t>(n + 9) - static_cast<std::ptrdiff_t>(k);
        if (at < 0 || at >= 20000) continue;
        const double x = filters[o].taps[k] * static_cast<double>(rows[o][static_cast<std::size_t>(at)]);
        if (routes[o].left) sums[0] += x;
        if (routes[o].right) sums[1] += x;
      }
    // Forty products of singles, rounded once to a single at the end: 2^-24 of some 4.
    EXPECT_NEAR(cuts[0][0][n], sums[0], 1e-6) << n;
    EXPECT_NEAR(cuts[0][1][n], sums[1], 1e-6) << n;
  }
}

/// Tones on two outputs, each with an amplitude and a phase of its own: what a way's filters leave of them.
struct Tone {
  double hz;
  Complex low, high;
};
const std::vector<Tone> kTones{{100, {0.1, 0.02}, {0.001, 0}},
                               {1600, {0.05, 0.05}, {-0.03, 0.06}},
                               {7000, {0.001, 0.002}, {0.08, -0.03}},
                               {18000, {0, 0}, {0.02, 0.05}}};
Rows tone_rows(std::span<const Tone> tones, std::size_t frames, double rate) {
  Rows rows(2, std::vector<float>(frames));
  for (std::size_t n = 0; n < frames; ++n)
    for (const auto& [pick, row] : {std::pair(&Tone::low, &rows[0]), std::pair(&Tone::high, &rows[1])}) {
      double x = 0;
      for (const Tone& tone : tones)
        x += std::real(tone.*pick * std::polar(1.0, 2 * std::numbers::pi * tone.hz / rate * static_cast<double>(n)));
      (*row)[n] = static_cast<float>(x);
    }
  return rows;
}
/// The phasor of `hz`, which lies on a line of the stretch from `from` on.
Complex phasor(const std::vector<double>& signal, std::size_t from, std::size_t frames, double hz, double rate) {
  Complex sum = 0;
  for (std::size_t n = from; n < from + frames; ++n)
    sum += signal[n] * std::polar(1.0, -2 * std::numbers::pi * std::remainder(hz / rate * static_cast<double>(n), 1.0));
  return 2.0 * sum / static_cast<double>(frames);
}

TEST(Listener, SheetsAndDepthsAddUpAsTheFormulaHasThem) {
  rig::Rig rig = a_rig();
  rig.feeds.resize(1);
  rig.controller.temperature_degc = 16;
  rig.drivers[0].sensitivity_db = 98;
  rig.drivers[1].sensitivity_db = 104;
  rig.ways[0].depth_m = 0.173;
  rig.ways[1].depth_m = 0.09;
  const CompiledRig compiled = compile(rig);
  const Ear ear(rig, compiled);
  const std::vector<Filter> filters = filters_of(ear, 2, 48000);
  EXPECT_LT(worst_db(ear, filters, 48000), 0.001);
  const std::size_t frames = 48000, settled = 9600;
  for (const bool all_at_once : {false, true}) {
    for (std::size_t first = 0; first < (all_at_once ? 1 : kTones.size()); ++first) {
      const auto tones = all_at_once ? std::span(kTones) : std::span(kTones).subspan(first, 1);
      Listener listener(filters, {{true, true}, {true, true}});
      const auto channels = heard(listener, tone_rows(tones, frames, 48000), {4800});
      EXPECT_EQ(channels[0], channels[1]);
      for (const Tone& tone : tones) {
        // Volts for a sample of 1, RMS for RMS: +18 dBu and the amplifier; pascals for a volt: the sheet's, at 1 W.
        Complex sum = 0;
        for (const auto& [value, gain_db, sheet_db, depth_m] :
             {std::tuple(tone.low, 32.0, 98.0, 0.173), std::tuple(tone.high, 26.0, 104.0, 0.09)}) {
          const double volts_peak = std::numbers::sqrt2 * volts_of_dbu(18) * std::pow(10, gain_db / 20);
          const double pascals = volts_peak / std::sqrt(8.0) * 20e-6 * std::pow(10, sheet_db / 20);
          sum += pascals * value * std::polar(1.0, -2 * std::numbers::pi * tone.hz * depth_m / (331.3 + 0.606 * 16));
        }
        const Complex found = phasor(channels[0], settled, 4800 * 6, tone.hz, 48000);
        // A filter within 0.001 dB, and singles: a part in 5000 of the greater way where the two nearly cancel.
        EXPECT_LT(std::abs(found - sum), 2e-4 * (std::abs(sum) + 1)) << tone.hz;
        // Control: without the depths it is another sum where both play.
        if (tone.hz == 1600) {
          EXPECT_GT(std::abs(found - (ear.pascals(0) * tone.low + ear.pascals(1) * tone.high)), 0.05 * std::abs(sum));
        }
      }
    }
  }
}

TEST(Listener, WithoutADepthItIsTheFactorAlone) {
  rig::Rig rig = a_rig();
  rig.feeds.resize(1);
  rig.drivers[0].sensitivity_db = 98;
  rig.drivers[1].sensitivity_db = 104;
  const CompiledRig compiled = compile(rig);
  const Ear ear(rig, compiled);
  Listener listener(filters_of(ear, 2, 48000), {{true, false}, {false, false}});
  const Rows rows = noises(2, 9000);
  const auto channels = heard(listener, rows, {9000});
  for (std::size_t n = 0; n < 9000; ++n) {
    const double wanted = static_cast<double>(rows[0][n]) * ear.pascals(0);
    ASSERT_NEAR(channels[0][n], wanted, 1e-6 * ear.pascals(0)) << n;
    ASSERT_EQ(channels[1][n], 0) << n;
  }
}

/// A box as someone would measure it, on a row of frequencies like a measurement's.
void write_response(const std::filesystem::path& file, double from_hz, double to_hz,
                    const std::function<Complex(double)>& at) {
  std::ofstream stream(file);
  stream.precision(12);
  stream << "frequency_hz,magnitude_db,phase_deg\n";
  for (double hz = from_hz; hz <= to_hz; hz *= std::exp2(1.0 / 48)) {
    const Complex h = at(hz);
    stream << hz << ',' << 20 * std::log10(std::abs(h)) << ',' << std::arg(h) * 180 / std::numbers::pi << '\n';
  }
}

TEST(Listener, MeasuredResponsesAddUpAsTheirLevelsAndPhasesDo) {
  const rackproof::test::Scratch scratch;
  // A vented box that comes 1.3 ms late, and a horn with a resonance that comes 1 ms late and is wired the other way.
  const auto low = [](double hz) {
    const Complex s(0, hz / 50);
    return 0.2 * s * s / (s * s + 1.2 * s + 1.0) * std::polar(1.0, -2 * std::numbers::pi * hz * 1.3e-3);
  };
  const auto high = [](double hz) {
    const Complex s(0, hz / 3000);
    return -0.15 * (s * s + 0.5 * s + 1.0) / (s * s + 0.2 * s + 1.0) *
           std::polar(1.0, -2 * std::numbers::pi * hz * 1e-3);
  };
  write_response(scratch / "low.csv", 20, 21000, low);
  write_response(scratch / "high.csv", 40, 21000, high);
  rig::Rig rig = a_rig();
  rig.feeds.resize(1);
  rig.ways[0].response = scratch / "low.csv";
  rig.ways[1].response = scratch / "high.csv";
  const CompiledRig compiled = compile(rig);
  const Ear ear(rig, compiled);
  const std::vector<Filter> filters = filters_of(ear, 2, 48000);
  EXPECT_LT(worst_db(ear, filters, 48000), 0.1);
  for (const bool all_at_once : {false, true}) {
    for (std::size_t first = 0; first < (all_at_once ? 1 : kTones.size()); ++first) {
      const auto tones = all_at_once ? std::span(kTones) : std::span(kTones).subspan(first, 1);
      Listener listener(filters, {{true, true}, {true, true}});
      const auto channels = heard(listener, tone_rows(tones, 48000, 48000), {4800});
      for (const Tone& tone : tones) {
        const Complex from_low = tone.low * low(tone.hz), from_high = tone.high * high(tone.hz);
        const Complex found = phasor(channels[0], 24000, 4800 * 3, tone.hz, 48000);
        // Between measured frequencies, and by a filter of steps of 1.25 Hz: a tenth of a decibel of each way, 1.2 %.
        EXPECT_LT(std::abs(found - (from_low + from_high)), 0.012 * (std::abs(from_low) + std::abs(from_high)))
            << tone.hz;
        if (tone.hz == 1600) {
          EXPECT_GT(std::abs(found - (from_low - from_high)), 0.1 * std::abs(from_low))
              << "control: its polarity counts";
        }
      }
    }
  }
}

TEST(Listener, AResponseThatNoFilterCanFollowIsTold) {
  const rackproof::test::Scratch scratch;
  // An echo 600 ms late bends the response within 1 Hz.
  const auto echo = [](double hz) { return 1.0 + 0.5 * std::polar(1.0, -2 * std::numbers::pi * hz * 0.6); };
  std::ofstream stream(scratch / "echo.csv");
  stream << "frequency_hz,magnitude_db,phase_deg\n";
  for (double hz = 20; hz < 400; hz += 0.2)
    stream << hz << ',' << 20 * std::log10(std::abs(echo(hz))) << ',' << std::arg(echo(hz)) * 180 / std::numbers::pi
           << '\n';
  stream.close();
  rig::Rig rig = one_way(an_amplifier("a", {{500, 8}}, 32), a_driver("d", 8, 200));
  rig.ways[0].response = scratch / "echo.csv";
  const CompiledRig compiled = compile(rig);
  const Ear ear(rig, compiled);
  EXPECT_GT(worst_db(ear, filters_of(ear, 1, 48000), 48000), 0.5);
}

}  // namespace
}  // namespace rackproof::listen
