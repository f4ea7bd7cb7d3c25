#pragma once
/// A rig file with a word changed, and a rig that is played into without a server.
#include <array>
#include <cstddef>
#include <random>
#include <string>
#include <vector>

#include "harness/live/live_rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::live::test {

inline std::string replaced(std::string text, const std::string& from, const std::string& to) {
  for (std::size_t at = text.find(from); at != text.npos; at = text.find(from, at + to.size()))
    text.replace(at, from.size(), to);
  return text;
}
inline std::string two_way() {
  return rackproof::test::bytes_of(RACKPROOF_SOURCE_DIR "/audio_fixtures/two-way-top.toml");
}
inline Tuning tuning_of(const std::string& text, const std::string& file = "rig.toml") {
  return tuned(rig::parse_rig(text, file), std::nullopt, Bypass::none);
}

using Rows = std::vector<std::vector<float>>;
inline Rows noise_rows(std::size_t rows, std::size_t frames, float size, std::uint32_t seed) {
  std::mt19937 random(seed);
  Rows all(rows, std::vector<float>(frames));
  for (std::vector<float>& row : all)
    for (float& x : row) x = size * (static_cast<float>(random()) * 0x1p-31f - 1.0f);
  return all;
}

/// Plays blocks of `block` frames, the last one shorter.
template <class Played>
Rows play(Played& played, const Rows& feeds, std::size_t outputs, std::size_t block) {
  const std::size_t frames = feeds[0].size();
  Rows out(outputs, std::vector<float>(frames, 7.0f));
  std::array<const float*, dsp::kMaxFeeds> from{};
  std::array<float*, dsp::kMaxOutputs> to{};
  for (std::size_t n = 0; n < frames; n += block) {
    const std::size_t count = std::min(block, frames - n);
    for (std::size_t f = 0; f < feeds.size(); ++f) from[f] = &feeds[f][n];
    for (std::size_t o = 0; o < outputs; ++o) to[o] = &out[o][n];
    played.process(std::span(from).first(feeds.size()), std::span(to).first(outputs), count);
  }
  return out;
}
/// Silence until it is heard; how many frames that took.
inline std::size_t prime(LiveRig& rig, std::size_t feeds, std::size_t outputs) {
  const Rows silence(feeds, std::vector<float>(64, 0.0f));
  std::size_t frames = 0;
  do {
    play(rig, silence, outputs, 64);
    frames += 64;
  } while (rig.readings().signals().begins && frames < 480'000);
  return frames;
}

}  // namespace rackproof::live::test
