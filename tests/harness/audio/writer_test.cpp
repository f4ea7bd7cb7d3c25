// Must hold: the theorem at the top of writer.hpp. A file is there whole or not at all, and the same samples make the
// same bytes.
#include "harness/audio/writer.hpp"

#include <gmock/gmock.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmath>
#include <limits>
#include <vector>

#include "harness/files/fingerprint.hpp"
#include "harness/files/interruption.hpp"
#include "harness/rig/rig.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::audio {
namespace {

using namespace rackproof::test;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::StartsWith;
using testing::ThrowsMessage;

std::vector<float> round_trip(const std::filesystem::path& place, Subtype subtype, const std::vector<float>& samples) {
  Writer writer(place, {.subtype = subtype});
  writer.write(samples);
  writer.keep();
  return read_audio(place).interleaved;
}

/// Enough of a WAV to be replaced by one.
const std::string kOld = "RIFF....WAVE an old one";

TEST(Writer, EverySubtypeHoldsWhatItCanHold) {
  const Scratch scratch;
  const std::vector<float> samples = noise(70001, 7);  // steps of 2^-15
  for (std::size_t s = 0; s < kSubtypeNames.size(); ++s)
    EXPECT_EQ(round_trip(scratch / "a.wav", static_cast<Subtype>(s), samples), samples) << kSubtypeNames[s];
  EXPECT_THAT(scratch.names(), ElementsAre("a.wav"));
  std::vector<float> over{1.5f, -63.0f, std::numeric_limits<float>::denorm_min()};
  EXPECT_EQ(round_trip(scratch / "a.wav", Subtype::float32, over), over);
  EXPECT_EQ(round_trip(scratch / "a.wav", Subtype::float64, over), over);
}

TEST(Writer, PcmRoundsToNearestAndSaturatesWithoutEverWrapping) {
  const Scratch scratch;
  const struct {
    Subtype subtype;
    int bits;
  } kinds[] = {{Subtype::pcm16, 16}, {Subtype::pcm24, 24}, {Subtype::pcm32, 32}};
  for (const auto& [subtype, bits] : kinds) {
    const double step = std::ldexp(1.0, 1 - bits);
    std::vector<float> samples{0.0f, 1.0f, -1.0f, 1.0001f, -1.0001f, 40.0f, -40.0f, 63.0f, -63.0f};
    for (int i = -40; i <= 40; ++i) samples.push_back(static_cast<float>(i * 0.25 * step));  // halves: ties
    std::mt19937 rng(8);
    for (int i = 0; i < 2000; ++i)
      samples.push_back(std::ldexp(static_cast<float>(static_cast<std::int32_t>(rng())), -30 - int(rng() % 12)));
    round_trip(scratch / "a.wav", subtype, samples);
    SF_INFO info{};
    SNDFILE* file = sf_open((scratch / "a.wav").c_str(), SFM_READ, &info);
    ASSERT_NE(file, nullptr);
    std::vector<int> read(samples.size());
    ASSERT_EQ(sf_readf_int(file, read.data(), info.frames), static_cast<sf_count_t>(samples.size()));
    sf_close(file);
    for (std::size_t i = 0; i < samples.size(); ++i) {
      const double exact = std::ldexp(static_cast<double>(samples[i]), bits - 1), most = std::ldexp(1.0, bits - 1);
      const double steps = std::ldexp(read[i], bits - 32);
      if (std::abs(exact) < most - 1)
        ASSERT_LE(std::abs(steps - exact), 0.5) << samples[i];
      else
        ASSERT_EQ(steps, exact > 0 ? most - 1 : std::max(std::nearbyint(exact), -most)) << samples[i];
    }
  }
}

TEST(Writer, TheSameSamplesMakeTheSameBytesInAnyPieces) {
  const Scratch scratch;
  const std::vector<float> samples = noise(30000, 9);
  for (std::size_t s = 0; s < kSubtypeNames.size(); ++s) {
    // A limit of nothing makes an RF64, whose writer in libsndfile would put the time of day into the file.
    for (const std::uint64_t limit : {WriterSettings{}.plain_wav_bytes, std::uint64_t{0}}) {
      const auto make = [&](const char* name, std::size_t piece) {
        Writer writer(
            scratch / name,
            {.subtype = static_cast<Subtype>(s), .expected_frames = samples.size(), .plain_wav_bytes = limit});
        for (std::size_t at = 0; at < samples.size(); at += piece)
          writer.write(std::span(samples).subspan(at, std::min(piece, samples.size() - at)));
        writer.keep();
        return bytes_of(scratch / name);
      };
      const std::string whole = make("a.wav", samples.size()), pieces = make("b.wav", 997);
      EXPECT_EQ(whole, pieces);
      EXPECT_THAT(whole, StartsWith(limit == 0 ? "RF64" : "RIFF"));
      EXPECT_EQ(whole.find("PEAK"), whole.npos);
      EXPECT_EQ(read_audio(scratch / "a.wav").interleaved, samples);
    }
  }
}

TEST(Writer, WhatDoesNotFitAPlainWavIsRf64WithItsSizesIn64Bits) {
  const Scratch scratch;
  {
    Writer writer(scratch / "a.wav", {.channels = 2, .expected_frames = 100, .plain_wav_bytes = 799});
    writer.write(std::vector<float>(200, 0.25f));
    writer.keep();
  }
  // EBU Tech 3306: "RF64", 0xffffffff, "WAVE", "ds64", 28, then RIFF size, data size and frames in 64 bits.
  const std::string bytes = bytes_of(scratch / "a.wav");
  EXPECT_EQ(bytes.substr(0, 20), "RF64" + le(0xffffffffu, 4) + "WAVEds64" + le(28, 4));
  EXPECT_EQ(bytes.substr(20, 24), le(bytes.size() - 8, 8) + le(800, 8) + le(100, 8));
  EXPECT_NE(bytes.find("data" + le(0xffffffffu, 4)), bytes.npos);
  {
    Writer writer(scratch / "b.wav", {.channels = 2, .expected_frames = 100, .plain_wav_bytes = 800});
    writer.write(std::vector<float>(200, 0.25f));
    writer.keep();
  }
  EXPECT_THAT(bytes_of(scratch / "b.wav"), StartsWith("RIFF"));
  {  // a promise beyond 4 GiB that was not kept: small after all, so a plain WAV
    Writer writer(scratch / "c.wav", {.expected_frames = std::uint64_t{1} << 40});
    writer.write(std::vector<float>(200, 0.25f));
    writer.keep();
  }
  EXPECT_THAT(bytes_of(scratch / "c.wav"), StartsWith("RIFF"));
  EXPECT_EQ(read_audio(scratch / "c.wav").interleaved, std::vector<float>(200, 0.25f));
}

TEST(Writer, LeavesTheOldFileUntilItIsWholeAndNothingWhenItIsNot) {
  const Scratch scratch;
  put(scratch / "a.wav", kOld);
  {
    Writer writer(scratch / "a.wav", {});
    writer.write(noise(100, 10));
    writer.finish();
    EXPECT_EQ(bytes_of(scratch / "a.wav"), kOld);
    EXPECT_EQ(scratch.names().size(), 2u);
  }
  EXPECT_EQ(bytes_of(scratch / "a.wav"), kOld);
  EXPECT_THAT(scratch.names(), ElementsAre("a.wav"));

  std::vector<Writer> writers;
  writers.emplace_back(scratch / "a.wav", WriterSettings{});
  writers.emplace_back(scratch / "b.wav", WriterSettings{});
  for (Writer& writer : writers) writer.write(noise(100, 11));
  keep_all(writers);
  EXPECT_THAT(scratch.names(), ElementsAre("a.wav", "b.wav"));
  EXPECT_EQ(read_audio(scratch / "a.wav").interleaved, noise(100, 11));
  EXPECT_EQ(std::filesystem::status(scratch / "a.wav").permissions() & std::filesystem::perms::owner_all,
            std::filesystem::perms::owner_read | std::filesystem::perms::owner_write);
}

TEST(Writer, AnyNumberOfWorkersGivesBackWhatWasReplaced) {
  const auto open_files = [] {
    std::filesystem::directory_iterator files("/proc/self/fd");
    return std::distance(begin(files), end(files));
  };
  const auto before = open_files();
  for (const std::size_t workers : {1u, 2u, 3u, 8u}) {
    const Scratch scratch;
    put(scratch / "a.wav", kOld);
    put(scratch / "c.wav", kOld);
    std::filesystem::create_symlink("absent", scratch / "d.wav");
    {
      std::vector<Writer> writers;
      for (const char* name : {"a.wav", "b.wav", "c.wav", "d.wav"})
        writers.emplace_back(scratch / name, WriterSettings{});
      for (Writer& writer : writers) writer.write(noise(100, 14));
      keep_all(writers, nullptr, workers);
      EXPECT_EQ(open_files(), before) << workers << " workers";
    }
    EXPECT_THAT(scratch.names(), ElementsAre("a.wav", "b.wav", "c.wav", "d.wav"));
    for (const std::string& name : scratch.names()) EXPECT_EQ(read_audio(scratch / name).interleaved, noise(100, 14));
  }
}

TEST(Writer, NoneTakesItsPlaceWhileAnotherIsNotWhole) {
  const Scratch scratch;
  put(scratch / "a.wav", kOld);
  {
    std::vector<Writer> writers;
    for (const char* name : {"a.wav", "b.wav"}) writers.emplace_back(scratch / name, WriterSettings{});
    for (Writer& writer : writers) writer.write(noise(1000, 13));
    for (const std::string& name : scratch.names())
      if (name.find("b.wav") != name.npos) std::filesystem::resize_file(scratch / name, 500);  // what a disk may lose
    EXPECT_THAT([&] { keep_all(writers); }, ThrowsMessage<MachineError>(HasSubstr("b.wav: cannot be written")));
  }
  EXPECT_THAT(scratch.names(), ElementsAre("a.wav"));
  EXPECT_EQ(bytes_of(scratch / "a.wav"), kOld);
}

TEST(Writer, TheFingerprintIsThatOfTheFile) {
  const Scratch scratch;
  const auto of_file = [&] {
    const std::string bytes = bytes_of(scratch / "a.wav");
    return files::fingerprint_of(bytes);
  };
  for (std::size_t s = 0; s < kSubtypeNames.size(); ++s)
    for (const std::uint64_t limit : {WriterSettings{}.plain_wav_bytes, std::uint64_t{0}})
      for (const std::size_t frames : {0u, 1u, 999u, 40001u})
        for (const std::uint64_t expected : {std::uint64_t{frames}, std::uint64_t{50000}, std::uint64_t{1} << 40}) {
          Writer writer(scratch / "a.wav",
                        {.subtype = static_cast<Subtype>(s), .expected_frames = expected, .plain_wav_bytes = limit});
          const std::vector<float> samples = noise(frames, 15);
          for (std::size_t at = 0; at < frames; at += 7000)
            writer.write(std::span(samples).subspan(at, std::min<std::size_t>(7000, frames - at)));
          writer.keep();
          ASSERT_EQ(writer.fingerprint(), of_file()) << kSubtypeNames[s] << ", " << frames << " of " << expected;
          ASSERT_EQ(writer.bytes(), std::filesystem::file_size(scratch / "a.wav"));
        }
}

TEST(Writer, SaysWhatIsWrong) {
  const Scratch scratch;
  EXPECT_THAT([&] { Writer(scratch / "absent/a.wav", {}); },
              ThrowsMessage<MachineError>(HasSubstr("absent/a.wav: cannot be written")));
  std::filesystem::create_directory(scratch / "b.wav");
  EXPECT_THAT([&] { Writer(scratch / "b.wav", {}); }, ThrowsMessage<InputError>(HasSubstr("is a folder")));
}

/// In a child: a file-size limit stands in for a full disk.
TEST(Writer, AFullDiskIsAnErrorThatLeavesNothing) {
  for (const bool from_the_start : {false, true}) {
    const Scratch scratch;
    const pid_t child = ::fork();
    if (child == 0) {
      const files::Interruption interruption;
      const rlimit limit{from_the_start ? rlim_t{8} : rlim_t{1} << 16, RLIM_INFINITY};
      ::setrlimit(RLIMIT_FSIZE, &limit);
      bool all_written = false;
      try {
        std::vector<Writer> writers;
        for (const char* name : {"a.wav", "b.wav"}) writers.emplace_back(scratch / name, WriterSettings{});
        for (int i = 0; i < 10; ++i)
          for (Writer& writer : writers) writer.write(noise(4000, 12));
        all_written = true;
        keep_all(writers);
      } catch (const MachineError& error) {
        if (all_written) ::_exit(44);  // hours too late
        ::_exit(std::string(error.what()).find("cannot be written") != std::string::npos ? 42 : 43);
      }
      ::_exit(1);
    }
    int status = 0;
    ASSERT_EQ(::waitpid(child, &status, 0), child);
    ASSERT_TRUE(WIFEXITED(status)) << "signal " << WTERMSIG(status);
    EXPECT_EQ(WEXITSTATUS(status), 42);
    EXPECT_THAT(scratch.names(), IsEmpty());
  }
}

}  // namespace
}  // namespace rackproof::audio
