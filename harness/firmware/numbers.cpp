#include "harness/firmware/numbers.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <map>
#include <utility>

#include "dsp/chain/one_lane.hpp"

namespace rackproof::firmware {
namespace {

/// A float to the bit, as C++ reads it: -0x1.8p-3f.
std::string hex(float x) { return fmt::format("{:a}f", x); }

/// Text from a rig file as a comment of one line: no line break, no backslash at an end, gets out of it.
std::string one_line(std::string text) {
  std::replace_if(
      text.begin(), text.end(), [](unsigned char c) { return c < 32 || c == 127 || c == '\\'; }, ' ');
  return text;
}

class Header {
 public:
  std::string text;

  /// Lists of sections that are alike have one name: {} where there is none.
  std::string sections(std::span<const dsp::Section> list) {
    if (list.empty()) return "{}";
    std::string body;
    for (const dsp::Section& s : list)
      body += fmt::format("    {{{}, {}, {}, {}, {}, {}}},\n", hex(s.mix_v), hex(s.mix_1), hex(s.mix_2), hex(s.rate),
                          hex(s.damp), hex(s.cross));
    const auto [found, is_new] = names_.try_emplace(body, fmt::format("kSections{}", names_.size() + 1));
    if (is_new) text += fmt::format("inline constexpr dsp::Section {}[] = {{\n{}}};\n", found->second, body);
    return found->second;
  }
  /// Of a split: loudspeakers that are alike share theirs.
  std::string points(std::span<const dsp::PointSettings> list) {
    std::string body;
    for (const dsp::PointSettings& point : list) {
      const std::string low = sections(point.low_pass), high = sections(point.high_pass);
      body += fmt::format("    {{{}, {}, {}}},\n", low, high, sections(point.all_pass));
    }
    return array("dsp::PointSettings", "kPoints", body);
  }
  std::string mix(std::span<const float> factors) {
    std::string body;
    for (const float factor : factors) body += fmt::format("{}{}", body.empty() ? "    " : ", ", hex(factor));
    return array("float", "kMix", body.empty() ? body : body + "\n");
  }

 private:
  std::string array(const char* type, const char* stem, const std::string& body) {
    if (body.empty()) return "{}";
    const auto [found, is_new] = arrays_.try_emplace(stem + body, fmt::format("{}{}", stem, arrays_.size() + 1));
    if (is_new) text += fmt::format("inline constexpr {} {}[] = {{\n{}}};\n", type, found->second, body);
    return found->second;
  }

  std::map<std::string, std::string> names_, arrays_;
};

std::string delay_of(const dsp::DelaySettings& delay) {
  std::string taps;
  for (const float tap : delay.taps) taps += (taps.empty() ? "" : ", ") + hex(tap);
  return fmt::format("{{{}, {}, {{{}}}}}", delay.whole_samples, delay.fractional, taps);
}
std::string power_of(const dsp::PowerLimiterSettings& power) {
  return fmt::format("{{{}, {}, {}}}", power.enabled, hex(power.threshold_rms), hex(power.forget));
}
std::string peak_of(const dsp::PeakLimiterSettings& peak) {
  return fmt::format("{{{}, {}, {}, {}, {}, {}}}", peak.enabled, hex(peak.ceiling), peak.look_ahead_samples,
                     peak.hold_samples, hex(peak.release_keep), peak.true_peak);
}

constexpr const char* kTop = R"(#pragma once
// {title}
// Computed by rackproof from {rig}{venue}. To change a number, change the rig file and export again.
// A float here is written in hexadecimal: exactly the bits that were computed, with every compiler.
#ifdef __FAST_MATH__
#error "built with -ffast-math the samples are not those that were proven: leave it out, and give -ffp-contract=off"
#endif
#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/one_lane.hpp"

namespace rackproof::chain_numbers {{
// Of this export alone. Two exports in one program keep their own numbers: without it the linker would keep one set of
// them for both, and one rig would run with the limits of the other. In one source file the two are an error.
inline namespace {own} {{

)";

/// FNV-1a over the text: another name for every header that says anything else.
std::string own_name(std::string_view text) {
  std::uint64_t hash = 0xcbf29ce484222325u;
  for (const char c : text) hash = (hash ^ static_cast<unsigned char>(c)) * 0x100000001b3u;
  return fmt::format("numbers_{:016x}", hash);
}

}  // namespace

std::uint64_t fingerprint(const CompiledRig& compiled) { return dsp::Fingerprint::of(compiled.settings()); }

std::size_t sections_in_one_lane(const CompiledRig& compiled) {
  const dsp::ChainSettings& settings = compiled.settings();
  std::size_t count = 0;
  for (const dsp::FeedSettings& feed : settings.feeds) count += feed.sections.size();
  for (std::size_t l = 0; l < settings.loudspeakers.size(); ++l) {
    dsp::SplitTree::Wanted wanted{};
    for (const dsp::OutputSettings& out : settings.outputs) wanted[out.way] = wanted[out.way] || out.loudspeaker == l;
    count += settings.loudspeakers[l].sections.size();
    count += dsp::SplitTree::required_stages(settings.loudspeakers[l].points, wanted);
  }
  for (const dsp::OutputSettings& out : settings.outputs) count += out.sections.size();
  return count;
}

std::string numbers_header(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  const dsp::ChainSettings& settings = compiled.settings();
  Header header;
  std::string feeds, loudspeakers, outputs, names;
  for (std::size_t f = 0; f < settings.feeds.size(); ++f)
    feeds += fmt::format("    {{{}, {}}},  // {}\n", hex(settings.feeds[f].gain),
                         header.sections(settings.feeds[f].sections), rig.feeds[f].name);
  for (const dsp::LoudspeakerSettings& one : settings.loudspeakers) {
    const std::string mix = header.mix(one.mix), sections = header.sections(one.sections);
    loudspeakers += fmt::format("    {{{}, {}, {}, {}, {}}},\n", one.source, mix, hex(one.gain), sections,
                                header.points(one.points));
  }
  for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
    const dsp::OutputSettings& out = settings.outputs[o];
    const OutputPlan& plan = compiled.outputs[o];
    outputs += fmt::format("    // {}: full scale is {:.2f} V peak at the amplifier's output, its clip {:.2f} V\n",
                           plan.name, plan.full_scale_volts_peak, plan.clip_volts_peak);
    outputs += fmt::format("    {{{}, {}, {}, {},\n     {},\n     {},\n     {}, {}}},\n", out.loudspeaker, out.way,
                           header.sections(out.sections), hex(out.gain), delay_of(out.delay), power_of(out.power),
                           peak_of(out.peak), out.muted);
    names += fmt::format("{}\"{}\"", names.empty() ? "" : ", ", plan.name);
  }
  std::string text = header.text;
  const auto head = [&](const std::string& own) {
    return fmt::format(
        fmt::runtime(kTop), fmt::arg("own", own), fmt::arg("title", one_line(rig.title.empty() ? "A rig" : rig.title)),
        fmt::arg("rig", one_line(rig.file.filename().string())),
        fmt::arg("venue", venue == nullptr ? std::string() : " and " + one_line(venue->file.filename().string())));
  };
  text += fmt::format("inline constexpr dsp::FeedSettings kFeeds[] = {{\n{}}};\n", feeds);
  text += fmt::format("inline constexpr dsp::LoudspeakerSettings kLoudspeakers[] = {{\n{}}};\n", loudspeakers);
  text += fmt::format("inline constexpr dsp::OutputSettings kOutputs[] = {{\n{}}};\n", outputs);
  text += fmt::format("inline constexpr dsp::ChainSettings kChain{{{}, {}, kFeeds, kLoudspeakers, kOutputs}};\n",
                      settings.sample_rate_hz, settings.latency_samples);
  text += fmt::format("inline constexpr const char* kOutputNames[] = {{{}}};\n", names);
  text += fmt::format("inline constexpr std::size_t kBlockFrames = {};  ///< a call\n", rig.controller.block_frames);
  text += R"(/// What to lend Chain::configure for Level::lanes_1, on the machine that this is compiled for.
inline constexpr std::size_t kMemoryBytes = dsp::bytes_in_one_lane(kChain);
)";
  text += fmt::format("inline constexpr std::uint64_t kFingerprint = {:#018x};\n", fingerprint(compiled));
  text +=
      R"(static_assert(dsp::Fingerprint::of(kChain) == kFingerprint, "these are not the numbers that were exported");

}
}  // namespace rackproof::chain_numbers
)";
  return head(own_name(text)) + text;
}

}  // namespace rackproof::firmware
