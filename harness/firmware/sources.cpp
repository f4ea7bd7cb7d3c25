#include "harness/firmware/sources.hpp"

#include <fmt/format.h>

#include <fstream>

#include "harness/rig/rig.hpp"

namespace rackproof::firmware {

bool is_core(const SourceFile& file) {
  return file.path.starts_with("dsp/") &&
         (!file.path.starts_with("dsp/design/") || file.path == "dsp/design/section.hpp");
}
bool is_design(const SourceFile& file) { return file.path.starts_with("dsp/design/"); }

std::string_view source(std::string_view path) {
  for (const SourceFile& file : sources())
    if (file.path == path) return file.text;
  throw MachineError(fmt::format("the program was built without {}", path));
}

void write_file(const std::filesystem::path& file, std::string_view bytes) {
  std::ofstream stream(file, std::ios::binary);
  stream.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  stream.close();
  if (!stream) throw MachineError(fmt::format("{}: cannot be written", file.string()));
}

void write_sources(const std::filesystem::path& folder, std::string_view prefix) {
  for (const SourceFile& file : sources()) {
    if (!file.path.starts_with(prefix)) continue;
    const std::filesystem::path place = folder / file.path;
    std::error_code error;
    std::filesystem::create_directories(place.parent_path(), error);
    if (error) throw MachineError(fmt::format("{}: cannot be made: {}", place.parent_path().string(), error.message()));
    write_file(place, file.text);
  }
}

}  // namespace rackproof::firmware
