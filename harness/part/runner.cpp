// A recording through an exported chain on an emulated part, block by block, as its firmware would run it:
//   runner IN OUT COUNTS BLOCK STAGES OUTPUT LANES
// IN and OUT hold 32-bit floats, interleaved: a frame of feeds, a frame of outputs. COUNTS gets the instructions of
// each block, 32 bits each. STAGES of the chain are left out, of OUTPUT alone or of all (-1): see reduced_chain.hpp.
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "chain_numbers.hpp"
#include "dsp/chain/chain.hpp"
#include "dsp/chain/one_lane.hpp"
#include "harness/part/machine.hpp"
#include "harness/part/reduced_chain.hpp"

namespace {
using namespace rackproof;
namespace machine = firmware::machine;

constexpr const dsp::ChainSettings& kChain = chain_numbers::kChain;
constexpr std::size_t kFeeds = kChain.feeds.size(), kLoudspeakers = kChain.loudspeakers.size(),
                      kOutputs = kChain.outputs.size(), kMostFrames = chain_numbers::kBlockFrames;
#ifdef RACKPROOF_BARE_METAL
constexpr std::size_t kMemoryBytes = chain_numbers::kMemoryBytes;
#else
constexpr std::size_t kMemoryBytes = 16 * chain_numbers::kMemoryBytes + 65536;  // for wider lanes
#endif

alignas(8) constinit std::byte memory[kMemoryBytes]{};
constinit dsp::Chain chain;
constinit firmware::ReducedChain<kFeeds, kLoudspeakers, kOutputs> reduced;
constinit float frames[kMostFrames * (kFeeds > kOutputs ? kFeeds : kOutputs)]{};
constinit float feeds[kFeeds][kMostFrames]{}, outputs[kOutputs][kMostFrames]{};

std::size_t number(const char* text) {
  if (text[0] == '-') return firmware::kEveryOutput;
  std::size_t value = 0;
  for (; *text >= '0' && *text <= '9'; ++text) value = 10 * value + static_cast<std::size_t>(*text - '0');
  return value;
}
int fail(const char* why) { return machine::say(why), 1; }

void say_number(const char* before, std::size_t value, const char* after) {
  char digits[12], *at = digits + sizeof digits - 1;
  *at = '\0';
  do {
    *--at = static_cast<char>('0' + value % 10);
    value /= 10;
  } while (value > 0);
  machine::say(before);
  machine::say(at);
  machine::say(after);
}
}  // namespace

int main(int argc, char** argv) {
  if (argc != 8) return fail("runner: takes IN OUT COUNTS BLOCK STAGES OUTPUT LANES\n");
  const std::size_t block = number(argv[4]);
  if (block < 1 || block > kMostFrames) return fail("runner: 1 to the rig's frames a block\n");
  const dsp::ChainSettings& settings = reduced.reduce(kChain, number(argv[5]), number(argv[6]));
  if (chain.configure(settings, memory, static_cast<dsp::Level>(number(argv[7]))) != dsp::Setup::ok)
    return fail("runner: the chain refuses its numbers or the memory\n");

  machine::File in(argv[1], machine::Mode::read), out(argv[2], machine::Mode::write),
      counts(argv[3], machine::Mode::write);
  if (!in.opened() || !out.opened() || !counts.opened()) return fail("runner: a file cannot be opened\n");
  std::array<const float*, kFeeds> from;
  std::array<float*, kOutputs> to;
  for (std::size_t f = 0; f < kFeeds; ++f) from[f] = feeds[f];
  for (std::size_t o = 0; o < kOutputs; ++o) to[o] = outputs[o];

  machine::start_count();
  if (!machine::counts()) return fail("runner: the emulator does not count instructions\n");
  machine::restart_count();
  const std::uint32_t idle_from = machine::ticks(), idle_to = machine::ticks();
  const std::uint32_t idle = machine::instructions(idle_from, idle_to);
  for (;;) {
    const std::size_t count = in.read(frames, block * kFeeds * sizeof(float)) / (kFeeds * sizeof(float));
    if (count == 0) break;
    for (std::size_t n = 0; n < count; ++n)
      for (std::size_t f = 0; f < kFeeds; ++f) feeds[f][n] = frames[n * kFeeds + f];
    machine::restart_count();
    const std::uint32_t begin = machine::ticks();
    chain.process(from, to, count);
    const std::uint32_t end = machine::ticks();
    if (!machine::count_is_whole()) return fail("runner: the block is too long for this part's counter\n");
    const std::uint32_t used = machine::instructions(begin, end) - idle;
    for (std::size_t n = 0; n < count; ++n)
      for (std::size_t o = 0; o < kOutputs; ++o) frames[n * kOutputs + o] = outputs[o][n];
    if (!out.write(frames, count * kOutputs * sizeof(float)) || !counts.write(&used, sizeof used))
      return fail("runner: a file cannot be written\n");
  }
  if (!out.close() || !counts.close()) return fail("runner: a file cannot be written\n");
  say_number("state ", chain_numbers::kMemoryBytes, " stack ");
  say_number("", machine::stack_used(), " of ");
  say_number("", machine::stack_bytes(), " bytes\n");
  return 0;
}
