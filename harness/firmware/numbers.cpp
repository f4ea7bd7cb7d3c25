#include "harness/firmware/numbers.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <map>
#include <utility>

#include "dsp/chain/one_lane.hpp"
#include "dsp/chain/preset.hpp"
#include "harness/firmware/words.hpp"

namespace rackproof::firmware {
namespace {

/// A float to the bit, as C++ reads it: -0x1.8p-3f.
std::string hex(float x) { return fmt::format("{:a}f", x); }

using Lines = std::vector<std::string>;

/// Constants under names, each list of equal numbers once. What is said of a row in one place is kept beside what was
/// said of it in another.
class Lists {
 public:
  /// The name of the list with these rows, {} where there is none. `says[r]` are the comments of row r. With `own_name`
  /// the list has that name, and no number.
  std::string list(const std::string& type, const std::string& stem, const Lines& rows, const std::vector<Lines>& says,
                   bool own_name = false) {
    if (rows.empty()) return "{}";
    const std::string key = fmt::format("{}\n{}", stem, fmt::join(rows, "\n"));
    const auto [found, is_new] = places_.try_emplace(key, lists_.size());
    if (is_new) {
      const std::size_t number = ++count_of_[stem];
      lists_.push_back(
          {type, own_name ? stem : fmt::format("{}{}", stem, number), rows, std::vector<Lines>(rows.size())});
    }
    List& list = lists_[found->second];
    for (std::size_t r = 0; r < rows.size() && r < says.size(); ++r)
      for (const std::string& line : says[r])
        if (std::ranges::find(list.says[r], line) == list.says[r].end()) list.says[r].push_back(line);
    return list.name;
  }
  std::string sections(std::span<const dsp::Section> numbers, const SectionWords& words) {
    Lines rows;
    std::vector<Lines> says;
    for (std::size_t n = 0; n < numbers.size(); ++n) {
      const dsp::Section& s = numbers[n];
      rows.push_back(fmt::format("{{{}, {}, {}, {}, {}, {}}}", hex(s.mix_v), hex(s.mix_1), hex(s.mix_2), hex(s.rate),
                                 hex(s.damp), hex(s.cross)));
      says.push_back({words[n]});
    }
    return list("dsp::Section", "kSections", rows, says);
  }
  /// Of a split: loudspeakers that are alike share theirs.
  std::string points(std::span<const dsp::PointSettings> numbers, const std::vector<PointWords>& words) {
    Lines rows;
    for (std::size_t p = 0; p < numbers.size(); ++p) {
      const std::string low = sections(numbers[p].low_pass, words[p].low_pass);
      const std::string high = sections(numbers[p].high_pass, words[p].high_pass);
      rows.push_back(fmt::format("{{{}, {}, {}}}", low, high, sections(numbers[p].all_pass, words[p].all_pass)));
    }
    return list("dsp::PointSettings", "kPoints", rows, {});
  }
  std::string mix(std::span<const float> factors) {
    Lines rows;
    for (const float factor : factors) rows.push_back(hex(factor));
    return list("float", "kMix", rows, {});
  }
  std::string delay(const dsp::DelaySettings& delay) {
    std::string taps = "{}";
    if (delay.fractional) {
      std::string row;
      for (std::size_t t = 0; t < delay.taps.size(); ++t)
        row += fmt::format("{}{}", t == 0 ? "" : t % 4 == 0 ? ",\n    " : ", ", hex(delay.taps[t]));
      taps = list("", "kTaps", {row}, {});
    }
    return fmt::format("{{{}, {}, {}}}", delay.whole_samples, delay.fractional, taps);
  }
  std::string text() const {
    std::string all;
    for (const List& list : lists_) {
      const bool taps = list.type.empty();
      all += taps ? fmt::format("inline constexpr std::array<float, dsp::kFractionTaps> {} = {{{{\n", list.name)
                  : fmt::format("inline constexpr {} {}[] = {{\n", list.type, list.name);
      for (std::size_t r = 0; r < list.rows.size(); ++r) {
        for (const std::string& line : list.says[r]) all += fmt::format("    // {}\n", line);
        all += fmt::format("    {},\n", list.rows[r]);
      }
      all += taps ? "}};\n" : "};\n";
    }
    return all;
  }

 private:
  struct List {
    std::string type, name;
    Lines rows;
    std::vector<Lines> says;
  };
  std::vector<List> lists_;  // in the order in which they were asked for: what a list names stands ahead of it
  std::map<std::string, std::size_t> places_, count_of_;
};

std::string power_of(const dsp::PowerLimiterSettings& power) {
  return fmt::format("{{{}, {}, {}}}", power.enabled, hex(power.threshold_rms), hex(power.forget));
}
std::string peak_of(const dsp::PeakLimiterSettings& peak) {
  return fmt::format("{{{}, {}, {}, {}, {}, {}}}", peak.enabled, hex(peak.ceiling), peak.look_ahead_samples,
                     peak.hold_samples, hex(peak.release_keep), peak.true_peak);
}

constexpr const char* kTop = R"(#pragma once
{about}// To change a number, change the rig file and export again.
// A float here is written in hexadecimal: exactly the bits that were computed, with every compiler. Figures of limits
// in comments are rounded down. What is equal stands here once, so a list may say several things that it is used for.
#if __cplusplus < 202002L
#error "these numbers are for C++20: build with -std=c++20"
#endif
#ifdef __FAST_MATH__
#error "built with -ffast-math the samples are not those that were proven: leave it out, and give -ffp-contract=off"
#endif
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/chain/chain_settings.hpp"
#include "dsp/chain/one_lane.hpp"
#include "dsp/chain/preset.hpp"

namespace rackproof::chain_numbers {{
// Of this export alone. Two exports in one program keep their own numbers: without it the linker would keep one set of
// them for both, and one rig would run with the limits of the other. In one source file the two are an error{named}.
{open}
)";

/// Another name for every header that says anything else.
std::string own_name(std::string_view text) {
  dsp::Fnv1a hash;
  for (const char c : text) hash.add_byte(static_cast<std::uint8_t>(c));
  return fmt::format("numbers_{:016x}", hash.value());
}

/// The lists of a chain, and then its constants. `own_names`: the lists of its parts are called kFeeds and so on.
std::string constants_of(const NamedChain& chain, Lists& lists, bool own_names) {
  const dsp::ChainSettings& settings = chain.compiled->settings();
  const ChainWords words = words_of(*chain.rig, chain.venue, *chain.compiled);
  const std::string whose = own_names ? "" : chain.name + ", ";
  Lines feeds, loudspeakers, outputs;
  std::vector<Lines> of_feeds, of_outputs;
  for (std::size_t f = 0; f < settings.feeds.size(); ++f) {
    feeds.push_back(fmt::format("{{{}, {}}}", hex(settings.feeds[f].gain),
                                lists.sections(settings.feeds[f].sections, words.feeds[f])));
    of_feeds.push_back({one_line(whose + chain.rig->feeds[f].name)});
  }
  for (std::size_t l = 0; l < settings.loudspeakers.size(); ++l) {
    const dsp::LoudspeakerSettings& one = settings.loudspeakers[l];
    const std::string mix = lists.mix(one.mix), sections = lists.sections(one.sections, words.loudspeakers[l]);
    loudspeakers.push_back(fmt::format("{{{}, {}, {}, {}, {}}}", one.source, mix, hex(one.gain), sections,
                                       lists.points(one.points, words.points[l])));
  }
  std::string names;
  for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
    const dsp::OutputSettings& out = settings.outputs[o];
    const std::string sections = lists.sections(out.sections, words.outputs[o]);
    outputs.push_back(fmt::format("{{{}, {}, {}, {},\n     {},\n     {},\n     {}, {}}}", out.loudspeaker, out.way,
                                  sections, hex(out.gain), lists.delay(out.delay), power_of(out.power),
                                  peak_of(out.peak), out.muted));
    Lines says = words.output_lines[o];
    says.front() = whose + says.front();
    of_outputs.push_back(std::move(says));
    names += fmt::format("{}\"{}\"", names.empty() ? "" : ", ", chain.compiled->outputs[o].name);
  }
  const std::string feeds_name = lists.list("dsp::FeedSettings", "kFeeds", feeds, of_feeds, own_names);
  const std::string boxes_name = lists.list("dsp::LoudspeakerSettings", "kLoudspeakers", loudspeakers, {}, own_names);
  const std::string outputs_name = lists.list("dsp::OutputSettings", "kOutputs", outputs, of_outputs, own_names);
  std::string text =
      fmt::format("inline constexpr dsp::ChainSettings kChain{{{}, {}, {}, {}, {}}};\n", settings.sample_rate_hz,
                  settings.latency_samples, feeds_name, boxes_name, outputs_name);
  text += fmt::format("inline constexpr const char* kOutputNames[] = {{{}}};\n", names);
  text +=
      fmt::format("inline constexpr std::size_t kBlockFrames = {};  ///< a call\n", chain.rig->controller.block_frames);
  text += R"(/// What to lend Chain::configure for Level::lanes_1, on the machine that this is compiled for.
inline constexpr std::size_t kMemoryBytes = dsp::bytes_in_one_lane(kChain);
)";
  text += fmt::format("inline constexpr std::uint64_t kFingerprint = {:#018x};\n", fingerprint(*chain.compiled));
  text += fmt::format("inline constexpr std::uint64_t kAnswer = {:#018x};  ///< to the self-test, of a right build\n",
                      self_test_answer(*chain.compiled));
  text +=
      "static_assert(dsp::Fingerprint::of(kChain) == kFingerprint, \"these are not the numbers that were exported\");\n";
  return text;
}

/// A rig that falls in `prove` is exported as any other.
constexpr const char* kNotProven = "// Not proven here: run 'rackproof prove RIG'.\n";

std::string about(std::span<const NamedChain> chains, std::string_view by) {
  std::string text;
  const auto made_from = [](const NamedChain& chain) {
    return fmt::format(
        "{}{}", one_line(chain.rig->file.filename().string()),
        chain.venue == nullptr ? std::string() : " and " + one_line(chain.venue->file.filename().string()));
  };
  const auto title = [](const NamedChain& chain) {
    return one_line(chain.rig->title.empty() ? "A rig" : chain.rig->title);
  };
  if (chains.size() == 1)
    return fmt::format("// {}\n// Computed by {} from {}.\n{}", title(chains[0]), by, made_from(chains[0]), kNotProven);
  for (const NamedChain& chain : chains)
    text += fmt::format("// {}: {}\n//   Computed by {} from {}.\n", chain.name, title(chain), by, made_from(chain));
  return text + kNotProven;
}

/// What C++ or a compiler keeps for itself, and what this header uses.
constexpr std::string_view kTaken =
    " alignas alignof and and_eq asm assert auto bitand bitor bool break case catch char char16_t char32_t char8_t "
    "class co_await co_return co_yield compl concept const const_cast consteval constexpr constinit continue "
    "decltype default delete do double dynamic_cast else enum explicit export extern false float for friend goto "
    "if inline int long mutable namespace new noexcept not not_eq nullptr operator or or_eq private protected "
    "public register reinterpret_cast requires return short signed sizeof static static_assert static_cast struct "
    "switch template this thread_local throw true try typedef typeid typename union unsigned using virtual void "
    "volatile wchar_t while xor xor_eq linux unix i386 errno stdin stdout stderr offsetof typeof dsp std rackproof "
    "chain_numbers self_test ";

bool is_letter(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); }
bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_taken(std::string_view name) {
  const bool constant = name.size() > 1 && name[0] == 'k' && name[1] >= 'A' && name[1] <= 'Z';
  const bool macro = std::ranges::none_of(name, [](char c) { return c >= 'a' && c <= 'z'; });
  return constant || macro || name.starts_with("numbers_") || kTaken.find(fmt::format(" {} ", name)) != kTaken.npos;
}

}  // namespace

void must_be_name(std::string_view name) {
  const auto refuse = [&](std::string_view why) {
    throw InputError(
        fmt::format("--name: read '{}'; {}. Right is a name of letters (a lower-case one among them), digits "
                    "and single underscores that begins with a letter, as in tonight or stage_2",
                    one_line(std::string(name)), why));
  };
  if (name.empty()) refuse("it is empty");
  if (name.size() > 64) refuse("it has more than 64 letters");
  if (!std::ranges::all_of(name, [](char c) { return is_letter(c) || is_digit(c) || c == '_'; }))
    refuse("it has what is neither a letter from a to z, a digit nor an underscore");
  if (name[0] == '_') refuse("names that begin with an underscore are the compiler's");
  if (is_digit(name[0])) refuse("it begins with a digit");
  if (name.find("__") != std::string_view::npos) refuse("names with two underscores in a row are the compiler's");
  if (is_taken(name)) refuse("it is a word of C++, a macro's kind of name, or one that the header uses itself");
}

std::string preset_name(const std::filesystem::path& rig_file) {
  std::string name;
  for (const char c : rig_file.stem().string()) {
    const bool fits = is_letter(c) || is_digit(c);
    if (fits) name += c;
    if (!fits && !name.empty() && name.back() != '_') name += '_';
  }
  while (!name.empty() && name.back() == '_') name.pop_back();
  name = name.substr(0, 48);
  if (name.empty() || is_digit(name[0]) || is_taken(name)) name = "rig_" + name;
  while (name.back() == '_') name.pop_back();
  return name;
}

namespace {
bool is_same(const rig::Driver& x, const rig::Driver& y) {
  return x.name == y.name && x.impedance_ohm == y.impedance_ohm &&
         x.continuous_power_watts == y.continuous_power_watts && x.peak_power_watts == y.peak_power_watts &&
         x.thermal_time_s == y.thermal_time_s && x.lowest_hz == y.lowest_hz && x.highest_hz == y.highest_hz;
}
bool is_same(const rig::Amplifier& x, const rig::Amplifier& y) {
  const auto same_rating = [](const rig::Rating& a, const rig::Rating& b) {
    return a.power_watts == b.power_watts && a.load_ohm == b.load_ohm;
  };
  return x.name == y.name && x.bridged == y.bridged && x.doubled() == y.doubled() &&
         std::ranges::equal(x.ratings, y.ratings, same_rating);
}
}  // namespace

bool are_wired_alike(const NamedChain& a, const NamedChain& b) {
  const auto same_feed = [](const rig::Feed& x, const rig::Feed& y) { return x.name == y.name; };
  const auto same_output = [&](const OutputPlan& x, const OutputPlan& y) {
    const rig::Rig &part_x = part_of(*a.rig, x), &part_y = part_of(*b.rig, y);
    const rig::Way &way_x = way_of(*a.rig, x), &way_y = way_of(*b.rig, y);
    return x.name == y.name && x.full_scale_volts_peak == y.full_scale_volts_peak && way_x.drivers == way_y.drivers &&
           way_x.in_series == way_y.in_series && is_same(part_x.driver_of(way_x), part_y.driver_of(way_y)) &&
           is_same(part_x.amplifier_of(way_x), part_y.amplifier_of(way_y));
  };
  return std::ranges::equal(a.rig->feeds, b.rig->feeds, same_feed) &&
         std::ranges::equal(a.compiled->outputs, b.compiled->outputs, same_output);
}

std::vector<std::uint8_t> fade_groups(std::span<const NamedChain> chains) {
  std::vector<std::uint8_t> groups;
  std::uint8_t count = 0;
  for (std::size_t c = 0; c < chains.size(); ++c) {
    std::size_t first = 0;
    const auto can_fade = [&](const NamedChain& before) {
      return dsp::can_fade(before.compiled->settings(), chains[c].compiled->settings()) &&
             are_wired_alike(before, chains[c]);
    };
    while (first < c && !can_fade(chains[first])) ++first;
    groups.push_back(first < c ? groups[first] : ++count);
  }
  return groups;
}

std::uint64_t fingerprint(const CompiledRig& compiled) { return dsp::Fingerprint::of(compiled.settings()); }

std::uint64_t self_test_answer(const CompiledRig& compiled) {
  std::vector<std::byte> memory(dsp::bytes_in_one_lane(compiled.settings()));
  return dsp::answer_of<dsp::kMaxFeeds, dsp::kMaxOutputs>(compiled.settings(), memory);
}

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

std::string numbers_header(std::span<const NamedChain> chains, std::string_view name, std::string_view by) {
  constexpr std::size_t kMost = 100;
  if (chains.size() > kMost) throw InputError(fmt::format("{} rigs: at most {} in one header", chains.size(), kMost));
  for (std::size_t c = 0; c < chains.size(); ++c)
    for (std::size_t before = 0; before < c; ++before)
      if (chains[before].name == chains[c].name)
        throw InputError(
            fmt::format("{} and {}: both would be the preset {}; presets are called by their files' names, "
                        "so give one of the files another",
                        chains[before].rig->file.string(), chains[c].rig->file.string(), chains[c].name));
  const bool one = chains.size() == 1;
  Lists lists;
  std::string each, table;
  std::size_t feeds = 0, outputs = 0, block = 0;
  const std::vector<std::uint8_t> groups = fade_groups(chains);
  for (std::size_t c = 0; c < chains.size(); ++c) {
    const dsp::ChainSettings& settings = chains[c].compiled->settings();
    const std::string constants = constants_of(chains[c], lists, one);
    const std::string& own = chains[c].name;
    each += one ? constants : fmt::format("namespace {0} {{\n{1}}}  // namespace {0}\n", own, constants);
    table += fmt::format(
        "    {{\"{0}\", {1}kChain, {1}kOutputNames, {1}kFingerprint, {1}kAnswer, {1}kBlockFrames, "
        "{1}kMemoryBytes, {2}}},\n",
        own, one ? std::string() : own + "::", groups[c]);
    feeds = std::max(feeds, settings.feeds.size());
    outputs = std::max(outputs, settings.outputs.size());
    block = std::max<std::size_t>(block, chains[c].rig->controller.block_frames);
  }
  std::string text = lists.text() + each;
  text += fmt::format(
      "/// The chains of this export. Those with the same number at their end can be faded into one another: their feeds\n"
      "/// and outputs have the same names in the same order, with the same drivers, amplifiers and volts at full scale.\n"
      "inline constexpr dsp::Preset kPresets[] = {{\n{}}};\n",
      table);
  text += fmt::format("inline constexpr std::size_t kMostFeeds = {}, kMostOutputs = {}, kMostBlockFrames = {};\n",
                      feeds, outputs, block);
  if (!one)
    text += R"(/// What the largest of them needs, on the machine that this is compiled for.
inline constexpr std::size_t kMemoryBytes = [] {
  std::size_t most = 0;
  for (const dsp::Preset& preset : kPresets) most = preset.memory_bytes > most ? preset.memory_bytes : most;
  return most;
}();
)";
  text +=
      R"(/// At power-on, muted, ahead of the first `configure`, in its memory: whether this build is the proven one.
[[nodiscard]] inline bool self_test(const dsp::Preset& preset, std::span<std::byte> memory) noexcept {
  return dsp::self_test<kMostFeeds, kMostOutputs>(preset, memory);
}

}
)";
  if (!name.empty()) text += fmt::format("}}  // namespace {}\n", name);
  text += "}  // namespace rackproof::chain_numbers\n";
  const auto head = [&](const std::string& own) {
    return fmt::format(
        fmt::runtime(kTop), fmt::arg("about", about(chains, by)),
        fmt::arg("named",
                 name.empty() ? "" : fmt::format(",\n// unless each is named: chain_numbers::{}::kPresets", name)),
        fmt::arg("open", (name.empty() ? std::string() : fmt::format("inline namespace {} {{\n", name)) +
                             fmt::format("inline namespace {} {{\n", own)));
  };
  return head(own_name(fmt::format("{}\n{}", name, text))) + text;
}

std::string numbers_header(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  const NamedChain chain{preset_name(rig.file), &rig, venue, &compiled};
  return numbers_header({&chain, 1});
}

}  // namespace rackproof::firmware
