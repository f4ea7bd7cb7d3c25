// Must hold: readers and writers stand right at 2^31, 2^32 and 2^53 frames, and at 2^31 and 2^32 bytes. The files are
// sparse: only their headers and a few samples are there, of values written here by hand.
#include <gmock/gmock.h>

#include <bit>
#include <cstring>

#include "harness/audio/feed_stream.hpp"
#include "harness/audio/wave_header.hpp"
#include "harness/audio/writer.hpp"
#include "harness/errors.hpp"
#include "tests/harness/audio/sparse_file.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::audio {

/// Whatever the width of a counter, so that one that is too narrow is seen by what it counts.
struct CounterProbe {
  /// As if so much more had been read, delivered and promised.
  static void put(FeedStream& stream, std::uint64_t read, std::uint64_t delivered) {
    stream.frames_ = static_cast<decltype(stream.frames_)>(stream.frames_ + delivered);
    stream.input_read_ = static_cast<decltype(stream.input_read_)>(read);
    stream.delivered_ = static_cast<decltype(stream.delivered_)>(delivered);
  }
};

namespace {

using namespace rackproof::test;
using testing::HasSubstr;
using testing::ThrowsMessage;

constexpr std::uint64_t k31 = std::uint64_t{1} << 31, k32 = std::uint64_t{1} << 32, k53 = std::uint64_t{1} << 53;
constexpr std::uint64_t kBehind = 100;  // frames that there are behind the last place
constexpr std::uint32_t kRate = 65536;  // seconds to 2^53 frames are whole doubles

std::string be(std::uint64_t value, std::size_t bytes) {
  std::string text = le(value, bytes);
  return {text.rbegin(), text.rend()};
}

/// A kind of file with `frames` frames of one channel: its header, and how a value stands in it.
struct Format {
  std::string name;
  std::uint64_t frames, frame_bytes;
  std::string header;
  std::string (*coded)(float);
  float empty = 0;  ///< what zero bytes read as

  std::uint64_t at(std::uint64_t frame) const { return header.size() + frame * frame_bytes; }
  std::uint64_t bytes() const { return at(frames); }
};
void PrintTo(const Format& format, std::ostream* out) { *out << format.name; }  // NOLINT: GoogleTest's name

std::string as_u8(float x) { return le(static_cast<std::uint64_t>(static_cast<int>(x * 128) + 128), 1); }
std::string as_pcm16(float x) { return le(static_cast<std::uint16_t>(static_cast<int>(x * 32768)), 2); }
std::string as_pcm24(float x) { return le(static_cast<std::uint32_t>(static_cast<int>(x * 8388608)), 3); }
std::string as_float(float x) { return le(std::bit_cast<std::uint32_t>(x), 4); }
std::string as_float_be(float x) { return be(std::bit_cast<std::uint32_t>(x), 4); }

std::string rf64(std::uint64_t frames, std::uint64_t tag, std::uint64_t bits, std::uint32_t rate = kRate) {
  const std::uint64_t bytes = bits / 8, data = frames * bytes;
  const std::string format = format_chunk(tag, 1, rate, bits, bytes);
  return riff(chunk("ds64", le(4 + 36 + format.size() + 8 + data, 8) + le(data, 8) + le(frames, 8) + le(0, 4)) +
                  format + chunk("data", "", 0xffffffffu),
              "RF64");
}
/// As the writer makes it, completed for so many frames.
std::string ours(std::uint64_t frames) {
  const Scratch scratch;
  Writer writer(scratch / "a.wav", {.sample_rate_hz = kRate, .expected_frames = 1, .plain_wav_bytes = 0});
  writer.write(std::vector<float>{0.5f});
  writer.keep();
  const std::string bytes = bytes_of(scratch / "a.wav");
  return completed_wave_header(bytes.substr(0, bytes.size() - 4), frames, 4);
}
/// Ids of 16 bytes, sizes of 8 that count the chunk's head; libsndfile's reading of the format.
std::string w64(std::uint64_t frames) {
  const std::string tail("\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a", 12);
  const std::string riff_id("riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00", 16);
  const std::string format = format_chunk(1, 1, kRate, 16, 2).substr(8);
  return riff_id + le(40 + 24 + 16 + 24 + 2 * frames, 8) + "wave" + tail + "fmt " + tail + le(24 + 16, 8) + format +
         "data" + tail + le(24 + 2 * frames, 8);
}
/// Apple, Core Audio Format: file header, "desc" of 32 bytes, "data" with an edit count ahead of the samples.
std::string caf(std::uint64_t frames) {
  return "caff" + be(1, 2) + be(0, 2) + "desc" + be(32, 8) + be(std::bit_cast<std::uint64_t>(double{kRate}), 8) +
         "lpcm" + be(1, 4) + be(4, 4) + be(1, 4) + be(1, 4) + be(32, 4) + "data" + be(4 + 4 * frames, 8) + be(0, 4);
}
std::string wav_u8(std::uint64_t frames) {
  const std::string format = format_chunk(1, 1, kRate, 8, 1);
  return "RIFF" + le(4 + format.size() + 8 + frames, 4) + "WAVE" + format + chunk("data", "", frames);
}

std::vector<Format> formats() {
  const std::uint64_t far = k53 + kBehind, most_of_riff = k32 - 0x10000;
  return {{"wav_u8_to_4_gib", most_of_riff, 1, wav_u8(most_of_riff), as_u8, -1.0f},
          {"rf64_u8", far, 1, rf64(far, 1, 8), as_u8, -1.0f},
          {"rf64_pcm16", far, 2, rf64(far, 1, 16), as_pcm16},
          {"rf64_pcm24", far, 3, rf64(far, 1, 24), as_pcm24},
          {"rf64_float", far, 4, rf64(far, 3, 32), as_float},
          {"rf64_of_the_writer", far, 4, ours(far), as_float},
          {"rf64_of_the_writer_just_beyond_2_to_32", k32 + 50, 4, ours(k32 + 50), as_float},
          {"w64_pcm16", far, 2, w64(far), as_pcm16},
          {"caf_float", far, 4, caf(far), as_float_be}};
}

class FarPositions : public testing::TestWithParam<Format> {
 protected:
  /// Frames at which something may go wrong: powers of two in frames and in bytes, and the end. Each with the two ahead.
  std::vector<std::uint64_t> places() const {
    const Format& format = GetParam();
    std::vector<std::uint64_t> list;
    for (const std::uint64_t place : {k31 / format.frame_bytes, k32 / format.frame_bytes, k31, k32, k53, format.frames})
      if (place <= format.frames && place >= 4) list.push_back(place);
    return list;
  }
  /// Around each place: 0.25, 0.5 | -0.75, 0.125, where the bar is the place.
  static constexpr std::array<float, 4> kValues{0.25f, 0.5f, -0.75f, 0.125f};
  static constexpr float kFirst = -0.25f;  ///< of frame 0
  void fill(const SparseFile& file) const {
    const Format& format = GetParam();
    file.put(0, format.header);
    file.put(format.at(0), format.coded(kFirst));
    for (const std::uint64_t place : places())
      for (std::size_t n = 0; n < kValues.size(); ++n)
        if (place - 2 + n < format.frames) file.put(format.at(place - 2 + n), format.coded(kValues[n]));
  }
};
INSTANTIATE_TEST_SUITE_P(, FarPositions, testing::ValuesIn(formats()),
                         [](const auto& format) { return format.param.name; });

TEST_P(FarPositions, TheReaderStandsWhereItIsToldToAndReadsWhatIsThere) {
  const Format& format = GetParam();
  const SparseFile file(format.bytes());
  fill(file);
  Reader reader(file.path());
  ASSERT_EQ(reader.frames(), format.frames);
  EXPECT_EQ(reader.sample_rate_hz(), kRate);
  EXPECT_EQ(reader.complaint(), std::nullopt);
  const std::uint32_t pick = 0;
  for (const std::uint64_t place : places()) {
    std::array<float, 5> read{};
    float* const to = read.data();
    reader.seek(place - 3);
    const std::size_t got = reader.read({&pick, 1}, {&to, 1}, read.size());
    ASSERT_EQ(got, std::min<std::uint64_t>(5, format.frames - (place - 3))) << place;
    EXPECT_EQ(read[0], format.empty) << place;
    for (std::size_t n = 1; n < got; ++n) EXPECT_EQ(read[n], kValues[n - 1]) << place << " - 3 + " << n;
    EXPECT_EQ(reader.read({&pick, 1}, {&to, 1}, 0), 0u);
    EXPECT_EQ(reader.complaint(), std::nullopt) << place;  // the end is where it was promised
    // From the place itself back to the beginning, and to the place again.
    reader.seek(place - 1);
    EXPECT_EQ(reader.read({&pick, 1}, {&to, 1}, 1), 1u);
    reader.seek(0);
    EXPECT_EQ(reader.read({&pick, 1}, {&to, 1}, 1), 1u);
    EXPECT_EQ(read[0], kFirst) << place;
    reader.seek(place - 1);
    EXPECT_EQ(reader.read({&pick, 1}, {&to, 1}, 1), 1u);
    EXPECT_EQ(read[0], kValues[1]) << place;
  }
}
TEST_P(FarPositions, TheStreamBeginsAtItsStartAndEndsAfterItsSeconds) {
  const Format& format = GetParam();
  const SparseFile file(format.bytes());
  fill(file);
  const std::vector<rig::Feed> feeds{{"main", 1, {}}};
  EXPECT_EQ(FeedStream(file.path(), {.feeds = feeds, .sample_rate_hz = kRate}).frames(), format.frames);
  for (const std::uint64_t place : places()) {
    FeedStream stream(file.path(), {.feeds = feeds,
                                    .sample_rate_hz = kRate,
                                    .start_s = static_cast<double>(place - 2) / kRate,
                                    .seconds = 3.0 / kRate});
    const std::uint64_t wanted = std::min<std::uint64_t>(3, format.frames - (place - 2));
    EXPECT_EQ(stream.frames(), wanted) << place;
    std::array<float, 5> read{};
    float* const to = read.data();
    ASSERT_EQ(stream.read({&to, 1}, read.size()), wanted) << place;
    for (std::size_t n = 0; n < wanted; ++n) EXPECT_EQ(read[n], kValues[n]) << place << " - 2 + " << n;
    EXPECT_EQ(stream.delivered(), wanted);
  }
  const auto at = [&](double start_s) {
    return FeedStream(file.path(), {.feeds = feeds, .sample_rate_hz = kRate, .start_s = start_s});
  };
  EXPECT_EQ(at(static_cast<double>(format.frames - 4) / kRate).frames(), 4u);
  EXPECT_THROW(static_cast<void>(at(static_cast<double>(format.frames + 4) / kRate)), InputError);
}

TEST(FarStream, ConvertedAtAFarPlaceIsConvertedAsNearBy) {
  const std::vector<float> samples = noise(500, 21);
  std::string coded;
  for (const float x : samples) coded += as_float(x);
  const std::vector<rig::Feed> feeds{{"main", 1, {}}};
  const auto converted = [&](std::uint64_t place) {
    const SparseFile file(rf64(place + 500, 3, 32).size() + 4 * (place + 500));
    const std::string header = rf64(place + 500, 3, 32);
    file.put(0, header);
    file.put(header.size() + 4 * place, coded);
    FeedStream stream(
        file.path(),
        {.feeds = feeds, .sample_rate_hz = 96000, .resample = true, .start_s = static_cast<double>(place) / kRate});
    std::vector<float> out(1000);
    float* const to = out.data();
    out.resize(stream.read({&to, 1}, out.size()));
    return out;
  };
  const std::vector<float> near = converted(0);
  EXPECT_EQ(near.size(), 733u);  // ceil(500 * 96000 / 65536)
  for (const std::uint64_t place : {k31 - 250, k32 - 250, k53 - 250}) EXPECT_EQ(converted(place), near) << place;
}
/// A time in seconds is two roundings from its frame: less than half a frame up to 2^51 of them, feed_stream.hpp.
TEST(FarStream, AStartInSecondsIsExactUpTo2To51Frames) {
  const std::uint64_t frames = k53;
  std::mt19937 rng(33);
  for (const std::uint32_t rate : {44100u, 48000u, 96000u, 192000u}) {
    const std::string header = rf64(frames, 1, 8, rate);
    const SparseFile file(header.size() + frames);
    file.put(0, header);
    for (int n = 0; n < 50; ++n) {
      const std::uint64_t start = (k53 >> (2 + n % 24)) - 1 - rng() % 1000;
      const FeedStream stream(
          file.path(),
          {.feeds = {{"main", 1, {}}}, .sample_rate_hz = rate, .start_s = static_cast<double>(start) / rate});
      ASSERT_EQ(stream.frames(), frames - start) << start << " at " << rate;
    }
  }
}
TEST(FarStream, HowManyFramesAConversionMakesIsExact) {
  const std::uint64_t frames = k53 + 1;
  const std::string header = rf64(frames, 1, 8);
  const SparseFile file(header.size() + frames);
  file.put(0, header);
  const FeedStream stream(file.path(), {.feeds = {{"main", 1, {}}}, .sample_rate_hz = 96000, .resample = true});
  const auto exact = (static_cast<unsigned __int128>(frames) * 96000 + kRate - 1) / kRate;
  EXPECT_EQ(stream.frames(), static_cast<std::uint64_t>(exact));
}
TEST(FarStream, WhatIsReadAndDeliveredIsCountedOn) {
  const Scratch scratch;
  write_audio(scratch / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1, 48000, noise(1000, 22));
  std::vector<float> out(4000);
  float* const to = out.data();
  for (const std::uint64_t far : {k31, k32, k53})
    for (const std::uint32_t times : {1u, 2u}) {
      FeedStream stream(scratch / "a.wav",
                        {.feeds = {{"main", 1, {}}}, .sample_rate_hz = 48000 * times, .resample = true});
      const std::uint64_t before = far / times - 300;
      CounterProbe::put(stream, before, before * times);
      EXPECT_EQ(stream.read({&to, 1}, out.size()), 1000u * times);
      EXPECT_EQ(stream.frames(), (before + 1000) * times);  // worked out anew, from what was read
      EXPECT_EQ(stream.delivered(), (before + 1000) * times);
    }
}

TEST(FarHeader, SizesBeyond32BitsStandIn64) {
  for (const std::uint64_t frames : {k31, k32 - 2, k32 - 1, k32, k32 + 5, k53}) {
    const std::string header = ours(frames);
    EXPECT_EQ(header.substr(4, 4), le(0xffffffffu, 4));
    EXPECT_EQ(header.substr(12, 4), "ds64");
    EXPECT_EQ(header.substr(20, 24), le(header.size() + 4 * frames - 8, 8) + le(4 * frames, 8) + le(frames, 8));
    EXPECT_EQ(header.substr(header.size() - 8), "data" + le(0xffffffffu, 4));
    // EBU Tech 3306: -1 in "fact" sends a reader to ds64. The low 32 bits of the number would be a wrong one.
    const std::string with_fact =
        completed_wave_header(riff(chunk("ds64", std::string(28, '\0')) + format_chunk(3, 1, kRate, 32, 4) +
                                       chunk("fact", le(0, 4)) + chunk("data", ""),
                                   "RF64"),
                              frames, 4);
    EXPECT_EQ(with_fact.substr(with_fact.find("fact") + 8, 4), le(std::min(frames, k32 - 1), 4)) << frames;
  }
}

TEST(FarWriter, APlainWavTakesNoMoreThanItHasRoomFor) {
  const Scratch scratch;
  put(scratch / "a.wav", bytes_of(RACKPROOF_SOURCE_DIR "/tests/fuzz/corpus/audio/wav_pcm16"));
  const std::string old = bytes_of(scratch / "a.wav");
  {
    Writer writer(scratch / "a.wav", {.channels = 2, .expected_frames = 10, .plain_wav_bytes = 800});
    writer.write(std::vector<float>(198, 0.25f));
    writer.write(std::vector<float>(2, 0.25f));  // 100 frames of 8 bytes: the last that fits
    EXPECT_THAT([&] { writer.write(std::vector<float>(2, 0.25f)); },
                ThrowsMessage<MachineError>(HasSubstr("10 frames were said ahead, and for more than 100 of them")));
  }
  EXPECT_EQ(bytes_of(scratch / "a.wav"), old);
  Writer whole(scratch / "b.wav", {.channels = 2, .expected_frames = 10, .plain_wav_bytes = 800});
  whole.write(std::vector<float>(200, 0.25f));
  whole.keep();
  EXPECT_EQ(read_audio(scratch / "b.wav").interleaved, std::vector<float>(200, 0.25f));
}
TEST(FarWriter, TheLongestPlainWavAndTheShortestLongOne) {
  const Scratch scratch;
  const std::uint64_t most = WriterSettings{}.plain_wav_bytes;
  EXPECT_LE(most + 4096, 0xffffffffu);  // the RIFF size counts a header of up to 4096 bytes as well
  for (const auto& [frames, id] : {std::pair{most / 4, "RIFF"}, std::pair{most / 4 + 1, "RF64"}}) {
    Writer writer(scratch / "a.wav", {.expected_frames = frames});
    writer.write(std::vector<float>(10, 0.5f));
    writer.keep();
    EXPECT_EQ(bytes_of(scratch / "a.wav").substr(0, 4), id) << frames;
  }
}

/// A recorder that went on behind 4 GiB, where the 32 bits of its header begin again.
TEST(FarReader, AHeaderWhoseSizeHasWrappedIsSaid) {
  const std::uint64_t frames = k32 + 1000;
  const std::string header = wav_u8(1000);
  const SparseFile file(header.size() + frames);
  file.put(0, header);
  file.put(header.size() + 500, as_u8(0.5f));
  file.put(header.size() + 1500, as_u8(0.5f));
  Reader reader(file.path());
  EXPECT_EQ(reader.frames(), 1000u);
  ASSERT_NE(reader.complaint(), std::nullopt);
  EXPECT_EQ(reader.complaint()->code, "input-header-wrong");
  EXPECT_THAT(reader.complaint()->text, HasSubstr("holds 4294967296 bytes behind the audio that its header counts"));
}
/// A long one that was copied only in part.
TEST(FarReader, AFileCutShortIsSaid) {
  const std::uint64_t held = k32 + 1000, promised = k53;
  const std::string header = rf64(promised, 3, 32);
  const SparseFile file(header.size() + 4 * held);
  file.put(0, header);
  file.put(header.size() + 4 * (held - 1), as_float(0.5f));
  Reader reader(file.path());
  EXPECT_EQ(reader.frames(), held);
  ASSERT_NE(reader.complaint(), std::nullopt);
  EXPECT_EQ(reader.complaint()->code, "input-cut-short");
  float last = 0;
  float* const to = &last;
  const std::uint32_t pick = 0;
  reader.seek(held - 1);
  EXPECT_EQ(reader.read({&pick, 1}, {&to, 1}, 1), 1u);
  EXPECT_EQ(last, 0.5f);
}

}  // namespace
}  // namespace rackproof::audio
