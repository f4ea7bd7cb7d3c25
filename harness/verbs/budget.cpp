/// `budget`: what a rig's chain costs, block by block: time and memory on this machine, and instructions on a part that
/// is emulated.
#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/calibration/compile.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/firmware/numbers.hpp"
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
  std::string target;
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

/// One part's figures, with what its clock allows.
struct Target {
  const firmware::Part& part;
  double clock_hz, available;  ///< instructions a frame, at one a cycle
  PartCost cost;
};

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

std::string table_of(const Target& target) {
  const PartCost& cost = target.cost;
  const Cost& whole = cost.instructions.whole;
  std::string text = fmt::format(
      "\n"
      "{} ({}), emulated\n"
      "{:.0f} instructions a frame, {:.0f} in the dearest block: {:.1f} % of the {:.0f} that {:g} MHz hold at one a "
      "cycle\n",
      target.part.name, target.part.title, whole.mean, whole.worst_block, 100 * whole.worst_block / target.available,
      target.available, target.clock_hz * 1e-6);
  text += fmt::format("{} bytes of state; with the program around it {} of {} RAM ({} of stack used), {} of {} flash\n",
                      cost.state_bytes, cost.ram_bytes, target.part.ram_bytes, cost.stack_bytes, cost.flash_bytes,
                      target.part.flash_bytes);
  Table table({{"block of the chain", Align::left}, {"instructions a frame"}, {"dearest block"}, {"share"}});
  const auto rows = [&](const std::vector<Cost>& costs) {
    for (const Cost& one : costs)
      table.row({one.name, tenths(one.mean), tenths(one.worst_block), share_of(one, whole)});
  };
  rows(cost.instructions.stages);
  table.row({whole.name, tenths(whole.mean), tenths(whole.worst_block), ""});
  table.row({"of which behind the split:", "", "", ""});
  rows(cost.outputs);
  return text + table.text(text_width()) + wrapped(kWhatItIsNot, text_width());
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
  document.update({{"realtime_share", here.ns.whole.mean * rig.controller.sample_rate_hz * 1e-9},
                   {"state_bytes", here.state_bytes},
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
  return {{"part", target.part.name},
          {"title", target.part.title},
          {"compiler", cost.compiler},
          {"instructions_per_frame", whole.mean},
          {"instructions_per_frame_worst_block", whole.worst_block},
          {"clock_hz", target.clock_hz},
          {"instructions_per_frame_at_clock", target.available},
          {"share_of_clock", whole.worst_block / target.available},
          {"blocks", costs_json(cost.instructions.stages)},
          {"outputs", costs_json(cost.outputs)},
          {"state_bytes", cost.state_bytes},
          {"stack_bytes", cost.stack_bytes},
          {"ram_bytes", cost.ram_bytes},
          {"ram_bytes_of_part", target.part.ram_bytes},
          {"flash_bytes", cost.flash_bytes},
          {"flash_bytes_of_part", target.part.flash_bytes},
          {"what_it_is_not", kWhatItIsNot}};
}

void run_budget(const BudgetOptions& options, int& status) {
  if (options.target.empty() && (options.at_most || options.clock_mhz))
    throw InputError("budget: --at-most and --clock-mhz belong to a part; name one with --target");
  const rig::Rig rig = options.rig.rig();
  const std::optional<rig::Venue> venue = options.rig.venue(rig);
  const rig::Venue* const tonight = venue ? &*venue : nullptr;
  const CompiledRig compiled = compile(rig, tonight);
  std::optional<Target> target;
  if (!options.target.empty()) {
    const firmware::Part& part = firmware::part_called(options.target);
    const double clock_hz = clock_of(options, part);
    target.emplace(Target{part, clock_hz, clock_hz / rig.controller.sample_rate_hz,
                          firmware::cost_on(part, rig, tonight, compiled)});
  }

  firmware::InstructionCounter counter;
  const HostCost here = firmware::cost_here(rig, compiled, counter);
  std::string text = table_of(rig, compiled, here, counter.refusal());
  Json document = document_of(options.rig, rig, compiled, here);
  status = 0;
  if (target) {
    text += table_of(*target);
    document["target"] = document_of(*target);
    if (options.at_most) {
      const double worst = target->cost.instructions.whole.worst_block;
      const bool within = worst <= *options.at_most;
      text += fmt::format("\n{}: the dearest block takes {:.1f} instructions a frame of the {:g} allowed\n",
                          within ? "holds" : "falls", worst, *options.at_most);
      document["target"]["at_most"] = *options.at_most;
      document["target"]["holds"] = within;
      status = within ? 0 : 1;
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
  options->voice.add_to(*verb);
  when_called(*verb, [options, &status] { run_budget(*options, status); });
}

}  // namespace rackproof
