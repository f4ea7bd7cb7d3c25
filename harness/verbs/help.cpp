/// `help`: the program's own help in three forms, walked from the verbs and options that it really has, so that no page
/// can say what the program does not do.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cctype>
#include <iterator>
#include <nlohmann/json.hpp>
#include <sstream>

#include <fmt/format.h>

#include "harness/verbs/json_keys.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

std::vector<const CLI::App*> verbs_of(const CLI::App& program) {
  return program.get_subcommands([](const CLI::App* verb) { return !verb->get_group().empty(); });
}
std::vector<const CLI::Option*> options_of(const CLI::App& app) {
  return app.get_options([](const CLI::Option* option) { return !option->get_group().empty(); });
}
/// The words that the option takes, if there are a few ("all|venue", "{all,venue}"); what is in capitals ("FILE.csv")
/// stands for something else.
std::vector<std::string> choices_of(const CLI::Option& option) {
  std::string type = option.get_type_name();
  if (const std::size_t brace = type.find('{'); brace != std::string::npos)
    type = type.substr(brace + 1, type.find('}') - brace - 1);
  std::vector<std::string> words;
  if (type.find_first_of("|,") == std::string::npos) return words;
  std::ranges::replace(type, ',', '|');
  std::istringstream list(type);
  for (std::string word; std::getline(list, word, '|');)
    if (std::ranges::none_of(word, [](unsigned char c) { return std::isupper(c) != 0; })) words.push_back(word);
  return words;
}
/// "-o,--output DIR"
std::string spelling(const CLI::Option& option) {
  if (option.get_positional()) return option.get_name();
  const bool flag = option.get_expected_max() == 0;
  std::string type = option.get_type_name();
  if (const std::size_t words = type.find(":{"); words != std::string::npos) type.erase(0, words + 1);
  return option.get_name(false, true) + (flag ? "" : " " + (type.empty() ? "VALUE" : type));
}

/// Text in a manual page: nothing in it is a request or an escape.
std::string roff(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\') {
      out += "\\e";
    } else if (c == '-') {
      out += "\\-";
    } else if ((c == '.' || c == '\'') && (out.empty() || out.back() == '\n')) {
      out += std::string("\\&") + c;
    } else {
      out += c;
    }
  }
  return out;
}
std::string roff_options(const CLI::App& app) {
  std::string out;
  for (const CLI::Option* option : options_of(app)) {
    out += fmt::format(".TP\n.B {}\n{}\n", roff(spelling(*option)), roff(option->get_description()));
  }
  return out;
}

// ---- the keys of a verb's JSON --------------------------------------------------------------------------------------

std::vector<JsonDocument> documents_of(std::string_view verb) {
  std::vector<JsonDocument> found;
  std::ranges::copy_if(json_documents(), std::back_inserter(found), [&](const auto& one) { return one.verb == verb; });
  return found;
}
std::string heading_of(const JsonDocument& document) {
  return document.file.empty() ? "JSON (--json): the keys of the document"
                               : fmt::format("{}, beside the outputs: its keys", document.file);
}

/// A key a line, its unit and its meaning beside it; where the terminal is narrow, the meaning below.
std::string keys_text(std::string_view verb, std::size_t width) {
  constexpr std::size_t kLeastForMeaning = 30;
  std::string out;
  for (const JsonDocument& document : documents_of(verb)) {
    std::size_t path = 0, unit = 0;
    for (const JsonKey& key : document.keys) {
      path = std::max(path, key.path.size());
      unit = std::max(unit, key.unit.size());
    }
    const bool beside = 2 + path + 2 + unit + 2 + kLeastForMeaning <= width;
    out += "\n" + heading_of(document) + "\n";
    for (const JsonKey& key : document.keys) {
      const std::string names = beside ? fmt::format("  {:{}}  {:{}}  ", key.path, path, key.unit, unit)
                                       : fmt::format("  {} ({})\n", key.path, key.unit);
      out += beside ? wrapped(key.meaning, width, names) : names + wrapped(key.meaning, width, "      ");
    }
  }
  return out;
}
std::string roff_keys(std::string_view verb) {
  std::string out;
  for (const JsonDocument& document : documents_of(verb)) {
    out += fmt::format(".PP\n{}\n", roff(heading_of(document)));
    for (const JsonKey& key : document.keys)
      out += fmt::format(".TP\n.B {}\n({}) {}\n", roff(std::string(key.path)), roff(std::string(key.unit)),
                         roff(std::string(key.meaning)));
  }
  return out;
}
Json documents_json(std::string_view verb) {
  Json documents = Json::array();
  for (const JsonDocument& document : documents_of(verb)) {
    Json keys = Json::array();
    for (const JsonKey& key : document.keys)
      keys.push_back({{"key", key.path}, {"unit", key.unit}, {"meaning", key.meaning}});
    documents.push_back(
        {{"file", document.file.empty() ? Json(nullptr) : Json(document.file)}, {"keys", std::move(keys)}});
  }
  return documents;
}

std::string man_page(const CLI::App& program) {
  const std::string& name = program.get_name();
  const std::string what = "loudspeaker processing, calibrated in volts and proven";
  std::string upper;
  for (const char c : name) upper += static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  std::string out = fmt::format(".TH {} 1\n.SH NAME\n{} \\- {}\n.SH SYNOPSIS\n.B {}\n.I VERB\n[arguments]\n", upper,
                                name, roff(what), name);
  out += fmt::format(".SH DESCRIPTION\n{}\n", roff(program.get_description()));
  out += ".SH OPTIONS\n" + roff_options(program) + ".SH VERBS\n";
  for (const CLI::App* verb : verbs_of(program)) {
    std::string synopsis;
    for (const CLI::Option* option : options_of(*verb)) {
      if (option->get_positional()) synopsis += " " + option->get_name();
    }
    out += fmt::format(".SS {} {}{} [options]\n{}\n", name, verb->get_name(), roff(synopsis),
                       roff(verb->get_description()));
    out += roff_options(*verb);
    out += fmt::format(".PP\n.nf\n{}\n.fi\n", roff(verb->get_footer()));
    out += roff_keys(verb->get_name());
  }
  out += fmt::format(".SH NOTES\n.nf\n{}\n.fi\n", roff(program.get_footer()));
  out +=
      ".SH CAUTION\nAmplifier outputs can carry hazardous voltage and loudspeakers can harm hearing. Calculated "
      "limits\n"
      "are to be measured before they are trusted. Local codes and licensed practice come first.\n";
  return out;
}

std::string words_of(const CLI::App& app) {
  std::string words;
  for (const CLI::Option* option : options_of(app)) {
    for (const std::string& name : option->get_lnames()) words += (words.empty() ? "--" : " --") + name;
    for (const std::string& name : option->get_snames()) words += (words.empty() ? "-" : " -") + name;
  }
  return words;
}

std::string bash_completion(const CLI::App& program) {
  std::string verbs, cases;
  for (const CLI::App* verb : verbs_of(program)) {
    verbs += (verbs.empty() ? "" : " ") + verb->get_name();
    for (const CLI::Option* option : options_of(*verb)) {
      const std::vector<std::string> choices = choices_of(*option);
      if (choices.empty() || option->get_positional()) continue;
      for (const std::string& name : option->get_lnames()) {
        cases += fmt::format("    {}:--{}) COMPREPLY=($(compgen -W \"{}\" -- \"$word\")); return ;;\n",
                             verb->get_name(), name, fmt::join(choices, " "));
      }
    }
  }
  std::string options;
  for (const CLI::App* verb : verbs_of(program)) {
    std::vector<std::string> first;  // words that may follow the verb
    for (const CLI::Option* option : options_of(*verb))
      if (option->get_positional() && first.empty()) first = choices_of(*option);
    options += fmt::format("    {}) options=\"{}\" first=\"{}\" ;;\n", verb->get_name(), words_of(*verb),
                           fmt::join(first, " "));
  }
  const std::string& name = program.get_name();
  return fmt::format(
      "# Completion of {0} for bash, made by: {0} help --format bash\n"
      "_{0}() {{\n"
      "  local word=\"${{COMP_WORDS[COMP_CWORD]}}\" before=\"${{COMP_WORDS[COMP_CWORD-1]}}\" options=\"\" first=\"\"\n"
      "  if ((COMP_CWORD == 1)); then\n"
      "    COMPREPLY=($(compgen -W \"{1} {2}\" -- \"$word\"))\n"
      "    return\n"
      "  fi\n"
      "  case \"${{COMP_WORDS[1]}}:$before\" in\n{3}  esac\n"
      "  case \"${{COMP_WORDS[1]}}\" in\n{4}  esac\n"
      "  if [[ \"$word\" == -* ]]; then\n"
      "    COMPREPLY=($(compgen -W \"$options\" -- \"$word\"))\n"
      "  elif ((COMP_CWORD == 2)); then\n"
      "    COMPREPLY=($(compgen -W \"$first\" -- \"$word\"))\n"
      "  else\n"
      "    COMPREPLY=()  # file names, as bash completes them\n"
      "  fi\n"
      "}}\n"
      "complete -o default -F _{0} {0}\n",
      name, verbs, words_of(program), cases, options);
}

}  // namespace

void add_help(CLI::App& program, int&) {
  struct Help {
    std::string verb, format = "text";
    Voice voice;
  };
  CLI::App* help_verb = add_verb(
      program, "help",
      "This program's help, as text, as a manual page, or as completion for bash. Of one verb: every key of its "
      "JSON too, with unit and meaning",
      "rackproof help --format man > rackproof.1");
  const auto help = std::make_shared<Help>();
  add_option(*help_verb, "VERB", help->verb, "The verb to tell about; all of them without");
  only_one_of(add_option(*help_verb, "--format", help->format, "The form of it"), {"text", "man", "bash"});
  help->voice.add_to(*help_verb);
  when_called(*help_verb, [help, &program] {
    const CLI::App* about = &program;
    if (!help->verb.empty()) {
      const std::vector<const CLI::App*> verbs = verbs_of(program);
      const auto found =
          std::find_if(verbs.begin(), verbs.end(), [&](auto* verb) { return verb->get_name() == help->verb; });
      if (found == verbs.end()) throw InputError("help: " + no_verb_called(help->verb, program));
      about = *found;
    }
    const std::string name = about == &program ? program.get_name() : program.get_name() + " " + about->get_name();
    const std::string text = help->format == "man" ? man_page(program)
                             : help->format == "bash"
                                 ? bash_completion(program)
                                 : about->get_formatter()->make_help(about, name, CLI::AppFormatMode::Normal) +
                                       keys_text(help->verb, text_width());
    help->voice.say(text);
    help->voice.document({{"form", help->format}, {"text", text}, {"documents", documents_json(help->verb)}});
  });
}

}  // namespace rackproof
