/// `flatten`: equaliser sections fitted to measurements, into tonight's venue file or a rig's `[system]`, the person's
/// comments and order kept; what was left alone and why; and what it is worth where nothing was fitted.
#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <iterator>
#include <nlohmann/json.hpp>

#include "harness/calibration/compile.hpp"
#include "harness/files/entry.hpp"
#include "harness/rig/document.hpp"
#include "harness/rig/edit.hpp"
#include "harness/rig/fields.hpp"
#include "harness/rig/hertz_text.hpp"
#include "harness/rig/units.hpp"
#include "harness/tune/flatten.hpp"
#include "harness/tune/shown_way.hpp"
#include "harness/verbs/loudspeaker_option.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/unseal.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

/// "80" is in Hz; "1.2 kHz" says so itself.
double frequency_of(const std::string& option, const std::string& text) {
  const double hz = typed_number(option, text, rig::Quantity::frequency, "\"80 Hz\"");
  if (!(hz > 0))
    throw InputError(fmt::format("{}: read {}; right would be a frequency above 0, as in 80 Hz", option, text));
  return hz;
}
double tilt_of(const std::string& text) {
  const double db_per_oct = typed_quantity("--tilt", text, rig::Quantity::slope, "\"-0.8 dB/oct\"");
  if (!(std::abs(db_per_oct) <= 6))
    throw InputError(fmt::format("--tilt: read {}; right would be within +-6 dB/oct", text));
  return db_per_oct;
}

/// The file that is written into: a rig's `[system]`, or that of one of its loudspeakers, or a venue's `[venue]`,
/// `[venue.feed.NAME]` or `[venue.loudspeaker.NAME]`.
class Place {
 public:
  /// `sample_rate_hz`: of the controller that will run a venue.
  Place(fs::path file, const std::string& feed, const LoudspeakerOption& loudspeaker, const Unseal& unseal,
        double sample_rate_hz)
      : file_(std::move(file)), edited_(file_), unseal_(unseal) {
    text_ = edited_.text() ? *edited_.text()
                           : fmt::format(
                                 "# Tonight's room, by measurement. Delete this file and the rig is unchanged.\n"
                                 "format = 1\ntitle = \"{}\"\n\n[venue]\n",
                                 title());
    const rig::Node root = rig::parse_document(text_, file_);
    if (root.find("venue") == nullptr &&
        (root.find("controller") != nullptr || root.find("way") != nullptr || root.find("loudspeaker") != nullptr)) {
      if (!feed.empty())
        throw InputError(
            fmt::format("--feed: read {}; right would be a venue file with --into: {} is a rig, whose "
                        "[system] is one for all feeds",
                        feed, file_.string()));
      rig_ = rig::parse_rig(text_, file_);
      unseal_.require(edited_);
      table_ = shown_ = "system";
      if (!rig_->loudspeakers.empty()) {
        owner_ = fmt::format("loudspeaker[{}]", loudspeaker.place_in(*rig_));
        table_ = owner_ + ".system";
        shown_ = fmt::format("loudspeaker.{}.system", loudspeaker.of(*rig_).loudspeaker);
      } else {
        static_cast<void>(loudspeaker.place_in(*rig_));  // refuses one that is named
      }
    } else {
      const rig::Entry* format = root.find("format");
      if (format == nullptr || format->value.whole != 1)
        throw InputError(fmt::format("{}: format: read {}; right would be a rig or a venue file, with format = 1",
                                     file_.string(), format == nullptr ? "nothing" : format->value.written));
      rig::must_be_venue(text_, file_, sample_rate_hz);
      if (!feed.empty() && !rig::is_name(feed))
        throw InputError(fmt::format("--feed: read {}; {}", rig::excerpt(feed), rig::kNameRule));
      const std::string& box = loudspeaker.name;
      if (!box.empty() && !rig::is_name(box))
        throw InputError(fmt::format("--loudspeaker: read {}; {}", rig::excerpt(box), rig::kNameRule));
      if (!box.empty() && !feed.empty())
        throw InputError(
            "--loudspeaker: read beside --feed; a venue has a layer for either, none for both: leave one out");
      table_ = shown_ = !feed.empty() ? "venue.feed." + feed : !box.empty() ? "venue.loudspeaker." + box : "venue";
    }
    standing(root);
  }

  const std::string& table() const { return shown_; }
  const std::optional<rig::Rig>& rig() const { return rig_; }
  std::size_t standing_bands() const { return standing_bands_; }

  /// What a person set to make it quieter stays; what would be louder than the fit allows is brought down.
  double gain_db(double most_db) const { return standing_gain_db_ ? std::min(*standing_gain_db_, most_db) : most_db; }

  /// Where the old file of a sealed rig went, and the words for it.
  Unseal::Outcome write(const tune::Flattened& made) {
    std::string text = text_;
    const double gain = gain_db(made.gain_db);
    if (!owner_.empty() && !is_there_)
      text = rig::with_value(text, file_, owner_, "system", "{ gain = \"0 dB\", eq = [] }");
    if (!standing_gain_db_ || *standing_gain_db_ != gain)
      text = rig::with_value(text, file_, table_, "gain", quoted({rig::Quantity::gain, gain}));
    std::string eq = made.eq.empty() ? "[]" : "[\n";
    for (const dsp::EqSettings& band : made.eq)
      eq += fmt::format("  {{ type = \"peaking\", at = {}, gain = {}, q = {} }},\n",
                        quoted({rig::Quantity::frequency, band.at_hz}), quoted({rig::Quantity::gain, band.gain_db}),
                        band.width_value);
    if (!made.eq.empty()) eq += "]";
    text = rig::with_value(text, file_, table_, "eq", eq);
    if (rig_) {
      compile(rig::parse_rig(text, file_));  // what would not run is not written
      return unseal_.replace(edited_, text);
    }
    edited_.replace(text);  // a venue has no seal
    return {};
  }

 private:
  static std::string quoted(rig::Measure measure) { return "\"" + rig::text_of(measure) + "\""; }
  std::string title() const {
    std::string name = file_.stem().string();
    if (name.ends_with(".venue")) name.erase(name.size() - 6);
    std::string safe;
    for (const char c : name)
      if (static_cast<unsigned char>(c) >= 0x20 && c != '"' && c != '\\' && c != 0x7f) safe += c;
    return safe.empty() ? "venue" : safe;
  }
  void standing(const rig::Node& root) {
    const rig::Node* table = &root;
    for (std::size_t at = 0; at <= table_.size();) {
      const std::size_t end = std::min(table_.find('.', at), table_.size());
      const std::string step = table_.substr(at, end - at);
      const std::size_t bracket = step.find('[');
      const rig::Entry* entry = table->find(step.substr(0, bracket));
      if (entry == nullptr) return;
      table = &entry->value;
      if (bracket != step.npos) table = &table->items.at(std::stoul(step.substr(bracket + 1)));
      at = end + 1;
    }
    is_there_ = true;
    if (const rig::Entry* gain = table->find("gain")) {
      try {
        standing_gain_db_ = rig::read_value(gain->value.text, rig::Quantity::gain);
      } catch (const rig::Misread& misread) {
        rig::refuse({file_, gain->place.line, gain->place.column, table_ + ".gain"}, misread.read, misread.right);
      }
    }
    if (const rig::Entry* eq = table->find("eq")) standing_bands_ = eq->value.items.size();
  }

  fs::path file_;
  rig::EditedFile edited_;
  const Unseal& unseal_;
  std::string text_, table_, shown_;  ///< shown_: the table as a person calls it
  std::string owner_;                 ///< of a rig of several: the loudspeaker's place
  bool is_there_ = false;
  std::optional<rig::Rig> rig_;
  std::optional<double> standing_gain_db_;
  std::size_t standing_bands_ = 0;
};

struct Flatten {
  std::vector<fs::path> measurements, check;
  fs::path into, rig_file;
  std::string target = "flat", tilt, from, to, feed;
  int points = 6;
  LoudspeakerOption loudspeaker;
  Unseal unseal;
  Voice voice;

  static std::vector<tune::Measurement> load(const std::vector<fs::path>& files) {
    std::vector<tune::Measurement> loaded;
    const tune::Measurement* driven = nullptr;
    for (const fs::path& file : files) loaded.push_back(tune::load_measurement(file));
    for (const tune::Measurement& one : loaded) {
      if (!one.driven_by) continue;
      if (driven != nullptr && !tune::same_drive(*driven->driven_by, *one.driven_by))
        throw InputError(fmt::format(
            "{}: it was driven by {}, and {} by {}, with other filters, gains, delays or polarities: they are "
            "not places of one loudspeaker. Give those that the same rig drove",
            one.file.string(), one.driven_by->rig, driven->file.string(), driven->driven_by->rig));
      driven = &one;
    }
    return loaded;
  }

  /// Smoothed over more than a third of an octave, what cancels looks like a dip that a boost would fill.
  static void must_be_fine(const tune::Measurement& one) {
    constexpr double kLeastParts = 3;
    if (!one.smoothing.starts_with("1/") || std::strtod(one.smoothing.c_str() + 2, nullptr) >= kLeastParts) return;
    throw InputError(fmt::format(
        "{}: it was smoothed over {} octave, and what cancels cannot be told from a dip there. Measure it again without "
        "--smoothing, or with 1/6 or finer",
        one.file.string(), one.smoothing));
  }

  void run() const {
    if (points < 1 || points > 24)
      throw InputError(fmt::format("--points: read {}; right would be 1 to 24 sections", points));
    tune::FlattenSettings settings;
    settings.points = points;
    if (!from.empty()) settings.from_hz = frequency_of("--from", from);
    if (!to.empty()) settings.to_hz = frequency_of("--to", to);
    std::error_code unsure;  // then reading it says why
    if (target != "flat" && !std::filesystem::exists(target, unsure) && !unsure)
      throw InputError(
          fmt::format("--target: read {}; right would be flat, or a file of frequency_hz,level_db that is "
                      "there",
                      rig::excerpt(target)));
    settings.target = tune::load_target(target);
    if (!tilt.empty()) settings.target.tilt_db_per_oct = tilt_of(tilt);
    std::vector<tune::Measurement> measured = load(measurements), unseen = load(check);
    const std::vector<std::string> twins = left_out_twins(measured, unseen);
    std::vector<tune::Measurement> all = measured;
    all.insert(all.end(), unseen.begin(), unseen.end());
    for (const tune::Measurement& one : all) must_be_fine(one);
    tune::must_be_places(all);
    std::optional<rig::Rig> rig;
    if (!rig_file.empty()) rig = rig::load_rig(rig_file);
    settings.sample_rate_hz = rig ? rig->controller.sample_rate_hz : measured.at(0).sample_rate_hz;
    Place place(into, feed, loudspeaker, unseal, settings.sample_rate_hz);
    if (rig && place.rig() && !files::are_one(rig_file, into))
      throw InputError(
          fmt::format("--rig: read {}; right would be {}, which --into names and which is a rig itself, or "
                      "nothing",
                      rig_file.string(), into.string()));
    if (place.rig()) {
      rig = place.rig();
      settings.sample_rate_hz = rig->controller.sample_rate_hz;
    }
    if (rig) settings.rig = tune::band_of(loudspeaker.of(*rig));
    const tune::Flattened made = tune::flatten(measured, settings, unseen);
    const Unseal::Outcome unsealed = place.write(made);
    std::vector<Warning> warnings = warnings_for(place, measured, twins, settings.rig, made);
    for (const tune::Measurement& one : all)
      std::ranges::move(tune::doubts_of_levels(one), std::back_inserter(warnings));
    voice.say(text_of(place, measured.size(), made, warnings) + unsealed.words);
    Json document = document_of(place, made, warnings);
    document["kept"] = unsealed.kept.empty() ? Json(nullptr) : Json(unsealed.kept);
    voice.document(document);
  }

  /// One measurement is one place, however often it is given. Leaves one of each, and says which are left out.
  static std::vector<std::string> left_out_twins(std::vector<tune::Measurement>& measured,
                                                 std::vector<tune::Measurement>& unseen) {
    std::vector<std::string> said;
    std::vector<tune::Measurement> kept;
    for (auto* list : {&measured, &unseen}) {
      std::vector<tune::Measurement> ones;
      for (tune::Measurement& one : *list) {
        const auto twin = std::ranges::find_if(kept, [&](const auto& other) { return tune::are_one(one, other); });
        if (twin != kept.end()) {
          said.push_back(fmt::format("{} (as {})", one.file.string(), twin->file.string()));
          continue;
        }
        kept.push_back(one);
        ones.push_back(std::move(one));
      }
      *list = std::move(ones);
    }
    return said;
  }

  /// Where the measurements show an octave less than the rig plays, at either end.
  static std::vector<Warning> silent_ends(const tune::RigBand& band, const tune::Flattened& made) {
    std::vector<Warning> found;
    const auto warn = [&](const std::string& rig, const std::string& measured) {
      found.push_back(
          {"range-short", fmt::format("{}, but the measurements show the loudspeaker {} only: was a driver or "
                                      "an amplifier channel off? What it plays is not fitted",
                                      rig, measured)});
    };
    if (band.from_hz > 0 && made.range_from_hz > 2 * std::max(band.from_hz, made.frequency_hz.front()))
      warn(band.from_why, "from " + rig::hertz_text(made.range_from_hz) + " on");
    if (band.to_hz > 0 && made.range_to_hz < std::min(band.to_hz, made.frequency_hz.back()) / 2)
      warn(band.to_why, "up to " + rig::hertz_text(made.range_to_hz));
    return found;
  }

  std::vector<Warning> warnings_for(const Place& place, const std::vector<tune::Measurement>& measured,
                                    const std::vector<std::string>& twins, const std::optional<tune::RigBand>& band,
                                    const tune::Flattened& made) const {
    std::vector<Warning> found = silent_ends(band.value_or(tune::RigBand{}), made);
    if (!twins.empty())
      found.push_back({"given-twice", fmt::format("{}: the same measurement, left out here: the same place again says "
                                                  "nothing of other places",
                                                  fmt::join(twins, ", "))});
    if (place.standing_bands() > 0)
      found.push_back(
          {"replaced", fmt::format("the {} band{} that stood in [{}] {} gone: what was fitted holds for measurements "
                                   "made without them",
                                   place.standing_bands(), place.standing_bands() == 1 ? "" : "s", place.table(),
                                   place.standing_bands() == 1 ? "is" : "are")});
    if (!made.elsewhere)
      found.push_back(
          {"unchecked",
           fmt::format("nothing says what this is worth elsewhere: measure at three places or more, or name "
                       "one that is not fitted with --check ({} fitted)",
                       measured.size())});
    if (made.elsewhere && made.elsewhere->after.rms_db >= made.elsewhere->before.rms_db)
      found.push_back({"no-better-elsewhere",
                       "where it was not fitted the response is no flatter than before: the places have too little in "
                       "common; measure more of them, or mend less"});
    return found;
  }

  Json document_of(const Place& place, const tune::Flattened& made, const std::vector<Warning>& warnings) const {
    const auto deviation = [](const tune::Deviation& d) { return Json{{"rms_db", d.rms_db}, {"max_db", d.max_db}}; };
    const auto residual = [&](const tune::Residual& r) {
      return Json{{"before", deviation(r.before)}, {"after", deviation(r.after)}};
    };
    Json eq = Json::array(), left = Json::array(), notes = Json::array();
    for (const dsp::EqSettings& band : made.eq)
      eq.push_back({{"type", "peaking"}, {"at_hz", band.at_hz}, {"gain_db", band.gain_db}, {"q", band.width_value}});
    for (const tune::LeftAlone& band : made.left_alone)
      left.push_back({{"from_hz", band.from_hz}, {"to_hz", band.to_hz}, {"code", band.code}, {"why", band.why}});
    for (const Warning& warning : warnings) notes.push_back({{"code", warning.code}, {"text", warning.text}});
    Json document{{"into", into.string()},
                  {"table", place.table()},
                  {"gain_db", place.gain_db(made.gain_db)},
                  {"eq", std::move(eq)},
                  {"from_hz", made.from_hz},
                  {"to_hz", made.to_hz},
                  {"from_why", made.from_why},
                  {"to_why", made.to_why},
                  {"before", deviation(made.all.before)},
                  {"after", deviation(made.all.after)},
                  {"fitted", residual(made.fitted)},
                  {"elsewhere", made.elsewhere ? residual(*made.elsewhere) : Json(nullptr)},
                  {"left_alone", std::move(left)},
                  {"warnings", std::move(notes)}};
    if (made.elsewhere) document["elsewhere"]["places"] = made.elsewhere_places;
    return document;
  }

  std::string text_of(const Place& place, std::size_t places, const tune::Flattened& made,
                      const std::vector<Warning>& warnings) const {
    const std::size_t width = text_width();
    const auto hz = [](double value) { return rig::hertz_text(value); };
    std::string out = wrapped(
        fmt::format("{}: {} measurement{}, {} to {}, target {}{}", into.string(), places, places == 1 ? "" : "s",
                    hz(made.from_hz), hz(made.to_hz), target, tilt.empty() ? "" : " with " + tilt),
        width);
    out += wrapped(made.from_why, width, fmt::format("  from {}: ", hz(made.from_hz)));
    out += wrapped(made.to_why, width, fmt::format("  to {}: ", hz(made.to_hz)));
    out += fmt::format("\n[{}] gain {:+.2f} dB and {} section{}\n", place.table(), place.gain_db(made.gain_db),
                       made.eq.size(), made.eq.size() == 1 ? "" : "s");
    Table eq({{"at"}, {"gain"}, {"q"}});
    for (const dsp::EqSettings& band : made.eq)
      eq.row({hz(band.at_hz), fmt::format("{:+.2f} dB", band.gain_db), fmt::format("{:.2f}", band.width_value)});
    if (!made.eq.empty()) out += eq.text(width);
    out += "\nOff the target, third-octave smoothed, level taken out\n";
    Table off({{"where", Align::left}, {"rms before"}, {"after"}, {"most before"}, {"after"}});
    const auto row = [&](const std::string& where, const tune::Residual& r) {
      const auto db = [](double value) { return fmt::format("{:.2f} dB", value); };
      off.row({where, db(r.before.rms_db), db(r.after.rms_db), db(r.before.max_db), db(r.after.max_db)});
    };
    row("all of it", made.all);
    row("without what was left alone", made.fitted);
    if (made.elsewhere)
      row(fmt::format("the same, at {} place{} not fitted", made.elsewhere_places,
                      made.elsewhere_places == 1 ? "" : "s"),
          *made.elsewhere);
    out += off.text(width);
    out += made.left_alone.empty() ? "\nNothing was left alone.\n" : "\nLeft alone\n";
    for (const tune::LeftAlone& band : made.left_alone)
      out += wrapped(band.why, width, fmt::format("  {} to {}: ", hz(band.from_hz), hz(band.to_hz)));
    for (const Warning& warning : warnings) out += wrapped(warning.code + ": " + warning.text, width, "  ! ");
    return out;
  }
};

}  // namespace

void add_flatten(CLI::App& program, int&) {
  CLI::App* verb = add_verb(
      program, "flatten",
      "Fits equaliser sections to measurements, into a venue file (made if absent) or a rig's [system]. What an "
      "equaliser cannot mend is left alone, and told",
      "rackproof flatten seat-a.json seat-b.json seat-c.json --tilt \"-0.8 dB/oct\" --into tonight.toml");
  const auto flatten = std::make_shared<Flatten>();
  add_option(*verb, "MEASUREMENT", flatten->measurements, "What 'measure' wrote, a file a place; averaged by power")
      .type_name("FILE.json")
      .required();
  add_option(*verb, "--into", flatten->into,
             "A venue file, or a rig, whose [system] it is then. gain and eq are replaced, all else is kept")
      .type_name("FILE")
      .required();
  add_option(*verb, "--feed", flatten->feed, "Into a venue file: for this feed alone").type_name("NAME");
  flatten->loudspeaker.add_to(*verb,
                              "For this loudspeaker alone: its system in a rig of several, or its layer in a venue");
  add_option(*verb, "--target", flatten->target, "flat, or a file of frequency_hz,level_db").type_name("flat|FILE.csv");
  add_option(*verb, "--tilt", flatten->tilt, "A slope on top of the target, around 1 kHz: \"-0.8 dB/oct\"")
      .type_name("SLOPE");
  add_option(*verb, "--points", flatten->points, "Sections at most; 6 if not given").type_name("N");
  add_option(*verb, "--rig", flatten->rig_file,
             "The rig that played: nothing is boosted below its high-pass. Of --into, if that is a rig")
      .type_name("FILE");
  add_option(*verb, "--from", flatten->from,
             "Where to begin; if not given, where the rig (--rig) or the loudspeaker does. 80 is 80 Hz")
      .type_name("HZ");
  add_option(*verb, "--to", flatten->to,
             "Where to end; if not given, where the rig (--rig) or the loudspeaker does. 500 is 500 Hz")
      .type_name("HZ");
  add_option(*verb, "--check", flatten->check, "A measurement that is not fitted, to judge by; may be repeated")
      .type_name("FILE.json")
      .allow_extra_args(false);
  flatten->unseal.add_to(*verb);
  flatten->voice.add_to(*verb);
  when_called(*verb, [flatten] { flatten->run(); });
}

}  // namespace rackproof
