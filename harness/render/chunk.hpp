#pragma once
/// A piece of a recording on its way from the file it is read from to the files it is written to.
#include <cstddef>
#include <memory>
#include <span>

namespace rackproof {

/// A buffer a signal, side by side; unspecified until written.
class Tracks {
 public:
  Tracks(std::size_t tracks, std::size_t frames)
      : samples_(std::make_unique_for_overwrite<float[]>(tracks * frames)), frames_(frames) {}
  std::span<float> operator[](std::size_t track) { return {&samples_[track * frames_], frames_}; }

 private:
  std::unique_ptr<float[]> samples_;
  std::size_t frames_;
};

struct Chunk {
  Chunk(std::size_t feed_tracks, std::size_t output_tracks, std::size_t most_frames)
      : feeds(feed_tracks, most_frames), outputs(output_tracks, most_frames) {}
  Tracks feeds, outputs;
  std::size_t frames = 0;
};

}  // namespace rackproof
