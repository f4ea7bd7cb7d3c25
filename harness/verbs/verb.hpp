#pragma once
/// What the verbs share: how they are added to the program, how they speak, how they read a rig and write a file.
///
/// A verb is a file `harness/verbs/NAME.cpp` with one function of the shape below. It adds a subcommand whose callback
/// does the work and sets `status` (0 done or proven, 1 a proof that does not hold). What goes wrong is thrown:
/// `InputError` (2) or `MachineError` (3); `run` alone turns exceptions into words on standard error and a status.
#include <filesystem>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "harness/files/whole_file.hpp"
#include "harness/rig/rig.hpp"
#include "harness/verbs/options.hpp"

namespace rackproof {

using Json = nlohmann::ordered_json;

void add_plan(CLI::App& program, int& status);
void add_render(CLI::App& program, int& status);
void add_prove(CLI::App& program, int& status);
void add_stimulus(CLI::App& program, int& status);
void add_budget(CLI::App& program, int& status);
void add_export(CLI::App& program, int& status);
void add_measure(CLI::App& program, int& status);
void add_flatten(CLI::App& program, int& status);
void add_align(CLI::App& program, int& status);
void add_seal(CLI::App& program, int& status);
void add_drift(CLI::App& program, int& status);
void add_compare(CLI::App& program, int& status);
void add_live(CLI::App& program, int& status);
/// `help [VERB] [--format text|man|bash]`: the program's own help, a manual page, or completion for a shell.
void add_help(CLI::App& program, int& status);

/// The whole program, ready to parse; `status` must outlive it.
std::unique_ptr<CLI::App> make_program(int& status);
/// `main`, but for the process: parses, runs, reports. Returns the exit status.
int run(int argc, const char* const* argv);

/// A verb's subcommand, with its `--help` and an example at the foot of it.
CLI::App* add_verb(CLI::App& program, const std::string& name, const std::string& what, const std::string& example);

/// "no verb is called 'mesure'; did you mean measure?"
std::string no_verb_called(const std::string& read, const CLI::App& program);

/// The same document with `"format"` (json_keys.hpp) as its first key.
Json with_format(const Json& document);

/// `--json` and `--quiet`. A document goes to standard output; people's text goes there too, unless a document does,
/// then to standard error; `--quiet` leaves people's text out. A reader that closes the pipe early is no error, nor is
/// standard error that cannot be written; standard output that cannot be is MachineError, after the work is done.
struct Voice {
  bool json = false, quiet = false;
  void add_to(CLI::App& verb);
  /// People's text, with its own newlines; other control characters in it are shown, not sent to a terminal.
  void say(std::string_view text) const;
  void document(const Json& document) const;  ///< `with_format`, and a newline; only with `--json`
  /// The one document in pieces of its text, where it would be large.
  void document_piece(std::string_view text) const;
};

/// `RIG`, `--venue FILE` and `--sealed`.
struct RigArguments {
  std::filesystem::path rig_file, venue_file;
  bool sealed = false;
  void add_to(CLI::App& verb);
  rig::Rig rig() const;
  std::optional<rig::Venue> venue(const rig::Rig& rig) const;
};

using files::WholeFile, files::write_whole_file;

}  // namespace rackproof
