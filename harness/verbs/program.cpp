/// The program: its verbs, its options' common part, and the one place where what went wrong becomes words and a
/// status.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <exception>
#include <new>
#include <nlohmann/json.hpp>
#include <system_error>

#include <fmt/format.h>

#include "harness/verbs/json_keys.hpp"
#include "harness/verbs/program_name.hpp"
#include "harness/verbs/reserve.hpp"
#include "harness/verbs/seal_check.hpp"
#include "harness/verbs/streams.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

constexpr int kDone = 0, kBadInput = 2, kMachineFailed = 3;
constexpr void (*kVerbs[])(CLI::App&, int&) = {add_plan,   add_render,  add_prove,   add_stimulus, add_budget,
                                               add_export, add_measure, add_flatten, add_align,    add_seal,
                                               add_drift,  add_compare, add_live,    add_help};

/// How many letters have to be put in, left out, changed or swapped with their neighbour.
std::size_t edits(std::string_view a, std::string_view b) {
  std::vector<std::vector<std::size_t>> d(a.size() + 1, std::vector<std::size_t>(b.size() + 1));
  for (std::size_t i = 0; i <= a.size(); ++i) {
    for (std::size_t j = 0; j <= b.size(); ++j) {
      if (i == 0 || j == 0) {
        d[i][j] = i + j;
        continue;
      }
      d[i][j] = std::min({d[i - 1][j] + 1, d[i][j - 1] + 1, d[i - 1][j - 1] + (a[i - 1] != b[j - 1])});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
        d[i][j] = std::min(d[i][j], d[i - 2][j - 2] + 1);
    }
  }
  return d[a.size()][b.size()];
}

/// "; did you mean NAME?", or nothing where no name is near.
std::string suggestion(const std::string& read, const std::vector<std::string>& names) {
  const auto nearest = std::min_element(names.begin(), names.end(),
                                        [&](const auto& a, const auto& b) { return edits(read, a) < edits(read, b); });
  if (nearest == names.end() || edits(read, *nearest) > 1 + nearest->size() / 4) return {};
  return fmt::format("; did you mean {}?", *nearest);
}

std::vector<std::string> verb_names(const CLI::App& program) {
  std::vector<std::string> names;
  for (const CLI::App* verb : program.get_subcommands([](const CLI::App*) { return true; })) {
    names.push_back(verb->get_name());
  }
  return names;
}
std::vector<std::string> option_names(const CLI::App& verb) {
  std::vector<std::string> names;
  for (const CLI::Option* option : verb.get_options()) {
    for (const std::string& name : option->get_lnames()) names.push_back("--" + name);
  }
  return names;
}

/// The option of the verb that stands without the value that it needs, if that is what was wrong.
std::string without_value(const CLI::App& verb, const CLI::ParseError& error) {
  if (dynamic_cast<const CLI::ArgumentMismatch*>(&error) == nullptr) return {};
  const std::string what = error.what();  // "--venue: 1 required FILE missing"
  const std::string name = what.substr(0, what.find(':'));
  return what.ends_with(" missing") && verb.get_option_no_throw(name) != nullptr ? name : std::string();
}

/// What was wrong with the command line, for a person.
std::string words_for(const CLI::App& program, const CLI::ParseError& error) {
  const std::vector<CLI::App*> taken = program.get_subcommands();
  const std::vector<std::string> left = program.remaining(true);
  const auto is_option = [](const std::string& word) { return word.size() > 1 && word[0] == '-'; };
  if (taken.empty()) {
    const auto verb = std::find_if_not(left.begin(), left.end(), is_option);
    if (verb != left.end()) {
      return no_verb_called(*verb, program);
    }
    if (left.empty()) return fmt::format("a verb is missing; there are {}", fmt::join(verb_names(program), ", "));
    return fmt::format("no option is called '{}' ahead of the verb{}", left[0],
                       suggestion(left[0], option_names(program)));
  }
  const CLI::App& verb = *taken.back();
  // An option that is not there is the likelier cause of whatever else is missing.
  const auto option = std::find_if(left.begin(), left.end(), is_option);
  if (option != left.end()) {
    const std::string read = option->substr(0, option->find('='));
    if (verb.get_option_no_throw(read) != nullptr)  // it stands ahead of the verb, or behind "--"
      return fmt::format("{}: {} belongs right behind the verb: rackproof {} {}", verb.get_name(), read,
                         verb.get_name(), read);
    return fmt::format("{}: no option is called '{}'{}", verb.get_name(), read, suggestion(read, option_names(verb)));
  }
  if (dynamic_cast<const CLI::ExtrasError*>(&error) != nullptr && !left.empty()) {
    return fmt::format("{}: '{}' is one argument too many", verb.get_name(), left[0]);
  }
  if (const std::string name = without_value(verb, error); !name.empty()) {
    const std::string type = verb.get_option(name)->get_type_name();
    return fmt::format("{}: {}: read nothing behind it; right would be {}", verb.get_name(), name,
                       type.starts_with("FILE") ? "a file name" : "a value: " + type);
  }
  return fmt::format("{}: {}", verb.get_name(), error.what());
}

/// At the foot of a verb's `--help`.
std::string where_keys_are(const CLI::App& program) {
  const std::vector<CLI::App*> taken = program.get_subcommands();
  if (taken.empty()) return {};
  return fmt::format("The keys of its JSON, each with unit and meaning:\n  rackproof help {}\n",
                     taken.back()->get_name());
}

/// Tells what went wrong, a line each. Nothing that happens here changes the status.
int fault(int status, std::string_view error) noexcept {
  try {
    const std::string what = for_people(error);
    std::string words;
    for (std::size_t at = 0; at <= what.size();) {
      const std::size_t end = std::min(what.find('\n', at), what.size());
      if (end > at) words.append("rackproof: ").append(what, at, end - at) += '\n';
      at = end + 1;
    }
    tell(words);
  } catch (...) {
    tell_as_it_is("rackproof: out of memory\n");
  }
  return status;
}

}  // namespace

std::string no_verb_called(const std::string& read, const CLI::App& program) {
  const std::vector<std::string> names = verb_names(program);
  const std::string near = suggestion(read, names);
  return fmt::format("no verb is called '{}'{}", read,
                     near.empty() ? fmt::format("; there are {}", fmt::join(names, ", ")) : near);
}

Json with_format(const Json& document) {
  Json whole{{"format", kJsonFormat}};
  whole.update(document);
  return whole;
}

CLI::App* add_verb(CLI::App& program, const std::string& name, const std::string& what, const std::string& example) {
  CLI::App* verb = program.add_subcommand(name, what);
  verb->group("Verbs");
  verb->footer("Example:\n  " + example);
  return verb;
}

void Voice::add_to(CLI::App& verb) {
  verb.add_flag("--json", json, "One JSON document on standard output, text for people on standard error");
  verb.add_flag("--quiet", quiet, "No text for people; errors are still told");
}
namespace {

/// Characters that JSON may hold as they are and a terminal takes for commands, as JSON's own \u009b: they stand in
/// texts alone.
std::string with_controls_as_numbers(const std::string& document) {
  std::string safe;
  safe.reserve(document.size());
  for (std::size_t i = 0; i < document.size(); ++i) {
    const auto byte = static_cast<unsigned char>(document[i]);
    const auto next = static_cast<unsigned char>(i + 1 < document.size() ? document[i + 1] : '\0');
    if (byte == 0x7F) {
      safe += "\\u007f";
    } else if (byte == 0xC2 && next >= 0x80 && next <= 0x9F) {  // U+0080 to U+009F in UTF-8
      safe += fmt::format("\\u{:04x}", next);
      ++i;
    } else {
      safe += document[i];
    }
  }
  return safe;
}

}  // namespace

void Voice::say(std::string_view text) const {
  if (quiet) return;
  if (json)
    tell(text);
  else
    print_text(text);
}
void Voice::document(const Json& document) const {
  if (!json) return;
  Json whole = with_format(document);
  print_bytes(with_controls_as_numbers(whole.dump(2, ' ', false, Json::error_handler_t::replace) + "\n"));
}
void Voice::document_piece(std::string_view text) const {
  if (json) print_bytes(with_controls_as_numbers(std::string(text)));
}

void RigArguments::add_to(CLI::App& verb) {
  verb.add_option("RIG", rig_file, "The rig file")->type_name("FILE")->required();
  verb.add_option("--venue", venue_file, "Tonight's venue file on top of the rig")->type_name("FILE");
  verb.add_flag("--sealed", sealed, "Refuses a rig that is not as it was sealed");
}
rig::Rig RigArguments::rig() const {
  rig::Rig rig = rig::load_rig(rig_file);
  if (sealed) require_seal(rig);
  return rig;
}
std::optional<rig::Venue> RigArguments::venue(const rig::Rig& of) const {
  if (venue_file.empty()) return std::nullopt;
  return rig::load_venue(venue_file, of);
}

std::unique_ptr<CLI::App> make_program(int& status) {
  auto program = std::make_unique<CLI::App>(
      "Loudspeaker processing ahead of power amplifiers, calibrated in volts: plans the limits of a rig, runs\n"
      "recordings through it, and proves that the limits hold.",
      "rackproof");
  program->set_version_flag("--version", program_name(), "The program's version");
  program->require_subcommand(1);
  program->get_formatter()->label("SUBCOMMAND", "VERB");
  program->footer(
      "Exit status: 0 done or proven, 1 a proof that does not hold, 2 bad input or usage, 3 the machine failed.\n"
      "Example:\n  rackproof plan rig.toml\n"
      "From an unmeasured rig to a proven one (README.md has every command):\n"
      "  rackproof plan rig.toml         thresholds in volts, from what stands on the plates\n"
      "  rackproof stimulus pink ...     what is sent; begin with the amplifiers turned down\n"
      "  rackproof render rig.toml ...   through the rig, to be played and recorded: in a field, each way, then all\n"
      "  rackproof measure ...           what the microphone heard\n"
      "  rackproof align rig.toml ...    delays and polarities of the ways\n"
      "  rackproof flatten ...           what is wrong with the box, --into rig.toml\n"
      "  rackproof prove rig.toml ...    whether its limits hold\n"
      "  rackproof seal rig.toml         from here on the baseline stands; 'drift' says what moved\n"
      "  rackproof flatten ...           each night: what the room adds, --into tonight.toml\n"
      "  rackproof drift rig.toml        after the show: nothing moved");
  for (const auto add : kVerbs) add(*program, status);
  return program;
}

int run(int argc, const char* const* argv) {
  int status = kDone;
  hold_standard_streams();
  keep_reserve_of_memory();
  try {
    note_typed(argc, argv);
    const std::unique_ptr<CLI::App> program = make_program(status);
    try {
      program->parse(argc, argv);
    } catch (const CLI::CallForHelp&) {
      print_text(program->help() + where_keys_are(*program));
    } catch (const CLI::CallForAllHelp&) {
      print_text(program->help("", CLI::AppFormatMode::All));
    } catch (const CLI::CallForVersion& version) {
      print_text(std::string(version.what()) + "\n");
    } catch (const CLI::ParseError& error) {
      const std::vector<CLI::App*> taken = program->get_subcommands();
      return fault(kBadInput,
                   words_for(*program, error) + fmt::format("\n'rackproof {}--help' says what there is",
                                                            taken.empty() ? "" : taken.back()->get_name() + " "));
    }
    return status;
  } catch (const files::Interrupted& interrupted) {
    tell_as_it_is("rackproof: interrupted; nothing was added or replaced\n");
    files::die_of(interrupted.signal_number);
  } catch (const InputError& error) {
    return fault(kBadInput, error.what());
  } catch (const std::bad_alloc&) {
    tell_as_it_is("rackproof: out of memory\n");
    return kMachineFailed;
  } catch (const std::exception& error) {  // MachineError, and what a library throws when the machine lets it down
    return fault(kMachineFailed, error.what());
  }
}

}  // namespace rackproof
