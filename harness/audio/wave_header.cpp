#include "harness/audio/wave_header.hpp"

#include <algorithm>
#include <cstddef>
#include <string_view>

namespace rackproof::audio {
namespace {

std::uint32_t number_at(std::string_view bytes, std::size_t at) {
  std::uint32_t number = 0;
  for (std::size_t byte = 4; byte-- > 0;) number = number << 8 | static_cast<unsigned char>(bytes[at + byte]);
  return number;
}
void put_number(std::string& bytes, std::size_t at, std::uint64_t number, std::size_t size) {
  for (std::size_t byte = 0; byte < size && at + byte < bytes.size(); ++byte)
    bytes[at + byte] = static_cast<char>(number >> (8 * byte));
}

}  // namespace

std::string completed_wave_header(std::string header, std::uint64_t frames, std::uint64_t frame_bytes) {
  const bool is_long = header.starts_with("RF64");
  if (header.size() < 12 || (!is_long && !header.starts_with("RIFF"))) return {};
  const std::uint64_t data = frames * frame_bytes, rest = header.size() + data + data % 2 - 8;
  put_number(header, 4, is_long ? 0xffffffffu : rest, 4);
  for (std::size_t at = 12; at + 8 <= header.size();) {
    const std::string_view id(header.data() + at, 4);
    const std::size_t length = number_at(header, at + 4);
    if (id == "data") {
      put_number(header, at + 4, is_long ? 0xffffffffu : data, 4);
      return at + 8 == header.size() ? header : std::string();
    }
    if (id == "fact") put_number(header, at + 8, std::min<std::uint64_t>(frames, 0xffffffffu), 4);
    if (id == "ds64") {
      put_number(header, at + 8, rest, 8);
      put_number(header, at + 16, data, 8);
      put_number(header, at + 24, frames, 8);
    }
    if (id == "PEAK" && at + 8 + length <= header.size()) {
      header.replace(at, 4, "JUNK");
      std::fill_n(header.begin() + static_cast<std::ptrdiff_t>(at + 8), length, '\0');
    }
    at += 8 + length + length % 2;
  }
  return {};
}

}  // namespace rackproof::audio
