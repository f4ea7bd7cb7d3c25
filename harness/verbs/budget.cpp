/// `budget`: what a rig's chain costs: time and memory on this machine, and instructions on a part that is emulated.
#include <fmt/format.h>

#include "harness/calibration/compile.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

using firmware::HostCost;
using firmware::InstructionCost;
using firmware::PartCost;

struct BudgetOptions {
  RigArguments rig;
  Voice voice;
  std::string target;
  std::optional<double> clock_mhz, at_most;
};

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

std::string table_of(const rig::Rig& rig, const CompiledRig& compiled, const HostCost& here,
                     const std::vector<HostCost>& alone) {
  std::string text = fmt::format(
      "{}: {} outputs, block {}\n{}: {:.1f} ns a frame, {:.1f} in the dearest block, {:.3f} % of real time, {} bytes "
      "of "
      "state\n",
      rig.title.empty() ? rig.file.string() : rig.title, compiled.outputs.size(), rig.controller.block_frames,
      firmware::this_machine(), here.ns_per_frame, here.ns_per_frame_worst_block,
      here.ns_per_frame * rig.controller.sample_rate_hz * 1e-7, here.state_bytes);
  Table table({{"output", Align::left}, {"sections"}, {"ns a frame, alone"}});
  for (std::size_t o = 0; o < alone.size(); ++o)
    table.row({compiled.outputs[o].name, fmt::format("{}", compiled.outputs[o].sections.size()),
               fmt::format("{:.1f}", alone[o].ns_per_frame)});
  return text + table.text(text_width());
}

std::string table_of(const Target& target) {
  const PartCost& cost = target.cost;
  std::string text = fmt::format(
      "\n{} ({}), emulated\n{:.0f} instructions a frame, {:.0f} in the dearest block: {:.1f} % of the {:.0f} that {:g} "
      "MHz "
      "hold at one a cycle\n",
      target.part.name, target.part.title, cost.whole.mean, cost.whole.worst_block,
      100 * cost.whole.worst_block / target.available, target.available, target.clock_hz * 1e-6);
  text += fmt::format("{} bytes of state; with the program around it {} of {} RAM ({} of stack used), {} of {} flash\n",
                      cost.state_bytes, cost.ram_bytes, target.part.ram_bytes, cost.stack_bytes, cost.flash_bytes,
                      target.part.flash_bytes);
  Table table({{"block of the chain", Align::left}, {"instructions a frame"}, {"dearest block"}, {"share"}});
  const auto rows = [&](const std::vector<InstructionCost>& costs) {
    for (const InstructionCost& one : costs)
      table.row({one.name, fmt::format("{:.1f}", one.mean), fmt::format("{:.1f}", one.worst_block),
                 fmt::format("{:.1f} %", 100 * one.mean / cost.whole.mean)});
  };
  rows(cost.stages);
  table.row({"whole chain", fmt::format("{:.1f}", cost.whole.mean), fmt::format("{:.1f}", cost.whole.worst_block), ""});
  table.row({"of which behind the split:", "", "", ""});
  rows(cost.outputs);
  return text + table.text(text_width()) + wrapped(kWhatItIsNot, text_width());
}

Json costs_json(const std::vector<InstructionCost>& costs) {
  Json list = Json::array();
  for (const InstructionCost& one : costs)
    list.push_back({{"name", one.name},
                    {"instructions_per_frame", one.mean},
                    {"instructions_per_frame_worst_block", one.worst_block}});
  return list;
}
Json document_of(const Target& target) {
  const PartCost& cost = target.cost;
  return {{"part", target.part.name},
          {"title", target.part.title},
          {"compiler", cost.compiler},
          {"instructions_per_frame", cost.whole.mean},
          {"instructions_per_frame_worst_block", cost.whole.worst_block},
          {"clock_hz", target.clock_hz},
          {"instructions_per_frame_at_clock", target.available},
          {"share_of_clock", cost.whole.worst_block / target.available},
          {"blocks", costs_json(cost.stages)},
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

  const HostCost here = firmware::cost_here(rig, compiled);
  std::vector<HostCost> alone;
  for (std::size_t o = 0; o < compiled.outputs.size(); ++o)
    alone.push_back(firmware::cost_here(rig, compiled, static_cast<int>(o)));

  std::string text = table_of(rig, compiled, here, alone);
  Json outputs = Json::array();
  for (std::size_t o = 0; o < alone.size(); ++o)
    outputs.push_back({{"name", compiled.outputs[o].name},
                       {"sections", compiled.outputs[o].sections.size()},
                       {"ns_per_frame", alone[o].ns_per_frame}});
  Json document = {{"rig", options.rig.rig_file.string()},
                   {"block", rig.controller.block_frames},
                   {"ns_per_frame", here.ns_per_frame},
                   {"ns_per_frame_worst_block", here.ns_per_frame_worst_block},
                   {"realtime_share", here.ns_per_frame * rig.controller.sample_rate_hz * 1e-9},
                   {"state_bytes", here.state_bytes},
                   {"outputs", std::move(outputs)},
                   {"machine", firmware::this_machine()},
                   {"sections_in_one_lane", firmware::sections_in_one_lane(compiled)}};
  status = 0;
  if (target) {
    text += table_of(*target);
    document["target"] = document_of(*target);
    if (options.at_most) {
      const bool within = target->cost.whole.worst_block <= *options.at_most;
      text += fmt::format("\n{}: the dearest block takes {:.1f} instructions a frame of the {:g} allowed\n",
                          within ? "holds" : "falls", target->cost.whole.worst_block, *options.at_most);
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
  CLI::App* verb = add_verb(program, "budget",
                            "What the chain costs: time a frame, worst block and memory here; with --target the "
                            "instructions on a microcontroller, emulated, for each block of the chain.",
                            "rackproof budget rig.toml --target cortex-m4");
  const auto options = std::make_shared<BudgetOptions>();
  options->rig.add_to(*verb);
  verb->add_option("--target", options->target, "Counts instructions on this part; takes its compiler and an emulator")
      ->check(CLI::IsMember(firmware::names_of_counting_parts()));
  verb->add_option("--clock-mhz", options->clock_mhz, "The part's clock; one common for the kind if not given")
      ->type_name("MHZ");
  verb->add_option("--at-most", options->at_most,
                   "Exit status 1 where the dearest block takes more instructions a frame than this")
      ->type_name("INSTRUCTIONS");
  options->voice.add_to(*verb);
  verb->callback([options, &status] { run_budget(*options, status); });
}

}  // namespace rackproof
