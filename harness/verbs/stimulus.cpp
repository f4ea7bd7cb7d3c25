/// `stimulus`: a test signal as a file, at a level that is exact, the same to the bit each time it is made.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>

#include "harness/analysis/levels.hpp"
#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/interruption.hpp"
#include "harness/stimuli/noise.hpp"
#include "harness/stimuli/path_worst_case.hpp"
#include "harness/stimuli/tones.hpp"
#include "harness/verbs/streams.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

using analysis::Levels, analysis::ratio_from_db;
using stimuli::Signal;

constexpr double kFadeSeconds = 0.01;
constexpr double kPauseSeconds = 2;  // what a hall needs to fall silent
constexpr std::size_t kBlockFrames = 16384;

/// As typed; empty where not given.
struct StimulusOptions {
  std::string kind;
  std::filesystem::path file, rig_file, venue_file;
  std::string output, seconds, level, frequency, from, to, crest, length, every, flank, sample_rate;
  std::string subtype = "float";
  std::uint32_t channels = 0, seed = 1;
  bool twice = false;
  std::vector<Option> special;  ///< options that only some kinds have
  Voice voice;
};

/// `fallback` where nothing was typed.
double value_of(const std::string& option, const std::string& text, rig::Quantity quantity,
                const std::string& fallback) {
  return typed_number(option, text.empty() ? fallback : text, quantity);
}
/// "-20 dBFS"; "-20 dB" and "-20" are read as that.
double level_of(std::string text, const std::string& fallback) {
  if (text.ends_with("dBFS")) text.resize(text.size() - 2);
  return value_of("--level", text, rig::Quantity::gain, fallback);
}
template <class Value>
[[noreturn]] void refuse(const std::string& option, const Value& read, const std::string& right) {
  throw InputError(fmt::format("{}: read {}; right would be {}", option, read, right));
}

/// What is to be written, ready to be made as often as needed.
struct Stimulus {
  std::uint32_t sample_rate_hz = 48000;
  std::uint64_t frames = 0;
  double level_dbfs = -20;
  bool level_is_rms = false;                  ///< brought to the RMS level when made; else as it comes
  std::function<std::vector<Signal>()> make;  ///< a signal a channel, or one for all of them
  std::uint32_t channels = 1;
  Json details = Json::object();
  std::string note;  ///< for people
};

std::uint64_t frames_of(const std::string& option, const std::string& text, const std::string& fallback, double rate) {
  const double seconds = value_of(option, text, rig::Quantity::time, fallback);
  if (!(seconds * rate >= 1.0 && seconds <= 86400.0))
    refuse(option, text, "a time of one sample to 24 hours, as in \"10 s\"");
  return static_cast<std::uint64_t>(std::llround(seconds * rate));
}
double frequency_of(const std::string& option, const std::string& text, const std::string& fallback, double rate) {
  const double hz = value_of(option, text, rig::Quantity::frequency, fallback);
  if (!(hz > 0 && hz < 0.5 * rate))
    refuse(option, text, fmt::format("above 0 Hz and below {:g} Hz, half the sample rate", 0.5 * rate));
  return hz;
}
void must_fit(double peak_dbfs, const std::string& read, const std::string& right) {
  if (peak_dbfs > 1e-9) refuse("--level", read, right);
}
Signal faded_ends(Signal signal, std::uint64_t frames, double rate) {
  const auto fade = std::min<std::uint64_t>(static_cast<std::uint64_t>(kFadeSeconds * rate), frames / 2);
  return stimuli::faded(std::move(signal), frames, fade);
}
/// One signal, the same on all channels.
template <class Make>
std::function<std::vector<Signal>()> alone(Make make) {
  return [make] {
    std::vector<Signal> signals;
    signals.push_back(make());
    return signals;
  };
}

void pink(const StimulusOptions& o, Stimulus& s) {
  const double rate = s.sample_rate_hz, crest_db = value_of("--crest", o.crest, rig::Quantity::gain, "12");
  if (!(crest_db >= 3.0 && crest_db <= 20.0)) refuse("--crest", o.crest, "3 to 20 dB, as in \"6 dB\"");
  s.frames = frames_of("--seconds", o.seconds, "60", rate);
  // A sine's RMS reads 3.01 dB more than plain RMS does (AES17): a crest factor is over the plain one.
  must_fit(
      s.level_dbfs - 10 * std::log10(2.0) + crest_db, o.level,
      fmt::format("{:.1f} dBFS at most, or the peaks of pink noise with a crest factor of {:g} dB pass full scale; or "
                  "a lower --crest",
                  std::floor(10 * (10 * std::log10(2.0) - crest_db)) / 10, crest_db));
  s.level_is_rms = true;
  s.make = alone([=, frames = s.frames, seed = o.seed] {
    return faded_ends(stimuli::with_crest_factor(stimuli::pink_noise(rate, seed), ratio_from_db(crest_db)), frames,
                      rate);
  });
  s.details = {{"seed", o.seed}, {"crest_factor_db", crest_db}};
}

void sine(const StimulusOptions& o, Stimulus& s) {
  const double rate = s.sample_rate_hz, hz = frequency_of("--frequency", o.frequency, "997", rate);
  s.frames = frames_of("--seconds", o.seconds, "10", rate);
  must_fit(s.level_dbfs, o.level, "0 dBFS at most");
  s.make = alone([=, frames = s.frames, amplitude = ratio_from_db(s.level_dbfs)] {
    return faded_ends(stimuli::sine({hz, amplitude}, rate), frames, rate);
  });
  s.details = {{"frequency_hz", hz}};
}

void sweep(const StimulusOptions& o, Stimulus& s) {
  const double rate = s.sample_rate_hz;
  s.frames = frames_of("--seconds", o.seconds, "10", rate);
  must_fit(s.level_dbfs, o.level, "0 dBFS at most");
  const stimuli::Sweep settings{frequency_of("--from", o.from, "20", rate), frequency_of("--to", o.to, "20000", rate),
                                s.frames, ratio_from_db(s.level_dbfs), rate};
  if (settings.from_hz >= settings.to_hz) refuse("--from", o.from, fmt::format("below --to, {:g} Hz", settings.to_hz));
  const auto once = [=] { return faded_ends(stimuli::sweep(settings), settings.frames, rate); };
  const auto pause = static_cast<std::uint64_t>(kPauseSeconds * rate);
  s.make = alone(once);
  if (o.twice) {
    s.frames = 2 * settings.frames + pause;
    s.make = alone([=] { return stimuli::one_after_the_other(once(), settings.frames + pause, once()); });
    s.note = "  Twice, so that 'measure' finds how far player and recorder drift apart.\n";
  }
  s.details = {{"from_hz", settings.from_hz}, {"to_hz", settings.to_hz}, {"time_scale_s", settings.time_scale_s()}};
}

/// Bursts that are longer than the time from one to the next. Named is what was given: both have a default.
[[noreturn]] void overlap(const StimulusOptions& o, const stimuli::Burst& settings, double rate) {
  const double length_s = static_cast<double>(settings.frames) / rate;
  const double every_s = static_cast<double>(settings.period_frames) / rate;
  if (o.every.empty())
    refuse("--length", o.length,
           fmt::format("{:g} s at most, or the bursts overlap; or --every \"{:g} s\" or longer", every_s, length_s));
  refuse("--every", o.every, fmt::format("{:g} s (--length) or longer, or the bursts overlap", length_s));
}
void burst(const StimulusOptions& o, Stimulus& s) {
  const double rate = s.sample_rate_hz, hz = frequency_of("--frequency", o.frequency, "997", rate);
  s.frames = frames_of("--seconds", o.seconds, "10", rate);
  must_fit(s.level_dbfs, o.level, "0 dBFS at most");
  stimuli::Burst settings{{hz, ratio_from_db(s.level_dbfs)}};
  settings.frames = frames_of("--length", o.length, "0.1", rate);
  settings.period_frames = frames_of("--every", o.every, "1", rate);
  const double flank_s = value_of("--flank", o.flank, rig::Quantity::time, "0.001");
  const double flank_frames = std::round(flank_s * rate);
  if (settings.period_frames < settings.frames) overlap(o, settings, rate);
  if (!(flank_s >= 0 && 2 * flank_frames <= static_cast<double>(settings.frames)))
    refuse("--flank", o.flank, "0 (hard gates) to half of --length");
  settings.flank_frames = static_cast<std::uint64_t>(flank_frames);
  s.make = alone([=] { return stimuli::burst(settings, rate); });
  s.details = {{"frequency_hz", hz},
               {"burst_frames", settings.frames},
               {"period_frames", settings.period_frames},
               {"flank_frames", settings.flank_frames}};
}

void worst_case(const StimulusOptions& o, Stimulus& s) {
  if (o.rig_file.empty() || o.output.empty())
    throw InputError(
        "worst-case: --rig FILE and --output NAME are missing: the signal belongs to one output of one rig");
  const rig::Rig rig = rig::load_rig(o.rig_file);
  std::optional<rig::Venue> venue;
  if (!o.venue_file.empty()) venue = rig::load_venue(o.venue_file, rig);
  const CompiledRig compiled = compile(rig, venue ? &*venue : nullptr);
  const auto plan = std::find_if(compiled.outputs.begin(), compiled.outputs.end(),
                                 [&](const OutputPlan& output) { return output.name == o.output; });
  if (plan == compiled.outputs.end()) {
    std::vector<std::string> names;
    for (const OutputPlan& output : compiled.outputs) names.push_back(output.name);
    refuse("--output", o.output, fmt::format("one of {}", fmt::join(names, ", ")));
  }
  std::uint32_t channels = 1;
  for (const rig::Feed& feed : rig.feeds) channels = std::max(channels, feed.channel);
  if (o.channels != 0 && o.channels < channels)
    refuse("--channels", o.channels, fmt::format("{} at least: the rig has a feed on that channel", channels));
  s.channels = std::max(o.channels, channels);
  s.sample_rate_hz = rig.controller.sample_rate_hz;
  must_fit(s.level_dbfs, o.level, "0 dBFS at most");
  std::vector<std::vector<std::size_t>> feeds(s.channels);
  for (std::size_t f = 0; f < rig.feeds.size(); ++f) feeds[rig.feeds[f].channel - 1].push_back(f);
  const stimuli::PathWorstCase found =
      stimuli::path_worst_case(compiled.settings(), static_cast<std::size_t>(plan - compiled.outputs.begin()), feeds,
                               frames_of("--seconds", o.seconds, "10", s.sample_rate_hz));
  if (!(found.peak > 0)) throw InputError(fmt::format("{}: nothing reaches {}", o.rig_file.string(), o.output));
  s.frames = found.channels.front().size();
  const double amplitude = ratio_from_db(s.level_dbfs), peak_dbfs = analysis::db_from_ratio(amplitude * found.peak);
  s.make = [found, amplitude] {
    std::vector<Signal> signals;
    for (const std::vector<double>& channel : found.channels)
      signals.push_back(stimuli::scaled(stimuli::playback(channel), amplitude));
    return signals;
  };
  s.details = {{"rig", o.rig_file.string()},
               {"output", o.output},
               {"peak_ahead_of_limiter_dbfs", peak_dbfs},
               {"peak_frame", found.peak_frame},
               {"limit_dbfs_peak", plan->limit_dbfs_peak}};
  s.note = fmt::format(
      "  Ahead of the limiter of {} it reaches {:+.2f} dBFS; the limit is at {:+.2f} dBFS.\n"
      "  For 'render', not for loudspeakers: every sample is at the level's full height.\n",
      o.output, peak_dbfs, plan->limit_dbfs_peak);
}

struct Kind {
  std::string_view name;
  void (*prepare)(const StimulusOptions&, Stimulus&);
  std::string_view level;          ///< default
  std::vector<std::string> takes;  ///< of the special options
};
const std::array<Kind, 5>& kinds() {
  static const std::array<Kind, 5> all{{
      {"pink", pink, "-20", {"--crest", "--seed", "--sample-rate"}},
      {"sweep", sweep, "-20", {"--from", "--to", "--twice", "--sample-rate"}},
      {"sine", sine, "-20", {"--frequency", "--sample-rate"}},
      {"burst", burst, "-20", {"--frequency", "--length", "--every", "--flank", "--sample-rate"}},
      {"worst-case", worst_case, "0", {"--rig", "--output", "--venue"}},
  }};
  return all;
}

/// Makes the signal and hands it on in blocks, a signal's values at a time.
template <class Take>
void make(const Stimulus& s, double gain, const files::Interruption& interruption, Take take) {
  const std::vector<Signal> signals = s.make();
  std::vector<std::vector<double>> blocks(signals.size());
  for (std::uint64_t done = 0; done < s.frames;) {
    interruption.check();
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(kBlockFrames, s.frames - done));
    for (std::size_t i = 0; i < signals.size(); ++i) {
      blocks[i].resize(count);
      signals[i]->fill(blocks[i]);
      for (double& x : blocks[i]) x *= gain;
    }
    take(blocks, count);
    done += count;
  }
}

Levels write(const Stimulus& s, const StimulusOptions& o, audio::Subtype subtype) {
  const files::Interruption interruption;
  double gain = 1.0;
  if (s.level_is_rms) {
    Levels all;
    make(s, 1.0, interruption, [&](const auto& blocks, std::size_t) { all.add(std::span<const double>(blocks[0])); });
    gain = analysis::rms_from_dbfs(s.level_dbfs) / all.rms();
    if (all.peak() * gain > 1.0)  // a short piece may hold more than its share of the crests
      refuse("--level", o.level,
             fmt::format("{:.1f} dBFS at most: the peaks of this piece are {:.1f} dB above it",
                         all.rms_dbfs() - all.peak_dbfs() - 0.05, all.peak_dbfs() - all.rms_dbfs()));
  }
  audio::Writer writer(
      o.file,
      {.sample_rate_hz = s.sample_rate_hz, .channels = s.channels, .subtype = subtype, .expected_frames = s.frames});
  Levels levels;
  std::vector<float> interleaved;
  make(s, gain, interruption, [&](const auto& blocks, std::size_t count) {
    interleaved.resize(count * s.channels);
    for (std::size_t n = 0; n < count; ++n)
      for (std::size_t c = 0; c < s.channels; ++c)
        interleaved[n * s.channels + c] = static_cast<float>(blocks[std::min(c, blocks.size() - 1)][n]);
    levels.add(std::span<const float>(interleaved));
    writer.write(interleaved);
  });
  writer.keep();
  return levels;
}

void run_stimulus(const StimulusOptions& o) {
  const auto kind = std::find_if(kinds().begin(), kinds().end(), [&](const Kind& k) { return k.name == o.kind; });
  for (const Option& option : o.special) {
    const std::string name = option.long_name();
    if (option.count() > 0 && std::find(kind->takes.begin(), kind->takes.end(), name) == kind->takes.end())
      throw InputError(fmt::format("{}: {} has no such option; it has {}", name, o.kind, fmt::join(kind->takes, ", ")));
  }
  if (o.channels > 64) refuse("--channels", o.channels, "1 to 64");
  for (const std::filesystem::path& read : {o.rig_file, o.venue_file})
    if (!read.empty() && files::are_one(read, o.file))
      refuse("-o", o.file.string(), "another file: this one is read as " + read.string());
  Stimulus s;
  const double rate = value_of("--sample-rate", o.sample_rate, rig::Quantity::frequency, "48000");
  if (!(rate >= 8000 && rate <= 384000 && rate == std::floor(rate)))
    refuse("--sample-rate", o.sample_rate, "a whole number of Hz, 8 kHz to 384 kHz, as in \"48 kHz\"");
  s.sample_rate_hz = static_cast<std::uint32_t>(rate);
  s.channels = std::max(o.channels, 1u);
  s.level_dbfs = level_of(o.level, std::string(kind->level));
  if (!(s.level_dbfs >= -200)) refuse("--level", o.level, "-200 to 0 dBFS, as in \"-20 dBFS\"");
  kind->prepare(o, s);

  Levels levels;
  try {
    levels = write(s, o, *audio::subtype_of(o.subtype));
  } catch (const files::Interrupted& interrupted) {
    tell(fmt::format("rackproof: stimulus: interrupted; {} is unchanged\n", o.file.string()));
    files::die_of(interrupted.signal_number);
  }
  const double seconds = static_cast<double>(s.frames) / s.sample_rate_hz;
  o.voice.say(fmt::format("{}: {}, {:.3f} s, {} channel{} at {:g} kHz, peak {:.2f} dBFS, RMS {:.2f} dBFS\n{}",
                          o.file.string(), o.kind, seconds, s.channels, s.channels == 1 ? "" : "s",
                          s.sample_rate_hz / 1e3, levels.peak_dbfs(), levels.rms_dbfs(), s.note));
  Json document{{"kind", o.kind},
                {"file", o.file.string()},
                {"frames", s.frames},
                {"seconds", seconds},
                {"sample_rate_hz", s.sample_rate_hz},
                {"channels", s.channels},
                {"subtype", o.subtype},
                {"level_dbfs", s.level_dbfs},
                {"peak_dbfs", levels.peak_dbfs()},
                {"rms_dbfs", levels.rms_dbfs()}};
  document.update(s.details);
  o.voice.document(document);
}

}  // namespace

void add_stimulus(CLI::App& program, int& status) {
  CLI::App* verb =
      add_verb(program, "stimulus",
               "Writes a test signal: pink, sweep, sine, burst, or worst-case (what drives one output of a "
               "rig the furthest). The same settings make the same file. Loud signals damage hearing and "
               "drivers: begin with the amplifiers turned down.",
               "rackproof stimulus pink -o pink.wav --seconds \"60 s\" --level \"-20 dBFS\"");
  auto o = std::make_shared<StimulusOptions>();
  const auto special = [&](const std::string& name, auto& value, const std::string& text, const std::string& type) {
    o->special.push_back(add_option(*verb, name, value, text).type_name(type));
  };
  std::vector<std::string> names;
  for (const Kind& kind : kinds()) names.emplace_back(kind.name);
  only_one_of(add_option(*verb, "KIND", o->kind, "The signal").required(), names);
  add_option(*verb, "-o,--file", o->file, "The file to write, WAV").type_name("FILE").required();
  add_option(*verb, "--seconds", o->seconds,
             "How long; pink 60 s, the others 10 s if not given. Of worst-case: how much of the path's memory "
             "counts at most")
      .type_name("TIME");
  add_option(*verb, "--level", o->level,
             "Level as AES17 has it, a full-scale sine at 0: RMS of pink, of the tone of a sine, sweep or burst "
             "(its peaks then read the same), -20 dBFS if not given; peak of worst-case, 0 dBFS if not given")
      .type_name("DBFS");
  special("--frequency", o->frequency, "Of a sine or burst; 997 Hz if not given", "FREQUENCY");
  special("--from", o->from, "Where a sweep begins; 20 Hz if not given", "FREQUENCY");
  special("--to", o->to, "Where a sweep ends; 20 kHz if not given", "FREQUENCY");
  o->special.push_back(
      add_flag(*verb, "--twice", o->twice, "The same sweep again after 2 s, for a recorder with a clock of its own"));
  special("--crest", o->crest, "Crest factor (peak over RMS) to which pink noise is clipped; 12 dB if not given", "DB");
  special("--length", o->length, "Of one burst; 100 ms if not given", "TIME");
  special("--every", o->every, "From one burst to the next; 1 s if not given", "TIME");
  special("--flank", o->flank, "Raised-cosine flanks of a burst, within it; 1 ms if not given, 0 for hard gates",
          "TIME");
  special("--seed", o->seed, "Of the noise; 1 if not given", "NUMBER");
  special("--sample-rate", o->sample_rate, "48 kHz if not given; worst-case takes the rig's", "FREQUENCY");
  special("--rig", o->rig_file, "worst-case: the rig file", "FILE");
  special("--output", o->output, "worst-case: the output, as 'plan' names it", "NAME");
  special("--venue", o->venue_file, "worst-case: tonight's venue file on top of the rig", "FILE");
  add_option(*verb, "--channels", o->channels,
             "Channels, all alike; 1 if not given. worst-case: as the rig's feeds need")
      .range(1, 64)
      .type_name("NUMBER");
  only_one_of(add_option(*verb, "--subtype", o->subtype,
                         "Samples of the file; float if not given. PCM is rounded, without dither"),
              {audio::kSubtypeNames.begin(), audio::kSubtypeNames.end()});
  o->voice.add_to(*verb);
  when_called(*verb, [o, &status] {
    run_stimulus(*o);
    status = 0;
  });
}

}  // namespace rackproof
