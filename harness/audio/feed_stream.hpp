#pragma once
/// A recording as the chain wants it: one track a feed, at the controller's sample rate, from `start` for `seconds`.
/// Theorem  at equal rates frame n of feed f is sample start + n of its channel, bit for bit. Converted, frame n stands
///          for the input's time n / rate (no latency), and there are ceil(input frames * to / from) of them, whatever
///          the sizes that `read` is called with. Memory is constant.
/// Method   a RateConverter, fed with silence, whose frames are dropped again, so that the first frame's ringing begins
///          ahead of it as any other's does; then from a buffer of kReadFrames frames; then with silence until the last
///          frame is out.
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/audio/rate_converter.hpp"
#include "harness/audio/reader.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::audio {

struct FeedStreamSettings {
  std::vector<rig::Feed> feeds;                  ///< in the order of the tracks
  std::uint32_t sample_rate_hz = 48000;          ///< of the tracks
  bool resample = false;                         ///< without it, a file at another rate is an error
  double start_s = 0;                            ///< to the nearest frame: exact up to 2^51 frames at every sample rate
  std::optional<double> seconds = std::nullopt;  ///< to the end, if not given
};

class FeedStream {
 public:
  /// Throws as Reader does; InputError also for a channel that the file has not, another sample rate, or a start at or
  /// behind the file's end.
  FeedStream(const std::filesystem::path& file, const FeedStreamSettings& settings);
  ~FeedStream();
  FeedStream(FeedStream&&) noexcept;

  std::uint64_t frames() const { return frames_; }  ///< promised; fewer come only where the file is cut short
  std::uint64_t delivered() const { return delivered_; }
  std::size_t tracks() const { return picks_.size(); }
  const Reader& reader() const { return reader_; }
  bool resampling() const { return converter_.has_value(); }

  /// Fills `tracks[f][0 .. frames)`; returns how many frames there were, fewer only at the end.
  std::size_t read(std::span<float* const> tracks, std::size_t frames);

 private:
  friend struct CounterProbe;  // the tests' own: puts counters where days would bring them
  bool refill();   ///< input_ is used up: more of it, silence after the end; false: all frames are delivered
  bool convert();  ///< output_ is used up: more of it

  Reader reader_;
  std::vector<std::uint32_t> picks_;
  std::uint64_t input_left_ = 0, input_read_ = 0, frames_ = 0, delivered_ = 0;
  std::uint64_t from_hz_ = 1, to_hz_ = 1;
  std::uint64_t silence_left_ = 0, skip_left_ = 0;  ///< ahead of the first frame: still to go in, and to be dropped

  std::optional<RateConverter> converter_;
  std::vector<float> input_, output_;  ///< a buffer of kReadFrames a track, ahead of it and behind it
  std::vector<float*> input_tracks_, output_tracks_;
  std::vector<const float*> input_at_;
  std::size_t in_used_ = 0, in_frames_ = 0, out_used_ = 0, out_frames_ = 0;
};

}  // namespace rackproof::audio
