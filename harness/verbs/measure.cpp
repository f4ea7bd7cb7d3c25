/// `measure`: from what was sent and what microphones heard to the response between them.
#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>

#include "harness/audio/reader.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/files/kind.hpp"
#include "harness/files/whole_file.hpp"
#include "harness/report/measurement_page.hpp"
#include "harness/rig/rig.hpp"
#include "harness/rig/units.hpp"
#include "harness/tune/limited.hpp"
#include "harness/tune/microphone.hpp"
#include "harness/tune/shown_way.hpp"
#include "harness/tune/transfer.hpp"
#include "harness/verbs/loudspeaker_option.hpp"
#include "harness/verbs/measure_play.hpp"
#include "harness/verbs/program_name.hpp"
#include "harness/verbs/report_option.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

struct MeasureOptions {
  std::filesystem::path sent, output;
  std::vector<std::filesystem::path> captured;
  std::uint32_t sent_channel = 1, captured_channel = 1, reference_channel = 0;
  std::string kind = "auto", smoothing, from, to, take_out, sent_start, sent_seconds;
  std::filesystem::path rig, venue, microphone;
  LoudspeakerOption loudspeaker;
  PlayOptions play;
  std::vector<Option> of_files, of_playing;  ///< options that only one of the two ways to measure has
  ReportOption report;
  Voice voice;
};

/// "1/24" or "24": the b of 1/b octave. 0 where nothing was typed.
double smoothing_of(std::string text) {
  if (text.empty() || text == "none") return 0;
  const std::string typed = text;
  if (text.starts_with("1/")) text.erase(0, 2);
  double b = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), b);
  if (error != std::errc() || end != text.data() + text.size() || !(b >= 1 && b <= 48))
    throw InputError(fmt::format("--smoothing: read {}; right would be 1/48 to 1/1 of an octave, as in 1/24", typed));
  return b;
}

double quantity_of(const char* option, const std::string& text, rig::Quantity quantity) {
  try {
    return rig::read_value(text, quantity);
  } catch (const rig::Misread& misread) {
    throw InputError(fmt::format("{}: read {}; {}", option, misread.read, misread.right));
  }
}

tune::Recording recording(const std::filesystem::path& file, std::uint32_t channel, const char* option) {
  constexpr double kMostSeconds = 600;
  audio::Reader reader(file);
  if (channel < 1 || channel > reader.channels())
    throw InputError(fmt::format("{}: {} {}: it has {} channel{}, counted from 1", file.string(), option, channel,
                                 reader.channels(), reader.channels() == 1 ? "" : "s"));
  tune::Recording recording{file.string(), static_cast<double>(reader.sample_rate_hz()), {}};
  if (static_cast<double>(reader.frames()) > kMostSeconds * recording.sample_rate_hz)
    throw InputError(
        fmt::format("{}: read {}; at most ten minutes are measured at once: cut it", file.string(), reader.length()));
  std::vector<float> block(audio::kReadFrames);
  const std::uint32_t pick = channel - 1;
  float* const into = block.data();
  for (std::size_t count; (count = reader.read({&pick, 1}, {&into, 1}, block.size())) > 0;)
    recording.samples.insert(recording.samples.end(), block.begin(),
                             block.begin() + static_cast<std::ptrdiff_t>(count));
  return recording;
}

/// What `--rig` and `--venue` name.
struct Rigged {
  rig::Rig rig;
  std::optional<rig::Venue> venue;
};
std::optional<Rigged> rigged(const MeasureOptions& o) {
  if (o.rig.empty()) {
    if (!o.venue.empty()) throw InputError("--venue: needs --rig: it is a layer over a rig");
    if (!o.loudspeaker.name.empty()) throw InputError("--loudspeaker: needs --rig: it is one of a rig's");
    return std::nullopt;
  }
  Rigged read{rig::load_rig(o.rig), std::nullopt};
  if (!o.venue.empty()) read.venue = rig::load_venue(o.venue, read.rig);
  return read;
}
/// As it drove the ways.
std::optional<tune::Drive> drive_of(const MeasureOptions& o, const std::optional<Rigged>& by) {
  if (!by) return std::nullopt;
  return tune::drive_of(o.loudspeaker.of(by->rig), by->venue ? &*by->venue : nullptr);
}

/// Silence outside what `--sent-start` and `--sent-seconds` leave of what was sent; time zero stays the file's.
void keep_part(tune::Recording& sent, const MeasureOptions& o) {
  if (o.sent_start.empty() && o.sent_seconds.empty()) return;
  const double start_s = o.sent_start.empty() ? 0 : quantity_of("--sent-start", o.sent_start, rig::Quantity::time);
  const double length_s = o.sent_seconds.empty() ? static_cast<double>(sent.samples.size()) / sent.sample_rate_hz
                                                 : quantity_of("--sent-seconds", o.sent_seconds, rig::Quantity::time);
  const double size = static_cast<double>(sent.samples.size());
  const auto begin = static_cast<std::size_t>(std::clamp(start_s * sent.sample_rate_hz, 0.0, size));
  const auto end = static_cast<std::size_t>(
      std::clamp((start_s + length_s) * sent.sample_rate_hz, static_cast<double>(begin), size));
  if (begin >= end)
    throw InputError(fmt::format("--sent-start, --sent-seconds: read {} from {}; {} holds {:.3f} s",
                                 o.sent_seconds.empty() ? "all" : o.sent_seconds, o.sent_start, sent.name,
                                 size / sent.sample_rate_hz));
  std::fill(sent.samples.begin(), sent.samples.begin() + static_cast<std::ptrdiff_t>(begin), 0.0);
  std::fill(sent.samples.begin() + static_cast<std::ptrdiff_t>(end), sent.samples.end(), 0.0);
}

/// Of the samples as they were read: a copy under another name is the same recording.
std::string fingerprint_of(const tune::Recording& recording) {
  return files::fingerprint_of({reinterpret_cast<const char*>(recording.samples.data()),
                                recording.samples.size() * sizeof(recording.samples[0])});
}

/// Without a sign of nothing: in hundredths -0.001 is 0.
double in_steps(double value, double steps) { return std::round(steps * value) / steps + 0.0; }

std::string text_of(const tune::Measurement& m, std::size_t width) {
  std::string out = fmt::format("{} at {:g} kHz, {} capture{}\n", m.kind == "sweep" ? "Sweep" : "Noise",
                                m.sample_rate_hz / 1e3, m.captures, m.captures == 1 ? "" : "s");
  Table facts({{"capture", Align::left},
               {"arrival"},
               {"off by at most"},
               {"polarity", Align::left},
               {"clock drift"},
               {"level"}});
  for (const tune::Capture& one : m.each)
    facts.row({one.file, fmt::format("{:.4f} ms", in_steps(one.arrival_ms, 1e4)),
               fmt::format("{:.4f} ms", one.arrival_error_ms), tune::polarity_word(one.polarity),
               one.drift_ppm ? fmt::format("{:+.2f} ppm", in_steps(*one.drift_ppm, 100)) : std::string("not known"),
               fmt::format("{:.1f} dBFS", one.level_dbfs)});
  out += facts.text(width) + "\n";
  if (m.any_inverted()) out += wrapped(tune::kWhatInvertedSays, width) + "\n";
  Table bands({{"octave", Align::left}, {"level"}, {"coherence"}, {"a frequency off by"}});
  for (const tune::OctaveMean& mean : tune::octave_means(m))
    bands.row({mean.octave, fmt::format("{:+.1f} dB", mean.level_db), fmt::format("{:.2f}", mean.coherence),
               mean.error_db ? fmt::format("{:.2f} dB", *mean.error_db) : std::string("not known")});
  out += bands.text(width);
  for (const Warning& warning : m.warnings) out += wrapped(warning.code + ": " + warning.text, width, "  ! ");
  return out;
}

tune::TransferOptions transfer_options(const MeasureOptions& o) {
  tune::TransferOptions options;
  options.smoothing = smoothing_of(o.smoothing);
  options.kind = o.kind == "sweep"   ? tune::SentKind::sweep
                 : o.kind == "noise" ? tune::SentKind::noise
                                     : tune::SentKind::automatic;
  if (!o.from.empty()) options.lowest_hz = quantity_of("--from", o.from, rig::Quantity::frequency);
  if (!o.to.empty()) options.highest_hz = quantity_of("--to", o.to, rig::Quantity::frequency);
  if (!(options.lowest_hz > 0 && options.highest_hz >= 2 * options.lowest_hz))
    throw InputError(fmt::format("--from, --to: read {:g} to {:g} Hz; an octave at least is wanted", options.lowest_hz,
                                 options.highest_hz));
  return options;
}

/// What was sent, and what was heard of it.
struct Heard {
  tune::Recording sent;
  std::string sent_fingerprint;
  std::uint32_t sent_channel = 1, captured_channel = 1, reference_channel = 0;
  std::vector<tune::Recording> captured, references;  ///< a reference for each capture, or none
};
Heard heard_in_files(const MeasureOptions& o) {
  Heard heard{.sent = recording(o.sent, o.sent_channel, "--sent-channel"),
              .sent_fingerprint = {},
              .sent_channel = o.sent_channel,
              .captured_channel = o.captured_channel,
              .reference_channel = o.reference_channel,
              .captured = {},
              .references = {}};
  heard.sent_fingerprint = fingerprint_of(heard.sent);
  keep_part(heard.sent, o);
  for (const std::filesystem::path& file : o.captured) {
    heard.captured.push_back(recording(file, o.captured_channel, "--captured-channel"));
    if (o.reference_channel == 0) continue;
    heard.references.push_back(recording(file, o.reference_channel, "--reference-channel"));
    heard.references.back().name += fmt::format(" (channel {}, the reference)", o.reference_channel);
  }
  return heard;
}

/// What was sent in place of what was heard, and one recording for two.
void warn_of_copies(const Heard& heard, tune::Measurement& m) {
  for (std::size_t i = 0; i < m.recordings.size(); ++i) {
    const std::string& name = heard.captured[i].name;
    if (m.recordings[i] == m.sent_fingerprint)
      m.warnings.push_back(
          {"sent-itself",
           fmt::format("{}: it holds what was sent, sample for sample: no microphone heard that", name)});
    const auto twin = std::find(m.recordings.begin(), m.recordings.end(), m.recordings[i]) - m.recordings.begin();
    if (static_cast<std::size_t>(twin) < i)
      m.warnings.push_back({"given-twice", fmt::format("{}: the same recording as {}; their mean says no more than one",
                                                       name, heard.captured[static_cast<std::size_t>(twin)].name)});
  }
}

/// What the rig's own limiters take from what is sent is no response, and coherence does not tell. Of the ways that are
/// heard in it, where that can be said.
void warn_of_limits(const MeasureOptions& o, const Heard& heard, const std::optional<Rigged>& by,
                    tune::Measurement& m) {
  if (!by) return;
  const std::string& loudspeaker = o.loudspeaker.of(by->rig).loudspeaker;
  const std::vector<double> below_db = tune::below_loudest_db(m);
  const auto counts = [&](const OutputPlan& plan) {
    return plan.loudspeaker == loudspeaker && (below_db.empty() || below_db.at(plan.way_index) < tune::kSilent_db);
  };
  const auto held = tune::held_of(compile(by->rig, by->venue ? &*by->venue : nullptr), heard.sent, counts);
  if (!held) return;
  m.warnings.push_back(
      {"limited",
       fmt::format(
           "{}: played into {} at its own level, limiters of {} hold it: {:.1f} dB of peaks on average, {:.1f} dB "
           "of power at the most. What they take looks like a response. Send it softer",
           heard.sent.name, by->rig.file.string(), held->output, held->peak_mean_db, held->power_most_db)});
}

/// Measures, writes the file and the page, both or none, and says what was found. Returns it as a document.
Json write_measurement(const MeasureOptions& o, const std::filesystem::path& output, const Heard& heard,
                       const std::optional<Rigged>& by, const std::optional<tune::Drive>& driven_by,
                       const std::optional<tune::MicrophoneCurve>& microphone) {
  tune::Measurement m = tune::measure(heard.sent, heard.captured, transfer_options(o), heard.references);
  m.driven_by = driven_by;
  m.reference_channel = heard.reference_channel;
  m.sent_fingerprint = heard.sent_fingerprint;
  for (const tune::Recording& one : heard.captured) m.recordings.push_back(fingerprint_of(one));
  warn_of_copies(heard, m);
  warn_of_limits(o, heard, by, m);
  if (microphone) tune::take_out(*microphone, m);
  Json document = tune::document_of(m);
  std::vector<files::WholeFile> written;
  written.emplace_back(output);
  if (output.extension() == ".json")
    written[0].write(document.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n");
  else
    written[0].write(tune::csv_of(
        m, o.take_out.empty() ? m.arrival_ms : 1e3 * quantity_of("--take-out", o.take_out, rig::Quantity::time)));
  if (o.report)
    written.push_back(o.report.written(report::measurement_page(m, {.name = output.stem().string(),
                                                                    .sent_file = heard.sent.name,
                                                                    .sent_channel = heard.sent_channel,
                                                                    .captured_channel = heard.captured_channel,
                                                                    .made = now_in_words(),
                                                                    .program = program_name()})));
  std::vector<files::WholeFile*> all;
  for (files::WholeFile& file : written) all.push_back(&file);
  files::commit_all(all);
  o.voice.say(text_of(m, text_width()) + "\n" + output.string() + " is written.\n" + o.report.line());
  return document;
}

constexpr const char* kLoudCaution =
    "Loud noise harms hearing and burns drivers: start low, protect ears, high-frequency drivers first behind their "
    "filters.";

/// The file's form, and that it may be written.
void require_output(const MeasureOptions& o, const std::filesystem::path& output,
                    const std::vector<std::filesystem::path>& read) {
  const std::string form = output.extension().string();
  if (form != ".json" && form != ".csv")
    throw InputError(fmt::format("-o: read {}; right would be a name that ends in .json or .csv", output.string()));
  for (const std::filesystem::path& file : read)
    if (files::are_one(file, output))
      throw InputError(fmt::format("-o: read {}; it is also read from: give another name", output.string()));
  files::must_be_writable(output);
  files::must_be_replaceable(output, form == ".json" ? files::Kind::measurement_json : files::Kind::measurement_csv);
  if (!o.take_out.empty() && form != ".csv")
    throw InputError("--take-out: belongs to a .csv; a .json holds the arrival beside the phase");
}

/// Plays through the running rig, and measures each output as soon as it was heard.
void play_and_measure(const MeasureOptions& o, const std::optional<Rigged>& by,
                      const std::optional<tune::MicrophoneCurve>& microphone) {
  if (!by) throw InputError("--play: needs --rig RIG: the rig that `live` runs");
  if (o.play.microphone_port.empty())
    throw InputError("--play: needs --microphone-port PORT: where the microphone comes in, as in system:capture_1");
  if (o.play.socket.empty())
    throw InputError("--play: needs --socket FILE: where `rackproof live RIG --socket FILE` takes its lines");
  if (o.play.all && o.report) throw InputError("--report: one page shows one output: give --way or --output");
  std::optional<tune::Drive> driven_by;  // of one way: the whole loudspeaker was driven by several
  if (!o.play.together) driven_by = drive_of(o, by);
  o.voice.say(wrapped(std::string(kLoudCaution) + " Ctrl-C fades what plays and brings all mutes back.", text_width()));
  PlayOptions play_options = o.play;
  play_options.loudspeaker = o.loudspeaker.of(by->rig).loudspeaker;
  play(
      play_options, by->rig, by->venue ? &*by->venue : nullptr,
      [&](const std::string& words) { o.voice.say(words + "\n"); },
      [&](Played played) {
        Heard heard{.sent = std::move(played.sent),
                    .sent_fingerprint = {},
                    .sent_channel = 1,
                    .captured_channel = 1,
                    .reference_channel = played.reference ? 2u : 0u,
                    .captured = {},
                    .references = {}};
        heard.sent_fingerprint = fingerprint_of(heard.sent);
        heard.captured.push_back(std::move(played.captured));
        if (played.reference) heard.references.push_back(std::move(*played.reference));
        const std::filesystem::path output = o.play.all ? o.output / (played.way + ".json") : o.output;
        o.voice.document(write_measurement(o, output, heard, by, driven_by, microphone));
      });
}

void run_measure(const MeasureOptions& o) {
  const bool plays = !o.play.kind.empty();
  for (const Option& option : plays ? o.of_files : o.of_playing)
    if (option.count() > 0)
      throw InputError(
          fmt::format("{}: {}", option.long_name(),
                      plays ? "belongs to files that were recorded; --play records by itself" : "belongs to --play"));
  if (!plays && (o.sent.empty() || o.captured.empty()))
    throw InputError(
        "--sent and --captured are needed: what was played, and what a microphone heard of it. Or --play: "
        "through a running `live`");
  std::vector<std::filesystem::path> read = o.captured;
  for (const std::filesystem::path& one : {o.sent, o.rig, o.venue, o.microphone})
    if (!one.empty()) read.push_back(one);
  static_cast<void>(transfer_options(o));  // what is refused of them, before anything long begins
  const std::optional<Rigged> by = rigged(o);
  std::optional<tune::MicrophoneCurve> microphone;
  if (!o.microphone.empty()) microphone = tune::load_microphone(o.microphone);
  if (o.play.all) {
    if (!std::filesystem::is_directory(o.output))
      throw InputError(fmt::format("-o: read {}; with --all it is a folder that is there: each way's file goes into it",
                                   o.output.string()));
    if (by)
      for (const rig::Way& way : o.loudspeaker.of(by->rig).ways)
        require_output(o, o.output / (way.name + ".json"), read);
  } else {
    require_output(o, o.output, read);
  }
  o.report.require_place(read, o.output);
  if (plays) {
    play_and_measure(o, by, microphone);
    return;
  }
  if (o.reference_channel == o.captured_channel)
    throw InputError(
        fmt::format("--reference-channel: read {}, which is the microphone's; the channel that recorded "
                    "what was sent is wanted",
                    o.reference_channel));
  const std::optional<tune::Drive> driven_by = drive_of(o, by);
  const Json document = write_measurement(o, o.output, heard_in_files(o), by, driven_by, microphone);
  o.voice.say(wrapped(kLoudCaution, text_width()));
  o.voice.document(document);
}

}  // namespace

void add_measure(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(program, "measure",
                            "Transfer function, coherence and arrival time from what was sent and what was captured",
                            "rackproof measure --sent pink.wav --captured seat1.wav seat2.wav -o hall.json");
  const auto o = std::make_shared<MeasureOptions>();
  const auto of_files = [&o](Option option) {
    o->of_files.push_back(option);
    return option;
  };
  const auto of_playing = [&o](Option option) {
    o->of_playing.push_back(option);
    return option;
  };
  of_files(add_option(*verb, "--sent", o->sent, "What was sent to the loudspeakers: noise or a sweep"))
      .type_name("FILE");
  of_files(add_option(*verb, "--captured", o->captured, "What the microphone heard, a file a place; they are averaged"))
      .type_name("FILE")
      .expected(1, 64);
  add_option(*verb, "-o,--output", o->output, "Where to write: NAME.json or NAME.csv; with --all a folder")
      .type_name("FILE")
      .required();
  of_files(add_option(*verb, "--sent-channel", o->sent_channel, "Of the sent file, from 1; 1 if not given"))
      .type_name("NUMBER");
  of_files(
      add_option(*verb, "--captured-channel", o->captured_channel, "Of the captured files, from 1; 1 if not given"))
      .type_name("NUMBER");
  of_files(
      add_option(
          *verb, "--reference-channel", o->reference_channel,
          "Of the captured files: the channel that recorded what was sent, by a cable. Arrival and clock drift are "
          "then those from it to the microphone"))
      .type_name("NUMBER")
      .range(1, 1024);
  of_files(
      add_option(*verb, "--sent-start", o->sent_start,
                 "Only this part of the sent file, from here on: several ways, one after the other, in one recording"))
      .type_name("TIME");
  of_files(add_option(*verb, "--sent-seconds", o->sent_seconds, "How much of it; all that is left if not given"))
      .type_name("TIME");
  add_option(*verb, "--rig", o->rig,
             "The rig that drove the loudspeaker, as it was: align starts from its filters, delays and polarities")
      .type_name("FILE");
  add_option(*verb, "--venue", o->venue, "The venue file that was in force, with --rig").type_name("FILE");
  o->loudspeaker.add_to(*verb, "The loudspeaker that played, where the rig has several");
  add_option(*verb, "--microphone", o->microphone,
             "The microphone's own response, lines of frequency_hz and level_db: it is taken out")
      .type_name("FILE");
  only_one_of(add_option(*verb, "--kind", o->kind, "What was sent; it is found out if not given"),
              {"auto", "noise", "sweep"});
  add_option(*verb, "--smoothing", o->smoothing, "Window of a fraction of an octave, 1/48 to 1/1; none if not given")
      .type_name("1/N");
  add_option(*verb, "--from", o->from, "Lowest frequency; 16 Hz if not given, or as low as can be told")
      .type_name("FREQUENCY");
  add_option(*verb, "--to", o->to, "Highest frequency; 20.5 kHz if not given").type_name("FREQUENCY");
  add_option(*verb, "--take-out", o->take_out,
             "CSV only: the time taken out of the phase, the same for ways that are to be added; the arrival if "
             "not given")
      .type_name("TIME");
  only_one_of(
      add_option(*verb, "--play", o->play.kind,
                 "Plays this through the limits of a running 'rackproof live' and records it in the same cycle; "
                 "all other outputs are muted meanwhile"),
      {"noise", "sweep"});
  of_playing(
      add_option(*verb, "--way", o->play.way, "What is played: a way, of which the first output plays, or an output"))
      .type_name("NAME");
  of_playing(add_flag(*verb, "--all", o->play.all, "Every way that is not muted, one after the other"));
  of_playing(add_flag(*verb, "--together", o->play.together,
                      "Every way that is not muted at once: the whole loudspeaker, of each way the first output"));
  of_playing(add_option(*verb, "--microphone-port", o->play.microphone_port,
                        "Where the microphone comes in, on the JACK server: system:capture_1"))
      .type_name("PORT");
  of_playing(
      add_option(*verb, "--loopback", o->play.loopback,
                 "An unused port that takes and one that gives, with a cable between them, no amplifier: what the "
                 "interface adds is then taken out of the arrival, as by --reference-channel"))
      .type_name("PORT")
      .expected(2, 2);
  of_playing(
      add_option(
          *verb, "--play-level", o->play.level,
          "Level at the feeds, RMS of noise or of the sweep's tone; -50 dBFS if not given. Raise it by 6 dB at a "
          "time, with ears protected"))
      .type_name("DBFS");
  of_playing(
      add_option(*verb, "--play-seconds", o->play.seconds, "How long: 20 s of noise, 10 s of sweep if not given"))
      .type_name("TIME");
  of_playing(add_option(*verb, "--socket", o->play.socket, "The command socket of the running 'live'"))
      .type_name("FILE");
  of_playing(add_option(*verb, "--server", o->play.server, "The JACK server; else JACK_DEFAULT_SERVER, else 'default'"))
      .type_name("NAME");
  of_playing(
      add_option(*verb, "--keep", o->play.keep,
                 "A folder that is there: what was recorded is kept in it, OUTPUT.wav with the microphone first"))
      .type_name("DIR");
  o->report.add_to(*verb);
  o->voice.add_to(*verb);
  when_called(*verb, [o, &status] {
    run_measure(*o);
    status = 0;
  });
}

}  // namespace rackproof
