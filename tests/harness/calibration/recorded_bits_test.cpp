/// The demo rigs' samples, to the bit, as they were recorded: what a change of the core or of the compiler of rigs may
/// not move unless it says so. The same number at every width of lanes.
#include <gtest/gtest.h>

#include <bit>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/firmware/cost.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof {
namespace {

/// FNV-1a, 64 bits, over the samples' bits, output after output in each block.
class BitsHash {
 public:
  void add(std::span<const float> samples) {
    for (const float x : samples) {
      const auto bits = std::bit_cast<std::uint32_t>(x);
      for (int byte = 0; byte < 4; ++byte) value_ = (value_ ^ (bits >> 8 * byte & 0xffu)) * 0x100000001b3u;
    }
  }
  std::uint64_t value() const { return value_; }

 private:
  std::uint64_t value_ = 0xcbf29ce484222325u;
};

/// Of two seconds of the programme that the costs are counted on: noise 12 dB above full scale, at it, and silence.
std::uint64_t bits_of(const CompiledRig& made, std::size_t feeds, dsp::Level level) {
  const std::size_t frames = 96'000, block = 64;
  std::vector<std::byte> memory(dsp::Chain::required_bytes(made.settings(), level));
  dsp::Chain chain;
  EXPECT_EQ(chain.configure(made.settings(), memory, level), dsp::Setup::ok);
  const std::vector<float> interleaved = firmware::programme(feeds, frames);
  std::vector<std::vector<float>> in(feeds, std::vector<float>(block)), out(made.outputs.size(), in[0]);
  BitsHash hash;
  for (std::size_t begin = 0; begin < frames; begin += block) {
    std::vector<const float*> from;
    std::vector<float*> to;
    for (std::size_t f = 0; f < feeds; ++f) {
      for (std::size_t n = 0; n < block; ++n) in[f][n] = interleaved[(begin + n) * feeds + f];
      from.push_back(in[f].data());
    }
    for (std::vector<float>& row : out) to.push_back(row.data());
    chain.process(from, to, block);
    for (const std::vector<float>& row : out) hash.add(row);
  }
  return hash.value();
}

struct RecordedRig {
  const char* file;
  bool with_venue;
  std::uint64_t bits;
};

class RecordedBits : public testing::TestWithParam<RecordedRig> {};

TEST_P(RecordedBits, AreTheSameAtEveryWidth) {
  const std::string folder = RACKPROOF_SOURCE_DIR "/audio_fixtures/";
  const rig::Rig rig = rig::load_rig(folder + GetParam().file);
  std::optional<rig::Venue> venue;
  if (GetParam().with_venue) venue = rig::load_venue(folder + "harbour-hall.venue.toml", rig);
  const CompiledRig made = compile(rig, venue ? &*venue : nullptr);
  for (const dsp::Level level : {dsp::Level::lanes_1, dsp::Level::lanes_4, dsp::Level::lanes_8, dsp::Level::lanes_16}) {
    if (!dsp::Chain::has(level)) continue;
    EXPECT_EQ(bits_of(made, rig.feeds.size(), level), GetParam().bits)
        << GetParam().file << ", lanes " << static_cast<int>(level);
  }
}

INSTANTIATE_TEST_SUITE_P(Demo, RecordedBits,
                         testing::Values(RecordedRig{"two-way-top.toml", false, 0xef84ac5cb25dfb4cu},
                                         RecordedRig{"two-way-top.toml", true, 0x0b939a453aaee52bu},
                                         RecordedRig{"three-way-mono-sub.toml", false, 0xbcc912d8bb92e532u},
                                         RecordedRig{"three-way-mono-sub.toml", true, 0x51d626e36b76ff37u},
                                         RecordedRig{"unmeasured-top.toml", false, 0xfeb67d998fdbd70au},
                                         RecordedRig{"town-square.toml", false, 0xf24a610ddaa44045u},
                                         RecordedRig{"lantern-room-96k.toml", false, 0x48e1c9da98ea0f89u}));

}  // namespace
}  // namespace rackproof
