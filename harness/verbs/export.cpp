/// `export`: a rig's chain for firmware, as a header of constants beside an example of its use.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "harness/calibration/compile.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/files/kind.hpp"
#include "harness/files/output_folder.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/firmware/sources.hpp"
#include "harness/verbs/biquad_files.hpp"
#include "harness/verbs/set_list.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

namespace fs = std::filesystem;

struct ExportOptions {
  RigArguments rig;
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
  std::vector<std::unique_ptr<files::OutputFolder>> folders_;  // go, empty, after the files that are in them
  std::vector<std::unique_ptr<WholeFile>> files_;
  std::vector<ListedFile> listed_;
};

void run_export(const ExportOptions& options) {
  if (options.design && !options.core) throw InputError("export: --design goes with --core, on which it builds");
  const rig::Rig rig = options.rig.rig();
  const std::optional<rig::Venue> venue = options.rig.venue(rig);
  const CompiledRig compiled = compile(rig, venue ? &*venue : nullptr);
  const std::string numbers = firmware::numbers_header(rig, venue ? &*venue : nullptr, compiled);

  std::optional<BiquadFiles> biquads;
  if (options.biquads_option->count() > 0)
    biquads = biquad_files(rig, venue ? &*venue : nullptr, compiled, typed_number_format(options.biquads));

  Files files(options.folder);
  files.add(firmware::kNumbersFile, numbers);
  const fs::path example = options.folder / "main.cpp";
  const bool keeps_example = files::entry_at(example) != files::Entry::nothing;
  if (!keeps_example) files.add("main.cpp", firmware::source("harness/part/example.cpp"), false);
  if (options.core)
    for (const firmware::SourceFile& file : firmware::sources())
      if (firmware::is_core(file) || (options.design && firmware::is_design(file))) files.add(file.path, file.text);
  if (biquads) {
    files.add(kBiquadsText, biquads->text, true, files::Kind::biquads_text);
    files.add(kBiquadsJson, biquads->json, true, files::Kind::biquads_json);
  }
  std::vector<Warning> warnings = compiled.warnings;
  if (biquads) warnings.insert(warnings.end(), biquads->warnings.begin(), biquads->warnings.end());
  Json list = made_from(rig, venue ? &*venue : nullptr, compiled);
  for (const Warning& warning : warnings_of(files.commit(std::move(list)), options.folder, kExportList))
    warnings.push_back(warning);

  const std::string fingerprint = fmt::format("{:#018x}", firmware::fingerprint(compiled));
  const std::size_t sections = firmware::sections_in_one_lane(compiled);
  std::string text = fmt::format("{} to {}: {} outputs, {} sections, fingerprint {}\n", options.rig.rig_file.string(),
                                 options.folder.string(), compiled.outputs.size(), sections, fingerprint);
  for (const std::string& name : files.names) text += fmt::format("  {}\n", name);
  if (keeps_example) text += wrapped("kept as it is", text_width(), fmt::format("  {}: ", example.string()));
  if (biquads)
    text +=
        wrapped(fmt::format("{} sections in {}, off by {:.4f} dB at the most. Gains, delays and limiters are not in "
                            "them but told in {}; nothing is proven of another processor.",
                            biquads->sections, biquads->number_format, biquads->worst_error_db, kBiquadsText),
                text_width(), "  biquads: ");
  text += wrapped(
      "The memory that the chain takes is kMemoryBytes, which the compiler works out for its own machine. Amplifier "
      "outputs can carry hazardous voltage: mute at start, measure the full scale, prove the limits at the terminals; "
      "local codes and licensed practice come first.",
      text_width());
  for (const Warning& warning : warnings) text += wrapped(warning.code + ": " + warning.text, text_width(), "  ! ");
  options.voice.say(text);
  Json notes = Json::array();
  for (const Warning& warning : warnings) notes.push_back({{"code", warning.code}, {"text", warning.text}});
  options.voice.document({{"rig", options.rig.rig_file.string()},
                          {"folder", options.folder.string()},
                          {"files", files.names},
                          {"fingerprint", fingerprint},
                          {"outputs", compiled.outputs.size()},
                          {"sections", sections},
                          {"latency_samples", compiled.latency_samples},
                          {"biquads", biquads ? Json{{"number_format", biquads->number_format},
                                                     {"sections", biquads->sections},
                                                     {"sections_off", biquads->sections_off},
                                                     {"worst_error_db", biquads->worst_error_db}}
                                              : Json(nullptr)},
                          {"warnings", std::move(notes)}});
}

}  // namespace

void add_export(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(program, "export",
                            "The chain's numbers for firmware: a C++ header of constants that holds every bit, and an "
                            "example of how the chain sits in a controller.",
                            "rackproof export rig.toml -o firmware --core");
  const auto options = std::make_shared<ExportOptions>();
  options->rig.add_to(*verb);
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
      "Beside the header a list of every section for a processor that takes biquads alone, in its numbers: qI.F "
      "with I bits ahead of the point, the sign among them, and F behind it (q2.30), float32 or float64. Each "
      "with its error, pole radius and noise; what a list of biquads does not carry is told");
  options->biquads_option->type_name("FORMAT");
  options->voice.add_to(*verb);
  when_called(*verb, [options, &status] {
    run_export(*options);
    status = 0;
  });
}

}  // namespace rackproof
