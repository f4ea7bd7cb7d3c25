#ifdef RACKPROOF_JACK
#include "harness/live/jack_library.hpp"

#include <dlfcn.h>
#include <fmt/format.h>

#include "harness/errors.hpp"

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

}  // namespace rackproof::live
#endif
