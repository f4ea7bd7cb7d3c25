#pragma once
/// XXH3 of 128 bits over bytes as they come, in the form that `xxh128sum` prints: 32 hexadecimal digits. It tells a file
/// that was damaged or mixed up from one that was not. It guards against accidents, not against people.
/// Source  Y. Collet's xxHash library; 12 GB/s on one core, where a cryptographic hash would take as long as the chain.
#include <memory>
#include <span>
#include <string>

struct XXH3_state_s;
namespace rackproof::files {

class Fingerprint {
 public:
  Fingerprint();
  ~Fingerprint();
  Fingerprint(Fingerprint&&) noexcept;
  Fingerprint& operator=(Fingerprint&&) noexcept;
  void add(std::span<const char> bytes);
  std::string text() const;

 private:
  struct Free {
    void operator()(XXH3_state_s* state) const;
  };
  std::unique_ptr<XXH3_state_s, Free> state_;
};

std::string fingerprint_of(std::span<const char> bytes);

}  // namespace rackproof::files
