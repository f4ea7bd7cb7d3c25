#ifdef RACKPROOF_JACK
#include "harness/live/jack_library.hpp"

#include <dlfcn.h>
#include <fmt/format.h>

#include <cstdlib>

#include "harness/errors.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::live {
namespace {

JackLibrary loaded() {
  constexpr const char* kName = "libjack.so.0";
  void* const library = ::dlopen(kName, RTLD_NOW | RTLD_LOCAL);
  if (library == nullptr)
    throw MachineError(
        fmt::format("JACK's library is not there ({}): install a JACK server, as Debian's jackd2, or "
                    "PipeWire with pipewire-jack",
                    ::dlerror()));
  JackLibrary found;
  const auto look_up = [&](auto& call, const char* name) {
    call = reinterpret_cast<std::remove_reference_t<decltype(call)>>(::dlsym(library, name));
    if (call == nullptr) throw MachineError(fmt::format("{} is too old: it has no {}", kName, name));
  };
#define RACKPROOF_JACK_LOOK_UP(name) look_up(found.name, "jack_" #name);
  RACKPROOF_JACK_CALLS(RACKPROOF_JACK_LOOK_UP)
#undef RACKPROOF_JACK_LOOK_UP
  return found;
}

}  // namespace

std::vector<std::string> names_in(const JackLibrary& jack, const char** list) {
  std::vector<std::string> names;
  for (const char** one = list; one != nullptr && *one != nullptr; ++one) names.emplace_back(*one);
  if (list != nullptr) jack.free(list);
  return names;
}

const JackLibrary& jack_library() {
  static const JackLibrary library = loaded();
  return library;
}

std::string server_called(const std::string& asked) {
  const char* const usual = std::getenv("JACK_DEFAULT_SERVER");
  return !asked.empty() ? asked : usual != nullptr ? usual : "default";
}

std::string why_no_client(jack_status_t status, const std::string& server, const std::string& name,
                          const std::string& if_none) {
  const std::string on = files::shown(server), called = files::shown(name);
  if ((status & JackNameNotUnique) != 0)
    return fmt::format("the JACK server '{}' has a client called '{}' already; --name gives another name", on, called);
  const auto code = static_cast<unsigned>(status);
  if ((status & JackServerError) != 0)
    return fmt::format(
        "the JACK server '{}' runs, but does not take the client '{}' (status 0x{:x}): start this again, and where that "
        "does not help the server",
        on, called, code);
  return fmt::format("no JACK server '{}' runs here for this user (status 0x{:x}); {}", on, code, if_none);
}

}  // namespace rackproof::live
#endif
