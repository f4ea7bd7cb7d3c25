#pragma once
#include <stdexcept>
#include <string>

namespace rackproof::test {

/// `text` with `to` at the first place where it reads `from`; throws where it does not.
inline std::string edited(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  if (at == std::string::npos) throw std::logic_error("not there: " + from);
  return text.replace(at, from.size(), to);
}

}  // namespace rackproof::test
