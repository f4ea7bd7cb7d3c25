#pragma once
/// `render --listen`: one stereo file of what the outputs add up to at a listener.
/// Claim    the file is there whole with the outputs, or not at all. Its left channel is what one feed's ways make, its
///          right channel the other's; a way that plays the mean of all feeds is in both alike. Memory is constant:
///          what is heard goes to a part beside its place first, for its gain is known at the end; that part never has
///          a name of its own. The same machine makes the same bytes, whatever the block and the number of workers;
///          another machine's logarithms and sines may move a last bit.
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/analysis/loudness.hpp"
#include "harness/analysis/true_peak_meter.hpp"
#include "harness/audio/writer.hpp"
#include "harness/files/whole_file.hpp"
#include "harness/listen/listener.hpp"
#include "harness/verbs/render_meter.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {

inline constexpr double kListenPeak_dbtp = -1;  ///< where the peak is put, unless gain or loudness is given
/// A gain or a loudness that is given may put it so far over what a player can play, for peaks that a comparison can do
/// without; more is refused: all of it would be as loud as headphones get. Common practice, no source.
inline constexpr double kListenMost_dbtp = 6;

/// What is common to all recordings.
struct ListenModel {
  std::vector<listen::Filter> filters;
  std::vector<listen::Route> routes;
  std::vector<std::string> feeds;  ///< names: left, right; one for both
  std::string loudspeaker;         ///< of several, the one that is listened to
  bool measured = false;           ///< then no pascals
  std::vector<Warning> warnings;
};
struct ListenJob {
  std::filesystem::path place;
  std::optional<double> gain_db, loudness_lufs;  ///< at most one
  std::shared_ptr<const ListenModel> model;
};

struct Listened {
  std::filesystem::path place;
  std::uint64_t frames = 0;
  struct Channel {
    double rms_pa = 0, peak_pa = 0;  ///< the peak is a true peak, as BS.1770 reads it
  };
  Channel left, right;
  double gain_db = 0;                       ///< from pascals (or as measured) to the file, 1.0 = full scale
  std::optional<double> loudness_lufs;      ///< of the file; nothing where it is too short or too quiet
  double true_peak = 0;                     ///< of the file, 1.0 = full scale
  std::uint64_t clipped_samples = 0;        ///< of the file, beyond full scale
  std::optional<double> full_scale_db_spl;  ///< what full scale stands for, as a peak; nothing where measured
};

/// The options of the verb, and what they mean for a rig.
struct ListenOptions {
  std::filesystem::path place;
  std::string gain, loudness, feeds, loudspeaker;
  void add_to(CLI::App& verb);
  explicit operator bool() const { return !place.empty(); }
  /// Throws InputError for options that contradict each other, a rig that cannot be listened to, a folder that is not
  /// there. `folder`: of the outputs, which may be made yet; `several` recordings have a folder each.
  ListenJob job(const rig::Rig& rig, const CompiledRig& compiled, const std::filesystem::path& folder,
                bool several) const;
};

/// One recording's file under way.
class ListenFile {
 public:
  /// `settings.channels` is taken as 2, `expected_frames` as those of the outputs.
  ListenFile(const ListenJob& job, audio::WriterSettings settings);
  ListenFile(const ListenFile&) = delete;
  ListenFile& operator=(const ListenFile&) = delete;

  void add(std::span<const float* const> outputs, std::size_t frames);
  /// The rest of what is heard, then the file itself with its gain.
  void finish();
  audio::Writer take_writer() { return std::move(*writer_); }  ///< once finished
  const Listened& listened() const { return listened_; }

 private:
  void keep_heard(std::span<const float> stereo);
  double gain() const;
  /// Throws InputError for a file that is far too loud.
  void require_playable() const;
  void write_out(float gain);

  const ListenJob& job_;
  audio::WriterSettings settings_;
  listen::Listener listener_;
  files::WholeFile heard_;  ///< single precision, interleaved; never committed
  std::uint64_t heard_bytes_ = 0;
  RenderMeter meters_[2];
  analysis::TruePeakMeter peaks_[2];
  analysis::LoudnessMeter loudness_;
  std::vector<float> channel_;
  std::optional<audio::Writer> writer_;
  Listened listened_;
};

/// Of what was listened to: for a person and for a program.
std::string listen_text(const Listened& listened, const ListenModel& model, std::size_t width);
Json listen_json(const Listened& listened, const ListenModel& model);

}  // namespace rackproof
