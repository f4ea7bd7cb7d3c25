#include "harness/audio/data_claim.hpp"

#include <algorithm>
#include <array>
#include <cstddef>
#include <string>
#include <string_view>

namespace rackproof::audio {
namespace {

/// How the chunks of one kind of file lie.
struct Layout {
  std::uint64_t first;  ///< where the first chunk begins
  std::size_t id_bytes, size_bytes;
  bool big_endian;
  bool size_counts_head;         ///< the size is that of head and payload together
  std::uint64_t alignment;       ///< of the next chunk
  std::string_view data;         ///< the first four letters of the chunk that holds the audio
  std::uint64_t ahead_of_audio;  ///< bytes of its payload
  std::size_t head() const { return id_bytes + size_bytes; }
};
constexpr Layout kRiff{12, 4, 4, false, false, 2, "data", 0}, kRifx{12, 4, 4, true, false, 2, "data", 0},
    kAiff{12, 4, 4, true, false, 2, "SSND", 8}, kCaf{8, 4, 8, true, false, 1, "data", 4},
    kW64{40, 16, 8, false, true, 8, "data", 0};
constexpr std::size_t kMostChunks = 10'000;  // a file with more is not walked to its end
constexpr std::uint64_t kStrayLookedAt = 1 << 20;

/// The layout of what begins so; nothing for one without chunks.
const Layout* layout_of(std::string_view head) {
  const std::string_view id = head.substr(0, 4), form = head.substr(8, 4);
  if (id == "RIFX" && form == "WAVE") return &kRifx;
  if ((id == "RIFF" || id == "RF64" || id == "BW64") && form == "WAVE") return &kRiff;
  if (id == "FORM" && (form == "AIFF" || form == "AIFC")) return &kAiff;
  if (id == "caff") return &kCaf;
  if (id == "riff" && head.substr(4, 4) == "\x2e\x91\xcf\x11") return &kW64;
  return nullptr;
}

std::uint64_t number(std::string_view bytes, bool big_endian) {
  std::uint64_t value = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i)
    value = value << 8 | static_cast<unsigned char>(bytes[big_endian ? i : bytes.size() - 1 - i]);
  return value;
}

bool is_open_ended(std::uint64_t claim, std::size_t size_bytes) {
  if (size_bytes == 8) return claim >= ~std::uint64_t{0} - 0xff;
  return claim >= 0xffffff00u || claim >> 12 == 0x7ffff;
}

class Walk {
 public:
  Walk(std::uint64_t file_bytes, const ReadAt& read) : file_bytes_(file_bytes), read_(read) {}

  std::optional<DataClaim> claim() {
    const std::string start = bytes_at(0, 16);
    if (start.size() < 16) return std::nullopt;
    if (start.starts_with(".snd")) return au(start);
    layout_ = layout_of(start);
    if (layout_ == nullptr) return std::nullopt;
    std::uint64_t at = layout_->first, long_claim = 0;
    for (std::size_t chunks = 0; chunks < kMostChunks; ++chunks) {
      const std::string head = bytes_at(at, layout_->head());
      if (head.size() < layout_->head()) return std::nullopt;
      const std::uint64_t payload = payload_of(head);
      if (head.starts_with(layout_->data)) return audio(at, payload, long_claim);
      if (head.starts_with("ds64")) long_claim = number(bytes_at(at + 16, 8), false);
      if (payload > file_bytes_) return std::nullopt;
      at = behind(at, payload);
    }
    return std::nullopt;
  }

 private:
  std::string bytes_at(std::uint64_t at, std::size_t count) const {
    if (at >= file_bytes_) return {};
    std::string bytes(count, '\0');
    bytes.resize(read_({bytes.data(), bytes.size()}, at));
    return bytes;
  }
  std::uint64_t payload_of(const std::string& head) const {
    const std::uint64_t size =
        number(std::string_view(head).substr(layout_->id_bytes, layout_->size_bytes), layout_->big_endian);
    if (!layout_->size_counts_head) return size;
    return size < layout_->head() ? 0 : size - layout_->head();
  }
  std::uint64_t behind(std::uint64_t at, std::uint64_t payload) const {
    return (at + layout_->head() + payload + layout_->alignment - 1) / layout_->alignment * layout_->alignment;
  }

  DataClaim audio(std::uint64_t at, std::uint64_t payload, std::uint64_t long_claim) const {
    const std::uint64_t begin = at + layout_->head() + layout_->ahead_of_audio;
    DataClaim claim;
    claim.held_bytes = file_bytes_ - std::min(file_bytes_, begin);
    const bool is_long = long_claim != 0 && payload == 0xffffffffu;
    if (is_long) payload = long_claim;
    claim.open_ended = is_open_ended(payload, is_long ? 8 : layout_->size_bytes);
    claim.claimed_bytes = payload - std::min(payload, layout_->ahead_of_audio);
    if (!claim.open_ended && claim.claimed_bytes < claim.held_bytes) claim.stray_bytes = stray(behind(at, payload));
    return claim;
  }

  std::optional<DataClaim> au(const std::string& start) const {
    const std::uint64_t begin = number(std::string_view(start).substr(4, 4), true);
    DataClaim claim;
    claim.claimed_bytes = number(std::string_view(start).substr(8, 4), true);
    claim.open_ended = is_open_ended(claim.claimed_bytes, 4);
    claim.held_bytes = file_bytes_ - std::min(file_bytes_, begin);
    if (!claim.open_ended && claim.claimed_bytes < claim.held_bytes && is_sound(begin + claim.claimed_bytes))
      claim.stray_bytes = claim.held_bytes - claim.claimed_bytes;
    return claim;
  }

  /// From where the chunks behind the audio end.
  std::uint64_t stray(std::uint64_t at) const {
    for (std::size_t chunks = 0; chunks < kMostChunks && at < file_bytes_; ++chunks) {
      const std::string head = bytes_at(at, layout_->head());
      if (head.size() < layout_->head() || head.starts_with("ID3") || head.starts_with("TAG")) return 0;
      const bool is_name = std::all_of(head.begin(), head.begin() + 4, [](char c) { return c >= ' ' && c <= '~'; });
      const bool is_more_audio = head.starts_with(layout_->data);
      if (!is_name || is_more_audio) return is_more_audio || is_sound(at) ? file_bytes_ - at : 0;
      const std::uint64_t payload = payload_of(head);
      if (payload > file_bytes_) return 0;  // a chunk of another kind, cut short
      at = behind(at, payload);
    }
    return 0;
  }

  /// Not all zero, as padding is.
  bool is_sound(std::uint64_t at) const {
    const std::string bytes = bytes_at(at, static_cast<std::size_t>(std::min(kStrayLookedAt, file_bytes_ - at)));
    return std::ranges::any_of(bytes, [](char byte) { return byte != '\0'; });
  }

  std::uint64_t file_bytes_;
  const ReadAt& read_;
  const Layout* layout_ = nullptr;
};

}  // namespace

std::optional<DataClaim> data_claim(std::uint64_t file_bytes, const ReadAt& read) {
  return Walk(file_bytes, read).claim();
}

}  // namespace rackproof::audio
