#pragma once
/// Proofs made by hand for tests of the report: a three-way rig that falls in two checks, with curves and recordings
/// whose every value follows from a formula.
#include <cmath>
#include <complex>
#include <numbers>
#include <random>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

/// What a title or a name may hold if somebody means harm.
inline const std::string kHostile =
    "</script><script>window.harmed=1</script><img src=x onerror=\"window.harmed=2\">'\"&amp;{{data}}`<!--";

inline Proof invented_proof(std::size_t recordings = 1, std::size_t buckets = 1500) {
  Proof proof;
  proof.title = "Quay Stage: an invented rig";
  const std::vector<std::string> outputs{"sub", "mid.left", "mid.right", "high.left", "high.right"};

  // Linkwitz-Riley slopes of 24 dB/oct at 100 Hz and 1.5 kHz, as analogue filters.
  auto& responses = proof.responses.emplace_back();
  responses.crossover_at_hz = {100, 1500};
  for (int n = 0; n <= 480; ++n) responses.frequency_hz.push_back(20 * std::pow(1000.0, n / 480.0));
  const auto low = [](double hz, double at) {
    const std::complex<double> s(0, hz / at), d = s * s + std::numbers::sqrt2 * s + 1.0;
    return 1.0 / (d * d);
  };
  const auto high = [&](double hz, double at) { return low(hz, at) * std::pow(hz / at, 4.0); };
  const auto pass = [&](double hz, double at) { return low(hz, at) + high(hz, at); };
  const char* const names[] = {"sub", "mid", "high", "sum"};
  for (int c = 0; c < 4; ++c) {
    const auto way = [&](double hz) {
      const std::complex<double> h[] = {low(hz, 100) * pass(hz, 1500), high(hz, 100) * low(hz, 1500),
                                        high(hz, 100) * high(hz, 1500)};
      return c < 3 ? h[c] : h[0] + h[1] + h[2];
    };
    ResponseCurve curve;
    curve.name = names[c];
    for (const double hz : responses.frequency_hz) {
      const std::complex<double> h = way(hz), beyond = way(hz * 1.0001);
      curve.magnitude_db.push_back(20 * std::log10(std::abs(h)));
      curve.phase_deg.push_back(std::arg(h) * 180 / std::numbers::pi);
      curve.group_delay_ms.push_back(-std::arg(beyond / h) / (2 * std::numbers::pi * hz * 0.0001) * 1e3);
    }
    responses.curves.push_back(curve);
  }
  for (std::size_t n = 0; n < responses.frequency_hz.size(); ++n) {
    const double sum_db = responses.curves[3].magnitude_db[n];
    const double near = std::exp(-std::pow(std::log2(responses.frequency_hz[n] / 100), 2)) +
                        std::exp(-std::pow(std::log2(responses.frequency_hz[n] / 1500), 2));
    responses.sum_least_db.push_back(sum_db - 2 - 0.9 * near);
    responses.sum_most_db.push_back(sum_db + 2 + 0.2 * near);
  }

  for (std::size_t o = 0; o < outputs.size(); ++o) {
    const double clip = o == 0 ? 138.6 : o < 3 ? 105.8 : 56.6;
    Ladder ladder{.output = outputs[o], .rungs = {}};
    ladder.rungs = {{RungKind::converter_full_scale, clip * 2.1},
                    {RungKind::amplifier_clip, clip},
                    {RungKind::driver_peak, clip * 1.25},
                    {RungKind::limit, clip * 0.794},
                    {RungKind::driver_continuous, clip * 0.45}};
    if (o == 0) ladder.rungs.erase(ladder.rungs.begin() + 2);  // its driver names no peak power
    proof.ladders.push_back(ladder);
    proof.timings.push_back({outputs[o], 4.5, o == 0 ? 1.0 : 0.0, o == 2 ? -1 : 1});
  }

  for (std::size_t r = 0; r < recordings; ++r) {
    Recording recording{.file = r == 0 ? "recordings/song.wav" : "recordings/speech.flac",
                        .seconds = 180,
                        .bucket_seconds = 180.0 / static_cast<double>(buckets),
                        .tracks = {}};
    std::mt19937 bits(7 + static_cast<unsigned>(r));
    const auto uniform = [&bits] { return static_cast<double>(bits()) / 4294967296.0; };
    for (const Ladder& ladder : proof.ladders) {
      const double limit = ladder.rungs[ladder.rungs.size() - 2].volts;
      Track track{
          .output = ladder.output,
          .least = {},
          .greatest = {},
          .peak_gain_db = {},
          .power_gain_db = {},
          .coil_rise_kelvin = 61,
          .level_lost_db = 0.9,
          .peak_volts = limit,
          .rms_volts = 18.3,
          .mean_watts = 41.7,
          .limited_fraction = 0.031,
          .peak_held = {.mean_db = 0.6, .p95_db = 2.4, .greatest_db = 5.1, .over_1_db = 0.12, .over_3_db = 0.013},
          .power_held = {.mean_db = 0.3, .p95_db = 1.8, .greatest_db = 2, .over_1_db = 0.21, .over_3_db = 0}};
      for (std::size_t b = 0; b < buckets; ++b) {
        const double t = static_cast<double>(b) / static_cast<double>(buckets);
        const double wish =
            limit * (0.25 + 0.6 * std::pow(std::sin(3 * std::numbers::pi * t), 2)) * (0.6 + 0.8 * uniform());
        track.greatest.push_back(std::min(wish, limit));
        track.least.push_back(-std::min(wish * (0.8 + 0.2 * uniform()), limit));
        track.peak_gain_db.push_back(std::min(0.0, 20 * std::log10(limit / wish)));
        track.power_gain_db.push_back(t > 0.7 ? -2.0 * (1 - std::exp(-(t - 0.7) * 10)) : 0.0);
      }
      recording.tracks.push_back(track);
    }
    if (r == 0)
      recording.advice = {{"feed-down", outputs, 4, "sub and mid.left: the limiters hold. Turn the feed down 4 dB."},
                          {"larger-amplifier", {"sub"}, {}, "sub: the clip of amplifier subs sets the limit."}};
    proof.recordings.push_back(recording);
  }

  proof.basis = {{"Amplifiers",
                  {"amplifier", "ratings", "gain"},
                  {{"subs", "1400 W into 8 ohm\n2400 W into 4 ohm", "37.6 dB"}, {"mids", "700 W into 8 ohm", "32 dB"}}},
                 {"Limiters", {"way", "look-ahead"}, {{"sub", "4 ms"}, {"mid", "2.5 ms"}, {"high", "1 ms"}}}};

  const auto add = [&](const char* id, const char* output, bool holds, double measured, double allowed,
                       const char* unit, const char* text) {
    proof.findings.push_back(
        {id, output ? std::optional<std::string>(output) : std::nullopt, holds, measured, allowed, unit, {}, text});
  };
  for (const std::string& output : outputs)
    add("converter-clip", output.c_str(), true, -3.21, 0, "dBFS",
        "The hottest signal reaches -3.21 dBFS: the converter has 3.2 dB to spare.");
  for (const std::string& output : outputs)
    add("amplifier-clip", output.c_str(), output != "mid.left", output == "mid.left" ? 112.4 : 84.02, 105.8, "V",
        output == "mid.left"
            ? "The way has no peak limiter: its hottest signal asks 112.4 V of an amplifier that clips at 105.8 V. "
              "Clipping sends heat to the driver. Set `way.mid.limit.below_clip = \"2 dB\"`."
            : "The hottest signal asks 84 V; the amplifier clips at 105.8 V.");
  add("release", "sub", false, 21, 42, "ms",
      "The release is shorter than the lowest note of the way: limiting adds 6 % distortion at 30 Hz. Set "
      "`way.sub.limit.release = \"200 ms\"`.");
  add("crossover-sum", nullptr, false, -1.4, -0.5, "dB", "The sum dips by 1.4 dB at 1.52 kHz.");
  proof.findings.back().accepted = "the horn's own slope does the rest";
  add("latency", nullptr, true, 216, 216, "samples", "All outputs are late by the same 216 samples, 4.5 ms.");
  add("stability", nullptr, true, 0.99871, 1, "", "The outermost pole lies at a radius of 0.9987.");
  proof.holds = false;
  return proof;
}

/// As much as a page of a whole rig holds: every check of each output with a text of its usual length, every table of
/// what it was computed from, every rung.
inline Proof invented_demo() {
  Proof proof = invented_proof(1, 1000);
  proof.findings.clear();
  for (const CheckId& check : check_ids())
    for (const Ladder& ladder : proof.ladders)
      proof.findings.push_back(
          {check.id,
           ladder.output,
           true,
           -12.74,
           -12.74,
           "dBFS",
           {},
           "Of all signals none puts a sample of " + ladder.output.substr(0, ladder.output.find('.')) +
               " above -12.74 dBFS, 110.1 V peak (by a band-limited square at 41 Hz, 12 dB over full scale, on all feeds); "
               "the threshold is -12.74 dBFS, 110.1 V peak, set by the amplifier. The limiter holds."});
  proof.holds = true;
  for (Ladder& ladder : proof.ladders) {
    if (ladder.rungs.size() == 4) ladder.rungs.insert(ladder.rungs.begin() + 2, {RungKind::driver_peak, 160});
    ladder.rungs.push_back({RungKind::power_limit, ladder.rungs.back().volts * 0.891});
  }
  const auto sheet = [](const char* title, std::vector<std::string> heads, std::size_t rows, const std::string& cell) {
    const std::vector<std::string> row(heads.size(), cell);
    return BasisTable{title, std::move(heads), std::vector<std::vector<std::string>>(rows, row)};
  };
  proof.basis = {
      sheet("Controller and feeds", {"sample rate", "block", "0 dBFS at its input", "0 dBFS at its output", "feeds"}, 1,
            "+18.00 dBu (6.15 V RMS)"),
      sheet("Amplifiers", {"amplifier", "ratings", "gain", "front control", "bridged"}, 3,
            "1400 W into 8 ohm\n2400 W into 4 ohm"),
      sheet("Drivers", {"driver", "impedance", "continuous power", "peak power", "thermal time"}, 3,
            "800 W (80.0 V RMS)"),
      sheet("Gain and eq ahead of the split", {"layer", "gain", "eq"}, 2, "peaking 315 Hz, -3 dB, q 1.2"),
      sheet("Crossover points", {"between", "low-pass of the way below", "high-pass of the way above"}, 2,
            "100 Hz, linkwitz-riley, 24 dB/oct"),
      sheet("Ways", {"way", "feeds", "amplifier", "drivers", "gain", "polarity", "delay", "high-pass", "eq"}, 3,
            "28 Hz, butterworth, 24 dB/oct"),
      sheet("Limiters", {"way", "peak limiter", "look-ahead", "hold", "release", "sees", "power limiter", "time"}, 3,
            "the wave between samples"),
      sheet("What they come to at each amplifier channel",
            {"output", "load", "rating", "amplifier gain", "clips at", "clip", "peak limit", "power limit"}, 5,
            "110.1 V peak (-12.74 dBFS)")};
  return proof;
}

/// The same with harm in every text that comes from a file.
inline Proof hostile_proof() {
  Proof proof = invented_proof(1, 40);
  proof.title = kHostile;
  for (Finding& finding : proof.findings) {
    finding.text += kHostile;
    finding.output = kHostile;
    if (finding.accepted) finding.accepted = kHostile;
  }
  for (auto& curve : proof.responses[0].curves) curve.name += kHostile;
  for (Ladder& ladder : proof.ladders) ladder.output = kHostile;
  for (Timing& timing : proof.timings) timing.output = kHostile;
  for (BasisTable& table : proof.basis) {
    table.title = kHostile;
    for (std::string& head : table.heads) head = kHostile;
    for (auto& row : table.rows)
      for (std::string& cell : row) cell = kHostile;
  }
  for (Recording& recording : proof.recordings) {
    recording.file = kHostile;
    for (Advice& advice : recording.advice) advice.code = advice.text = kHostile;
    for (Track& track : recording.tracks) track.output = kHostile;
  }
  return proof;
}

}  // namespace rackproof::proof
