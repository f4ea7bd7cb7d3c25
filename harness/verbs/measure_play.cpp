#include "harness/verbs/measure_play.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <nlohmann/json.hpp>
#include <thread>
#include <utility>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/levels.hpp"
#include "harness/audio/writer.hpp"
#include "harness/errors.hpp"
#include "harness/files/interruption.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/live/command_link.hpp"
#include "harness/live/take.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/tones.hpp"
#include "harness/verbs/typed.hpp"

namespace rackproof {
namespace {

using Json = nlohmann::ordered_json;

constexpr double kLevel_dbfs = -50, kGreatestLevel_dbfs = -10;  // begins low; noise has 12 dB of crest
constexpr double kNoise_s = 20, kSweep_s = 10, kLongest_s = 120;
constexpr double kAhead_s = 0.25;  // of silence: mutes have come down, and noise of the room is heard first
constexpr double kTail_s = 2;      // what a hall needs to fall silent
constexpr double kFade_s = 0.01, kCrest_db = 12;
constexpr int kMostTakes = 3;
constexpr auto kChange =
    std::chrono::seconds(5);  // a saved file is looked for, read, primed and faded in within a second

std::vector<float> stimulus_of(const PlayOptions& o, double rate_hz) {
  const bool noise = o.kind == "noise";
  std::string level_text = o.level;
  if (level_text.ends_with("dBFS")) level_text.resize(level_text.size() - 2);
  const double level_dbfs =
      o.level.empty() ? kLevel_dbfs : typed_number("--play-level", level_text, rig::Quantity::gain);
  if (!(level_dbfs >= -100 && level_dbfs <= kGreatestLevel_dbfs))
    throw InputError(
        fmt::format("--play-level: read {}; right would be -100 to {:g} dBFS: begin at {:g} and raise it by "
                    "6 dB at a time",
                    o.level, kGreatestLevel_dbfs, kLevel_dbfs));
  const double seconds = o.seconds.empty() ? (noise ? kNoise_s : kSweep_s)
                                           : typed_number("--play-seconds", o.seconds, rig::Quantity::time);
  if (!(seconds >= 1 && seconds <= kLongest_s))
    throw InputError(fmt::format("--play-seconds: read {}; right would be 1 s to {:g} s", o.seconds, kLongest_s));
  const auto frames = static_cast<std::uint64_t>(std::llround(seconds * rate_hz));
  const auto fade = static_cast<std::uint64_t>(kFade_s * rate_hz);
  std::vector<double> values(frames);
  if (noise) {
    const auto signal = stimuli::faded(
        stimuli::with_crest_factor(stimuli::pink_noise(rate_hz, 1), analysis::ratio_from_db(kCrest_db)), frames, fade);
    signal->fill(values);
    analysis::Levels levels;
    levels.add(std::span<const double>(values));
    const double gain = analysis::rms_from_dbfs(level_dbfs) / levels.rms();
    for (double& value : values) value *= gain;
  } else {
    const stimuli::Sweep sweep{20, std::min(20e3, 0.45 * rate_hz), frames, analysis::ratio_from_db(level_dbfs),
                               rate_hz};
    stimuli::faded(stimuli::sweep(sweep), frames, fade)->fill(values);
  }
  std::vector<float> out(static_cast<std::size_t>(kAhead_s * rate_hz), 0.0f);
  for (const double value : values) out.push_back(static_cast<float>(value));
  return out;
}

/// What plays at once: outputs, by their numbers in the compiled rig.
struct Turn {
  std::string way, name;
  std::vector<std::size_t> outputs;
};
/// Of a way the first output plays.
std::vector<Turn> wanted_turns(const PlayOptions& o, const rig::Rig& rig, const CompiledRig& compiled) {
  if ((o.way.empty() ? 0 : 1) + (o.all ? 1 : 0) + (o.together ? 1 : 0) != 1)
    throw InputError("--play: one of --way NAME, --all and --together says what is played");
  std::vector<Turn> wanted;
  std::vector<std::string> names, ways;
  for (std::size_t n = 0; n < compiled.outputs.size(); ++n) {
    const OutputPlan& plan = compiled.outputs[n];
    if (plan.muted || plan.loudspeaker != o.loudspeaker) continue;
    const bool first_of_way = std::ranges::find(ways, plan.way) == ways.end();
    if (first_of_way) {
      ways.push_back(plan.way);
      if (plan.way != plan.name) names.push_back(plan.way);
    }
    names.push_back(plan.name);
    if (plan.name == o.way) return {{plan.way, plan.name, {n}}};
    if (!first_of_way || (!o.way.empty() && plan.way != o.way)) continue;
    if (o.together && !wanted.empty()) {
      wanted[0].outputs.push_back(n);
      wanted[0].name += " and " + plan.name;
    } else {
      wanted.push_back({o.together ? "" : plan.way, plan.name, {n}});
    }
  }
  if (wanted.empty())
    throw InputError(
        fmt::format("--way: read {}; {} plays {}", o.way.empty() ? "all" : o.way, rig.file.string(),
                    names.empty() ? "nothing: all is muted there" : fmt::format("{}", fmt::join(names, ", "))));
  return wanted;
}

/// What `live` said of itself.
struct RunningRig {
  std::string client;
  std::vector<std::string> feeds;
  std::vector<std::pair<std::string, bool>> outputs;  ///< and whether a command has muted it
};
/// Waits a while for a change that is being faded in, as after a file was saved.
RunningRig playing_rig(live::CommandLink& link, const rig::Rig& rig, const rig::Venue* venue,
                       const CompiledRig& compiled, const files::Interruption& interruption) {
  const std::string wanted = fmt::format("{:#018x}", firmware::fingerprint(compiled));
  const auto last = std::chrono::steady_clock::now() + kChange;
  Json state = Json::parse(link.ask("state"));
  while ((state.at("state") != "runs" || state.at("fingerprint") != wanted) &&
         std::chrono::steady_clock::now() < last) {
    interruption.check();
    std::this_thread::sleep_for(std::chrono::milliseconds(50));
    state = Json::parse(link.ask("state"));
  }
  if (!state.at("bypass").is_null())
    throw InputError(fmt::format("`live` runs bypassed ({}): say `bypass none` to it, then measure",
                                 state.at("bypass").get<std::string>()));
  if (state.at("venue").is_null() != (venue == nullptr))
    throw InputError(state.at("venue").is_null()
                         ? "--venue: `live` runs without a venue file"
                         : fmt::format("`live` runs with the venue file {}: give it as --venue, "
                                       "or say `venue none` to it",
                                       state.at("venue").get<std::string>()));
  if (state.at("fingerprint") != wanted)
    throw InputError(
        fmt::format("--rig: read {}; what `live` runs ({}) has other numbers: save the file, or start "
                    "`live` with this one",
                    rig.file.string(), state.at("rig").get<std::string>()));
  if (state.at("state") != "runs") throw InputError("`live` has not begun to play: look at its meters");
  RunningRig playing{.client = state.at("client"), .feeds = {}, .outputs = {}};
  for (const Json& feed : state.at("feeds")) playing.feeds.push_back(feed.at("name"));
  for (const Json& output : state.at("outputs")) playing.outputs.emplace_back(output.at("name"), output.at("muted"));
  return playing;
}

/// Some outputs are heard alone while this stands; all are as before once it is gone.
class Alone {
 public:
  Alone(live::CommandLink& link, const RunningRig& playing, const std::vector<std::size_t>& wanted)
      : link_(link), playing_(playing) {
    try {
      for (std::size_t n = 0; n < playing_.outputs.size(); ++n)
        if (std::ranges::find(wanted, n) == wanted.end()) link_.ask("mute " + playing_.outputs[n].first);
      for (const std::size_t n : wanted) link_.ask("unmute " + playing_.outputs[n].first);
    } catch (...) {
      restore();
      throw;
    }
  }
  ~Alone() { restore(); }
  Alone(const Alone&) = delete;
  Alone& operator=(const Alone&) = delete;

 private:
  /// First what was muted is muted again, then the others are heard.
  void restore() noexcept {
    for (const bool muted : {true, false})
      for (const auto& [name, was_muted] : playing_.outputs) {
        if (was_muted != muted) continue;
        try {
          link_.ask((muted ? "mute " : "unmute ") + name);
        } catch (const std::exception&) {  // `live` is gone: there is nothing to restore
          return;
        }
      }
  }
  live::CommandLink& link_;
  const RunningRig& playing_;
};

void keep_recording(const PlayOptions& o, const std::string& output, const live::Recorded& recorded, double rate_hz) {
  if (o.keep.empty()) return;
  const std::size_t channels = recorded.rows.size(), frames = recorded.rows[0].size();
  audio::Writer writer(o.keep / (output + ".wav"), {.sample_rate_hz = static_cast<std::uint32_t>(rate_hz),
                                                    .channels = static_cast<std::uint32_t>(channels),
                                                    .subtype = audio::Subtype::float32,
                                                    .expected_frames = frames});
  std::vector<float> interleaved(channels * frames);
  for (std::size_t n = 0; n < frames; ++n)
    for (std::size_t c = 0; c < channels; ++c) interleaved[n * channels + c] = recorded.rows[c][n];
  writer.write(interleaved);
  writer.keep();
}

tune::Recording recording_of(std::string name, double rate_hz, const std::vector<float>& samples) {
  return {std::move(name), rate_hz, {samples.begin(), samples.end()}};
}

}  // namespace

void play(const PlayOptions& o, const rig::Rig& rig, const rig::Venue* venue,
          const std::function<void(const std::string&)>& say, const std::function<void(Played)>& done) {
  const CompiledRig compiled = compile(rig, venue);
  const double rate_hz = rig.controller.sample_rate_hz;
  const std::vector<Turn> wanted = wanted_turns(o, rig, compiled);
  const std::vector<float> stimulus = stimulus_of(o, rate_hz);
  live::CommandLink link(o.socket);
  const files::Interruption interruption;
  const RunningRig playing = playing_rig(link, rig, venue, compiled, interruption);
  live::TakeSettings settings{.server = o.server, .to = {}, .from = {o.microphone_port}};
  for (const std::string& feed : playing.feeds) settings.to.push_back(playing.client + ":" + feed);
  if (!o.loopback.empty()) {
    settings.to.push_back(o.loopback.at(0));
    settings.from.push_back(o.loopback.at(1));
  }
  live::Take take(settings);
  for (const std::string& sink : settings.to)
    if (const std::vector<std::string> others = take.others_on(sink); !others.empty())
      throw InputError(
          fmt::format("{} also plays into {}: disconnect it, then measure", fmt::join(others, ", "), sink));
  if (take.sample_rate_hz() != rig.controller.sample_rate_hz)
    throw InputError(fmt::format("the JACK server runs at {} Hz, the rig at {:g} Hz", take.sample_rate_hz(), rate_hz));
  const auto tail = static_cast<std::size_t>(kTail_s * rate_hz);
  for (const Turn& played_now : wanted) {
    const Alone alone(link, playing, played_now.outputs);
    live::Recorded recorded;
    for (int turn = 1;; ++turn) {
      say(fmt::format("{}: {} for {:.0f} s, all other outputs muted{}", played_now.name, o.kind,
                      static_cast<double>(stimulus.size()) / rate_hz,
                      turn > 1 ? fmt::format("; take {}, as cycles were missed", turn) : ""));
      recorded = take.play(stimulus, tail, [&] { interruption.check(); });
      if (recorded.missed_cycles == 0) break;
      if (turn == kMostTakes)
        throw MachineError(
            fmt::format("{}: cycles were missed in each of {} takes: longer periods (jackd -p), or less "
                        "work for this machine",
                        played_now.name, kMostTakes));
    }
    keep_recording(o, played_now.name, recorded, rate_hz);
    Played played{.way = played_now.way,
                  .output = played_now.name,
                  .sent = recording_of(o.kind + " as played", rate_hz, stimulus),
                  .captured = recording_of(played_now.name + " at " + o.microphone_port, rate_hz, recorded.rows[0]),
                  .reference = std::nullopt};
    if (!o.loopback.empty()) played.reference = recording_of("the loopback", rate_hz, recorded.rows[1]);
    if (std::ranges::any_of(played.captured.samples, [](double x) { return std::abs(x) >= 0.999; }))
      throw InputError(
          fmt::format("{}: the microphone's input clips: turn its gain down, then measure", played_now.name));
    done(std::move(played));
  }
}

}  // namespace rackproof
