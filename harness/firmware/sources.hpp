#pragma once
/// What firmware is made of, as the program carries it: the core in one lane, an example, and what runs them on an
/// emulated part. So the program builds for a part with nothing installed beside it, and never from another version.
#include <filesystem>
#include <span>
#include <string_view>

namespace rackproof::firmware {

struct SourceFile {
  std::string_view path, text;  ///< path: as included, "dsp/pack.hpp"
};
std::span<const SourceFile> sources();
/// Of the chain itself, which runs on numbers that are computed elsewhere.
bool is_core(const SourceFile& file);
/// Of what computes these numbers, on top of the core: four sources and their headers.
bool is_design(const SourceFile& file);
/// One of them; its absence is a fault of the build.
std::string_view source(std::string_view path);
/// Those whose path begins with `prefix`, below `folder`. Throws MachineError.
void write_sources(const std::filesystem::path& folder, std::string_view prefix);
/// Throws MachineError where it cannot be written whole.
void write_file(const std::filesystem::path& file, std::string_view bytes);

}  // namespace rackproof::firmware
