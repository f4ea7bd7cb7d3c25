#include "harness/audio/feed_stream.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numeric>

namespace rackproof::audio {
namespace {

constexpr std::uint64_t kFurthestRatio = 256;  // of two sample rates; a converter's filters grow with it

/// Frames after conversion, none of them cut: ceil(frames * to / from).
std::uint64_t converted(std::uint64_t frames, std::uint64_t from_hz, std::uint64_t to_hz) {
  const std::uint64_t common = std::gcd(from_hz, to_hz);
  const std::uint64_t from = from_hz / common;
  const std::uint64_t to = to_hz / common;
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
        fmt::format("{}: {:g} s of it at {} Hz are less than one frame", reader_.name(), *settings.seconds, from_hz_));
  reader_.seek(start);
  frames_ = converted(input_left_, from_hz_, to_hz_);

  if (from_hz_ == to_hz_ || picks_.empty()) return;
  if (from_hz_ > kFurthestRatio * to_hz_ || to_hz_ > kFurthestRatio * from_hz_)
    throw InputError(
        fmt::format("{}: is at {} Hz, too far from {} Hz to be converted", reader_.name(), from_hz_, to_hz_));
  converter_.emplace(static_cast<double>(from_hz_), static_cast<double>(to_hz_), picks_.size());
  // A whole number of frames at both rates.
  const std::uint64_t common = std::gcd(from_hz_, to_hz_);
  const std::uint64_t times = (RateConverter::kLeadFrames * common + from_hz_ - 1) / from_hz_;
  silence_left_ = times * (from_hz_ / common);
  skip_left_ = times * (to_hz_ / common);
  input_.resize(kReadFrames * picks_.size());
  output_.resize(input_.size());
  for (std::size_t f = 0; f < picks_.size(); ++f) {
    input_tracks_.push_back(input_.data() + f * kReadFrames);
    output_tracks_.push_back(output_.data() + f * kReadFrames);
  }
  input_at_.resize(picks_.size());
}

bool FeedStream::refill() {
  in_used_ = 0;
  if (silence_left_ > 0) {  // input_ is still as it was made
    in_frames_ = static_cast<std::size_t>(std::min<std::uint64_t>(kReadFrames, silence_left_));
    silence_left_ -= in_frames_;
    return true;
  }
  const std::size_t wanted = static_cast<std::size_t>(std::min<std::uint64_t>(kReadFrames, input_left_));
  const std::size_t got = reader_.read(picks_, input_tracks_, wanted);
  input_read_ += got;
  input_left_ = got < wanted ? 0 : input_left_ - got;
  if (input_left_ == 0) frames_ = converted(input_read_, from_hz_, to_hz_);
  for (float* track : input_tracks_) std::fill(track + got, track + kReadFrames, 0.0f);
  in_frames_ = got > 0 && input_left_ > 0 ? got : kReadFrames;
  return delivered_ < frames_;
}

bool FeedStream::convert() {
  if (in_used_ == in_frames_ && !refill()) return false;
  for (std::size_t f = 0; f < picks_.size(); ++f) input_at_[f] = input_tracks_[f] + in_used_;
  const RateConverter::Step step = converter_->process(input_at_, in_frames_ - in_used_, output_tracks_, kReadFrames);
  in_used_ += step.taken;
  out_used_ = static_cast<std::size_t>(std::min<std::uint64_t>(step.made, skip_left_));
  out_frames_ = step.made;
  skip_left_ -= out_used_;
  return true;
}

std::size_t FeedStream::read(std::span<float* const> tracks, std::size_t frames) {
  if (!converter_) {
    const std::size_t wanted = static_cast<std::size_t>(std::min<std::uint64_t>(frames, input_left_));
    const std::size_t got = reader_.read(picks_, tracks, wanted);
    input_left_ = got < wanted ? 0 : input_left_ - got;
    delivered_ += got;
    return got;
  }
  std::size_t done = 0;
  while (done < frames && delivered_ < frames_) {
    if (out_used_ == out_frames_) {
      if (!convert()) break;
      continue;
    }
    const std::size_t here = static_cast<std::size_t>(
        std::min<std::uint64_t>({frames - done, out_frames_ - out_used_, frames_ - delivered_}));
    for (std::size_t f = 0; f < picks_.size(); ++f) std::copy_n(output_tracks_[f] + out_used_, here, tracks[f] + done);
    out_used_ += here;
    done += here;
    delivered_ += here;
  }
  return done;
}

}  // namespace rackproof::audio
