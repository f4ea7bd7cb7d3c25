#pragma once
/// A folder that goes with the test, and files made for it by other means than the code under test.
#include <sndfile.h>
#include <unistd.h>

#include <cstdint>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>
#include <set>
#include <stdexcept>
#include <string>
#include <vector>

namespace rackproof::test {

class Scratch {
 public:
  explicit Scratch(const std::filesystem::path& place = {}) {
    std::string form = ((place.empty() ? std::filesystem::temp_directory_path() : place) / "rackproof-XXXXXX").string();
    if (::mkdtemp(form.data()) == nullptr) throw std::runtime_error("no scratch folder");
    folder_ = form;
  }
  ~Scratch() {
    std::error_code ignored;
    std::filesystem::remove_all(folder_, ignored);
  }
  Scratch(const Scratch&) = delete;
  Scratch& operator=(const Scratch&) = delete;
  std::filesystem::path operator/(const std::string& name) const { return folder_ / name; }
  const std::filesystem::path& folder() const { return folder_; }
  std::set<std::string> names() const { return names_in(folder_); }
  static std::set<std::string> names_in(const std::filesystem::path& folder) {
    std::set<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator(folder))
      names.insert(entry.path().filename().string());
    return names;
  }

 private:
  std::filesystem::path folder_;
};

inline std::string bytes_of(const std::filesystem::path& file) {
  std::ifstream stream(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}
inline void put(const std::filesystem::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary) << bytes;
}

/// Steps of 2^-15 between -1 and 1: exact in every format of 16 bits and more.
inline std::vector<float> noise(std::size_t values, std::uint32_t seed) {
  std::mt19937 bits(seed);
  std::vector<float> track(values);
  for (float& x : track) x = static_cast<float>(static_cast<std::int16_t>(bits() >> 16)) / 32768.0f;
  return track;
}

/// Interleaved, by libsndfile alone.
inline void write_audio(const std::filesystem::path& file, int format, int channels, int rate,
                        const std::vector<float>& interleaved) {
  SF_INFO info{};
  info.format = format;
  info.channels = channels;
  info.samplerate = rate;
  SNDFILE* out = sf_open(file.c_str(), SFM_WRITE, &info);
  if (out == nullptr) throw std::runtime_error(sf_strerror(nullptr));
  sf_command(out, SFC_SET_CLIPPING, nullptr, SF_TRUE);
  sf_writef_float(out, interleaved.data(), static_cast<sf_count_t>(interleaved.size()) / channels);
  sf_close(out);
}
struct Audio {
  SF_INFO info{};
  std::vector<float> interleaved;
};
inline Audio read_audio(const std::filesystem::path& file) {
  Audio audio;
  SNDFILE* in = sf_open(file.c_str(), SFM_READ, &audio.info);
  if (in == nullptr) throw std::runtime_error(file.string() + ": " + sf_strerror(nullptr));
  audio.interleaved.resize(static_cast<std::size_t>(audio.info.frames * audio.info.channels));
  sf_readf_float(in, audio.interleaved.data(), audio.info.frames);
  sf_close(in);
  return audio;
}

/// Little-endian chunks, right or wrong on purpose.
inline std::string le(std::uint64_t value, std::size_t bytes) {
  std::string text;
  for (std::size_t i = 0; i < bytes; ++i) text += static_cast<char>(value >> (8 * i) & 0xff);
  return text;
}
inline std::string chunk(const std::string& id, const std::string& payload, std::uint64_t claimed) {
  return id + le(claimed, 4) + payload;
}
inline std::string chunk(const std::string& id, const std::string& payload) {
  return chunk(id, payload, payload.size());
}
inline std::string format_chunk(std::uint64_t tag, std::uint64_t channels, std::uint64_t rate, std::uint64_t bits,
                                std::uint64_t align) {
  return chunk("fmt ", le(tag, 2) + le(channels, 2) + le(rate, 4) + le(rate * align, 4) + le(align, 2) + le(bits, 2));
}
inline std::string riff(const std::string& chunks, const std::string& id = "RIFF") {
  return id + (id == "RIFF" ? le(4 + chunks.size(), 4) : le(0xffffffffu, 4)) + "WAVE" + chunks;
}

}  // namespace rackproof::test
