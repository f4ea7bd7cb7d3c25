/// `budget`: what a rig's chain costs, block by block: time and memory on this machine, and instructions on a part that
/// is emulated.
#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/calibration/compile.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/firmware/savings.hpp"
#include "harness/live/readings.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

using firmware::Cost;
using firmware::HostCost;
using firmware::PartCost;

struct BudgetOptions {
  RigArguments rig;
  Voice voice;
  std::string target, ram, flash;
  std::optional<std::uint32_t> block;
  std::optional<double> clock_mhz, at_most;
};

constexpr const char* kWhatABlockIs =
    "A block's figure is what leaving it out saves, those below it being left out already: so they add up to the "
    "whole. Outputs go side by side: a filter beside a longer one saves nothing. Times are the least of several runs; "
    "a block that costs next to nothing may read a little below 0.";
constexpr const char* kWhatItIsNot =
    "A count of instructions, not of cycles: nothing of waiting for flash or memory, of instructions that take several "
    "cycles, of interrupts, converters and DMA. A board needs room beyond it; measure there.";

double clock_of(const BudgetOptions& options, const firmware::Part& part) {
  if (options.clock_mhz && !(*options.clock_mhz > 0 && *options.clock_mhz < 1e6))
    throw InputError(
        fmt::format("--clock-mhz: read {:g}; right would be a clock in MHz, as in 200", *options.clock_mhz));
  return options.clock_mhz ? *options.clock_mhz * 1e6 : part.clock_hz;
}

/// `65536`, `64 KiB`, `1 MiB`, `128 kB`. Empty: `otherwise`.
std::size_t bytes_of(std::string_view option, std::string_view text, std::size_t otherwise) {
  if (text.empty()) return otherwise;
  struct Unit {
    std::string_view name;
    std::uint64_t bytes;
  };
  constexpr Unit kUnits[] = {{"", 1}, {"B", 1}, {"kB", 1000}, {"KiB", 1024}, {"MB", 1'000'000}, {"MiB", 1024 * 1024}};
  std::uint64_t count = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), count);
  std::string_view unit = text.substr(static_cast<std::size_t>(end - text.data()));
  unit.remove_prefix(std::min(unit.find_first_not_of(' '), unit.size()));
  constexpr std::uint64_t kMostBytes = std::uint64_t{1} << 32;
  if (error == std::errc() && count > 0 && count <= kMostBytes)
    for (const Unit& one : kUnits)
      if (unit == one.name && count * one.bytes <= kMostBytes) return static_cast<std::size_t>(count * one.bytes);
  throw InputError(
      fmt::format("{}: read {}; right would be bytes, as in 65536, or kB (1000), KiB (1024), MB, MiB behind "
                  "the number, as in \"64 KiB\", up to 4096 MiB",
                  option, files::shown(text)));
}

/// One part's figures, with what its clock and its memories allow.
struct Target {
  const firmware::Part& part;
  double clock_hz, available;  ///< instructions a frame, at one a cycle
  std::size_t ram_bytes, flash_bytes;
  PartCost cost;
  std::vector<firmware::Saving> savings;

  std::size_t over_ram() const { return cost.ram_bytes > ram_bytes ? cost.ram_bytes - ram_bytes : 0; }
  std::size_t over_flash() const { return cost.flash_bytes > flash_bytes ? cost.flash_bytes - flash_bytes : 0; }
  bool fits() const { return over_ram() == 0 && over_flash() == 0; }
};

/// A board fills one buffer of each feed while it empties one of each output: the double buffering of a DMA.
constexpr std::uint32_t kBuffersInARow = 2;
double ms_of(double samples, const rig::Rig& rig) { return 1e3 * samples / rig.controller.sample_rate_hz; }
std::string latency_text(const rig::Rig& rig, const CompiledRig& compiled) {
  const std::uint32_t buffers = kBuffersInARow * rig.controller.block_frames, chain = compiled.latency_samples;
  return fmt::format(
      "latency: chain {} samples, {:.3f} ms; buffers {} (one block that fills, one that plays), {:.3f} ms; together "
      "{:.3f} ms, converters not counted",
      chain, ms_of(chain, rig), buffers, ms_of(buffers, rig), ms_of(chain + buffers, rig));
}

/// A change is primed and faded in: two chains run meanwhile.
constexpr double kChainsWhileChanging = 2;
std::string live_text(double share) {
  return fmt::format(
      "live: {:.2f} % of a period, {:.2f} % while a change is primed and faded in; above {:.0f} % of a period it warns",
      100 * share, 100 * kChainsWhileChanging * share, 100 * live::kMostLoad);
}

/// One decimal place, and no sign ahead of a zero.
std::string tenths(double value) { return fmt::format("{:.1f}", std::round(10 * value) / 10 + 0.0); }
std::string share_of(const Cost& part, const Cost& whole) {
  return fmt::format("{} %", tenths(100 * part.mean / whole.mean));
}

std::string table_of(const rig::Rig& rig, const CompiledRig& compiled, const HostCost& here,
                     const std::string& no_count) {
  const Cost& whole = here.ns.whole;
  std::string text = fmt::format(
      "{}: {} outputs, block {}\n"
      "{}: {:.1f} ns a frame, {:.1f} in the dearest block, {:.3f} % of real time, {} bytes of state\n",
      files::shown(rig.title.empty() ? rig.file.string() : rig.title), compiled.outputs.size(),
      rig.controller.block_frames, firmware::this_machine(), whole.mean, whole.worst_block,
      whole.mean * rig.controller.sample_rate_hz * 1e-7, here.state_bytes);
  text += wrapped(latency_text(rig, compiled), text_width());
  text += wrapped(live_text(whole.mean * rig.controller.sample_rate_hz * 1e-9), text_width());
  std::vector<Table::Column> columns{{"block of the chain", Align::left}, {"ns a frame"}, {"dearest block"}, {"share"}};
  if (here.instructions) columns.insert(columns.end(), {{"instructions a frame"}, {"dearest"}});
  Table blocks(std::move(columns));
  const auto row = [&](const Cost& ns, const std::string& share, const Cost* instructions) {
    std::vector<std::string> cells{ns.name, tenths(ns.mean), tenths(ns.worst_block), share};
    if (instructions != nullptr)
      cells.insert(cells.end(), {tenths(instructions->mean), tenths(instructions->worst_block)});
    blocks.row(std::move(cells));
  };
  for (std::size_t s = 0; s < here.ns.stages.size(); ++s)
    row(here.ns.stages[s], share_of(here.ns.stages[s], whole),
        here.instructions ? &here.instructions->stages[s] : nullptr);
  row(whole, "", here.instructions ? &here.instructions->whole : nullptr);
  text += blocks.text(text_width()) + wrapped(kWhatABlockIs, text_width());
  if (!here.instructions) text += wrapped("Instructions are not counted: " + no_count + ".", text_width());
  Table outputs({{"output", Align::left}, {"sections"}, {"ns a frame, alone"}});
  for (std::size_t o = 0; o < here.alone_ns.size(); ++o)
    outputs.row({compiled.outputs[o].name, fmt::format("{}", compiled.outputs[o].sections.size()),
                 tenths(here.alone_ns[o].mean)});
  return text + "\n" + outputs.text(text_width());
}

/// What does not fit, by how much, and what would help.
std::string overrun_text(const Target& target) {
  std::string text = fmt::format("falls: {} does not hold this chain\n", target.part.name);
  if (target.over_ram() > 0)
    text +=
        fmt::format("  RAM: {} bytes of {}, {} too many\n", target.cost.ram_bytes, target.ram_bytes, target.over_ram());
  if (target.over_flash() > 0)
    text += fmt::format("  flash: {} bytes of {}, {} too many\n", target.cost.flash_bytes, target.flash_bytes,
                        target.over_flash());
  if (target.over_flash() > 0)
    text += wrapped(
        "Most of the flash is the core's code, the same for every rig; a section's numbers take 24 bytes. "
        "Fewer sections and fewer points help little: a part with more flash does.",
        text_width(), "  ");
  if (target.over_ram() == 0) return text;
  if (target.savings.empty()) return text + "  nothing in the rig would save memory\n";
  Table table({{"what would help", Align::left}, {"how", Align::left}, {"saves, bytes"}, {"alone", Align::left}});
  constexpr std::size_t kMostRows = 8;
  for (std::size_t s = 0; s < std::min(kMostRows, target.savings.size()); ++s) {
    const firmware::Saving& one = target.savings[s];
    table.row(
        {one.key, one.change, fmt::format("{}", one.bytes), one.bytes >= target.over_ram() ? "enough" : "not enough"});
  }
  return text + table.text(text_width());
}

std::string table_of(const Target& target) {
  const PartCost& cost = target.cost;
  const Cost& whole = cost.instructions.whole;
  if (!cost.counted)
    return fmt::format("\n{} ({}): too large even for the emulator's board, so nothing is counted\n{}",
                       target.part.name, target.part.title, overrun_text(target));
  std::string text = fmt::format(
      "\n"
      "{} ({}), emulated\n"
      "{:.0f} instructions a frame, {:.0f} in the dearest block: {:.1f} % of the {:.0f} that {:g} MHz hold at one a "
      "cycle\n",
      target.part.name, target.part.title, whole.mean, whole.worst_block, 100 * whole.worst_block / target.available,
      target.available, target.clock_hz * 1e-6);
  text += fmt::format("{} bytes of state; with the program around it {} of {} RAM ({} of stack used), {} of {} flash\n",
                      cost.state_bytes, cost.ram_bytes, target.ram_bytes, cost.stack_bytes, cost.flash_bytes,
                      target.flash_bytes);
  Table table({{"block of the chain", Align::left}, {"instructions a frame"}, {"dearest block"}, {"share"}});
  const auto rows = [&](const std::vector<Cost>& costs) {
    for (const Cost& one : costs)
      table.row({one.name, tenths(one.mean), tenths(one.worst_block), share_of(one, whole)});
  };
  rows(cost.instructions.stages);
  table.row({whole.name, tenths(whole.mean), tenths(whole.worst_block), ""});
  table.row({"of which behind the split:", "", "", ""});
  rows(cost.outputs);
  text += table.text(text_width()) + wrapped(kWhatItIsNot, text_width());
  return target.fits() ? text : text + overrun_text(target);
}

Json costs_json(const std::vector<Cost>& costs) {
  Json list = Json::array();
  for (const Cost& one : costs)
    list.push_back({{"name", one.name},
                    {"instructions_per_frame", one.mean},
                    {"instructions_per_frame_worst_block", one.worst_block}});
  return list;
}
Json document_of(const RigArguments& arguments, const rig::Rig& rig, const CompiledRig& compiled,
                 const HostCost& here) {
  const auto cost_json = [](const Cost& ns, const Cost* instructions) -> Json {
    return {{"ns_per_frame", ns.mean},
            {"ns_per_frame_worst_block", ns.worst_block},
            {"instructions_per_frame", instructions ? Json(instructions->mean) : Json(nullptr)},
            {"instructions_per_frame_worst_block", instructions ? Json(instructions->worst_block) : Json(nullptr)}};
  };
  Json blocks = Json::array(), outputs = Json::array();
  for (std::size_t s = 0; s < here.ns.stages.size(); ++s) {
    Json& block = blocks.emplace_back(Json{{"name", here.ns.stages[s].name}});
    block.update(cost_json(here.ns.stages[s], here.instructions ? &here.instructions->stages[s] : nullptr));
  }
  for (std::size_t o = 0; o < here.alone_ns.size(); ++o)
    outputs.push_back({{"name", compiled.outputs[o].name},
                       {"sections", compiled.outputs[o].sections.size()},
                       {"ns_per_frame", here.alone_ns[o].mean}});
  Json document{{"rig", arguments.rig_file.string()}, {"block", rig.controller.block_frames}};
  document.update(cost_json(here.ns.whole, here.instructions ? &here.instructions->whole : nullptr));
  const double share = here.ns.whole.mean * rig.controller.sample_rate_hz * 1e-9;
  document.update({{"realtime_share", share},
                   {"live_share", share},
                   {"live_share_while_changing", kChainsWhileChanging * share},
                   {"live_warns_above", live::kMostLoad},
                   {"state_bytes", here.state_bytes},
                   {"latency_samples", compiled.latency_samples},
                   {"buffer_latency_samples", kBuffersInARow * rig.controller.block_frames},
                   {"blocks", std::move(blocks)},
                   {"what_a_block_is", kWhatABlockIs},
                   {"outputs", std::move(outputs)},
                   {"machine", firmware::this_machine()},
                   {"sections_in_one_lane", firmware::sections_in_one_lane(compiled)}});
  return document;
}
Json document_of(const Target& target) {
  const PartCost& cost = target.cost;
  const Cost& whole = cost.instructions.whole;
  const auto if_counted = [&](Json value) { return cost.counted ? std::move(value) : Json(nullptr); };
  Json savings = Json::array();
  if (target.over_ram() > 0)
    for (const firmware::Saving& one : target.savings)
      savings.push_back({{"key", one.key},
                         {"change", one.change},
                         {"bytes", one.bytes},
                         {"enough", one.bytes >= target.over_ram() && target.over_flash() == 0}});
  return {{"part", target.part.name},
          {"title", target.part.title},
          {"compiler", cost.compiler},
          {"instructions_per_frame", if_counted(whole.mean)},
          {"instructions_per_frame_worst_block", if_counted(whole.worst_block)},
          {"clock_hz", target.clock_hz},
          {"instructions_per_frame_at_clock", target.available},
          {"share_of_clock", if_counted(whole.worst_block / target.available)},
          {"blocks", costs_json(cost.instructions.stages)},
          {"outputs", costs_json(cost.outputs)},
          {"state_bytes", if_counted(cost.state_bytes)},
          {"stack_bytes", if_counted(cost.stack_bytes)},
          {"ram_bytes", cost.ram_bytes},
          {"ram_bytes_of_part", target.ram_bytes},
          {"flash_bytes", cost.flash_bytes},
          {"flash_bytes_of_part", target.flash_bytes},
          {"fits", target.fits()},
          {"over_ram_bytes", target.over_ram()},
          {"over_flash_bytes", target.over_flash()},
          {"would_help", std::move(savings)},
          {"what_it_is_not", kWhatItIsNot}};
}

void run_budget(const BudgetOptions& options, int& status) {
  if (options.target.empty() &&
      (options.at_most || options.clock_mhz || !options.ram.empty() || !options.flash.empty()))
    throw InputError("budget: --at-most, --clock-mhz, --ram and --flash belong to a part; name one with --target");
  rig::Rig rig = options.rig.rig();
  if (options.block) rig.controller.block_frames = *options.block;
  for (rig::Rig& part : rig.loudspeakers) part.controller.block_frames = rig.controller.block_frames;
  const std::optional<rig::Venue> venue = options.rig.venue(rig);
  const rig::Venue* const tonight = venue ? &*venue : nullptr;
  const CompiledRig compiled = compile(rig, tonight);
  std::optional<Target> target;
  if (!options.target.empty()) {
    const firmware::Part& part = firmware::part_called(options.target);
    const double clock_hz = clock_of(options, part);
    const std::size_t ram = bytes_of("--ram", options.ram, part.ram_bytes);
    const std::size_t flash = bytes_of("--flash", options.flash, part.flash_bytes);
    target.emplace(Target{part,
                          clock_hz,
                          clock_hz / rig.controller.sample_rate_hz,
                          ram,
                          flash,
                          firmware::cost_on(part, rig, tonight, compiled),
                          {}});
    if (target->over_ram() > 0) target->savings = firmware::savings_of(rig, tonight, compiled);
  }

  firmware::InstructionCounter counter;
  const HostCost here = firmware::cost_here(rig, compiled, counter);
  std::string text = table_of(rig, compiled, here, counter.refusal());
  Json document = document_of(options.rig, rig, compiled, here);
  status = 0;
  if (target) {
    text += table_of(*target);
    document["target"] = document_of(*target);
    if (!target->fits()) status = 1;
    if (options.at_most && target->cost.counted) {
      const double worst = target->cost.instructions.whole.worst_block;
      const bool within = worst <= *options.at_most;
      text += fmt::format("\n{}: the dearest block takes {:.1f} instructions a frame of the {:g} allowed\n",
                          within ? "holds" : "falls", worst, *options.at_most);
      document["target"]["at_most"] = *options.at_most;
      document["target"]["holds"] = within;
      if (!within) status = 1;
    }
  }
  options.voice.say(text);
  options.voice.document(document);
}

}  // namespace

void add_budget(CLI::App& program, int& status) {
  CLI::App* verb =
      add_verb(program, "budget",
               "What the chain and each block of it cost: time a frame, in the dearest block too, and memory here; "
               "with --target the instructions on a microcontroller, emulated.",
               "rackproof budget rig.toml --target cortex-m4");
  const auto options = std::make_shared<BudgetOptions>();
  options->rig.add_to(*verb);
  only_one_of(add_option(*verb, "--target", options->target,
                         "Counts instructions on this part; takes its compiler and an emulator"),
              firmware::names_of_counting_parts());
  add_option(*verb, "--clock-mhz", options->clock_mhz, "The part's clock; one common for the kind if not given")
      .type_name("MHZ");
  add_option(*verb, "--at-most", options->at_most,
             "Exit status 1 where the dearest block takes more instructions a frame than this")
      .type_name("INSTRUCTIONS");
  add_option(
      *verb, "--ram", options->ram,
      "The part's memory in bytes, or as \"64 KiB\". Exit status 1 where the chain and the program around it take "
      "more; then it says what would help")
      .type_name("SIZE");
  add_option(*verb, "--flash", options->flash, "The same for code and constants").type_name("SIZE");
  constexpr std::uint32_t kMostFrames = 65536;
  add_option(*verb, "--block", options->block, "Frames a block, in place of the rig's")
      .range(1, kMostFrames)
      .type_name("FRAMES");
  options->voice.add_to(*verb);
  when_called(*verb, [options, &status] { run_budget(*options, status); });
}

}  // namespace rackproof
