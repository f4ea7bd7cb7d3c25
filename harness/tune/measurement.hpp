#pragma once
/// What `measure` found out at one place, or averaged over several: the way from what was sent to a microphone, as
/// `measure` writes it and as `flatten` and `align` read it back.
#include <algorithm>
#include <complex>
#include <filesystem>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

#include "harness/calibration/compile.hpp"
#include "harness/tune/drive.hpp"

namespace rackproof::tune {

/// Of coherence: below it there is more noise and late echo than signal.
inline constexpr double kTrustedCoherence = 0.5;

/// What a reader is told where a capture's polarity reads inverted.
inline constexpr const char* kWhatInvertedSays =
    "Inverted: the crest of the direct sound points the other way. A turned cable does that, and so may a steep "
    "filter; align goes by phase.";

/// "normal", "inverted" or "not clear".
inline const char* polarity_word(int polarity) {
  return polarity > 0 ? "normal" : polarity < 0 ? "inverted" : "not clear";
}

/// One recording of those that were averaged.
struct Capture {
  std::string file;
  double arrival_ms = 0;
  int polarity = 1;                             ///< 0: it cannot be told
  std::optional<double> drift_ppm;              ///< nothing: it cannot be told
  double level_dbfs = 0;                        ///< RMS as AES17 has it, over what was used
  std::vector<double> magnitude_db, coherence;  ///< its own, at the measurement's frequencies; no file keeps them
  double arrival_error_ms = 0;                  ///< as Measurement's
};

struct Measurement {
  std::filesystem::path file;  ///< where it was read from; only named in texts
  double sample_rate_hz = 48000;
  std::size_t captures = 1;
  double arrival_ms = 0;  ///< captured after sent, direct sound; of several captures the mean
  /// How far the arrival may be off, by noise (three standard deviations) and by a drift that is not known for sure; what
  /// reflections do to it is not in it.
  double arrival_error_ms = 0;
  double clock_error_ms = 0;  ///< the part of it that a drift makes, which is not known for sure
  int polarity = 1;  ///< -1: the direct sound's crest points the other way; the phase says so as well. 0: it cannot be
                     ///< told
  /// Above 0: the recorder's clock runs faster than the player's. Already corrected. Nothing: it cannot be told.
  std::optional<double> drift_ppm;
  std::vector<double> frequency_hz;  ///< above 0, ascending
  std::vector<double> magnitude_db;
  std::vector<double> phase_deg;  ///< arrival taken out, -180 .. 180; an inverting path has its half turn
  std::vector<double> coherence;  ///< 0 .. 1
  /// How far the level may be off by noise, in the mean over the octave around each frequency: 19 of 20 are within it.
  /// May be empty.
  std::vector<double> magnitude_error_db;
  std::string smoothing = "none";  ///< or "1/24": octaves
  std::string kind;                ///< what was sent: "noise" or "sweep"
  std::vector<Capture> each;
  std::vector<Warning> warnings;
  std::string microphone;               ///< the file whose curve was taken out; empty: none
  std::uint32_t reference_channel = 0;  ///< of the captures, which recorded what was sent; 0: none did
  std::string sent_fingerprint;         ///< of the file; empty: not known
  std::vector<std::string> recordings;  ///< fingerprints of the captured files, in their order; may be empty
  std::optional<Drive> driven_by;       ///< nothing: not known

  bool any_inverted() const {
    return std::any_of(each.begin(), each.end(), [](const Capture& one) { return one.polarity < 0; });
  }

  /// With the arrival put back: the whole way, time zero when it was sent. `phase_deg` must be there.
  std::complex<double> whole_way(std::size_t index) const;
};

/// Reads what `measure` wrote as JSON. Phase may be missing (empty then); so may coherence, which is then 1 everywhere.
/// Throws InputError, with the file, the key, what was read and what would be right; MachineError where it cannot be
/// read. What comes out is finite and in range: levels within 400 dB of 0, frequencies up to 1 MHz that ascend.
Measurement load_measurement(const std::filesystem::path& file);
Measurement parse_measurement(const std::string& text, const std::filesystem::path& file);

/// Whether they are one measurement, whatever their files are called.
bool are_one(const Measurement& a, const Measurement& b);

/// What was said of the levels of one when it was made (clipped, limited, bent, a gain that moved), for whoever works with
/// it later: each with the name of its file.
std::vector<Warning> doubts_of_levels(const Measurement& measurement);

/// An octave as its numbers are told to a person: the mean level by power, the mean coherence.
struct OctaveMean {
  const char* octave;  ///< "31.5 Hz"
  double level_db = 0, coherence = 0;
  std::optional<double> error_db;  ///< of one frequency in it
};
std::vector<OctaveMean> octave_means(const Measurement& measurement);

/// Numbers rounded to what a measurement can mean: 0.0001 dB and Hz, 0.001 degrees, 0.00001 of coherence.
nlohmann::ordered_json document_of(const Measurement& measurement);
/// frequency_hz,magnitude_db,phase_deg,coherence and a line a frequency. `take_out_ms`: the time that is taken out of
/// the phase, the measurement's own arrival or one time for several ways, so that they keep their places.
std::string csv_of(const Measurement& measurement, double take_out_ms);

}  // namespace rackproof::tune
