/// `export`: a rig's chain for firmware, as a header of constants beside an example of its use.
#include <fmt/format.h>

#include <algorithm>
#include <deque>
#include <nlohmann/json.hpp>

#include "harness/calibration/compile.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/files/kind.hpp"
#include "harness/files/output_folder.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/firmware/sources.hpp"
#include "harness/rig/hertz_text.hpp"
#include "harness/verbs/biquad_files.hpp"
#include "harness/verbs/program_name.hpp"
#include "harness/verbs/rig_warnings.hpp"
#include "harness/verbs/set_list.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

struct ExportOptions {
  std::vector<fs::path> rig_files;
  fs::path venue_file;
  bool sealed = false;
  std::optional<Option> name_option;
  std::string name;
  Voice voice;
  fs::path folder;
  bool core = false, design = false;
  std::optional<Option> biquads_option;
  std::string biquads;  ///< the processor's format, where the option is given
};

constexpr const char* kExportList = "export.json";

/// Written beside their places, then all put there, with their list.
class Files {
 public:
  explicit Files(const fs::path& folder) : folder_(folder), left_(0) {
    folders_.push_back(std::make_unique<files::OutputFolder>(folder));
    left_ = files::remove_leftovers(folder);
  }
  ~Files() {  // what was not kept goes: files, then the folders that they were in, the innermost first
    files_.clear();
    while (!folders_.empty()) folders_.pop_back();
  }
  Files(const Files&) = delete;
  Files& operator=(const Files&) = delete;
  /// Not `listed`: from then on a person's own.
  void add(const fs::path& name, std::string_view text, bool listed = true, files::Kind kind = files::Kind::source) {
    const fs::path place = folder_ / name;
    if (name.has_parent_path()) folders_.push_back(std::make_unique<files::OutputFolder>(place.parent_path()));
    files::must_be_replaceable(place, kind);
    files_.push_back(std::make_unique<WholeFile>(place));
    files_.back()->write(text);
    if (listed) listed_.push_back({name.generic_string(), text.size(), files::fingerprint_of(text)});
    names.push_back(place.string());
  }
  /// What stood there before; `list` gets the files.
  EarlierSet commit(Json list) {
    std::vector<std::string> below;
    list["files"] = Json::array();
    for (const ListedFile& file : listed_) {
      below.push_back(file.name);
      list["files"].push_back(json_of(file));
    }
    EarlierSet earlier = earlier_set(folder_, kExportList, below, left_);
    list["not_of_this_set"] = earlier.others;
    files::must_be_replaceable(folder_ / kExportList, files::Kind::set_list);
    WholeFile whole(folder_ / kExportList);
    whole.write(list.dump(2, ' ', false, Json::error_handler_t::replace) + "\n");
    std::vector<WholeFile*> all;
    for (const auto& file : files_) all.push_back(file.get());
    files::commit_all(all, &whole);
    for (const auto& made : folders_) made->keep();
    names.push_back((folder_ / kExportList).string());
    return earlier;
  }
  std::vector<std::string> names;

 private:
  fs::path folder_;
  std::size_t left_;
  std::vector<std::unique_ptr<files::OutputFolder>> folders_;
  std::vector<std::unique_ptr<WholeFile>> files_;
  std::vector<ListedFile> listed_;
};

/// A rig with what is made of it. Stays where it is: the chain points into it.
struct Exported {
  rig::Rig rig;
  std::optional<rig::Venue> venue;
  CompiledRig compiled;
  const rig::Venue* tonight() const { return venue ? &*venue : nullptr; }
};

/// The rigs in the order in which they were given. A venue lies on each of them.
std::deque<Exported> load(const ExportOptions& options) {
  std::deque<Exported> all;
  for (const fs::path& file : options.rig_files) {
    const RigArguments arguments{file, options.venue_file, options.sealed};
    Exported& one = all.emplace_back();
    one.rig = arguments.rig();
    one.venue = arguments.venue(one.rig);
    one.compiled = compile(one.rig, one.tonight());
    one.compiled.warnings = rig_warnings(one.rig, one.compiled);
  }
  return all;
}

/// "a, b; c": names of one group together.
std::string in_groups(const std::vector<firmware::NamedChain>& chains, const std::vector<std::uint8_t>& groups) {
  std::vector<std::string> said;
  for (std::size_t c = 0; c < chains.size(); ++c) {
    if (groups[c] > said.size())
      said.push_back(chains[c].name);
    else
      said[groups[c] - 1u] += ", " + chains[c].name;
  }
  return fmt::format("{}", fmt::join(said, "; "));
}

/// Why chains of several groups are not faded, and what to do between them.
std::string between_groups(const std::vector<firmware::NamedChain>& chains, const std::vector<std::uint8_t>& groups) {
  const auto rate_of = [](const firmware::NamedChain& chain) {
    return rig::hertz_text(chain.rig->controller.sample_rate_hz);
  };
  std::vector<std::size_t> firsts;  // of each group
  for (std::size_t c = 0; c < chains.size(); ++c)
    if (groups[c] > firsts.size()) firsts.push_back(c);
  bool other_wiring = false;
  std::string clocks;
  for (std::size_t k = 0; k < firsts.size(); ++k)
    for (std::size_t before = 0; before < k; ++before) {
      const firmware::NamedChain &a = chains[firsts[before]], &b = chains[firsts[k]];
      const bool alike = firmware::are_wired_alike(a, b);
      other_wiring = other_wiring || !alike;
      if (alike)
        clocks += fmt::format(
            ". Between {} and {} the wiring stays, and the converter's clock must change ({}, {}): mute, "
            "stop, set the clock, configure, wait the longest thermal time, unmute",
            a.name, b.name, rate_of(a), rate_of(b));
    }
  std::string text =
      in_groups(chains, groups) +
      ". Only presets whose feeds and outputs have the same names in the same order, the same drivers and amplifiers, "
      "the same volts at full scale and one sample rate can be faded while they run. From one group to another takes a "
      "stop";
  if (other_wiring)
    text +=
        ". Where other things are wired to the outputs: mute, stop, check the wiring and the converter's clock, "
        "configure, wait the longest thermal time, unmute";
  return text + clocks;
}

Slots slots_of(const Exported& one) {
  Slots slots;
  for (const rig::Feed& feed : one.rig.feeds) slots.inputs.push_back(feed.name);
  for (const OutputPlan& plan : one.compiled.outputs) slots.outputs.push_back(plan.name);
  return slots;
}
/// What is wired to a slot stays wired: one that has another name than in the export that stood there gets another
/// driver's band.
void warn_of_other_slots(const Slots& was, const Slots& now, const std::string& preset,
                         std::vector<Warning>& warnings) {
  const auto look = [&](const char* kind, const std::vector<std::string>& before,
                        const std::vector<std::string>& after) {
    std::vector<std::string> other;
    for (std::size_t n = 0; n < std::min(before.size(), after.size()); ++n)
      if (before[n] != after[n])
        other.push_back(fmt::format("{} was {} and is {}", n + 1, files::shown(before[n]), after[n]));
    if (other.empty()) return;
    warnings.push_back(
        {"slots-moved",
         fmt::format(
             "{}: not the {}s of the export that stood there, counted from 1: {}. What is wired for the old one "
             "gets another band or another side. Put the tables of the rig file back in their order, or mute, "
             "wire anew and check each {}",
             preset, kind, fmt::join(other, ", "), kind)});
  };
  look("output", was.outputs, now.outputs);
  look("input", was.inputs, now.inputs);
}

void run_export(const ExportOptions& options) {
  if (options.design && !options.core) throw InputError("export: --design goes with --core, on which it builds");
  const bool is_named = options.name_option->count() > 0;
  if (is_named) firmware::must_be_name(options.name);
  const std::deque<Exported> all = load(options);
  std::vector<firmware::NamedChain> chains;
  std::vector<Slots> slots;
  for (const Exported& one : all) {
    chains.push_back({firmware::preset_name(one.rig.file), &one.rig, one.tonight(), &one.compiled});
    slots.push_back(slots_of(one));
  }
  const bool several = chains.size() > 1;
  const std::string numbers = firmware::numbers_header(chains, options.name, program_name());
  const std::vector<std::uint8_t> groups = firmware::fade_groups(chains);

  std::vector<BiquadFiles> biquads;  // of each rig, or none
  if (options.biquads_option->count() > 0)
    for (const Exported& one : all)
      biquads.push_back(biquad_files(one.rig, one.tonight(), one.compiled, typed_number_format(options.biquads)));

  Files files(options.folder);
  files.add(firmware::kNumbersFile, numbers);
  files.add(firmware::kCodesFile, firmware::source("harness/part/converter_codes.hpp"));
  const fs::path example = options.folder / "main.cpp";
  const bool keeps_example = files::entry_at(example) != files::Entry::nothing;
  if (!keeps_example) files.add("main.cpp", firmware::source("harness/part/example.cpp"), false);
  if (options.core)
    for (const firmware::SourceFile& file : firmware::sources())
      if (firmware::is_core(file) || (options.design && firmware::is_design(file))) files.add(file.path, file.text);
  for (std::size_t c = 0; c < biquads.size(); ++c) {
    const std::string before = several ? chains[c].name + "." : "";
    files.add(before + kBiquadsText, biquads[c].text, true, files::Kind::biquads_text);
    files.add(before + kBiquadsJson, biquads[c].json, true, files::Kind::biquads_json);
  }
  std::vector<Warning> warnings;
  Json list, presets = Json::array(), made_of = Json::array();
  for (std::size_t c = 0; c < chains.size(); ++c) {
    const Exported& one = all[c];
    for (const Warning& warning : one.compiled.warnings)
      warnings.push_back({warning.code, several ? chains[c].name + ": " + warning.text : warning.text});
    if (!biquads.empty())
      for (const Warning& warning : biquads[c].warnings)
        warnings.push_back({warning.code, several ? chains[c].name + ": " + warning.text : warning.text});
    list = made_from(one.rig, one.tonight(), one.compiled);
    made_of.push_back({{"name", chains[c].name},
                       {"rig", list["rig"]},
                       {"venue", list["venue"]},
                       {"chain", list["chain"]},
                       {"inputs", slots[c].inputs},
                       {"outputs", slots[c].outputs},
                       {"group", groups[c]}});
    presets.push_back({{"name", chains[c].name},
                       {"rig", options.rig_files[c].string()},
                       {"fingerprint", fmt::format("{:#018x}", firmware::fingerprint(one.compiled))},
                       {"sample_rate_hz", one.rig.controller.sample_rate_hz},
                       {"block", one.rig.controller.block_frames},
                       {"feeds", one.rig.feeds.size()},
                       {"outputs", one.compiled.outputs.size()},
                       {"sections", firmware::sections_in_one_lane(one.compiled)},
                       {"latency_samples", one.compiled.latency_samples},
                       {"group", groups[c]},
                       {"biquads", biquads.empty() ? Json(nullptr)
                                                   : Json{{"number_format", biquads[c].number_format},
                                                          {"sections", biquads[c].sections},
                                                          {"sections_off", biquads[c].sections_off},
                                                          {"worst_error_db", biquads[c].worst_error_db}}}});
  }
  if (several) list["rig"] = list["venue"] = list["chain"] = nullptr;
  list["name"] = is_named ? Json(options.name) : Json(nullptr);
  list["presets"] = std::move(made_of);
  const EarlierSet earlier = files.commit(std::move(list));
  for (const Warning& warning : warnings_of(earlier, options.folder, kExportList)) warnings.push_back(warning);
  for (std::size_t c = 0; c < chains.size(); ++c) {
    // One rig after another is one board's, whatever its file is called.
    const auto same =
        !several && earlier.slots.size() == 1 ? earlier.slots.begin() : earlier.slots.find(chains[c].name);
    if (same != earlier.slots.end()) warn_of_other_slots(same->second, slots[c], chains[c].name, warnings);
  }

  std::string text;
  for (const Json& preset : presets)
    text += fmt::format("{}{} to {}: {} outputs, {} sections, fingerprint {}\n",
                        several ? preset["name"].get<std::string>() + ": " : "", preset["rig"].get<std::string>(),
                        options.folder.string(), preset["outputs"].get<std::size_t>(),
                        preset["sections"].get<std::size_t>(), preset["fingerprint"].get<std::string>());
  for (std::size_t c = 0; c < chains.size(); ++c) {
    const std::string of = several ? chains[c].name + ", " : "";
    text += wrapped(fmt::format("{}", fmt::join(slots[c].inputs, ", ")), text_width(), fmt::format("  {}inputs: ", of));
    text +=
        wrapped(fmt::format("{}", fmt::join(slots[c].outputs, ", ")), text_width(), fmt::format("  {}outputs: ", of));
  }
  if (several) {
    const bool one_group = groups.back() == 1 && std::ranges::max(groups) == 1;
    text +=
        wrapped(one_group ? "all of them, while they run: feeds, outputs, drivers, amplifiers, volts at full scale and "
                            "sample rate are alike"
                          : between_groups(chains, groups),
                text_width(), "  faded into one another: ");
  }
  for (const std::string& name : files.names) text += fmt::format("  {}\n", name);
  if (keeps_example) text += wrapped("kept as it is", text_width(), fmt::format("  {}: ", example.string()));
  for (const BiquadFiles& one : biquads)
    text +=
        wrapped(fmt::format("{} sections in {}, off by {:.4f} dB at the most. Gains, delays and limiters are not in "
                            "them but told beside them; nothing is proven of another processor.",
                            one.sections, one.number_format, one.worst_error_db),
                text_width(), "  biquads: ");
  text += wrapped(
      fmt::format("The memory that {} is kMemoryBytes, which the compiler works out for its own machine. Amplifier "
                  "outputs can carry hazardous voltage: mute at start, measure the full scale, prove the limits at the "
                  "terminals; local codes and licensed practice come first.",
                  several ? "the largest chain takes" : "the chain takes"),
      text_width());
  text += "Not proven here: run 'rackproof prove RIG'.\n";
  for (const Warning& warning : warnings) text += wrapped(warning.code + ": " + warning.text, text_width(), "  ! ");
  options.voice.say(text);
  Json notes = Json::array();
  for (const Warning& warning : warnings) notes.push_back({{"code", warning.code}, {"text", warning.text}});
  const auto of_one = [&](const char* key) { return several ? Json(nullptr) : presets[0][key]; };
  options.voice.document({{"rig", of_one("rig")},
                          {"folder", options.folder.string()},
                          {"files", files.names},
                          {"fingerprint", of_one("fingerprint")},
                          {"outputs", of_one("outputs")},
                          {"sections", of_one("sections")},
                          {"latency_samples", of_one("latency_samples")},
                          {"name", is_named ? Json(options.name) : Json(nullptr)},
                          {"biquads", of_one("biquads")},
                          {"presets", presets},
                          {"warnings", std::move(notes)}});
}

}  // namespace

void add_export(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(program, "export",
                            "The numbers of one chain or of several presets for firmware: a C++ header of constants "
                            "that holds every bit, and an example of how a chain sits in a controller.",
                            "rackproof export rig.toml -o firmware --core");
  const auto options = std::make_shared<ExportOptions>();
  add_option(*verb, "RIG", options->rig_files, "The rig file; several make a table of presets, called by their names")
      .type_name("FILE")
      .required();
  add_option(*verb, "--venue", options->venue_file, "Tonight's venue file on top of the rig, of several on each")
      .type_name("FILE");
  add_flag(*verb, "--sealed", options->sealed, "Refuses a rig that is not as it was sealed");
  options->name_option = add_option(
      *verb, "--name", options->name,
      "The namespace of the numbers: chain_numbers::NAME. Two named exports can be in one source file. Letters, "
      "digits and underscores");
  options->name_option->type_name("NAME");
  add_option(*verb, "-o,--output", options->folder,
             "The folder, made if there is none. A main.cpp that is there already is kept")
      .type_name("DIR")
      .required();
  add_flag(*verb, "--core", options->core,
           "Writes the core's sources there too: it then compiles with nothing installed");
  add_flag(*verb, "--design", options->design,
           "With --core: the design of filters too (dsp/design/*.cpp), for a part that computes its own; double "
           "precision and libm, away from the audio");
  options->biquads_option = add_option(
      *verb, "--biquads", options->biquads,
      "Beside the header a list of every section, of each rig its own, for a processor that takes biquads alone, "
      "in its numbers: qI.F with I bits ahead of the point, the sign among them, and F behind it (q2.30), "
      "float32 or float64. Each with its error, pole radius and noise; what a list of biquads does not carry is "
      "told");
  options->biquads_option->type_name("FORMAT");
  options->voice.add_to(*verb);
  when_called(*verb, [options, &status] {
    run_export(*options);
    status = 0;
  });
}

}  // namespace rackproof
