#include "harness/seal/seal.hpp"

#include <fmt/format.h>
#include <sodium.h>

#include <array>
#include <set>
#include <string_view>
#include <system_error>

#include "harness/errors.hpp"
#include "harness/files/entry.hpp"
#include "harness/files/plain_file.hpp"
#include "harness/files/shown.hpp"

namespace rackproof::seal {
namespace {

constexpr std::string_view kHead =
    "# The numbers of a rig as they were when it was sealed; 'rackproof drift' says what has moved since.\n"
    "# Not to be edited: the hash at the end would no longer fit. 'rackproof seal' writes it anew.\n"
    "seal 1\n";
constexpr std::string_view kEquals = " = ", kHash = "blake2b = ";
/// A rig of the largest size that is read makes some 4 MB.
constexpr std::size_t kMostBytes = std::size_t{16} << 20;

std::string hash_of(std::string_view text) {
  if (sodium_init() < 0) throw MachineError("libsodium cannot be used on this machine");
  std::array<unsigned char, crypto_generichash_BYTES> hash{};
  crypto_generichash(hash.data(), hash.size(), reinterpret_cast<const unsigned char*>(text.data()), text.size(),
                     nullptr, 0);
  std::string hex;
  for (const unsigned char byte : hash) hex += fmt::format("{:02x}", byte);
  return hex;
}

}  // namespace

std::filesystem::path seal_file_of(const std::filesystem::path& rig_file) {
  std::filesystem::path file = rig_file;
  if (file.extension() == ".toml") return file.replace_extension(".seal");
  return file += ".seal";
}

std::filesystem::path seal_place_of(const std::filesystem::path& rig_file) {
  std::filesystem::path beside = seal_file_of(rig_file);
  if (files::entry_at(beside) != files::Entry::nothing) return beside;
  std::error_code error;
  if (!std::filesystem::is_symlink(rig_file, error)) return beside;
  const std::filesystem::path itself = std::filesystem::canonical(rig_file, error);
  return error ? beside : seal_file_of(itself);
}

std::string seal_text(const Facts& facts) {
  std::string text(kHead);
  for (const Fact& fact : facts) text.append(fact.key).append(kEquals).append(fact.value) += '\n';
  const std::string hash = hash_of(text);
  return text.append(kHash).append(hash) += '\n';
}

Seal read_seal(const std::string& text, const std::filesystem::path& file) {
  const auto damaged = [&](const std::string& why) {
    return Seal{State::damaged, {}, fmt::format("{}: the seal is damaged: {}", files::shown(file), why)};
  };
  const std::size_t end = text.rfind(kHash);
  if (end == std::string::npos || (end > 0 && text[end - 1] != '\n'))
    return damaged("its end, where the hash stands, is missing");
  const std::string_view body(text.data(), end);
  if (std::string_view(text).substr(end) != fmt::format("{}{}\n", kHash, hash_of(body)))
    return damaged(
        text.find("\r\n") != std::string::npos
            ? "its line ends were changed to CR LF, as some programs do that copy text; copy it again as it was"
            : "its hash does not fit what it says; it was edited, cut short or damaged");
  if (!body.starts_with(kHead)) return damaged("another version of the program wrote it");
  Seal seal{State::whole, {}, {}};
  std::set<std::string> keys;
  for (std::size_t at = kHead.size(); at < body.size();) {
    const std::size_t stop = body.find('\n', at), split = body.find(kEquals, at);
    if (split == std::string_view::npos || split > stop) return damaged("a line of it is no fact");
    seal.facts.push_back({std::string(body.substr(at, split - at)),
                          std::string(body.substr(split + kEquals.size(), stop - split - kEquals.size()))});
    if (!keys.insert(seal.facts.back().key).second) return damaged(seal.facts.back().key + " stands in it twice");
    at = stop + 1;
  }
  return seal;
}

Seal load_seal(const std::filesystem::path& file) {
  if (files::entry_at(file) == files::Entry::nothing)
    return {State::absent, {}, fmt::format("{}: there is no seal; 'rackproof seal' makes one", files::shown(file))};
  try {
    return read_seal(files::read_plain_file(file, {kMostBytes, "a seal"}), file);
  } catch (const InputError& fault) {
    return {State::damaged, {}, fmt::format("{} (the seal is damaged, or is none)", fault.what())};
  }
}

}  // namespace rackproof::seal
