#include "harness/files/fingerprint.hpp"

#include <fmt/format.h>
#include <xxhash.h>

#include <new>

namespace rackproof::files {

void Fingerprint::Free::operator()(XXH3_state_t* state) const { XXH3_freeState(state); }
Fingerprint::~Fingerprint() = default;
Fingerprint::Fingerprint(Fingerprint&&) noexcept = default;
Fingerprint& Fingerprint::operator=(Fingerprint&&) noexcept = default;

Fingerprint::Fingerprint() : state_(XXH3_createState()) {
  if (!state_) throw std::bad_alloc();
  XXH3_128bits_reset(state_.get());
}
void Fingerprint::add(std::span<const char> bytes) { XXH3_128bits_update(state_.get(), bytes.data(), bytes.size()); }
std::string Fingerprint::text() const {
  const XXH128_hash_t hash = XXH3_128bits_digest(state_.get());
  return fmt::format("{:016x}{:016x}", hash.high64, hash.low64);
}

std::string fingerprint_of(std::span<const char> bytes) {
  Fingerprint fingerprint;
  fingerprint.add(bytes);
  return fingerprint.text();
}

}  // namespace rackproof::files
