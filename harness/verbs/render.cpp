/// `render`: a recording through a rig's chain, one file an amplifier channel, and what it would do to the amplifiers.
#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <thread>

#include "harness/analysis/decibels.hpp"
#include "harness/audio/writer.hpp"
#include "harness/files/interruption.hpp"
#include "harness/verbs/held_figures.hpp"
#include "harness/verbs/listen.hpp"
#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/render_batch.hpp"
#include "harness/verbs/render_job.hpp"
#include "harness/verbs/render_progress.hpp"
#include "harness/verbs/rig_warnings.hpp"
#include "harness/verbs/set_list.hpp"
#include "harness/verbs/streams.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

using analysis::db_from_ratio;
namespace fs = std::filesystem;

constexpr std::pair<std::string_view, Bypass> kBypasses[] = {
    {"all", Bypass::all}, {"venue", Bypass::venue}, {"system", Bypass::system}, {"limits", Bypass::limits}};

struct RenderOptions {
  RigArguments rig;
  Voice voice;
  std::vector<std::filesystem::path> inputs;
  RenderJob job;  // what is common to all
  std::optional<std::uint32_t> jobs;
  std::string bypass, subtype = "float", start, seconds;
  std::optional<std::uint32_t> block_frames;
  ListenOptions listen;
};

/// "90" and "90.5" are seconds; "250 ms", "1.5 min" say so themselves.
double time_of(const std::string& option, const std::string& text) {
  const double time_s = typed_number(option, text, rig::Quantity::time, "\"1.5 s\"");
  if (time_s < 0 || (option == "--seconds" && time_s == 0))
    throw InputError(fmt::format("{}: read {}; right would be a time {} 0, as in \"1.5 s\"", option, text,
                                 option == "--seconds" ? "above" : "of at least"));
  return time_s;
}

/// What a person wants to know of one output, from the chain's figures and the plan's volts.
struct Reading {
  std::string name, file;
  std::optional<double> peak_dbfs = {}, true_peak_dbtp = {}, rms_dbfs = {};  ///< nothing: silence
  double peak_volts = 0;  ///< of the wave that the converter makes, not of its samples
  double rms_volts = 0, mean_watts = 0;
  double max_peak_reduction_db = 0, max_power_reduction_db = 0, limited_fraction = 0;
  std::uint64_t clipped_samples = 0;
  proof::Holding holding = {};
};

std::optional<double> level(double db) { return std::isfinite(db) ? std::optional(db) : std::nullopt; }
double reduction_db(double least_gain) { return least_gain < 1.0 ? -db_from_ratio(std::max(least_gain, 1e-20)) : 0.0; }

Reading reading_of(const OutputPlan& plan, const RenderedOutput& output, const fs::path& folder, std::uint64_t frames) {
  Reading r{.name = plan.name, .file = (folder / output.file).string()};
  r.peak_dbfs = level(db_from_ratio(output.peak));
  r.true_peak_dbtp = level(db_from_ratio(output.true_peak));
  r.rms_dbfs = level(analysis::dbfs_from_rms(output.rms));
  r.peak_volts = std::max(output.peak, output.wave_peak) * plan.full_scale_volts_peak;
  r.rms_volts = output.rms * plan.full_scale_volts_peak;
  r.mean_watts = r.rms_volts * r.rms_volts / plan.load_ohm;
  r.max_peak_reduction_db = reduction_db(output.least_peak_gain);
  r.max_power_reduction_db = reduction_db(output.least_power_gain);
  r.limited_fraction = static_cast<double>(output.limited_frames) / static_cast<double>(frames);
  r.clipped_samples = output.clipped_samples;
  r.holding = {output.peak_held, output.power_held, output.held, r.rms_volts};
  return r;
}

/// "1 sample", "2 samples"
std::string samples(std::uint64_t count) { return fmt::format("{} sample{}", count, count == 1 ? "" : "s"); }

/// Only what is wrong: with the recording, with what left the chain, and for whom it may be too much.
std::vector<Warning> cautions(const rig::Rig& rig, const CompiledRig& compiled, const Rendered& rendered,
                              const std::vector<Reading>& readings) {
  std::vector<Warning> found;
  if (rendered.complaint) found.push_back({rendered.complaint->code, rendered.complaint->text});
  found.insert(found.end(), rendered.of_the_folder.begin(), rendered.of_the_folder.end());
  std::vector<std::string> unread;
  for (std::uint32_t channel = 1; channel <= rendered.input_channels; ++channel)
    if (std::ranges::find(rig.feeds, channel, &rig::Feed::channel) == rig.feeds.end())
      unread.push_back(std::to_string(channel));
  if (!unread.empty())
    found.push_back(
        {"channels-unread", fmt::format("no feed reads channel {} of the recording ([feeds]): what is on it "
                                        "is heard nowhere",
                                        fmt::join(unread, ", "))});
  if (rendered.bad_samples == 1)
    found.push_back({"bad-samples", "1 sample of the input is not a number; it was taken as 0"});
  if (rendered.bad_samples > 1)
    found.push_back({"bad-samples", fmt::format("{} samples of the input are not numbers; each was taken as 0",
                                                rendered.bad_samples)});
  if (rendered.bounded_samples > 0)
    found.push_back(
        {"bounded-samples",
         fmt::format("{} of the input {} beyond +36 dBFS and {} held there", samples(rendered.bounded_samples),
                     rendered.bounded_samples == 1 ? "is" : "are", rendered.bounded_samples == 1 ? "was" : "were")});
  if (rendered.listened && rendered.listened->clipped_samples > 0)
    found.push_back(
        {"listen-clip", fmt::format("{}: {} beyond full scale, where a player clips; less of "
                                    "--listen-gain or --listen-level would do",
                                    rendered.listened->place.string(), samples(rendered.listened->clipped_samples))});
  for (std::size_t o = 0; o < readings.size(); ++o) {
    const Reading& reading = readings[o];
    const OutputPlan& plan = compiled.outputs[o];
    if (reading.clipped_samples > 0)
      found.push_back({"converter-clip", fmt::format("{}: {} beyond full scale, where a converter clips", reading.name,
                                                     samples(reading.clipped_samples))});
    if (reading.peak_volts > plan.clip_volts_peak)
      found.push_back(
          {"amplifier-clip",
           fmt::format("{}: {:.1f} V peak are {:.1f} dB beyond what the amplifier makes ({:.1f} V peak): it "
                       "would clip, and clipping burns drivers",
                       reading.name, reading.peak_volts, db_from_ratio(reading.peak_volts / plan.clip_volts_peak),
                       plan.clip_volts_peak)});
    const rig::Driver& driver = part_of(rig, plan).driver_of(way_of(rig, plan));
    const double driver_volts = reading.rms_volts * plan.driver_share;
    const double driver_watts = driver_volts * driver_volts / driver.impedance_ohm;
    if (driver_watts > driver.continuous_power_watts)
      found.push_back(
          {"driver-power", fmt::format("{}: {:.0f} W on average into each {}, whose continuous rating is {:.0f} W",
                                       reading.name, driver_watts, driver.name, driver.continuous_power_watts)});
  }
  return found;
}

Json document_of(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job, const Rendered& rendered,
                 const std::vector<Reading>& readings, const std::vector<Warning>& warnings,
                 const std::vector<proof::Advice>& advice, double factor) {
  Json outputs = Json::array(), notes = Json::array();
  for (const Reading& r : readings) {
    outputs.push_back({{"name", r.name},
                       {"file", r.file},
                       {"peak_dbfs", or_null(r.peak_dbfs)},
                       {"true_peak_dbtp", or_null(r.true_peak_dbtp)},
                       {"rms_dbfs", or_null(r.rms_dbfs)},
                       {"peak_volts", r.peak_volts},
                       {"rms_volts", r.rms_volts},
                       {"mean_watts", r.mean_watts},
                       {"max_peak_reduction_db", r.max_peak_reduction_db},
                       {"max_power_reduction_db", r.max_power_reduction_db},
                       {"limited_fraction", r.limited_fraction},
                       {"clipped_samples", r.clipped_samples}});
    add_held(outputs.back(), r.holding.peak, r.holding.power);
  }
  for (const Warning& warning : warnings) notes.push_back({{"code", warning.code}, {"text", warning.text}});
  return {{"rig", rig.file.string()},
          {"input", job.input.string()},
          {"frames", rendered.frames},
          {"input_frames", rendered.input_frames},
          {"input_whole", !rendered.complaint},
          {"sample_rate_hz", rig.controller.sample_rate_hz},
          {"latency_samples", compiled.latency_samples},
          {"realtime_factor", factor},
          {"bad_samples", rendered.bad_samples},
          {"bounded_samples", rendered.bounded_samples},
          {"outputs", std::move(outputs)},
          {"listen", rendered.listened ? listen_json(*rendered.listened, *job.listen->model) : Json(nullptr)},
          {"advice", advice_json(advice)},
          {"warnings", std::move(notes)}};
}

std::string table_of(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job, const Rendered& rendered,
                     const std::vector<Reading>& readings, const std::vector<Warning>& warnings,
                     const std::vector<proof::Advice>& advice, double factor) {
  const double rate = rig.controller.sample_rate_hz;
  std::string text = fmt::format(
      "{}: {:.2f} s at {:g} kHz to {}, {} samples late ({:.2f} ms), {:.0f} times real time\n", job.input.string(),
      static_cast<double>(rendered.input_frames) / rate, rate / 1e3, (job.folder / "OUTPUT.wav").string(),
      compiled.latency_samples, 1e3 * compiled.latency_samples / rate, factor);
  const auto fixed = [](double value) { return fmt::format("{:.2f}", value); };
  const auto db = [&](std::optional<double> value) { return value ? fixed(*value) : std::string("silent"); };
  Table table({{"output", Align::left},
               {"peak dBFS"},
               {"dBTP"},
               {"V pk"},
               {"RMS dBFS"},
               {"V RMS"},
               {"mean W"},
               {"peak held by"},
               {"power held by"}});
  for (const Reading& r : readings)
    table.row({r.name, db(r.peak_dbfs), db(r.true_peak_dbtp), fixed(r.peak_volts), db(r.rms_dbfs), fixed(r.rms_volts),
               fixed(r.mean_watts), fixed(r.max_peak_reduction_db) + " dB", fixed(r.max_power_reduction_db) + " dB"});
  text += table.text(text_width());
  std::vector<NamedHolding> holdings;
  for (const Reading& r : readings) holdings.push_back({r.name, r.holding.peak, r.holding.power});
  if (const std::string held = held_table(holdings, text_width()); !held.empty()) text += "\n" + held;
  text += advice_text(advice, text_width());
  if (rendered.listened) text += listen_text(*rendered.listened, *job.listen->model, text_width());
  for (const Warning& warning : warnings) text += wrapped(warning.code + ": " + warning.text, text_width(), "  ! ");
  return text;
}

/// The document's text up to the items of a list in it that stands last.
std::string inside_of(const Json& document, std::string_view list) {
  std::string text = with_format(document).dump(2, ' ', false, Json::error_handler_t::replace);
  text.resize(text.rfind('\n'));
  return fmt::format("{},\n  \"{}\": [\n", text, list);
}
std::string item_of(const Json& item, bool is_last) {
  std::string text = "    ";
  for (const char letter : with_format(item).dump(2, ' ', false, Json::error_handler_t::replace))
    text += letter == '\n' ? "\n    " : std::string(1, letter);
  return text + (is_last ? "\n" : ",\n");
}

double realtime_factor(const rig::Rig& rig, std::uint64_t frames, double elapsed_s) {
  return static_cast<double>(frames) / rig.controller.sample_rate_hz / std::max(elapsed_s, 1e-9);
}

/// Of several recordings each has a folder by its name: no two may want the same.
void must_differ(const std::vector<fs::path>& inputs, const fs::path& folder) {
  if (inputs.size() == 1) return;
  std::map<std::string, std::size_t> stems;
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    const std::string stem = inputs[i].stem().string();
    if (const auto [found, fresh] = stems.emplace(stem, i); !fresh)
      throw InputError(
          fmt::format("{}: its outputs would go to {}, as those of {}; give them different names, or "
                      "render them one by one",
                      inputs[i].string(), (folder / stem).string(), inputs[found->second].string()));
  }
}

[[noreturn]] void give_up(const Batch& batch, const std::filesystem::path& folder) {
  const auto whole = std::ranges::count_if(batch.rendered, [](const auto& rendered) { return rendered.has_value(); });
  const std::string kept = whole > 0 ? fmt::format("{} of {} recordings were whole; their outputs are in place", whole,
                                                   batch.rendered.size())
                                     : fmt::format("no file was added to {} or replaced there", folder.string());
  try {
    std::rethrow_exception(batch.failure);
  } catch (const files::Interrupted& interrupted) {
    tell(fmt::format("rackproof: render: interrupted; {}\n", kept));
    files::die_of(interrupted.signal_number);
  } catch (...) {
    if (whole > 0) tell(fmt::format("rackproof: render: {}\n", kept));
    throw;
  }
}

void run_render(RenderOptions options) {
  RenderJob& job = options.job;
  job.subtype = *audio::subtype_of(options.subtype);
  const auto bypass = std::ranges::find(kBypasses, options.bypass, &std::pair<std::string_view, Bypass>::first);
  if (!options.start.empty()) job.start_s = time_of("--start", options.start);
  if (!options.seconds.empty()) job.seconds = time_of("--seconds", options.seconds);

  const rig::Rig rig = options.rig.rig();
  const std::optional<rig::Venue> venue = options.rig.venue(rig);
  CompiledRig compiled =
      compile(rig, venue ? &*venue : nullptr, bypass == std::end(kBypasses) ? Bypass::none : bypass->second);
  compiled.warnings = rig_warnings(rig, compiled);
  if (options.bypass == "limits" || options.bypass == "all")
    compiled.warnings.push_back(
        {"limiters-out",
         fmt::format("--bypass {}: nothing is limited. These files are there to be looked at: never play "
                     "them through an amplifier",
                     options.bypass)});
  job.block_frames = options.block_frames.value_or(kCallFrames);
  if (job.block_frames < 1 || job.block_frames > 65536)
    throw InputError(fmt::format("--block: read {}; right would be 1 to 65536 frames", job.block_frames));
  if (venue) job.also_read.push_back(options.rig.venue_file);
  must_differ(options.inputs, job.folder);
  ListenJob listen = options.listen.job(rig, compiled, job.folder, options.inputs.size() > 1);
  if (listen.model) {
    compiled.warnings.insert(compiled.warnings.end(), listen.model->warnings.begin(), listen.model->warnings.end());
    job.listen = std::move(listen);
  }
  Json made_by = made_from(rig, venue ? &*venue : nullptr, compiled);
  made_by["bypass"] = options.bypass.empty() ? Json(nullptr) : Json(options.bypass);
  job.made_by = std::make_shared<const std::string>(made_by.dump());
  const std::size_t workers = options.jobs.value_or(std::max(1u, std::thread::hardware_concurrency()));
  if (workers < 1 || workers > 1024)
    throw InputError(fmt::format("--jobs: read {}; right would be 1 to 1024", workers));

  const auto start = std::chrono::steady_clock::now();
  Batch batch;
  {
    const files::Interruption interruption;
    Progress progress(!options.voice.quiet && !options.voice.json);
    batch = render_all(rig, compiled, job, options.inputs, workers, interruption,
                       [&](std::uint64_t done, std::uint64_t total) { progress.show(done, total); });
  }
  if (batch.failure) give_up(batch, job.folder);

  const double elapsed_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  std::uint64_t frames = 0;
  for (const std::optional<Rendered>& rendered : batch.rendered) frames += rendered->frames;
  const bool alone = options.inputs.size() == 1;
  const double factor_together = realtime_factor(rig, frames, elapsed_s);
  // A recording at a time: of many, all documents together would be large.
  if (!alone)
    options.voice.document_piece(inside_of(Json{{"rig", rig.file.string()},
                                                {"sample_rate_hz", rig.controller.sample_rate_hz},
                                                {"latency_samples", compiled.latency_samples},
                                                {"realtime_factor", factor_together}},
                                           "renders"));
  for (std::size_t i = 0; i < options.inputs.size(); ++i) {
    const Rendered& rendered = *batch.rendered[i];
    const RenderJob one = job_of(job, options.inputs, i);
    std::vector<Reading> readings;
    for (std::size_t o = 0; o < rendered.outputs.size(); ++o)
      readings.push_back(reading_of(compiled.outputs[o], rendered.outputs[o], one.folder, rendered.frames));
    std::vector<Warning> warnings = cautions(rig, compiled, rendered, readings);
    warnings.insert(warnings.begin(), compiled.warnings.begin(), compiled.warnings.end());
    std::vector<proof::Holding> holdings;
    for (const Reading& reading : readings) holdings.push_back(reading.holding);
    const std::vector<proof::Advice> advice = proof::advice_of(rig, compiled, holdings);
    const double factor = realtime_factor(rig, rendered.frames, rendered.elapsed_s);
    const bool is_said_there = options.voice.json && !options.voice.quiet;  // among the warnings, on standard error
    if (rendered.complaint && !is_said_there) tell(fmt::format("rackproof: render: {}\n", rendered.complaint->text));
    options.voice.say((i > 0 ? "\n" : "") + table_of(rig, compiled, one, rendered, readings, warnings, advice, factor));
    const Json document = document_of(rig, compiled, one, rendered, readings, warnings, advice, factor);
    if (alone)
      options.voice.document(document);
    else
      options.voice.document_piece(item_of(document, i + 1 == options.inputs.size()));
  }
  if (alone) return;
  options.voice.document_piece("  ]\n}\n");
  options.voice.say(
      fmt::format("\n{} recordings, {:.0f} times real time together\n", options.inputs.size(), factor_together));
}

}  // namespace

void add_render(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(
      program, "render",
      "Runs a recording through the rig's chain: one file an amplifier channel, with the volts and watts that it would "
      "make. Outputs take their places together, when all are whole. Several recordings get a folder each, named as "
      "they are, and with --json one document: {format, rig, sample_rate_hz, latency_samples, realtime_factor, renders}, with "
      "what one recording's document holds for each.",
      "rackproof render rig.toml show.wav -o out --venue tonight.toml\n"
      "  rackproof render rig.toml monday/*.wav -o monday/out --jobs 8");
  auto options = std::make_shared<RenderOptions>();
  options->rig.add_to(*verb);
  add_option(*verb, "INPUT", options->inputs, "The recordings: WAV, RF64, W64, FLAC, AIFF, CAF, Ogg")
      .type_name("FILE")
      .required()
      .expected(1, 1 << 20);
  add_option(*verb, "-o,--output", options->job.folder, "The folder for the outputs, made if there is none")
      .type_name("DIR")
      .required();
  std::vector<std::string> layers;
  for (const auto& [name, bypass] : kBypasses) layers.emplace_back(name);
  only_one_of(
      add_option(*verb, "--bypass", options->bypass,
                 "Leaves a layer out: all (each output is its feed, late by the latency), venue, system or limits"),
      layers);
  only_one_of(add_option(*verb, "--subtype", options->subtype,
                         "Samples of the outputs; float is the default. PCM is rounded to the nearest step, without "
                         "dither, and saturates at full scale"),
              {audio::kSubtypeNames.begin(), audio::kSubtypeNames.end()});
  add_option(*verb, "--start", options->start,
             "Where in the recording to begin: \"90\" (seconds), \"1.5 min\", \"250 ms\"")
      .type_name("TIME");
  add_option(*verb, "--seconds", options->seconds, "How much of it, in the same way; to its end if not given")
      .type_name("TIME");
  add_flag(*verb, "--resample", options->job.resample,
           "Converts a recording at another sample rate than the controller's");
  add_option(*verb, "--block", options->block_frames, "Frames a call of the chain; 512 if not given. Changes no sample")
      .type_name("FRAMES");
  add_option(*verb, "--jobs", options->jobs,
             "Threads; as many as the machine has processors if not given. Changes no sample")
      .type_name("N");
  options->listen.add_to(*verb);
  options->voice.add_to(*verb);
  when_called(*verb, [options, &status] {
    run_render(*options);
    status = 0;
  });
}

}  // namespace rackproof
