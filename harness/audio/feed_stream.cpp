#include "harness/audio/feed_stream.hpp"

#include <fmt/format.h>
#include <samplerate.h>

#include <algorithm>
#include <cmath>
#include <numeric>

namespace rackproof::audio {
namespace {

/// Frames after conversion, none of them cut: ceil(frames * to / from).
std::uint64_t converted(std::uint64_t frames, std::uint64_t from_hz, std::uint64_t to_hz) {
  const std::uint64_t common = std::gcd(from_hz, to_hz), from = from_hz / common, to = to_hz / common;
  // NOLINTNEXTLINE(clang-analyzer-core.DivideZero): a reader has no rate of 0
  return frames / from * to + (frames % from * to + from - 1) / from;
}

std::vector<std::uint32_t> picks_of(const std::vector<rig::Feed>& feeds, const Reader& reader) {
  std::vector<std::uint32_t> picks;
  for (const rig::Feed& feed : feeds) {
    if (feed.channel < 1 || feed.channel > reader.channels())
      throw InputError(fmt::format(
          "{}: has {} channel{}, but feed '{}' is its channel {}{}; give a file with that channel, or "
          "another number under [feeds]",
          reader.name(), reader.channels(), reader.channels() == 1 ? "" : "s", feed.name, feed.channel,
          feed.source.line == 0 ? "" : fmt::format(" ({}:{})", feed.source.file.string(), feed.source.line)));
    picks.push_back(feed.channel - 1);
  }
  return picks;
}

}  // namespace

void FeedStream::Delete::operator()(SRC_STATE* state) const { src_delete(state); }
FeedStream::~FeedStream() = default;
FeedStream::FeedStream(FeedStream&&) noexcept = default;

FeedStream::FeedStream(const std::filesystem::path& file, const FeedStreamSettings& settings)
    : reader_(file),
      picks_(picks_of(settings.feeds, reader_)),
      from_hz_(reader_.sample_rate_hz()),
      to_hz_(settings.sample_rate_hz) {
  if (from_hz_ != to_hz_ && !settings.resample)
    throw InputError(fmt::format("{}: is at {} Hz, the controller at {} Hz; --resample would convert it",
                                 reader_.name(), from_hz_, to_hz_));
  const double length_s = static_cast<double>(reader_.frames()) / static_cast<double>(from_hz_);
  const auto frame_at = [&](double time_s) {
    return time_s >= length_s ? reader_.frames()
                              : static_cast<std::uint64_t>(std::llround(time_s * static_cast<double>(from_hz_)));
  };
  const std::uint64_t start = frame_at(settings.start_s);
  if (start >= reader_.frames())
    throw InputError(fmt::format("{}: is {} long; a start at {:g} s leaves nothing of it", reader_.name(),
                                 reader_.length(), settings.start_s));
  input_left_ = reader_.frames() - start;
  if (settings.seconds) input_left_ = std::min(input_left_, frame_at(*settings.seconds));
  if (input_left_ == 0)
    throw InputError(
        fmt::format("{}: {:g} s of it at {} Hz are no frame at all", reader_.name(), *settings.seconds, from_hz_));
  reader_.seek(start);
  frames_ = converted(input_left_, from_hz_, to_hz_);

  if (from_hz_ == to_hz_ || picks_.empty()) return;
  int error = 0;
  if (src_is_valid_ratio(static_cast<double>(to_hz_) / static_cast<double>(from_hz_)) == 0)
    throw InputError(
        fmt::format("{}: is at {} Hz, too far from {} Hz to be converted", reader_.name(), from_hz_, to_hz_));
  converter_.reset(src_new(SRC_SINC_BEST_QUALITY, static_cast<int>(picks_.size()), &error));
  if (!converter_) throw MachineError(fmt::format("{}: cannot be converted: {}", reader_.name(), src_strerror(error)));
  planar_.resize(kReadFrames * picks_.size());
  interleaved_in_.resize(planar_.size());
  interleaved_out_.resize(planar_.size());
  for (std::size_t f = 0; f < picks_.size(); ++f) planar_tracks_.push_back(planar_.data() + f * kReadFrames);
}

bool FeedStream::refill() {
  const std::size_t tracks = picks_.size();
  const std::size_t wanted = static_cast<std::size_t>(std::min<std::uint64_t>(kReadFrames, input_left_));
  const std::size_t got = reader_.read(picks_, planar_tracks_, wanted);
  input_read_ += got;
  input_left_ = got < wanted ? 0 : input_left_ - got;
  if (input_left_ == 0) frames_ = converted(input_read_, from_hz_, to_hz_);
  for (std::size_t f = 0; f < tracks; ++f)
    for (std::size_t n = 0; n < kReadFrames; ++n)
      interleaved_in_[n * tracks + f] = n < got ? planar_tracks_[f][n] : 0.0f;
  in_used_ = 0;
  in_frames_ = got > 0 && input_left_ > 0 ? got : kReadFrames;
  return delivered_ < frames_;
}

std::size_t FeedStream::read(std::span<float* const> tracks, std::size_t frames) {
  if (!converter_) {
    const std::size_t wanted = static_cast<std::size_t>(std::min<std::uint64_t>(frames, input_left_));
    const std::size_t got = reader_.read(picks_, tracks, wanted);
    input_left_ = got < wanted ? 0 : input_left_ - got;
    delivered_ += got;
    return got;
  }
  const std::size_t width = picks_.size();
  std::size_t done = 0;
  while (done < frames && delivered_ < frames_) {
    if (out_used_ == out_frames_) {
      if (in_used_ == in_frames_ && !refill()) break;
      SRC_DATA step{};
      step.data_in = interleaved_in_.data() + in_used_ * width;
      step.input_frames = static_cast<long>(in_frames_ - in_used_);
      step.data_out = interleaved_out_.data();
      step.output_frames = static_cast<long>(kReadFrames);
      step.src_ratio = static_cast<double>(to_hz_) / static_cast<double>(from_hz_);
      if (const int error = src_process(converter_.get(), &step); error != 0)
        throw MachineError(fmt::format("{}: cannot be converted: {}", reader_.name(), src_strerror(error)));
      if (step.input_frames_used == 0 && step.output_frames_gen == 0)
        throw MachineError(fmt::format("{}: the sample-rate conversion does not go on", reader_.name()));
      in_used_ += static_cast<std::size_t>(step.input_frames_used);
      out_used_ = 0;
      out_frames_ = static_cast<std::size_t>(step.output_frames_gen);
      continue;
    }
    const std::size_t here = static_cast<std::size_t>(
        std::min<std::uint64_t>({frames - done, out_frames_ - out_used_, frames_ - delivered_}));
    for (std::size_t f = 0; f < width; ++f)
      for (std::size_t n = 0; n < here; ++n) tracks[f][done + n] = interleaved_out_[(out_used_ + n) * width + f];
    out_used_ += here;
    done += here;
    delivered_ += here;
  }
  return done;
}

}  // namespace rackproof::audio
