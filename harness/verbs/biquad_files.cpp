#include "harness/verbs/biquad_files.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>

#include "harness/calibration/stages.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/held_biquad.hpp"
#include "harness/rig/units.hpp"
#include "harness/verbs/plan_json.hpp"
#include "harness/verbs/table.hpp"

namespace rackproof {
namespace {

using firmware::HeldBiquad;
using firmware::Holding;
using firmware::NotHeld;
using firmware::NumberFormat;

constexpr std::size_t kColumns = 100;

constexpr const char* kOtherSign =
    "Many processors add a1 and a2 where this list subtracts them. With the wrong sign the poles of these sections "
    "move as far as 2.4 from the centre of the z-plane, where 1 is the limit: the section is unstable and at once as "
    "loud as it can be. Try each format with amplifiers off.";
constexpr const char* kFigures =
    "The worst error is that of the section's magnitude, from 10 Hz to 20 kHz or 0.45 of the sample rate; more than "
    "40 dB under the section's largest gain it is set against that level. Noise is what the structure adds at the "
    "section's output, as RMS; a sine at full scale (1.0) reads 0 dBFS. Fixed point: samples and states with the "
    "step of the coefficients, each sum rounded once where it is stored; with each product rounded direct form I has "
    "7 to 9 dB more, the transposed direct form II 2 to 4 dB. Floating point: for a sine at full scale where the "
    "noise is greatest, each product and each sum rounded. A processor that cuts off instead of rounding adds a "
    "constant, half a step times 1 / (1 + a1 + a2).";
constexpr const char* kNotHere =
    "A list of biquads carries filters alone. Gains, polarities, delays, limiters and mutes stand below each output "
    "and have to be set in the processor by themselves; its limiters are others and act otherwise at the same "
    "figures. What `prove` proves holds for this project's core, not for that processor: no ceiling, no latency and "
    "no sum is proven there. 1.0 is its digital full scale here: where that makes another voltage than the rig file "
    "says, every threshold moves. Keep ways in step: delays here leave out what the processor's own limiters and "
    "sections add.";
constexpr const char* kCaution =
    "Amplifier outputs can carry hazardous voltage, and loudspeakers can harm hearing and burn. First power-up "
    "without loudspeakers, then with gains down; prove thresholds at the terminals with a meter. Local codes and "
    "licensed practice come first.";

struct Section {
  Stage stage;
  HeldBiquad held;
};
struct Path {
  std::string feed;
  double gain_db = 0;
  std::vector<Section> sections;
};
struct Output {
  const OutputPlan& plan;
  std::vector<Path> ahead;  ///< of the mean or mix
  std::vector<Section> sections;
};

/// Of one output, as an error or a warning names it.
struct SectionPlace {
  std::string output;
  Stage stage;
};
std::string named(const SectionPlace& place) {
  return fmt::format("{} at {:.6g} Hz ({}) of output {}", place.stage.type, place.stage.at_hz, place.stage.key,
                     place.output);
}

/// Every section of every output, feeds first.
std::vector<SectionPlace> places_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  std::vector<SectionPlace> places;
  for (const OutputPlan& plan : compiled.outputs) {
    for (const FeedPath& path : plan.feed_paths)
      for (Stage& stage : stages_of(rig, venue, path)) places.push_back({plan.name, std::move(stage)});
    for (Stage& stage : stages_of(rig, venue, plan)) places.push_back({plan.name, std::move(stage)});
  }
  return places;
}

/// The narrowest format, from `from` on by one fraction bit after another, in which all sections are fit; nothing up to
/// 64 bits: float64.
std::string first_that(NumberFormat from, const std::function<bool(const NumberFormat&)>& fits) {
  if (!from.floating)
    for (; from.bits() <= NumberFormat::kMostBits; ++from.fraction_bits)
      if (fits(from)) return from.name();
  return "float64";
}

class Holder {
 public:
  Holder(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled, const NumberFormat& format)
      : file_(rig.file.string()),
        rate_hz_(rig.controller.sample_rate_hz),
        format_(format),
        places_(places_of(rig, venue, compiled)) {
    for (const SectionPlace& place : places_) made_.push_back(firmware::hold(place.stage.biquad, format, rate_hz_));
    refuse_what_is_not_held();
  }

  std::size_t count() const { return places_.size(); }
  /// One after another, in the order of `places_of`.
  Section next() {
    const std::size_t i = next_++;
    return {places_[i].stage, *made_[i].held};
  }
  double worst_error_db() const { return count() == 0 ? 0 : std::abs(made_[worst()].held->worst_error_db); }
  std::size_t off() const {
    return static_cast<std::size_t>(std::count_if(made_.begin(), made_.end(), [](const Holding& one) {
      return std::abs(one.held->worst_error_db) > kMostSectionErrorDb;
    }));
  }
  std::string warning() const {
    const auto fine = [&](const NumberFormat& format) {
      return std::all_of(places_.begin(), places_.end(), [&](const SectionPlace& place) {
        const Holding one = firmware::hold(place.stage.biquad, format, rate_hz_);
        return one.held && std::abs(one.held->worst_error_db) <= kMostSectionErrorDb;
      });
    };
    const HeldBiquad& held = *made_[worst()].held;
    return fmt::format(
        "in {} the response of {} of {} sections is off by more than {:g} dB; the most is {:+.2f} dB at {:.4g} Hz, in "
        "{}. What the rig's proof says of responses and sums no longer holds there; {} keeps all within {:g} dB",
        format_.name(), off(), count(), kMostSectionErrorDb, held.worst_error_db, held.worst_error_at_hz,
        named(places_[worst()]), first_that(format_, fine), kMostSectionErrorDb);
  }

 private:
  std::size_t worst() const {
    const auto by_error = [](const Holding& a, const Holding& b) {
      return std::abs(a.held->worst_error_db) < std::abs(b.held->worst_error_db);
    };
    return static_cast<std::size_t>(std::max_element(made_.begin(), made_.end(), by_error) - made_.begin());
  }
  std::size_t not_held(NotHeld::Why why) const {
    return static_cast<std::size_t>(std::count_if(
        made_.begin(), made_.end(), [&](const Holding& one) { return !one.held && one.refusal.why == why; }));
  }
  void refuse_what_is_not_held() const {
    const auto wrong = std::find_if(made_.begin(), made_.end(), [](const Holding& one) { return !one.held; });
    if (wrong == made_.end()) return;
    const SectionPlace& place = places_[static_cast<std::size_t>(wrong - made_.begin())];
    const NotHeld& why = wrong->refusal;
    const auto all_held = [&](const NumberFormat& format) {
      return std::all_of(places_.begin(), places_.end(), [&](const SectionPlace& one) {
        return firmware::hold(one.stage.biquad, format, rate_hz_).held.has_value();
      });
    };
    // As many integer bits as the coefficients need, of the width that was asked for; then more bits.
    double least = 0, greatest = 0;
    for (const SectionPlace& one : places_)
      for (const double c : firmware::coefficients_of(one.stage.biquad)) {
        least = std::min(least, c);
        greatest = std::max(greatest, c);
      }
    const std::optional<NumberFormat> enough = firmware::widened(format_, least, greatest);
    const std::string right = enough ? first_that(*enough, all_held) : std::string("float64");
    const std::string head =
        fmt::format("{}: {}: --biquads {}: {}", file_, place.stage.key, format_.name(), named(place));
    if (why.why == NotHeld::Why::beyond)
      throw InputError(
          fmt::format("{} has {} = {:.6g}, and the format holds {:g} to {:.10g}; {} of {} sections are beyond it; "
                      "right would be {}",
                      head, firmware::kCoefficientNames[why.coefficient],
                      firmware::coefficients_of(place.stage.biquad)[why.coefficient], format_.least(),
                      format_.greatest(), not_held(NotHeld::Why::beyond), count(), right));
    if (why.why == NotHeld::Why::unstable)
      throw InputError(
          fmt::format("{} is unstable once rounded: a pole at {:.6f} from the centre, and below 1 is stable; "
                      "{} of {} sections are; right would be {}",
                      head, why.pole_radius, not_held(NotHeld::Why::unstable), count(), right));
    throw InputError(
        fmt::format("{} has nothing left of b0, b1 and b2 once rounded: it would be silent; {} of {} sections "
                    "would; right would be {}",
                    head, not_held(NotHeld::Why::silent), count(), right));
  }

  std::string file_;
  double rate_hz_;
  NumberFormat format_;
  std::vector<SectionPlace> places_;
  std::vector<Holding> made_;
  std::size_t next_ = 0;
};

std::vector<Output> outputs_of(const CompiledRig& compiled, Holder& holder) {
  std::vector<Output> outputs;
  for (const OutputPlan& plan : compiled.outputs) {
    Output out{plan, {}, {}};
    for (const FeedPath& path : plan.feed_paths) {
      Path& ahead = out.ahead.emplace_back(Path{path.feed, path.gain_db, {}});
      for (std::size_t s = 0; s < path.sections.size(); ++s) ahead.sections.push_back(holder.next());
    }
    for (std::size_t s = 0; s < plan.sections.size(); ++s) out.sections.push_back(holder.next());
    outputs.push_back(std::move(out));
  }
  return outputs;
}

/// Down to two places: a threshold that is typed in is never above the one that was computed.
double two_places_down(double value) { return std::floor(100 * value) / 100; }

std::string text_of(const Section& section, std::size_t number, const NumberFormat& format) {
  const Stage& stage = section.stage;
  const HeldBiquad& held = section.held;
  std::string text = fmt::format("  {}. {}: {} at {:.6g} Hz", number, stage.place, stage.type, stage.at_hz);
  if (stage.gain_db != 0) text += fmt::format(", {:+.4g} dB", stage.gain_db);
  text += stage.q ? fmt::format(", Q {:.6g}", *stage.q) : std::string(", first order");
  text += fmt::format("; from {}\n", stage.key);
  const auto exact = firmware::coefficients_of(stage.biquad);
  for (std::size_t c = 0; c < exact.size(); ++c)
    text += fmt::format("       {}  {:<24}  {:>22}  {}\n", firmware::kCoefficientNames[c],
                        fmt::format("{}", exact[c] + 0.0), firmware::decimal_of(held.codes[c], format),
                        firmware::hex_of(held.codes[c], format));
  return text + fmt::format(
                    "       worst error {:+.4f} dB at {:.4g} Hz, pole radius {:.8f}\n"
                    "       noise {:.1f} dBFS in direct form I, {:.1f} dBFS in transposed direct form II\n",
                    std::round(1e4 * held.worst_error_db) / 1e4 + 0.0, held.worst_error_at_hz, held.pole_radius,
                    held.direct_form_1_dbfs, held.transposed_direct_form_2_dbfs);
}

/// Gain, delay and limiters, which no biquad carries.
std::string rest_of(const rig::Rig& rig, const OutputPlan& plan) {
  const rig::Way& way = way_of(rig, plan);
  const bool bridged = part_of(rig, plan).amplifier_of(way).bridged;
  const char* const where = bridged ? "across the bridge" : "at the amplifier's output";
  std::string text = fmt::format("  gain {:+.4f} dB, polarity {}, delay {} ms = {:.4f} samples{}\n", plan.gain_db,
                                 plan.polarity < 0 ? "inverted" : "normal", in_ms(plan.delay_s), plan.delay_samples,
                                 plan.muted ? ", MUTED" : "");
  const double volts = two_places_down(plan.limit_volts_peak), dbfs = two_places_down(plan.limit_dbfs_peak);
  if (way.limit)
    text += fmt::format(
        "  peak limiter: threshold {:.2f} V peak {} = {:.2f} dBFS peak, look-ahead {} ms, hold {} ms, "
        "release {} ms, {}\n",
        volts, where, dbfs, in_ms(way.limit->look_ahead_s), in_ms(way.limit->hold_s), in_ms(way.limit->release_s),
        way.limit->true_peak ? "true peak" : "samples alone");
  else
    text += fmt::format("  peak limiter: NONE in the rig; {:.2f} V peak {} = {:.2f} dBFS peak is the end\n", volts,
                        where, dbfs);
  if (plan.thermal_volts_rms && plan.thermal_dbfs_rms)
    text += fmt::format(
        "  power limiter: threshold {:.2f} V RMS {} = {:.2f} dBFS RMS, time constant of the driver's heat {} s\n",
        two_places_down(*plan.thermal_volts_rms), where, two_places_down(*plan.thermal_dbfs_rms),
        part_of(rig, plan).driver_of(way).thermal_time_s);
  else
    text += "  power limiter: none in the rig\n";
  return text;
}

std::string source_of(const rig::Rig& rig, const rig::Venue* venue) {
  const std::string tonight = venue == nullptr ? "" : " and " + venue->file.filename().string();
  return files::shown(rig.file.filename().string() + tonight);
}

std::string text_file(const rig::Rig& rig, const rig::Venue* venue, const std::vector<Output>& outputs,
                      const NumberFormat& format) {
  const std::string title = rig.title.empty() ? rig.file.filename().string() : rig.title;
  std::string text = fmt::format("# Biquads of a rig: {}\n", files::shown(title));
  text += fmt::format("# Computed by rackproof {} from {}, for {} Hz, in {}.\n\n", RACKPROOF_VERSION,
                      source_of(rig, venue), rig.controller.sample_rate_hz, format.name());
  const std::string number =
      format.floating
          ? fmt::format("The numbers of a section: as the core runs it; in {}; the bits of that.", format.name())
          : fmt::format(
                "The numbers of a section: as the core runs it; its code, an integer of {} bits that counts "
                "steps of 2^-{}, so that the format holds {:g} to {:.10g}; the code in two's complement.",
                format.bits(), format.fraction_bits, format.least(), format.greatest());
  for (const std::string& words : {std::string(kBiquadConvention), std::string(kOtherSign), number,
                                   std::string(kFigures), std::string(kNotHere), std::string(kCaution)})
    text += wrapped(words, kColumns) + "\n";
  for (const Output& out : outputs) {
    const OutputPlan& plan = out.plan;
    const std::string takes = !out.ahead.empty()                 ? "what follows, added up"
                              : plan.source == dsp::kMeanOfFeeds ? "the mean of all feeds"
                                                                 : "feed " + plan.feed;
    text += fmt::format("== {}: {} sections, from {}\n", plan.name, out.sections.size(), takes);
    for (const Path& path : out.ahead) {
      text += fmt::format("  -- feed {}, {:+.4f} dB{}:\n", path.feed, path.gain_db,
                          plan.source == dsp::kMeanOfFeeds ? ", then divided by the number of feeds" : "");
      for (std::size_t s = 0; s < path.sections.size(); ++s) text += text_of(path.sections[s], s + 1, format);
    }
    if (!out.ahead.empty()) text += "  -- added up, then:\n";
    for (std::size_t s = 0; s < out.sections.size(); ++s) text += text_of(out.sections[s], s + 1, format);
    text += rest_of(rig, plan) + "\n";
  }
  return text;
}

Json json_of(const Section& section, const NumberFormat& format) {
  const Stage& stage = section.stage;
  const HeldBiquad& held = section.held;
  Json one{{"place", stage.place}};
  one.update(stage_json(stage));
  Json values, codes;
  for (std::size_t c = 0; c < held.codes.size(); ++c) {
    const char* const name = firmware::kCoefficientNames[c];
    values[name] = held.codes[c].value;
    codes[name] = firmware::hex_of(held.codes[c], format);
  }
  one["held"] = std::move(values);
  one["codes"] = std::move(codes);
  one["worst_error_db"] = held.worst_error_db;
  one["worst_error_at_hz"] = held.worst_error_at_hz;
  one["pole_radius"] = held.pole_radius;
  one["noise_direct_form_1_dbfs"] = held.direct_form_1_dbfs;
  one["noise_transposed_direct_form_2_dbfs"] = held.transposed_direct_form_2_dbfs;
  return one;
}
Json json_of(const std::vector<Section>& sections, const NumberFormat& format) {
  Json list = Json::array();
  for (const Section& section : sections) list.push_back(json_of(section, format));
  return list;
}

Json json_of(const rig::Rig& rig, const Output& out, const NumberFormat& format) {
  const OutputPlan& plan = out.plan;
  const rig::Way& way = way_of(rig, plan);
  Json one{{"name", plan.name},
           {"feed", plan.feed},
           {"muted", plan.muted},
           {"sections", json_of(out.sections, format)},
           {"gain_db", plan.gain_db},
           {"polarity", plan.polarity},
           {"delay_ms", in_ms(plan.delay_s)},
           {"delay_samples", plan.delay_samples},
           {"limit_volts_peak", plan.limit_volts_peak},
           {"limit_dbfs_peak", plan.limit_dbfs_peak},
           {"limiter", limiter_json(way.limit)},
           {"thermal_volts_rms", or_null(plan.thermal_volts_rms)},
           {"thermal_dbfs_rms", or_null(plan.thermal_dbfs_rms)},
           {"thermal_time_s", way.thermal ? Json(part_of(rig, plan).driver_of(way).thermal_time_s) : Json(nullptr)}};
  if (out.ahead.empty()) return one;
  one["feed_paths"] = Json::array();
  for (const Path& path : out.ahead)
    one["feed_paths"].push_back(
        {{"feed", path.feed}, {"gain_db", path.gain_db}, {"sections", json_of(path.sections, format)}});
  return one;
}

std::string json_file(const rig::Rig& rig, const rig::Venue* venue, const std::vector<Output>& outputs,
                      const std::vector<Warning>& warnings, const NumberFormat& format) {
  Json document{{"number_format", format.name()},
                {"bits", format.bits()},
                {"fraction_bits", format.floating ? Json(nullptr) : Json(format.fraction_bits)},
                {"least", format.least()},
                {"greatest", format.greatest()},
                {"rackproof", RACKPROOF_VERSION},
                {"rig", rig.file.filename().string()},
                {"venue", venue == nullptr ? Json(nullptr) : Json(venue->file.filename().string())},
                {"title", rig.title},
                {"sample_rate_hz", rig.controller.sample_rate_hz},
                {"convention", kBiquadConvention},
                {"other_sign", kOtherSign},
                {"what_the_figures_are", kFigures},
                {"what_is_not_in_it", kNotHere},
                {"caution", kCaution},
                {"outputs", Json::array()},
                {"warnings", Json::array()}};
  for (const Output& out : outputs) document["outputs"].push_back(json_of(rig, out, format));
  for (const Warning& warning : warnings)
    document["warnings"].push_back({{"code", warning.code}, {"text", warning.text}});
  return with_format(document).dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace

firmware::NumberFormat typed_number_format(std::string_view text) {
  if (const std::optional<NumberFormat> format = firmware::number_format_from(text)) return *format;
  throw InputError(
      fmt::format("--biquads: read {}; right would be float32, float64, or qI.F with I bits ahead of the "
                  "point (1 or more, the sign among them), F behind it (1 or more), 16 to 64 together, as "
                  "in q2.30",
                  files::shown(text)));
}

BiquadFiles biquad_files(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled,
                         const firmware::NumberFormat& format) {
  Holder holder(rig, venue, compiled, format);
  const std::vector<Output> outputs = outputs_of(compiled, holder);
  BiquadFiles files;
  files.number_format = format.name();
  files.sections = holder.count();
  files.sections_off = holder.off();
  files.worst_error_db = holder.worst_error_db();
  if (files.sections_off > 0) files.warnings.push_back({"biquad-rounding", holder.warning()});
  files.text = text_file(rig, venue, outputs, format);
  for (const Warning& warning : files.warnings)
    files.text += wrapped(warning.code + ": " + warning.text, kColumns, "! ");
  files.json = json_file(rig, venue, outputs, files.warnings, format);
  return files;
}

}  // namespace rackproof
