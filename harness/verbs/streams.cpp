#include "harness/verbs/streams.hpp"

#include <fcntl.h>
#include <poll.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstddef>
#include <filesystem>
#include <functional>
#include <system_error>
#include <vector>

#include <fmt/core.h>

#include "harness/errors.hpp"
#include "harness/files/shown.hpp"

namespace rackproof {
namespace {

/// Those that were typed with a line end in them, and the names that we make of them; the longest first.
std::vector<std::string>& typed_with_line_ends() {
  static std::vector<std::string> all;
  return all;
}

/// 0, or why not all of it could be written.
int write_all(int descriptor, std::string_view text) noexcept {
  while (!text.empty()) {
    const ssize_t count = ::write(descriptor, text.data(), text.size());
    if (count > 0) {
      text.remove_prefix(static_cast<std::size_t>(count));
    } else if (count < 0 && errno == EAGAIN) {  // somebody else made this pipe or terminal so
      pollfd room{descriptor, POLLOUT, 0};
      if (::poll(&room, 1, -1) < 0 && errno != EINTR) return errno;
    } else if (count == 0 || errno != EINTR) {
      return count == 0 ? EIO : errno;
    }
  }
  return 0;
}

}  // namespace

void hold_standard_streams() {
  for (const int stream : {STDIN_FILENO, STDOUT_FILENO, STDERR_FILENO}) {
    if (::fcntl(stream, F_GETFD) >= 0 || errno != EBADF) continue;
    // The lowest number that is free is this one. Opened the wrong way round, so that its use fails as it would have.
    const int held = ::open("/dev/null", stream == STDIN_FILENO ? O_WRONLY : O_RDONLY);
    if (held >= 0 && held != stream) ::close(held);
  }
}

void note_typed(int argc, const char* const* argv) {
  typed_with_line_ends().clear();
  for (int i = 1; i < argc; ++i) {
    std::string_view word = argv[i];
    if (word.find('\n') == word.npos) continue;
    if (const std::size_t equals = word.find('='); equals < word.find('\n')) word.remove_prefix(equals + 1);
    const std::filesystem::path name(word);
    for (std::string one : {name.string(), std::filesystem::path(name).replace_extension().string(),
                            name.filename().string(), name.stem().string()}) {
      while (one.starts_with('\n')) one.erase(0, 1);  // at an end it could be one of our own
      while (one.ends_with('\n')) one.pop_back();
      if (one.find('\n') != one.npos) typed_with_line_ends().push_back(std::move(one));
    }
  }
  std::ranges::sort(typed_with_line_ends(), std::ranges::greater(), &std::string::size);
}

std::string for_people(std::string_view text) {
  std::string out(text);
  for (const std::string& typed : typed_with_line_ends()) {
    const std::string safe = files::shown(typed);
    for (std::size_t at = out.find(typed); at != out.npos; at = out.find(typed, at + safe.size()))
      out.replace(at, typed.size(), safe);
  }
  return files::shown_lines(out);
}

void print_text(std::string_view text) { print_bytes(for_people(text)); }

void print_bytes(std::string_view bytes) {
  const int error = write_all(STDOUT_FILENO, bytes);
  if (error != 0 && error != EPIPE)
    throw MachineError(fmt::format("standard output cannot be written: {}", std::generic_category().message(error)));
}

void tell(std::string_view text) noexcept {
  try {
    write_all(STDERR_FILENO, for_people(text));
  } catch (...) {  // no memory for it
  }
}

void tell_as_it_is(std::string_view text) noexcept { write_all(STDERR_FILENO, text); }

}  // namespace rackproof
