#pragma once
/// What a name stands for. Unlike std::filesystem's questions, one that the machine cannot answer is an error, not "no".
#include <cstdint>
#include <filesystem>

namespace rackproof::files {

enum class Entry : std::uint8_t { nothing, file, folder, other };
/// A link stands for what it leads to. Throws MachineError.
Entry entry_at(const std::filesystem::path& name);
/// Whether both names lead to one file that is there. Throws MachineError.
bool are_one(const std::filesystem::path& a, const std::filesystem::path& b);

}  // namespace rackproof::files
