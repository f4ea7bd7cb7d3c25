// Must hold: the theorems of watched_files.hpp and of recorder.hpp.
#include <gtest/gtest.h>

#include <chrono>
#include <thread>

#include "harness/live/recorder.hpp"
#include "harness/live/watched_files.hpp"
#include "tests/harness/live/played.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::put;
using rackproof::test::read_audio;
using rackproof::test::Scratch;
using test::noise_rows;
using test::Rows;

TEST(WatchedFiles, TellOnceOfEachTimeThatOneWasSaved) {
  const Scratch scratch;
  put(scratch / "rig.toml", "a");
  put(scratch / "venue.toml", "a");
  WatchedFiles files;
  files.watch({scratch / "rig.toml", scratch / "venue.toml"});
  EXPECT_FALSE(files.saved());
  put(scratch / "venue.toml", "longer");
  EXPECT_FALSE(files.saved()) << "it may be under way";
  EXPECT_TRUE(files.saved());
  EXPECT_FALSE(files.saved());
  put(scratch / "rig.toml", "12");
  EXPECT_FALSE(files.saved());
  put(scratch / "rig.toml", "123");
  EXPECT_FALSE(files.saved()) << "and it was";
  EXPECT_TRUE(files.saved());
}
TEST(WatchedFiles, AFileThatIsReplacedCountsWhenItIsBack) {
  const Scratch scratch;
  put(scratch / "rig.toml", "a");
  WatchedFiles files;
  files.watch({scratch / "rig.toml"});
  std::filesystem::remove(scratch / "rig.toml");
  for (int look = 0; look < 3; ++look) EXPECT_FALSE(files.saved());
  put(scratch / "new", "a");  // the same length: another file nevertheless
  std::filesystem::rename(scratch / "new", scratch / "rig.toml");
  EXPECT_FALSE(files.saved());
  EXPECT_TRUE(files.saved());
  EXPECT_FALSE(files.saved());
}

/// Pushes blocks of `block` frames.
void push_all(Recorder& recorder, Rows& feeds, Rows& outputs, std::size_t block, std::size_t from, std::size_t end) {
  for (std::size_t n = from; n < end; n += block) {
    const std::size_t count = std::min(block, end - n);
    std::vector<const float*> in;
    std::vector<float*> out;
    for (const std::vector<float>& row : feeds) in.push_back(&row[n]);
    for (std::vector<float>& row : outputs) out.push_back(&row[n]);
    recorder.push(in, out, count);
  }
}
RecorderSettings settings_in(const std::filesystem::path& folder) {
  return {.folder = folder, .names = {"left", "high.left", "low.left"}};
}

TEST(LiveRecorder, WritesEveryFrameAsItWasInParts) {
  const Scratch scratch;
  RecorderSettings settings = settings_in(scratch / "take");
  settings.ring_s = 0.1;
  settings.part_s = 0.25;  // 12 000 frames
  Rows feeds = noise_rows(1, 30'001, 3.0f, 1), outputs = noise_rows(2, 30'001, 0.5f, 2);
  Recorder recorder(settings);
  for (std::size_t from = 0; from < 30'001; from += 1000) {
    push_all(recorder, feeds, outputs, 77, from, std::min<std::size_t>(from + 1000, 30'001));
    const auto limit = std::chrono::steady_clock::now() + std::chrono::seconds(30);
    while (recorder.frames() + 2000 < from && std::chrono::steady_clock::now() < limit)
      std::this_thread::sleep_for(std::chrono::milliseconds(1));
  }
  recorder.finish();
  EXPECT_EQ(recorder.news(), "");
  EXPECT_EQ(recorder.frames(), 30'001u);
  const std::vector<std::pair<std::string, const std::vector<float>*>> rows{
      {"left", &feeds[0]}, {"high.left", &outputs[0]}, {"low.left", &outputs[1]}};
  for (const auto& [name, row] : rows) {
    std::vector<float> all;
    for (const char* part : {".wav", ".2.wav", ".3.wav"}) {
      const auto audio = read_audio(scratch / ("take/" + name + part));
      EXPECT_EQ(audio.info.samplerate, 48'000);
      EXPECT_EQ(audio.info.channels, 1);
      all.insert(all.end(), audio.interleaved.begin(), audio.interleaved.end());
    }
    EXPECT_TRUE(all == *row) << name;
  }
  EXPECT_EQ(Scratch::names_in(scratch / "take").size(), 9u);
}

TEST(LiveRecorder, WhatTheDiskIsTooSlowForIsZerosInItsPlaceAndSaid) {
  const Scratch scratch;
  RecorderSettings settings = settings_in(scratch / "take");
  settings.ring_s = 0.02;  // 960 frames: far too few for what comes at once
  Rows feeds = noise_rows(1, 48'000, 1.0f, 1), outputs = noise_rows(2, 48'000, 1.0f, 2);
  for (std::vector<float>& row : outputs)
    for (float& x : row) x = x == 0 ? 1.0f : x;  // a zero is a loss
  Recorder recorder(settings);
  push_all(recorder, feeds, outputs, 64, 0, 24'000);
  std::this_thread::sleep_for(std::chrono::milliseconds(100));
  push_all(recorder, feeds, outputs, 64, 24'000, 48'000);
  recorder.finish();
  const std::string news = recorder.news();
  EXPECT_NE(news.find("the recording lost"), news.npos) << news;
  EXPECT_EQ(recorder.news(), "") << "once";
  const std::vector<float> left = read_audio(scratch / "take/left.wav").interleaved;
  const std::vector<float> high = read_audio(scratch / "take/high.left.wav").interleaved;
  ASSERT_EQ(high.size(), 48'000u) << "as long as it was";
  std::size_t lost = 0, wrong = 0;
  for (std::size_t n = 0; n < high.size(); ++n) {
    if (high[n] == 0)
      ++lost;
    else
      wrong += high[n] != outputs[0][n] || left[n] != feeds[0][n];
  }
  EXPECT_EQ(wrong, 0u);
  EXPECT_GT(lost, 20'000u);
  EXPECT_LT(lost, 48'000u - 900u);
}

TEST(LiveRecorder, WithoutFinishNothingIsLeft) {
  const Scratch scratch;
  Rows feeds = noise_rows(1, 4800, 1.0f, 1), outputs = noise_rows(2, 4800, 1.0f, 2);
  {
    Recorder recorder(settings_in(scratch / "take"));
    push_all(recorder, feeds, outputs, 64, 0, 4800);
  }
  EXPECT_TRUE(Scratch::names_in(scratch / "take").empty());
}

}  // namespace
}  // namespace rackproof::live
