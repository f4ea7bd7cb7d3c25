/// The linear path as it really runs, in rounded numbers and single precision: that it dies away, and how quiet it is.
#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>

#include <fmt/format.h>

#include "dsp/blocks/split.hpp"
#include "dsp/grid.hpp"
#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/checks/exact_path.hpp"
#include "harness/proof/measured_once.hpp"
#include "harness/proof/path_parts.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/stimuli/noise.hpp"

namespace rackproof::proof {
namespace {

using Exact = std::vector<long double>;

/// In place: the equations of dsp::Section as they stand, in long double.
void through(Exact& row, std::span<const dsp::Section> sections) {
  for (const dsp::Section& s : sections) {
    const long double mix_v = s.mix_v, mix_1 = s.mix_1, mix_2 = s.mix_2, rate = s.rate, damp = s.damp, cross = s.cross;
    long double s1 = 0, s2 = 0;
    for (long double& x : row) {
      const long double v = x - s2, was = s1;
      x = mix_v * v + mix_1 * s1 + mix_2 * s2;
      s1 += rate * v - damp * was;
      s2 += cross * v + rate * was;
    }
  }
}
void times(Exact& row, float gain) {
  for (long double& x : row) x *= gain;
}
void later(Exact& row, const dsp::DelaySettings& delay) {
  Exact out(row.size(), 0);
  for (std::size_t n = delay.whole_samples; n < row.size(); ++n) {
    const std::size_t at = n - delay.whole_samples;
    if (!delay.fractional) {
      out[n] = row[at];
      continue;
    }
    for (std::size_t k = 0; k < dsp::kFractionTaps && k <= at; ++k)
      out[n] += static_cast<long double>(delay.taps[k]) * row[at - k];
  }
  row = std::move(out);
}

/// Every section of the settings, once: `visit(span)`.
template <class Visit>
void for_each_cascade(const dsp::ChainSettings& settings, Visit&& visit) {
  for (const dsp::FeedSettings& feed : settings.feeds) visit(feed.sections);
  for (const dsp::LoudspeakerSettings& loudspeaker : settings.loudspeakers) {
    visit(loudspeaker.sections);
    for (const dsp::PointSettings& point : loudspeaker.points) {
      visit(point.low_pass);
      visit(point.high_pass);
      visit(point.all_pass);
    }
  }
  for (const dsp::OutputSettings& output : settings.outputs) visit(output.sections);
}

}  // namespace

std::vector<std::vector<long double>> exact_outputs(const dsp::ChainSettings& settings, const Rows& feeds) {
  std::vector<Exact> heard;
  for (std::size_t f = 0; f < feeds.size(); ++f) {
    Exact& row = heard.emplace_back(feeds[f].begin(), feeds[f].end());
    times(row, settings.feeds[f].gain);
    through(row, settings.feeds[f].sections);
  }
  Exact mean(feeds.front().size(), 0);
  for (const Exact& row : heard)
    for (std::size_t n = 0; n < row.size(); ++n) mean[n] += row[n] / static_cast<long double>(heard.size());
  const auto taken_by = [&](const dsp::LoudspeakerSettings& loudspeaker) {
    Exact row(mean.size(), 0);
    if (loudspeaker.source == dsp::kMeanOfFeeds) {
      row = mean;
    } else if (loudspeaker.source == dsp::kMixOfFeeds) {
      for (std::size_t f = 0; f < heard.size(); ++f)
        for (std::size_t n = 0; n < row.size(); ++n) row[n] += loudspeaker.mix[f] * heard[f][n];
    } else {
      row = heard[static_cast<std::size_t>(loudspeaker.source)];
    }
    times(row, loudspeaker.gain);
    through(row, loudspeaker.sections);
    return row;
  };
  std::vector<Exact> outputs;
  for (const dsp::OutputSettings& o : settings.outputs) {
    const dsp::LoudspeakerSettings& loudspeaker = settings.loudspeakers[o.loudspeaker];
    Exact& row = outputs.emplace_back(taken_by(loudspeaker));
    dsp::for_each_part_of_path(loudspeaker.points, o.way,
                               [&](std::span<const dsp::Section> part) { through(row, part); });
    through(row, o.sections);
    times(row, o.gain);
    later(row, o.delay);
  }
  return outputs;
}

double pole_radius(const dsp::Section& s) {
  const double rate = static_cast<double>(s.rate), damp = static_cast<double>(s.damp);
  const double cross = static_cast<double>(s.cross);
  if (rate == 0 && cross == 0) return 0;  // nothing enters its state
  if (rate == 0) return std::abs(1 - cross);
  // z^2 - (2 - damp - cross) z + (1 - damp)(1 - cross) + rate^2
  const double half = 1 - (damp + cross) / 2, product = (1 - damp) * (1 - cross) + rate * rate;
  const double square = half * half - product;
  return square < 0 ? std::sqrt(product) : std::abs(half) + std::sqrt(square);
}

namespace {

/// ` (way.high.eq[2], notch at 50 Hz)`: the filter of the file that rings the longest.
std::string slowest_text(const Subject& subject) {
  const double rate_hz = subject.rig.controller.sample_rate_hz;
  std::optional<PathPart> slowest;
  for (const OutputPlan& plan : subject.compiled.outputs) {
    const auto parts = parts_of_path(subject.rig, subject.venue, plan.way_index, plan.feed);
    const PathPart* part = slowest_of(parts, rate_hz);
    if (part != nullptr && (!slowest || part->fall_s(rate_hz) > slowest->fall_s(rate_hz))) slowest = *part;
  }
  return slowest ? ": " + slowest->named() : "";
}

}  // namespace

std::vector<Finding> check_stability(const Subject& subject) {
  constexpr double kFallenDb = 120, kGrownDb = 36, kMostFall_s = 15;
  constexpr double kMostBound = 1e6;  // a path that grows has any bound: the click must not become nothing
  const double rate = subject.rig.controller.sample_rate_hz;
  double radius = 0;
  std::size_t sections = 0;
  for_each_cascade(subject.compiled.settings(), [&](std::span<const dsp::Section> cascade) {
    for (const dsp::Section& s : cascade) {
      radius = std::max(radius, pole_radius(s));
      ++sections;
    }
  });
  Finding f{.id = "stability",
            .output = {},
            .holds = false,
            .measured = radius,
            .allowed = 1,
            .unit = "pole radius",
            .accepted = {},
            .text = {}};
  if (!(radius < 1)) {
    f.text = fmt::format(
        "A filter of this rig, in the numbers that run, has a pole at radius {:.6g}: it rings for ever, "
        "or grows. Look at its frequency and its width{}.",
        radius, slowest_text(subject));
    return {f};
  }
  // And what really runs dies away, as fast as its slowest pole says and room for several of them.
  const double fall_s = radius > 0 ? kFallenDb / -analysis::db_from_ratio(radius) / rate : 0;
  if (fall_s > kMostFall_s) {
    f.measured = fall_s / 2;
    f.allowed = kMostFall_s / 2;
    f.unit = "s for 60 dB";
    f.text = fmt::format(
        "A filter of this rig rings for {:.3g} s until it is 60 dB down: longer than anything that is played, and its "
        "level builds up over as long. Set its frequency higher or its q lower{}.",
        fall_s / 2, slowest_text(subject));
    return {f};
  }
  const std::size_t feeds = subject.rig.feeds.size(), outputs = subject.unlimited.outputs.size();
  const auto late = static_cast<double>(latest_samples(subject.unlimited));
  const auto length = static_cast<std::size_t>(2 * late + (0.2 + 4 * fall_s) * rate);
  // No higher than the core carries: beyond, its bound would be taken for a filter that grows.
  double bound = 1;
  for (const WorstInput& worst : worst_inputs_of(subject)) bound = std::max(bound, worst.died_away ? worst.bound : 1.0);
  bound = std::min(bound, kMostBound);
  Row click(length, 0.0f);
  click[0] = static_cast<float>(std::min(1.0, 0.5 * static_cast<double>(dsp::kMagnitudeBound) / bound));
  const std::unique_ptr<Device> device = subject.make(subject.unlimited.settings());
  double left_db = -400;
  for (std::size_t feed = 0; feed < feeds; ++feed) {
    Rows in(feeds, Row(length, 0.0f));
    in[feed] = click;
    for (const Row& out : run(*device, in, outputs)) {
      const std::span<const float> tail = std::span(out).last(length / 16);
      const bool finite = std::ranges::all_of(out, [](float x) { return std::isfinite(x); });
      const double peak = greatest_magnitude(out);
      // The core may end what grows without bound; that it grew so far is the finding.
      const bool grew = !finite || peak > static_cast<double>(dsp::kMagnitudeBound);
      left_db = std::max(left_db, grew ? kGrownDb : peak > 0 ? finite_db(greatest_magnitude(tail) / peak) : -400.0);
    }
  }
  f.holds = left_db <= -kFallenDb;
  if (f.holds) {
    f.text = fmt::format(
        "All {} sections are stable as they run, in rounded numbers; the slowest falls by 60 dB in {:.3g} "
        "ms.",
        sections, 1e3 * fall_s / 2);
  } else {
    f.measured = left_db;
    f.allowed = -kFallenDb;
    f.unit = "dB";
    f.text = fmt::format(
        "{:.2g} s after a click an output still stands at {:.0f} dB below it: it rings or grows where its "
        "filters would have died away. No line of the file mends that: do not drive loudspeakers with "
        "this build.",
        static_cast<double>(length) / rate, -left_db);
  }
  return {f};
}

namespace {

/// Until what the slowest pole holds is nothing, in single precision: from full scale to 10^-38 and a margin for
/// several poles in a row; infinite where one never falls.
double silence_s(const dsp::ChainSettings& settings) {
  constexpr double kToNothing_db = 1000;
  double radius = 0;
  for_each_cascade(settings, [&](std::span<const dsp::Section> cascade) {
    for (const dsp::Section& s : cascade) radius = std::max(radius, pole_radius(s));
  });
  if (!(radius < 1)) return std::numeric_limits<double>::infinity();
  return radius > 0 ? kToNothing_db / -analysis::db_from_ratio(radius) / settings.sample_rate_hz : 0;
}

}  // namespace

std::vector<Finding> check_noise_floor(const Subject& subject) {
  constexpr double kAllowedDbfs = -120;  // the core promises -125 for a cascade; a path holds several of them
  constexpr double kMostSilence_s = 60, kSilent_s = 0.25;
  const double seconds = subject.brief ? 0.05 : 1.0;
  const double rate = subject.rig.controller.sample_rate_hz;
  const std::size_t feeds = subject.rig.feeds.size(), outputs = subject.unlimited.outputs.size();
  // The longest delay is part of the path: without it what comes late would not be judged.
  const std::size_t length = static_cast<std::size_t>(seconds * rate) + latest_samples(subject.unlimited);
  Rows programme;
  for (std::size_t f = 0; f < feeds; ++f) {
    Row row = samples_of(stimuli::filtered(stimuli::pink_noise(rate, 31 + static_cast<std::uint32_t>(f)),
                                           stimuli::programme_sections(rate)),
                         length);
    programme.push_back(scaled(row, 1 / greatest_magnitude(row)));
  }
  const std::unique_ptr<Device> linear = subject.make(subject.unlimited.settings());
  const Rows played = run(*linear, programme, outputs);
  const auto exact = exact_outputs(subject.unlimited.settings(), programme);

  const std::unique_ptr<Device> device = subject.make(subject.compiled.settings());
  run(*device, programme, outputs);
  const auto chunk = static_cast<std::size_t>(kSilent_s * rate);
  const Rows silence(feeds, Row(chunk, 0.0f));
  std::vector<double> silent_after(outputs, -1);
  const double fade_s = silence_s(subject.compiled.settings());
  const double longest = static_cast<double>(latest_samples(subject.compiled)) / rate + kMostSilence_s;
  for (double t = 0; t < longest && std::ranges::count(silent_after, -1.0) > 0; t += kSilent_s) {
    const Rows out = run_on(*device, silence, outputs);
    for (std::size_t o = 0; o < outputs; ++o) {
      const bool silent = std::ranges::all_of(out[o], [](float x) { return x == 0.0f; });
      silent_after[o] = !silent ? -1 : silent_after[o] < 0 ? t : silent_after[o];
    }
  }

  std::vector<Finding> findings;
  for (std::size_t o = 0; o < outputs; ++o) {
    std::vector<double> error(played[o].size());
    for (std::size_t n = 0; n < error.size(); ++n)
      error[n] = static_cast<double>(static_cast<long double>(played[o][n]) - exact[o][n]);
    // Of the silence ahead of a late output its errors count, and not its length.
    const double all = static_cast<double>(error.size());
    const double played_on = all - static_cast<double>(first_sample(subject.unlimited, subject.unlimited.outputs[o]));
    const double rms = analysis::levels_of(error).rms() * std::sqrt(all / played_on);
    const double dbfs = finite_db(rms * std::sqrt(2.0));
    const bool quiet = dbfs <= kAllowedDbfs, heard_end = silent_after[o] >= 0;
    const bool rings_for_ever = !heard_end && std::isinf(fade_s);
    // The last: what rings that long, stability tells.
    const bool ends = heard_end || (fade_s > kMostSilence_s && !rings_for_ever);
    std::string text = fmt::format(
        "On a programme at full scale the path errs by {:.1f} dBFS RMS against the same filters in "
        "long double. ",
        dbfs);
    if (heard_end)
      text += fmt::format("Fed silence, it is exactly silent within {:.2g} s. ", silent_after[o] + kSilent_s);
    if (!heard_end && ends)
      text += fmt::format("Its slowest filter takes some {:.2g} s to fall silent{}: its end is not waited for. ",
                          fade_s, slowest_text(subject));
    if (rings_for_ever)
      text += fmt::format("Fed silence, it is never silent, for a filter of this rig rings for ever{}. See stability.",
                          slowest_text(subject));
    else if (!ends)
      text += fmt::format(
          "Fed silence for {:g} s, it still gives something: a tone that never ends. No line of the file "
          "mends that: do not use this build.",
          kMostSilence_s);
    else if (!quiet)
      text += fmt::format(
          "That is more than {:g} dBFS and may be heard in a quiet room. Look for gain and large boosts ahead of "
          "large cuts in system.gain, system.eq and way.{}.eq, which cost as much as they boost{}.",
          kAllowedDbfs, subject.unlimited.outputs[o].way, boosts_text(subject, subject.unlimited.outputs[o]));
    findings.push_back({.id = "noise-floor",
                        .output = subject.unlimited.outputs[o].name,
                        .holds = quiet && ends,
                        .measured = dbfs,
                        .allowed = kAllowedDbfs,
                        .unit = "dBFS RMS",
                        .accepted = {},
                        .text = std::move(text)});
  }
  return findings;
}

}  // namespace rackproof::proof
