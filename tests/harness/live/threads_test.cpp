// Must hold: what stands under "Threads" in live_rig.hpp, readings.hpp and recorder.hpp: the audio thread, the one that
// gives commands and those that read meet in nothing that is not meant for it. A thread sanitizer judges that (the
// target `thread_tests`); without one, that ceilings hold and readings belong together while all of them run.
#include <gtest/gtest.h>

#include <array>
#include <atomic>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <span>
#include <string>
#include <thread>

#include "harness/live/live_rig.hpp"
#include "harness/live/recorder.hpp"
#include "tests/harness/live/played.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::Scratch;
using test::noise_rows;
using test::replaced;
using test::Rows;
using test::tuning_of;
using test::two_way;

constexpr std::size_t kFeeds = 2, kOutputs = 4, kBlock = 64;

TEST(LiveThreads, AudioCommandsAndReadersRunSideBySide) {
  constexpr int kFewestChanges = 6;
  constexpr std::uint64_t kMostFrames = 48'000 * 600;
  const std::array<std::string, 2> files{replaced(two_way(), "below_clip = \"2 dB\"", "below_clip = \"5 dB\""),
                                         two_way()};
  std::array<float, kOutputs> ceilings{};
  {
    const Tuning tuning = tuning_of(files[1]);  // the greater ones
    for (std::size_t o = 0; o < kOutputs; ++o) ceilings[o] = tuning.compiled.settings().outputs[o].peak.ceiling;
  }
  const Scratch scratch;
  LiveRig rig(tuning_of(files[1]));
  Recorder recorder({.folder = scratch / "take", .names = {"left", "right", "a", "b", "c", "d"}});
  std::atomic<bool> ends{false};
  std::atomic<int> changes{0};
  std::thread commands([&] {
    for (unsigned n = 0; !ends; ++n) {
      if (!rig.changing() && !rig.readings().signals().begins) rig.retune(tuning_of(files[n % 2]));
      if (rig.proceed()) ++changes;
      rig.mute(n % kOutputs, n % 3 == 0);
      static_cast<void>(recorder.news());
      static_cast<void>(recorder.frames());
      std::this_thread::sleep_for(std::chrono::milliseconds(1));
    }
  });
  std::uint64_t back = 0, unlike = 0;
  std::thread reader([&] {
    for (std::uint64_t last = 0; !ends; std::this_thread::yield()) {
      const Reading reading = rig.readings().read();
      back += reading.signals.frames < last;
      last = reading.signals.frames;
      unlike += reading.outputs.size() != kOutputs || reading.feeds.size() != kFeeds;
    }
  });

  const Rows loud = noise_rows(kFeeds, 48'000, 3.0f, 1);
  Rows out(kOutputs, std::vector<float>(kBlock));
  std::array<float*, kOutputs> to{};
  for (std::size_t o = 0; o < kOutputs; ++o) to[o] = out[o].data();
  std::uint64_t above = 0, heard = 0;
  while (changes < kFewestChanges && rig.frames() < kMostFrames) {
    const std::size_t at = rig.frames() % 48'000;
    const std::array<const float*, kFeeds> from{&loud[0][at], &loud[1][at]};
    rig.process(from, to, kBlock);
    rig.took(0.1f);
    recorder.push(from, to, kBlock);
    for (std::size_t o = 0; o < kOutputs; ++o)
      for (const float y : out[o]) {
        above += !(std::fabs(y) <= ceilings[o]);
        heard += y != 0;
      }
  }
  ends = true;
  commands.join();
  reader.join();
  EXPECT_GE(changes, kFewestChanges) << "while " << rig.frames() << " frames were played";
  EXPECT_EQ(above, 0u);
  EXPECT_GT(heard, 48'000u) << "control: it is no silence that holds the ceilings";
  EXPECT_EQ(back, 0u);
  EXPECT_EQ(unlike, 0u);
  recorder.finish();
  EXPECT_EQ(recorder.frames(), rig.frames()) << "with zeros for what the disk was too slow for";
}

}  // namespace
}  // namespace rackproof::live
