#include "harness/firmware/words.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <span>
#include <stdexcept>

#include "harness/calibration/filters.hpp"
#include "harness/calibration/levels.hpp"
#include "harness/rig/units.hpp"

namespace rackproof::firmware {
namespace {

using rig::Quantity;

std::string text(Quantity quantity, double value) { return rig::text_of({quantity, value}); }

const char* name_of(rig::Alignment alignment) {
  switch (alignment) {
    case rig::Alignment::linkwitz_riley:
      return "Linkwitz-Riley";
    case rig::Alignment::butterworth:
      return "Butterworth";
    default:
      return "Bessel";
  }
}
std::string words(const rig::EqBand& band) {
  std::string said = fmt::format("{} {}", word_of(band.type), text(Quantity::frequency, band.at_hz));
  if (has_gain(band.type)) said += fmt::format(" {}", text(Quantity::gain, band.gain_db));
  if (band.width == rig::EqWidth::q)
    said += fmt::format(", Q {:g}", band.width_value);
  else if (band.width == rig::EqWidth::bandwidth_oct)
    said += fmt::format(", {:g} oct", band.width_value);
  else
    said += fmt::format(", shelf slope {:g}", band.width_value);
  return fmt::format("{}; {}", said, band.source.key);
}
std::string words(const rig::Filter& filter, dsp::Pass pass) {
  return fmt::format("{} {} {} dB/oct {}", text(Quantity::frequency, filter.at_hz), name_of(filter.alignment),
                     filter.slope_db_per_oct, pass == dsp::Pass::low ? "low-pass" : "high-pass");
}

/// Words for one list of sections, in order, each held against its number.
class WordedSections {
 public:
  WordedSections(std::span<const dsp::Section> numbers, double rate_hz) : numbers_(numbers), rate_hz_(rate_hz) {}
  void add(const std::vector<rig::EqBand>& eq) {
    for (const rig::EqBand& band : eq)
      if (const dsp::Section section = section_of(band, rate_hz_); section != dsp::Section{}) add(section, words(band));
  }
  void add(const rig::Filter& filter, dsp::Pass pass) {
    add(sections_of(filter, pass, rate_hz_), words(filter, pass), filter.source.key);
  }
  void add(const dsp::SectionList& list, const std::string& what, const std::string& key) {
    for (std::size_t n = 0; n < list.count; ++n)
      add(list.sections[n], fmt::format("{}, {} of {}; {}", what, n + 1, list.count, key));
  }
  SectionWords all() {
    if (words_.size() != numbers_.size()) fail();
    return std::move(words_);
  }

 private:
  void add(const dsp::Section& section, const std::string& said) {
    if (words_.size() >= numbers_.size() || numbers_[words_.size()] != section) fail();
    words_.push_back(one_line(said));
  }
  [[noreturn]] void fail() const {
    throw std::logic_error(
        fmt::format("section {} of {} in words is another in numbers", words_.size() + 1, numbers_.size()));
  }
  std::span<const dsp::Section> numbers_;
  double rate_hz_;
  SectionWords words_;
};

/// A limit's figure: never above what it is.
std::string down(double value, int digits) {
  const double step = std::pow(10.0, digits);
  return fmt::format("{:.{}f}", std::floor(value * step) / step, digits);
}
std::string volts_down(double volts) { return down(volts, volts < 10 ? 3 : 2); }

std::vector<std::string> lines_of(const rig::Rig& rig, const OutputPlan& plan, const dsp::OutputSettings& out,
                                  double rate_hz) {
  const rig::Rig& part = part_of(rig, plan);
  const rig::Way& way = way_of(rig, plan);
  const bool bridged = part.amplifier_of(way).bridged;
  const char* const where = bridged ? "between the two terminals of the bridge" : "at the amplifier's output";
  const double scale = plan.full_scale_volts_peak;
  const auto ms = [&](double samples) { return fmt::format("{:.4g} ms", 1e3 * samples / rate_hz); };
  std::vector<std::string> lines;
  lines.push_back(fmt::format("{}: full scale is {:.2f} V peak {}, its clip {} V peak", plan.name, scale, where,
                              volts_down(plan.clip_volts_peak)));
  lines.push_back(fmt::format("gain {:.2f} dB{}, delay {} and what keeps the outputs in step{}",
                              analysis::db_from_ratio(std::abs(static_cast<double>(out.gain))),
                              out.gain < 0 ? ", inverted" : "", ms(plan.delay_samples),
                              out.muted ? "; begins muted" : ""));
  if (out.peak.enabled) {
    const double ceiling = static_cast<double>(out.peak.ceiling);
    lines.push_back(fmt::format(
        "ceiling {} dBFS = {} V peak, look-ahead {}, hold {}, release {}{}", down(analysis::db_from_ratio(ceiling), 2),
        volts_down(ceiling * scale), ms(out.peak.look_ahead_samples), ms(out.peak.hold_samples),
        text(Quantity::time, way.limit->release_s), out.peak.true_peak ? ", true peak" : ", samples alone"));
  } else {
    lines.emplace_back("no ceiling: nothing holds its peaks");
  }
  if (out.power.enabled) {
    const double threshold = static_cast<double>(out.power.threshold_rms);
    lines.push_back(fmt::format("power {} V RMS = {} dBFS RMS (a sine at full scale is 0), thermal time {}",
                                volts_down(threshold * scale),
                                down(analysis::db_from_ratio(threshold * std::sqrt(2.0)), 2),
                                text(Quantity::time, part.driver_of(way).thermal_time_s)));
  } else {
    lines.emplace_back("no power limit: nothing holds its heat");
  }
  for (std::string& line : lines) line = one_line(line);
  return lines;
}

}  // namespace

std::string one_line(std::string text) {
  std::replace_if(
      text.begin(), text.end(), [](unsigned char c) { return c < 32 || c == 127 || c == '\\'; }, ' ');
  return text;
}

ChainWords words_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  const dsp::ChainSettings& settings = compiled.settings();
  const double rate_hz = settings.sample_rate_hz;
  ChainWords all;
  for (std::size_t f = 0; f < settings.feeds.size(); ++f) {
    WordedSections worded(settings.feeds[f].sections, rate_hz);
    if (venue != nullptr) {
      worded.add(venue->all.eq);
      if (const auto own = venue->feed.find(rig.feeds[f].name); own != venue->feed.end()) worded.add(own->second.eq);
    }
    if (rig.loudspeakers.empty()) worded.add(rig.system_eq);
    all.feeds.push_back(worded.all());
  }
  for (std::size_t l = 0; l < settings.loudspeakers.size(); ++l) {
    std::size_t o = 0;
    while (settings.outputs[o].loudspeaker != l) ++o;  // each is one that an output takes
    const rig::Rig& part = part_of(rig, compiled.outputs[o]);
    WordedSections worded(settings.loudspeakers[l].sections, rate_hz);
    if (!part.loudspeaker.empty()) {
      if (venue != nullptr)
        if (const auto own = venue->loudspeaker.find(part.loudspeaker); own != venue->loudspeaker.end())
          worded.add(own->second.eq);
      worded.add(part.system_eq);
    }
    all.loudspeakers.push_back(worded.all());
    std::vector<PointWords> points;
    for (std::size_t p = 0; p < settings.loudspeakers[l].points.size(); ++p) {
      const dsp::PointSettings& numbers = settings.loudspeakers[l].points[p];
      const rig::Point& point = part.points[p];
      WordedSections low(numbers.low_pass, rate_hz), high(numbers.high_pass, rate_hz),
          all_pass(numbers.all_pass, rate_hz);
      low.add(point.low, dsp::Pass::low);
      high.add(point.high, dsp::Pass::high);
      if (!numbers.all_pass.empty()) {
        const dsp::CrossoverSum sum = sum_of(point, part.ways[p].inverted == part.ways[p + 1].inverted, rate_hz);
        all_pass.add(dsp::rounded(sum.all_pass),
                     fmt::format("all-pass of the point at {}", text(Quantity::frequency, point.low.at_hz)),
                     point.source.key);
      }
      points.push_back({low.all(), high.all(), all_pass.all()});
    }
    all.points.push_back(std::move(points));
  }
  for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
    const OutputPlan& plan = compiled.outputs[o];
    const rig::Way& way = way_of(rig, plan);
    WordedSections worded(settings.outputs[o].sections, rate_hz);
    if (way.highpass) worded.add(*way.highpass, dsp::Pass::high);
    worded.add(way.eq);
    if (!plan.takes_several())
      if (const auto own = way.output.find(plan.feed); own != way.output.end()) worded.add(own->second.eq);
    all.outputs.push_back(worded.all());
    all.output_lines.push_back(lines_of(rig, plan, settings.outputs[o], rate_hz));
  }
  return all;
}

}  // namespace rackproof::firmware
