#pragma once
/// Standard output and standard error, as all verbs use them.
/// Theorem  neither stream's failure changes what was done: it comes after it, or counts for nothing. Standard output
///          that cannot be written is told by the exit status (3); a reader that closes its pipe early is no error
///          (`rackproof plan rig.toml | head -1`). Standard error that cannot be written counts for nothing: there is
///          nobody to tell. No file that the program opens ever stands in for a stream that was closed when it began.
///          What a terminal is sent has no control characters but our own line ends (see files/shown.hpp).
#include <string>
#include <string_view>

namespace rackproof {

/// Once, ahead of all else: a stream that is closed is taken by something that cannot be read or written.
void hold_standard_streams();
/// The command line's words: where one of them has a line end in it, people's text shows it as \n.
void note_typed(int argc, const char* const* argv);

/// People's text as a terminal may be sent it. Once is enough.
std::string for_people(std::string_view text);
/// Text for people on standard output, with its own line ends. Throws MachineError.
void print_text(std::string_view text);
/// Bytes on standard output, as they are. Throws MachineError.
void print_bytes(std::string_view bytes);
/// Text for people on standard error, with its own line ends.
void tell(std::string_view text) noexcept;
/// What moves on a terminal, as it is: our own words alone.
void tell_as_it_is(std::string_view text) noexcept;

}  // namespace rackproof
