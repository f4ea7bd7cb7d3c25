#pragma once
/// Running devices over test signals, and what all checks read from their outputs.
#include <string>
#include <vector>

#include "harness/audio/feed_stream.hpp"
#include "harness/proof/proof.hpp"
#include "harness/stimuli/generator.hpp"

namespace rackproof::proof {

using Row = std::vector<float>;
/// A row a feed, or a row an output; all of one length.
using Rows = std::vector<Row>;

/// The next `frames` samples as the device takes them.
Row samples_of(const stimuli::Signal& signal, std::size_t frames);
Row scaled(Row row, double gain);

/// How one signal stands on several feeds.
enum class Feeding { together, opposed, one };
const char* name_of(Feeding feeding);
/// `opposed`: every second feed inverted; `one`: on the first, silence on the others.
Rows fed(const Row& signal, std::size_t feeds, Feeding feeding);
/// On the feeds that `output` hears, in phase, silence on the others.
Rows fed_to(const OutputPlan& output, const Row& signal, std::size_t feeds);

/// From reset, `block` frames a call; all outputs. Empty feeds: no rows.
Rows run(Device& device, const Rows& feeds, std::size_t outputs, std::size_t block = 4096);
/// The same, going on from where the device stands.
Rows run_on(Device& device, const Rows& feeds, std::size_t outputs, std::size_t block = 4096);

double greatest_magnitude(std::span<const float> row);
/// How many samples differ in any bit; rows of unlike length differ in what one has more.
std::size_t differing(const Rows& a, const Rows& b);

/// The greatest swing of the wave that a converter makes of the samples: eight points a sample by a Kaiser-windowed
/// sinc of 48 taps (flat within 0.01 dB up to 0.45 of the rate, half at 0.5), and a parabola through the three around
/// each crest. It knows nothing of the core's detector.
class WaveCrest {
 public:
  static constexpr std::size_t kPoints = 8, kTaps = 48, kRun = 256;
  WaveCrest();
  void add(std::span<const float> samples);
  /// Of what has been added; the last 24 samples count once more has followed. Nothing is assumed to follow: a wave
  /// that stops dead overshoots, and that would be this meter's doing.
  double greatest() const { return greatest_; }

 private:
  std::vector<float> window_;  ///< kTaps - 1 of history, then a run
  double greatest_ = 0;
};
double wave_crest(std::span<const float> row);

/// Settings with some of the outputs' numbers changed. The filters stay those of the original, which must outlive it.
struct Altered {
  std::vector<dsp::OutputSettings> outputs;
  dsp::ChainSettings settings;
  explicit Altered(const dsp::ChainSettings& original) : outputs(original.outputs.begin(), original.outputs.end()) {
    settings = original;
    settings.latency_samples = 0;  // of other numbers it may be another
    settings.outputs = outputs;
  }
  Altered(const Altered&) = delete;
  Altered& operator=(const Altered&) = delete;
};
/// One output's limiters with nothing ahead of them: one feed, no filters, no gain, no delay, but in the place of a
/// power limiter that is left out and has no peak limiter beside it, so that both can be compared.
struct LimitersAlone {
  dsp::FeedSettings feed;
  dsp::LoudspeakerSettings loudspeaker;
  dsp::OutputSettings output;
  dsp::ChainSettings settings;
  LimitersAlone(const dsp::ChainSettings& original, std::size_t which, bool with_power);
  LimitersAlone(const LimitersAlone&) = delete;
  LimitersAlone& operator=(const LimitersAlone&) = delete;
};

/// The same `copies` times side by side, each with a feed and an output of its own: what a copy makes of its feed is, bit
/// for bit, what it makes of it alone. A limiter's lanes cost the same for eight as for one.
struct LimitersAbreast {
  std::vector<dsp::FeedSettings> feeds;
  std::vector<dsp::LoudspeakerSettings> loudspeakers;
  std::vector<dsp::OutputSettings> outputs;
  dsp::ChainSettings settings;
  LimitersAbreast(const LimitersAlone& one, std::size_t copies);
  LimitersAbreast(const LimitersAbreast&) = delete;
  LimitersAbreast& operator=(const LimitersAbreast&) = delete;
};

/// The input within full scale that drives one output the furthest ahead of its limiters, from what the unlimited
/// device answers to a single sample on each feed. |y| <= sum over feeds and samples of |h|; the signs of h backwards
/// reach it.
struct WorstInput {
  double bound = 0;    ///< sum |h|; 1.0 is full scale
  std::size_t at = 0;  ///< the output's frame on which it is reached
  Rows feeds;
  bool died_away = true;  ///< on every feed the response fell below a part in ten million of the sum within 20 s
};
std::vector<WorstInput> worst_inputs(const Subject& subject);

/// A recording at the controller's rate, converted as `render` converts it where it has another and the subject says
/// `resample`. Throws as audio::FeedStream does.
audio::FeedStream open_programme(const Subject& subject, const std::filesystem::path& file);

/// The wave limiter's detector reads what lies below this share of the sample rate, and claims nothing above.
inline constexpr double kDetectorBand = 0.42;
/// In the way's band: `share` 0 is its low edge, 1 its high edge, evenly in log frequency, half an octave inside them;
/// at most 0.2 of the sample rate where the band reaches below that, else within the detector's band where the way's
/// does. Not on a simple fraction of the sample rate, so that crests fall everywhere between samples.
double in_band_hz(const OutputPlan& output, double sample_rate_hz, double share);
/// The same, where a way with no point above it ends at a lowpass of its eq (of the system's too, if it is alone).
double in_band_hz(const Subject& subject, const OutputPlan& output, double share);
/// Peak of what a sine of `frequency_hz` at full scale becomes at an output of the unlimited device, once it is steady:
/// on all feeds that the output hears.
double gain_at(const Subject& subject, std::size_t output, double frequency_hz);
/// Samples after which an output begins to answer: latency and its delay.
inline std::size_t first_sample(const CompiledRig& compiled, const OutputPlan& output) {
  return compiled.latency_samples + static_cast<std::size_t>(output.delay_samples);
}
/// Samples after which every output of the unlimited device has begun to answer: latency and the longest delay.
std::size_t latest_samples(const CompiledRig& compiled);

// ---- words ----------------------------------------------------------------------------------------------------------

/// 20 log10, with -400 for nothing: a finding holds finite numbers only.
double finite_db(double ratio);
/// `way.sub.limit.below_clip`
std::string key(const OutputPlan& output, const std::string& tail);
/// As the file has it, rounded upwards to a tenth: `2.5 dB`
std::string decibels_text(double decibels);
/// `way.sub.limit.release = "250 ms"`; `way.sub.eq[2] taken out`
std::string line_of(const Change& change);
const rig::Way& way_of(const Subject& subject, const OutputPlan& output);
/// What the output has of its own on top of its way's, or null.
const rig::OutputLayer* own_layer_of(const Subject& subject, const OutputPlan& output);
/// As the files say it, added up here: the compiled numbers are what is judged by them.
double set_delay_s(const Subject& subject, const OutputPlan& output);
int set_polarity(const Subject& subject, const OutputPlan& output);
/// Volts at the amplifier's output for a sample value.
inline double volts(const OutputPlan& output, double sample) { return sample * output.full_scale_volts_peak; }

}  // namespace rackproof::proof
