// How an exported chain sits in a controller: codes in, codes out, once a block, from the interrupt of the audio DMA.
// Built for a part it is the pattern to copy; run anywhere, it drives itself with a loud tone and returns 0 if no code
// passed its ceiling. It is yours: exporting again replaces chain_numbers.hpp, and leaves this file alone.
//
//   g++ -std=c++20 -O2 -ffp-contract=off -I CORE main.cpp CORE/dsp/chain/chain.cpp
//   arm-none-eabi-g++ the same, with -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16 -fno-exceptions
//     -fno-rtti -DNDEBUG, and your own start-up and linker script
//
// CORE is the folder that holds dsp/: include/rackproof of an installation, or the export itself (`export --core`).
// -ffp-contract=off is part of the bargain: with fused products the samples are no longer those that were proven.
//
// Which call is safe where
//   configure, reset   touch all of the memory: before the DMA runs, or with it stopped. Never in an interrupt.
//   process            in one context alone, the block interrupt. Allocates nothing, locks nothing, calls no libm; its
//                      cost a block is fixed (`rackproof budget RIG --target cortex-m4` counts it).
//   take_meter, bad_samples, bounded_samples
//                      in the same context as process, then handed on: a 64-bit count can be torn by an interrupt.
// On a part that saves the floating-point registers lazily, leave that on; the interrupt needs them.
//
// Scaling. A code of a converter is a fraction of its full scale: 24 bits left-justified in 32, divided by 2^31. 1.0 in
// a sample is the full scale that the rig file names (`output_full_scale`), and every threshold hangs on that: measure
// it, a sine at -20 dBFS and a voltmeter that reads true RMS, before an amplifier is connected. The other way round the
// sample is held to the codes that there are: a float out of range converts to another code on each machine.
//
// Muted until proven. Outputs are silent, and the amplifiers' relays open, until the chain is configured and has run
// through its latency, and again whenever the watchdog or a late block says so. The watchdog is fed from the block
// interrupt alone: a main loop that lives on while audio has died must not feed it.
//
// Cautions. Converter outputs drive amplifiers with hazardous voltage, and loudspeakers can harm hearing and catch
// fire. First power-up with no loudspeaker, then with a dummy load, gains down; prove the limits at the terminals.
// Local codes and licensed practice come first. A limiter in software is no fuse: keep the protection that the
// amplifiers have.
#include <array>
#include <cstddef>
#include <cstdint>

#include "chain_numbers.hpp"
#include "dsp/chain/chain.hpp"

namespace {
using namespace rackproof;

constexpr const dsp::ChainSettings& kChain = chain_numbers::kChain;
constexpr std::size_t kFeeds = kChain.feeds.size(), kOutputs = kChain.outputs.size();
constexpr std::size_t kFrames = chain_numbers::kBlockFrames;

/// What the board would hold: where the DMA reads and writes, interleaved, and what the block interrupt tells the rest.
std::array<std::int32_t, kFrames * kFeeds> codes_in{};
std::array<std::int32_t, kFrames * kOutputs> codes_out{};
volatile bool relays_closed = false, watchdog_fed = false;

alignas(8) std::byte memory[chain_numbers::kMemoryBytes];
dsp::Chain chain;
std::array<std::array<float, kFrames>, kFeeds> feeds;
std::array<std::array<float, kFrames>, kOutputs> outputs;
std::uint32_t blocks_until_heard = 1 + kChain.latency_samples / kFrames;

float sample_of(std::int32_t code) { return static_cast<float>(code) * 0x1p-31f; }
/// The greatest float below 1 makes the code 0x7fffff80; a 24-bit converter reads its upper 24 bits.
std::int32_t code_of(float sample) {
  const float least = -1.0f, most = 0x1.fffffep-1f;
  const float held = sample < least ? least : sample > most ? most : sample;
  return static_cast<std::int32_t>(held * 0x1p31f);
}

/// The block interrupt: as long as this takes less than a block lasts, nothing is lost.
void on_block() {
  std::array<const float*, kFeeds> from;
  std::array<float*, kOutputs> to;
  for (std::size_t f = 0; f < kFeeds; ++f) {
    for (std::size_t n = 0; n < kFrames; ++n) feeds[f][n] = sample_of(codes_in[n * kFeeds + f]);
    from[f] = feeds[f].data();
  }
  for (std::size_t o = 0; o < kOutputs; ++o) to[o] = outputs[o].data();
  chain.process(from, to, kFrames);
  const bool heard = blocks_until_heard == 0;
  if (!heard) --blocks_until_heard;
  for (std::size_t o = 0; o < kOutputs; ++o)
    for (std::size_t n = 0; n < kFrames; ++n) codes_out[n * kOutputs + o] = heard ? code_of(outputs[o][n]) : 0;
  relays_closed = heard;
  watchdog_fed = true;
}

/// A code of output `o` that is past its ceiling, or is there although the outputs are muted.
bool wrong(std::size_t o, std::int32_t code) {
  const dsp::PeakLimiterSettings& limiter = kChain.outputs[o].peak;
  const float size = code < 0 ? -sample_of(code) : sample_of(code);
  return (!relays_closed && code != 0) || (limiter.enabled && size > limiter.ceiling);
}
}  // namespace

int main() {
  // With the DMA stopped and the relays open. Anything but `ok`: stay muted, and let the watchdog bite.
  if (chain.configure(kChain, memory, dsp::Level::lanes_1) != dsp::Setup::ok) return 1;
  bool loud = false;
  for (std::uint32_t block = 0; block < 750; ++block) {
    // Stands in for the converters: a square wave at full scale, a low one under a high one.
    for (std::size_t n = 0; n < codes_in.size(); ++n) {
      const std::size_t frame = block * kFrames + n / kFeeds;
      codes_in[n] = ((frame / 400) % 2 == 0) == ((frame / 7) % 2 == 0) ? 0x7fffff80 : -0x7fffff80;
    }
    on_block();
    for (std::size_t n = 0; n < codes_out.size(); ++n) {
      if (wrong(n % kOutputs, codes_out[n])) return 2;
      loud = loud || codes_out[n] != 0;
    }
  }
  return loud && watchdog_fed ? 0 : 3;
}
