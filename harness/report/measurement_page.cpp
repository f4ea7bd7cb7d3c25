#include "harness/report/measurement_page.hpp"

#include <fmt/format.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "harness/report/assets.hpp"
#include "harness/report/measured_curves.hpp"
#include "harness/report/parts.hpp"

namespace rackproof::report {
namespace {

using Json = nlohmann::ordered_json;
using tune::Capture;
using tune::kTrustedCoherence;
using tune::Measurement;

constexpr std::size_t kNamedCaptures = 4;
constexpr const char* kMeasurementCautions =
    "<li>Noise and sweeps on a rig of this size can harm hearing within minutes, and burn drivers. Clear the area, "
    "wear protection, begin at the lowest level; high-frequency drivers first behind their filters.</li>\n"
    "<li>This page tells what one microphone heard, where it stood. Levels are those of the recording over those of "
    "what was sent: no sound pressure, no volts. It says nothing of what a driver or an amplifier bears.</li>\n";

std::string span_of(double from_hz, double to_hz) {
  return fmt::format("from {} to {}", rig::hertz_text(from_hz), rig::hertz_text(to_hz));
}
std::string file_name(const std::string& file) { return std::filesystem::path(file).filename().string(); }

// ---- what came out of it --------------------------------------------------------------------------------------------

Outline outline_of(const Measurement& m, const MeasuredCurves& curves) {
  double octaves = 0;
  for (const Stretch& stretch : curves.clear) octaves += stretch.octaves();
  Outline outline;
  outline.id = "outline";
  outline.title = "Outline";
  outline.good = m.warnings.empty() && !curves.clear.empty();
  outline.seal = outline.good ? "✓" : "!";
  outline.headline = "Clear nowhere";
  if (!curves.clear.empty()) {
    outline.headline = "Clear " + span_of(curves.clear.front().from_hz, curves.clear.back().to_hz);
    if (curves.clear.size() > 1)
      outline.headline += ", but for " + counted(curves.clear.size() - 1, "stretch", "stretches");
  }
  if (!m.warnings.empty()) outline.headline += "; " + counted(m.warnings.size(), "warning", "warnings");
  outline.body = fmt::format(
      "<p>Coherence is {:g} or more over {} of {} octaves, {}. Below that, noise and late echoes outweigh what was "
      "sent.</p>\n",
      kTrustedCoherence, number(octaves, 1),
      number(Stretch{m.frequency_hz.front(), m.frequency_hz.back()}.octaves(), 1),
      span_of(m.frequency_hz.front(), m.frequency_hz.back()));
  if (m.each.size() > 1)
    outline.body += fmt::format("<p>On average over {} captures the sound arrives after {} ms.</p>\n", m.each.size(),
                                number(m.arrival_ms, 3));
  outline.body += list_of(m.warnings, "What to look at");
  return outline;
}

// ---- its parts ------------------------------------------------------------------------------------------------------

std::string response_of(const Measurement& m, const MeasuredCurves& curves) {
  const std::string several = curves.places.empty()
                                  ? ""
                                  : fmt::format(
                                        " The thick curve is the average of {} captures, by power; each of them is "
                                        "drawn thin.",
                                        curves.places.size());
  const std::string hatched =
      curves.doubtful.empty() ? "" : fmt::format(" Hatched: coherence below {:g}.", kTrustedCoherence);
  const std::string band = curves.magnitude_error_db.empty()
                               ? ""
                               : " Grey: how far noise may have put it off, octave by octave; 19 of 20 are within.";
  const std::string left_out = curves.doubtful.empty() ? "" : " Left out where coherence is too low.";
  const std::string vector = m.captures > 1 ? " The captures are averaged with their arrivals aligned." : "";
  std::string body = fmt::format(
      "<p>The way from what was sent to the microphone. {}</p>\n",
      m.smoothing == "none"
          ? fmt::format("Smoothed over 1/{:g} octave for the eye; the measurement's own file is not.", curves.smoothing)
          : fmt::format("Smoothed over 1/{:g} octave.", curves.smoothing));
  body += figure_of(
      "magnitude", "Magnitude",
      fmt::format("Level over frequency, {}: that of the recording over that of what was sent, 0 dB where both are "
                  "the same.{}{}{}",
                  span_of(m.frequency_hz.front(), m.frequency_hz.back()), several, band, hatched));
  if (!curves.phase_deg.empty()) {
    body +=
        figure_of("phase", "Phase",
                  "Phase over frequency, wrapped at ±180°, with the time of arrival taken out." + vector + left_out);
    body += figure_of("delay", "Group delay",
                      "How much later than the arrival each frequency comes: the mean over 1/6 octave, by energy." +
                          vector + left_out);
  }
  body += figure_of("coherence", "Coherence",
                    "How much of what arrived follows what was sent: 1 is all of it." +
                        std::string(curves.places.empty() ? "" : " Each capture is drawn thin.") + hatched);
  return body;
}

std::string doubtful_of(const MeasuredCurves& curves) {
  if (curves.doubtful.empty()) return {};
  std::vector<std::vector<std::string>> rows;
  for (const DoubtfulStretch& doubt : curves.doubtful)
    rows.push_back({rig::hertz_text(doubt.from_hz), rig::hertz_text(doubt.to_hz), number(doubt.least_coherence, 2)});
  return "<p>Neither level nor phase says much here: the loudspeaker plays too little, the place is too noisy, or much "
         "of the sound comes as late echoes. Send louder, or a longer sweep, or stand closer.</p>\n" +
         table("Where coherence, over 1/6 octave, is too low", {{"from", false}, {"to", false}, {"coherence down to"}},
               rows);
}

std::string captures_of(const Measurement& m) {
  std::vector<std::vector<std::string>> rows;
  for (const Capture& one : m.each)
    rows.push_back({bdi(file_name(one.file)), number(one.arrival_ms, 4), number(one.arrival_error_ms, 4),
                    tune::polarity_word(one.polarity), one.drift_ppm ? number(*one.drift_ppm, 2) : "not known",
                    number(one.level_dbfs, 1)});
  const std::string after =
      m.reference_channel > 0
          ? fmt::format("after it was sent, as channel {} of the captures recorded it.", m.reference_channel)
          : "after it was sent; what the devices add is in it.";
  return "<p>Arrival is that of the direct sound " + after +
         " It may be off by as much as the next column says, for noise and for a clock drift that is not known; "
         "reflections are not in that. Clock drift, above 0 where the recorder runs faster than the player, is taken "
         "out." +
         (m.any_inverted() ? std::string(" ") + tune::kWhatInvertedSays : "") + "</p>\n" +
         table("Each capture",
               {{"capture", false},
                {"arrival ms"},
                {"off by at most ms"},
                {"polarity", false},
                {"clock drift ppm"},
                {"level dBFS RMS"}},
               rows);
}

std::string octaves_of(const Measurement& m) {
  std::vector<std::vector<std::string>> rows;
  for (const tune::OctaveMean& mean : tune::octave_means(m))
    rows.push_back({mean.octave, number(mean.level_db, 1), number(mean.coherence, 2),
                    mean.error_db ? number(*mean.error_db, 2) : "not known"});
  if (rows.empty()) return {};
  return table("Mean of each octave", {{"octave", false}, {"level dB"}, {"coherence"}, {"a frequency off by, dB"}},
               rows);
}

Json data_of(const MeasuredCurves& curves) {
  Json captures = Json::array(), doubtful = Json::array();
  for (const MeasuredCurves::Place& place : curves.places)
    captures.push_back(
        {{"name", place.name}, {"magnitude", row(place.magnitude_db)}, {"coherence", row(place.coherence)}});
  for (const DoubtfulStretch& doubt : curves.doubtful) doubtful.push_back(row({doubt.from_hz, doubt.to_hz}));
  return {{"frequency", row(curves.frequency_hz)},
          {"magnitude", row(curves.magnitude_db)},
          {"error", row(curves.magnitude_error_db)},
          {"phase", row(curves.phase_deg)},
          {"delay", row(curves.group_delay_ms)},
          {"coherence", row(curves.coherence)},
          {"captures", std::move(captures)},
          {"doubtful", std::move(doubtful)},
          {"trusted", kTrustedCoherence}};
}

std::string about_of(const Measurement& m, const MeasurementFacts& facts) {
  std::string captured;
  for (const Capture& one : m.each) captured += (captured.empty() ? "" : ", ") + bdi(file_name(one.file));
  if (m.each.size() > kNamedCaptures) captured = counted(m.each.size(), "file", "files");
  return fmt::format("Sent: {}, channel {}, {} at {:g} kHz. Captured: {}, channel {}", bdi(file_name(facts.sent_file)),
                     facts.sent_channel, m.kind == "sweep" ? "a sweep" : "noise", m.sample_rate_hz / 1e3, captured,
                     facts.captured_channel) +
         made_by(facts.made, facts.program);
}

}  // namespace

std::string measurement_page(const Measurement& m, const MeasurementFacts& facts) {
  const MeasuredCurves curves = curves_of(m);
  const Json data = data_of(curves);
  return page_of({.name = facts.name,
                  .kind = "A measured response",
                  .about = about_of(m, facts),
                  .outline = outline_of(m, curves),
                  .parts = {{"response", "Response", response_of(m, curves)},
                            {"captures", "Arrival, drift, level", captures_of(m)},
                            {"doubtful", "Where it is not to be trusted", doubtful_of(curves)},
                            {"octaves", "By octaves", octaves_of(m)}},
                  .cautions = kMeasurementCautions,
                  .data = data,
                  .script = assets::kMeasurementJs});
}

}  // namespace rackproof::report
