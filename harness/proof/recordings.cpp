#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/envelope.hpp"
#include "harness/proof/checks/checks.hpp"
#include "harness/proof/stimulation.hpp"
#include "harness/proof/thermal_model.hpp"

namespace rackproof::proof {
namespace {

/// Buckets of a plot: more than a wide screen has columns, and none shorter than the grid that gains are decided on.
constexpr std::size_t kMostBuckets = 2000;

/// One output while it plays.
class Follower {
 public:
  Follower(const Subject& subject, std::size_t output, std::uint64_t frames, std::size_t buckets)
      : plan_(subject.compiled.outputs[output]),
        coil_(subject.rig.driver_of(way_of(subject, plan_))),
        rate_(subject.rig.controller.sample_rate_hz),
        envelope_(frames, buckets) {
    track_.output = plan_.name;
  }
  std::uint64_t begin_of(std::size_t bucket) const { return envelope_.begin_of(bucket); }

  void add(std::span<const float> samples, const dsp::Meter& meter) {
    envelope_.add(samples);
    double squares = 0;
    for (const float x : samples) squares += static_cast<double>(x) * static_cast<double>(x);
    const auto count = static_cast<double>(samples.size());
    const double driver_volts = plan_.full_scale_volts_peak * plan_.driver_share;
    coil_.step(squares / count * driver_volts * driver_volts, count / rate_);
    squares_ += squares, frames_ += samples.size(), limited_ += meter.limited_frames;
    least_peak_gain_ = std::min(least_peak_gain_, static_cast<double>(meter.least_peak_gain));
    least_power_gain_ = std::min(least_power_gain_, static_cast<double>(meter.least_power_gain));
    track_.peak_volts = std::max(track_.peak_volts, volts(plan_, greatest_magnitude(samples)));
  }
  void close_bucket() {
    track_.peak_gain_db.push_back(finite_db(std::exchange(least_peak_gain_, 1.0)));
    track_.power_gain_db.push_back(finite_db(std::exchange(least_power_gain_, 1.0)));
  }
  Track finish() {
    for (std::size_t b = 0; b < track_.peak_gain_db.size(); ++b) {
      track_.least.push_back(volts(plan_, envelope_.buckets()[b].least));
      track_.greatest.push_back(volts(plan_, envelope_.buckets()[b].greatest));
    }
    const auto frames = static_cast<double>(std::max<std::uint64_t>(frames_, 1));
    const double full_scale = plan_.full_scale_volts_peak;
    track_.mean_watts = squares_ / frames * full_scale * full_scale / plan_.load_ohm;
    track_.limited_fraction = static_cast<double>(limited_) / frames;
    track_.coil_rise_kelvin = coil_.greatest_rise_kelvin();
    track_.level_lost_db = CoilModel::level_lost_db(track_.coil_rise_kelvin);
    return std::move(track_);
  }

 private:
  const OutputPlan& plan_;
  CoilModel coil_;
  double rate_;
  analysis::Envelope envelope_;
  Track track_;
  double squares_ = 0, least_peak_gain_ = 1, least_power_gain_ = 1;
  std::uint64_t frames_ = 0, limited_ = 0;
};

}  // namespace

Recording record(const Subject& subject, const std::filesystem::path& programme) {
  audio::FeedStream stream = open_programme(subject, programme);
  const double rate = subject.rig.controller.sample_rate_hz;
  const std::size_t outputs = subject.compiled.outputs.size();
  const std::uint64_t frames = stream.frames();
  const auto buckets =
      static_cast<std::size_t>(std::clamp<std::uint64_t>(frames / dsp::kGridFrames, 1, std::uint64_t{kMostBuckets}));
  std::vector<Follower> followers;
  for (std::size_t o = 0; o < outputs; ++o) followers.emplace_back(subject, o, frames, buckets);

  // Short enough for the coil of a small driver, whatever the bucket.
  const auto most = static_cast<std::uint64_t>(rate / 50);
  const std::unique_ptr<Device> device = subject.make(subject.compiled.settings());
  device->reset();
  Rows in(stream.tracks());
  std::uint64_t played = 0;
  bool more = true;
  for (std::size_t b = 0; b < buckets && more; ++b) {
    const std::uint64_t end = b + 1 < buckets ? followers.front().begin_of(b + 1) : frames;
    const std::uint64_t begin = played;
    while (played < end && more) {
      const auto wanted = static_cast<std::size_t>(std::min(end - played, most));
      std::vector<float*> tracks;
      for (Row& row : in) row.assign(wanted, 0.0f), tracks.push_back(row.data());
      const std::size_t count = stream.read(tracks, wanted);
      more = count == wanted;  // fewer: the file is cut short
      if (count == 0) break;
      for (Row& row : in) row.resize(count);
      const Rows out = run_on(*device, in, outputs);
      for (std::size_t o = 0; o < outputs; ++o) followers[o].add(out[o], device->take_meter(o));
      played += count;
    }
    if (played == begin) break;
    for (Follower& follower : followers) follower.close_bucket();
  }
  Recording recording{.file = programme,
                      .seconds = static_cast<double>(played) / rate,
                      .bucket_seconds = static_cast<double>(frames) / static_cast<double>(buckets) / rate,
                      .tracks = {}};
  for (Follower& follower : followers) recording.tracks.push_back(follower.finish());
  return recording;
}

}  // namespace rackproof::proof
