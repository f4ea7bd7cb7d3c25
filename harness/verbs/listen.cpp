#include "harness/verbs/listen.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstring>
#include <nlohmann/json.hpp>
#include <sstream>

#include "harness/analysis/decibels.hpp"
#include "harness/files/descriptor.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/kind.hpp"
#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;
using analysis::db_from_ratio;
using analysis::ratio_from_db;

constexpr double kWorstFilter_db = 0.5;
constexpr std::size_t kPieceFrames = 16384;
constexpr const char* kListening =
    "For headphones: put the volume down before you play it, then bring it up. Long or loud listening harms hearing.";

/// "-23" and "-23 LUFS".
double lufs_typed(const std::string& text) {
  std::string_view number = text;
  if (const std::size_t unit = number.find("LUFS"); unit != std::string_view::npos && unit + 4 == number.size())
    number = number.substr(0, unit);
  while (!number.empty() && number.back() == ' ') number.remove_suffix(1);
  double value = 0;
  const auto [end, error] = std::from_chars(number.data(), number.data() + number.size(), value);
  if (error != std::errc() || end != number.data() + number.size() || !(value >= -70 && value <= 0))
    throw InputError(
        fmt::format("--listen-level: read {}; right would be a loudness of -70 to 0 LUFS, as in \"-23 LUFS\"", text));
  return value;
}

/// Indices of the feeds that the channels carry: two, or one for both.
std::vector<std::size_t> feeds_chosen(const rig::Rig& rig, const std::string& typed) {
  std::vector<std::string> names;
  for (const rig::Feed& feed : rig.feeds) names.push_back(feed.name);
  std::vector<std::size_t> chosen;
  if (typed.empty()) {
    if (names.size() > 2)
      throw InputError(
          fmt::format("--listen: {} has {} feeds ({}), a stereo file two channels; right would be two of them, as in "
                      "--listen-feeds {},{}",
                      rig.file.string(), names.size(), fmt::join(names, ", "), names[0], names[1]));
    for (std::size_t f = 0; f < names.size(); ++f) chosen.push_back(f);
    return chosen;
  }
  std::istringstream list(typed);
  for (std::string name; std::getline(list, name, ',');) {
    const auto found = std::ranges::find(names, name);
    if (found == names.end())
      throw InputError(fmt::format("--listen-feeds: read {}; right would be one or two of {}, as in {}", typed,
                                   fmt::join(names, ", "), names[0]));
    chosen.push_back(static_cast<std::size_t>(found - names.begin()));
  }
  if (chosen.empty() || chosen.size() > 2)
    throw InputError(
        fmt::format("--listen-feeds: read {}; right would be one or two of {}", typed, fmt::join(names, ", ")));
  return chosen;
}

/// Its place in Rig::parts().
std::size_t loudspeaker_chosen(const rig::Rig& rig, const std::string& typed) {
  std::vector<std::string> names;
  for (const rig::Rig& part : rig.loudspeakers) names.push_back(part.loudspeaker);
  if (names.empty() && !typed.empty())
    throw InputError(fmt::format("--listen-loudspeaker: read {}; {} has no [[loudspeaker]]: right would be nothing",
                                 typed, rig.file.string()));
  if (names.size() < 2 && typed.empty()) return 0;
  if (typed.empty())
    throw InputError(
        fmt::format("--listen: {} has {} loudspeakers ({}), and a listener stands in front of one; right "
                    "would be one of them, as in --listen-loudspeaker {}",
                    rig.file.string(), names.size(), fmt::join(names, ", "), names[0]));
  const auto found = std::ranges::find(names, typed);
  if (found == names.end())
    throw InputError(
        fmt::format("--listen-loudspeaker: read {}; right would be one of {}", typed, fmt::join(names, ", ")));
  return static_cast<std::size_t>(found - names.begin());
}

ListenModel model_of(const rig::Rig& rig, const CompiledRig& compiled, const std::string& feeds,
                     const std::string& loudspeaker) {
  const std::size_t part = loudspeaker_chosen(rig, loudspeaker);
  const listen::Ear ear(rig, compiled, part);
  const double rate_hz = rig.controller.sample_rate_hz;
  ListenModel model{.filters = listen::filters_of(ear, compiled.outputs.size(), rate_hz),
                    .routes = {},
                    .feeds = {},
                    .loudspeaker = rig.parts()[part].loudspeaker,
                    .measured = ear.measured(),
                    .warnings = {}};
  const std::vector<std::size_t> chosen = feeds_chosen(rig, feeds);
  for (const std::size_t feed : chosen) model.feeds.push_back(rig.feeds[feed].name);
  const auto hears = [part](const OutputPlan& plan, std::size_t feed) { return plan.part == part && plan.hears(feed); };
  for (const OutputPlan& plan : compiled.outputs)
    model.routes.push_back({hears(plan, chosen.front()), hears(plan, chosen.back())});
  if (!ear.without_depth().empty())
    model.warnings.push_back(
        {"depth-unsaid",
         fmt::format("--listen: {} {} not given and count{} as 0: where ways meet, the sum may be another",
                     fmt::join(ear.without_depth(), ", "), ear.without_depth().size() == 1 ? "is" : "are",
                     ear.without_depth().size() == 1 ? "s" : "")});
  if (const double worst = listen::worst_db(ear, model.filters, rate_hz); worst > kWorstFilter_db)
    model.warnings.push_back(
        {"listen-inexact",
         fmt::format("--listen: what is heard is up to {:.1f} dB off the measured responses: they ring for longer, or "
                     "bend within fewer Hz, than a filter of 0.8 s can",
                     worst)});
  return model;
}

}  // namespace

void ListenOptions::add_to(CLI::App& verb) {
  add_option(
      verb, "--listen", place,
      "Writes what the ways sum to at a listener 1 m in front as one stereo file, for headphones: begin at a low "
      "volume, loud listening harms hearing. Through amplifiers, each driver's sensitivity and the ways' depths, "
      "or their measured responses; the first feed on the left, the second on the right. Of several recordings "
      "it is a name, and each folder gets one")
      .type_name("FILE");
  add_option(verb, "--listen-gain", gain,
             "From pascals to the file, as --listen says it: so that a second rig keeps its level against the first. "
             "Without it the file's true peak is put at -1 dBTP")
      .type_name("DB");
  add_option(verb, "--listen-level", loudness,
             "Makes the file so loud, in LUFS (BS.1770): two rigs are then compared at the same loudness")
      .type_name("LUFS");
  add_option(verb, "--listen-feeds", feeds, "The feeds on the left and on the right, as in left,right")
      .type_name("NAMES");
  add_option(verb, "--listen-loudspeaker", loudspeaker,
             "The loudspeaker in front of which it is, where there are several")
      .type_name("NAME");
}

ListenJob ListenOptions::job(const rig::Rig& rig, const CompiledRig& compiled, const fs::path& folder,
                             bool several) const {
  if (place.empty()) {
    for (const auto& [option, text] : {std::pair("--listen-gain", &gain), std::pair("--listen-level", &loudness),
                                       std::pair("--listen-feeds", &feeds)})
      if (!text->empty())
        throw InputError(fmt::format("{}: read {}; it belongs to --listen, which names the file", option, *text));
    return {};
  }
  if (!gain.empty() && !loudness.empty())
    throw InputError("--listen-gain and --listen-level: each sets how loud the file is; right would be one of them");
  ListenJob job{.place = place, .gain_db = {}, .loudness_lufs = {}, .model = {}};
  if (!gain.empty()) job.gain_db = typed_number("--listen-gain", gain, rig::Quantity::gain, "\"-12 dB\"");
  if (!loudness.empty()) job.loudness_lufs = lufs_typed(loudness);
  const fs::path above = place.parent_path();
  if (several && !above.empty())
    throw InputError(fmt::format(
        "--listen: read {}; of several recordings each has a folder of its own: right would be a name, as in {}",
        place.string(), place.filename().string()));
  if (place.filename().empty() || files::entry_at(place) == files::Entry::folder)
    throw InputError(
        fmt::format("--listen: read {}; that is a folder; right would be a file, as in heard.wav", place.string()));
  const auto whole = [](const fs::path& name) { return fs::weakly_canonical(fs::absolute(name)); };
  if (!above.empty() && files::entry_at(above) != files::Entry::folder && whole(above) != whole(folder))
    throw InputError(fmt::format("--listen: read {}; there is no folder {}", place.string(), above.string()));
  job.model = std::make_shared<const ListenModel>(model_of(rig, compiled, feeds, loudspeaker));
  return job;
}

ListenFile::ListenFile(const ListenJob& job, audio::WriterSettings settings)
    : job_(job),
      settings_(settings),
      listener_(job.model->filters, job.model->routes),
      heard_(job.place),
      loudness_(settings.sample_rate_hz) {
  files::must_be_replaceable(job.place, files::Kind::wav);  // known before the recording is rendered
  settings_.channels = 2;
  settings_.expected_frames += listener_.tail_frames();
  listened_.place = job.place;
}

void ListenFile::add(std::span<const float* const> outputs, std::size_t frames) {
  listener_.add(outputs, frames, [this](std::span<const float> stereo) { keep_heard(stereo); });
}

void ListenFile::keep_heard(std::span<const float> stereo) {
  const std::string_view bytes(reinterpret_cast<const char*>(stereo.data()), stereo.size_bytes());
  files::write_at(heard_.descriptor(), bytes, heard_bytes_, heard_.place());
  heard_bytes_ += bytes.size();
  listened_.frames += stereo.size() / 2;
  loudness_.add(stereo);
  for (std::size_t channel = 0; channel < 2; ++channel) {
    channel_.clear();
    for (std::size_t n = channel; n < stereo.size(); n += 2) channel_.push_back(stereo[n]);
    meters_[channel].add(channel_);
    peaks_[channel].process(channel_);
  }
}

double ListenFile::gain() const {
  if (job_.gain_db) return ratio_from_db(*job_.gain_db);
  if (job_.loudness_lufs) {
    const std::optional<double> gain_db = loudness_.gain_to(*job_.loudness_lufs);
    if (!gain_db)
      throw InputError(
          "--listen-level: what is heard is shorter than 0.4 s, or silent: it has no loudness; --listen-gain would do");
    return ratio_from_db(*gain_db);
  }
  const double peak = std::max(listened_.left.peak_pa, listened_.right.peak_pa);
  return peak > 0 ? ratio_from_db(kListenPeak_dbtp) / peak : 1.0;
}

void ListenFile::finish() {
  listener_.finish([this](std::span<const float> stereo) { keep_heard(stereo); });
  Listened::Channel* const channels[] = {&listened_.left, &listened_.right};
  for (std::size_t channel = 0; channel < 2; ++channel) {
    peaks_[channel].finish();
    *channels[channel] = {meters_[channel].rms(), peaks_[channel].peak_linear()};
  }
  const double factor = gain();
  listened_.gain_db = db_from_ratio(factor);
  listened_.loudness_lufs = loudness_.lufs(listened_.gain_db);
  listened_.true_peak = factor * std::max(listened_.left.peak_pa, listened_.right.peak_pa);
  if (!job_.model->measured) listened_.full_scale_db_spl = listen::level_db(1 / factor);
  require_playable();
  write_out(static_cast<float>(factor));
}

void ListenFile::require_playable() const {
  if (!(listened_.true_peak > ratio_from_db(kListenMost_dbtp))) return;
  const double peak_db = db_from_ratio(listened_.true_peak), over_db = peak_db - kListenMost_dbtp;
  const std::string too_loud = fmt::format(
      "{}: its true peak would be {:+.1f} dBTP, where a player clips at 0: in headphones that harms hearing. Right would "
      "be at most",
      job_.place.string(), peak_db);
  if (job_.gain_db)
    throw InputError(fmt::format("--listen-gain: read {:g} dB; {} {:.1f} dB", *job_.gain_db, too_loud,
                                 std::floor(10 * (*job_.gain_db - over_db)) / 10));
  throw InputError(fmt::format("--listen-level: read {:g} LUFS; {} {:.1f} LUFS", job_.loudness_lufs.value_or(0),
                               too_loud, std::floor(10 * (job_.loudness_lufs.value_or(0) - over_db)) / 10));
}

void ListenFile::write_out(float factor) {
  writer_.emplace(job_.place, settings_);
  std::vector<float> piece(2 * kPieceFrames);
  RenderMeter meter;
  for (std::uint64_t at = 0; at < heard_bytes_;) {
    const auto wanted =
        static_cast<std::size_t>(std::min<std::uint64_t>(piece.size() * sizeof(float), heard_bytes_ - at));
    const std::span<char> bytes(reinterpret_cast<char*>(piece.data()), wanted);
    if (const ssize_t got = files::read_at(heard_.descriptor(), bytes, at); got != static_cast<ssize_t>(wanted))
      throw MachineError(fmt::format("{}: what was heard cannot be read back: {}", job_.place.string(),
                                     got < 0 ? std::strerror(errno) : "it is shorter than it was written"));
    at += wanted;
    const std::span<float> samples(piece.data(), wanted / sizeof(float));
    for (float& sample : samples) sample *= factor;
    meter.add(samples);
    writer_->write(samples);
  }
  listened_.clipped_samples = meter.clipped_samples();
  writer_->finish();
}

std::string listen_text(const Listened& listened, const ListenModel& model, std::size_t width) {
  const std::string sides = model.feeds.size() == 1 ? fmt::format("feed {} on both sides", model.feeds[0])
                                                    : fmt::format("feed {} on the left, feed {} on the right",
                                                                  model.feeds[0], model.feeds[1]);
  std::string text = fmt::format("To listen to: {}, {}{}", listened.place.string(),
                                 model.loudspeaker.empty() ? "" : "loudspeaker " + model.loudspeaker + ", ", sides);
  if (!(listened.true_peak > 0)) return wrapped(text + "; it is silent.", width);
  text += fmt::format("; gain {:.2f} dB", listened.gain_db);
  if (listened.full_scale_db_spl)
    text += fmt::format(" (full scale is {:.1f} dB SPL at 1 m)", *listened.full_scale_db_spl);
  text += fmt::format(", true peak {:.1f} dBTP", db_from_ratio(listened.true_peak));
  if (listened.loudness_lufs) text += fmt::format(", {:.1f} LUFS", *listened.loudness_lufs);
  text += ". ";
  if (listened.full_scale_db_spl) {
    const auto levels = [](const Listened::Channel& channel) {
      return fmt::format("{:.1f} dB SPL RMS, {:.1f} peak", listen::level_db(channel.rms_pa),
                         listen::level_db(channel.peak_pa));
    };
    text += model.feeds.size() == 1 ? fmt::format("At 1 m: {}. ", levels(listened.left))
                                    : fmt::format("At 1 m: {} {}; {} {}. ", model.feeds[0], levels(listened.left),
                                                  model.feeds[1], levels(listened.right));
  } else {
    text += "The measured responses have no level of their own: there is none at 1 m. ";
  }
  return wrapped(text + kListening, width);
}

Json listen_json(const Listened& listened, const ListenModel& model) {
  const bool sounds = listened.true_peak > 0;
  Json channels = Json::array();
  for (std::size_t channel = 0; channel < 2; ++channel) {
    const Listened::Channel& of = channel == 0 ? listened.left : listened.right;
    const auto level = [&](double pascals) {
      return listened.full_scale_db_spl && pascals > 0 ? Json(listen::level_db(pascals)) : Json(nullptr);
    };
    channels.push_back({{"feed", channel == 0 ? model.feeds.front() : model.feeds.back()},
                        {"level_db_spl", level(of.rms_pa)},
                        {"peak_db_spl", level(of.peak_pa)}});
  }
  return {{"file", listened.place.string()},
          {"frames", listened.frames},
          {"loudspeaker", model.loudspeaker.empty() ? Json(nullptr) : Json(model.loudspeaker)},
          {"from", model.measured ? "responses" : "sensitivities"},
          {"gain_db", listened.gain_db},
          {"full_scale_db_spl", or_null(listened.full_scale_db_spl)},
          {"true_peak_dbtp", sounds ? Json(db_from_ratio(listened.true_peak)) : Json(nullptr)},
          {"loudness_lufs", or_null(listened.loudness_lufs)},
          {"clipped_samples", listened.clipped_samples},
          {"channels", std::move(channels)}};
}

}  // namespace rackproof
