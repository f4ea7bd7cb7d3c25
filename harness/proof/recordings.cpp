#include <algorithm>
#include <cmath>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/envelope.hpp"
#include "harness/analysis/held.hpp"
#include "harness/analysis/wave_peak_meter.hpp"
#include "harness/proof/advice.hpp"
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

  void add(std::span<const float> samples) {
    envelope_.add(samples);
    wave_.process(samples);
    double squares = 0;
    for (const float x : samples) squares += static_cast<double>(x) * static_cast<double>(x);
    const auto count = static_cast<double>(samples.size());
    const double driver_volts = plan_.full_scale_volts_peak * plan_.driver_share;
    coil_.step(squares / count * driver_volts * driver_volts, count / rate_);
    squares_ += squares;
    frames_ += samples.size();
  }
  /// Of the next `frames`, none across a point of the grid.
  void add(const dsp::Meter& meter, std::size_t frames) {
    limiters_.add(meter.least_peak_gain, meter.least_power_gain, frames);
    limited_ += meter.limited_frames;
    least_peak_gain_ = std::min(least_peak_gain_, static_cast<double>(meter.least_peak_gain));
    least_power_gain_ = std::min(least_power_gain_, static_cast<double>(meter.least_power_gain));
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
    wave_.finish();
    limiters_.finish();
    track_.peak_volts = volts(plan_, wave_.peak_linear());
    track_.rms_volts = std::sqrt(squares_ / frames) * full_scale;
    track_.mean_watts = squares_ / frames * full_scale * full_scale / plan_.load_ohm;
    track_.peak_held = limiters_.peak();
    track_.power_held = limiters_.power();
    track_.held = limiters_.together();
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
  analysis::WavePeakMeter wave_;
  analysis::LimiterMeter limiters_;
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
  Rows in(stream.tracks()), out(outputs);
  std::vector<const float*> from(in.size());
  std::vector<float*> to(outputs);
  std::uint64_t played = 0;
  bool more = true;
  for (std::size_t b = 0; b < buckets && more; ++b) {
    const std::uint64_t end = b + 1 < buckets ? followers.front().begin_of(b + 1) : frames;
    const std::uint64_t begin = played;
    while (played < end && more) {
      const auto wanted = static_cast<std::size_t>(std::min(end - played, most));
      std::vector<float*> tracks;
      for (Row& row : in) {
        row.assign(wanted, 0.0f);
        tracks.push_back(row.data());
      }
      const std::size_t count = stream.read(tracks, wanted);
      more = count == wanted;  // fewer: the file is cut short
      if (count == 0) break;
      for (Row& row : in) row.resize(count);
      for (Row& row : out) row.resize(count);
      for (std::size_t done = 0, piece = 0; done < count; done += piece, played += piece) {
        piece = std::min(count - done, static_cast<std::size_t>(dsp::kGridFrames - played % dsp::kGridFrames));
        for (std::size_t f = 0; f < in.size(); ++f) from[f] = in[f].data() + done;
        for (std::size_t o = 0; o < outputs; ++o) to[o] = out[o].data() + done;
        device->process(from, to, piece);
        for (std::size_t o = 0; o < outputs; ++o) followers[o].add(device->take_meter(o), piece);
      }
      for (std::size_t o = 0; o < outputs; ++o) followers[o].add(out[o]);
    }
    if (played == begin) break;
    for (Follower& follower : followers) follower.close_bucket();
  }
  Recording recording{.file = programme,
                      .seconds = static_cast<double>(played) / rate,
                      .bucket_seconds = static_cast<double>(frames) / static_cast<double>(buckets) / rate,
                      .tracks = {}};
  for (Follower& follower : followers) recording.tracks.push_back(follower.finish());
  std::vector<Holding> holdings;
  for (const Track& track : recording.tracks)
    holdings.push_back({track.peak_held, track.power_held, track.held, track.rms_volts});
  recording.advice = advice_of(subject.rig, subject.compiled, holdings);
  return recording;
}

}  // namespace rackproof::proof
