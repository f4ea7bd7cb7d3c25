// Must hold: a render that begins at frame 2^31 or 2^32 of a long recording is that of the same samples in a short one,
// byte for byte; and what counts over a render counts on there.
#include <fmt/format.h>
#include <gmock/gmock.h>

#include <bit>
#include <cstdint>
#include <vector>

#include "harness/render/pipeline.hpp"
#include "harness/verbs/render_meter.hpp"
#include "tests/harness/audio/sparse_file.hpp"
#include "tests/harness/verbs/shell.hpp"

namespace rackproof {

/// Whatever the width of a counter, so that one that is too narrow is seen by what it counts.
struct CounterProbe {
  static void put(RenderMeter& meter, std::uint64_t frames, std::uint64_t clipped) {
    meter.frames_ = static_cast<decltype(meter.frames_)>(frames);
    meter.clipped_ = static_cast<decltype(meter.clipped_)>(clipped);
  }
  static void put(Pipeline& pipeline, std::uint64_t chunks) {
    for (Pipeline::Step& step : pipeline.steps_) step.done = static_cast<decltype(step.done)>(chunks);
  }
};

namespace {

using namespace rackproof::test;

constexpr std::uint64_t kFarPlaces[] = {std::uint64_t{1} << 31, std::uint64_t{1} << 32};
constexpr std::uint64_t kFarNumbers[] = {std::uint64_t{1} << 31, std::uint64_t{1} << 32, std::uint64_t{1} << 53};

/// A long recording's header: RF64 of 32-bit floats, EBU Tech 3306.
std::string long_header(std::uint64_t frames) {
  const std::string format = format_chunk(3, 1, 48000, 32, 4);
  return riff(
      chunk("ds64", le(4 + 36 + format.size() + 8 + 4 * frames, 8) + le(4 * frames, 8) + le(frames, 8) + le(0, 4)) +
          format + chunk("data", "", 0xffffffffu),
      "RF64");
}

TEST(FarRender, BeginsAtItsStartAndIsThatOfAShortRecording) {
  const Shell shell;
  shell.with_small_rig();
  const std::vector<float> samples = noise(4000, 31);
  std::string coded;
  for (const float x : samples) coded += le(std::bit_cast<std::uint32_t>(x), 4);
  write_audio(shell / "near.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, samples);
  ASSERT_EQ(shell.run("\"$R\" render one.toml near.wav -o near --quiet").status, 0);
  const std::set<std::string> names = Scratch::names_in(shell / "near");
  ASSERT_EQ(names.size(), 2u);  // one output, and the list
  for (const std::uint64_t place : kFarPlaces) {
    const std::uint64_t begin = place - 2000, frames = place + 100'000;
    const std::string header = long_header(frames);
    const SparseFile far(header.size() + 4 * frames);
    far.put(0, header);
    far.put(header.size() + 4 * begin, coded);
    for (const unsigned jobs : {1u, 2u}) {
      const std::string folder = fmt::format("far{}", jobs);
      const Result result = shell.run(
          fmt::format("\"$R\" render one.toml {} -o {} --start '{:.9f} s' --seconds '{:.9f} s' --jobs {} --quiet",
                      far.path().string(), folder, static_cast<double>(begin) / 48000, 4000.0 / 48000, jobs));
      ASSERT_EQ(result.status, 0) << result.err;
      for (const std::string& name : names)
        if (name.ends_with(".wav")) {
          EXPECT_TRUE(shell.read(folder + "/" + name) == shell.read("near/" + name)) << name << " at " << place;
        }
      const auto list = nlohmann::json::parse(shell.read(folder + "/render.json"));
      EXPECT_EQ(list["input"]["frames"], 4000);
    }
  }
}

TEST(FarCounters, ARenderMeterCountsOn) {
  const std::vector<float> block(1000, 1.5f);
  for (const std::uint64_t far : kFarNumbers)
    for (const std::uint64_t counted : {far - 300, far + 1}) {  // 2^53 + 1 is no double
      RenderMeter meter;
      CounterProbe::put(meter, counted, counted + 100);
      meter.add(block);
      EXPECT_EQ(meter.frames(), counted + 1000);
      EXPECT_EQ(meter.clipped_samples(), counted + 1100);
      EXPECT_DOUBLE_EQ(meter.rms(), std::sqrt(2250.0 / static_cast<double>(counted + 1000)));
    }
}
/// With slots of which 2^32 is no multiple, so that a number of 32 bits would begin again in another one.
TEST(FarCounters, APipelineHandsItsChunksOn) {
  for (const std::uint64_t far : kFarNumbers)
    for (const std::size_t workers : {1u, 3u}) {
      constexpr std::size_t kSlots = 3, kChunks = 20;
      std::size_t fetched = 0;
      std::vector<std::size_t> held(kSlots), seen;
      Pipeline pipeline(kSlots, [&](std::size_t slot) {
        if (fetched == kChunks) return false;
        EXPECT_EQ(slot, (far - 10 + fetched) % kSlots);
        held[slot] = fetched++;
        return true;
      });
      pipeline.add({Pipeline::kFetch}, [&](std::size_t slot) { seen.push_back(held[slot]); });
      CounterProbe::put(pipeline, far - 10);
      pipeline.run(workers);
      std::vector<std::size_t> all(kChunks);
      for (std::size_t n = 0; n < kChunks; ++n) all[n] = n;
      EXPECT_EQ(seen, all) << far;
    }
}

}  // namespace
}  // namespace rackproof
