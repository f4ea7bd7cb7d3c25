// Must hold: the theorem at the top of reader.hpp. Whatever the bytes, opening and reading end, with an error that
// names the file or with what is there; and a sample read is the sample written.
#include "harness/audio/reader.hpp"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <sys/resource.h>
#include <sys/stat.h>

#include <cmath>
#include <cstring>
#include <numeric>

#include "harness/errors.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::audio {
namespace {

using namespace rackproof::test;
using testing::AllOf;
using testing::HasSubstr;
using testing::ThrowsMessage;

/// All channels, interleaved again, in pieces of `piece` frames.
std::vector<float> all_of(Reader& reader, std::size_t piece) {
  std::vector<std::uint32_t> picks(reader.channels());
  std::iota(picks.begin(), picks.end(), 0u);
  std::vector<float> planar(piece * picks.size()), interleaved;
  std::vector<float*> at;
  for (std::size_t c = 0; c < picks.size(); ++c) at.push_back(planar.data() + c * piece);
  for (std::size_t got = piece; got == piece;) {
    got = reader.read(picks, at, piece);
    for (std::size_t n = 0; n < got; ++n)
      for (std::size_t c = 0; c < picks.size(); ++c) interleaved.push_back(at[c][n]);
  }
  return interleaved;
}

struct Kind {
  const char* name;
  int format;
  double tolerance;  // 0: exact, the format holds steps of 2^-15
};
class EveryFormat : public testing::TestWithParam<Kind> {};
INSTANTIATE_TEST_SUITE_P(
    , EveryFormat,
    testing::Values(
        Kind{"wav_16", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 0}, Kind{"wav_24", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 0},
        Kind{"wav_32", SF_FORMAT_WAV | SF_FORMAT_PCM_32, 0}, Kind{"wav_float", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 0},
        Kind{"wav_double", SF_FORMAT_WAV | SF_FORMAT_DOUBLE, 0},
        Kind{"wav_8", SF_FORMAT_WAV | SF_FORMAT_PCM_U8, 1.0 / 128},  // a step of 8 bits
        Kind{"wavex", SF_FORMAT_WAVEX | SF_FORMAT_PCM_24, 0}, Kind{"rf64", SF_FORMAT_RF64 | SF_FORMAT_PCM_24, 0},
        Kind{"w64", SF_FORMAT_W64 | SF_FORMAT_FLOAT, 0}, Kind{"flac_16", SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 0},
        Kind{"flac_24", SF_FORMAT_FLAC | SF_FORMAT_PCM_24, 0}, Kind{"aiff", SF_FORMAT_AIFF | SF_FORMAT_PCM_24, 0},
        Kind{"caf", SF_FORMAT_CAF | SF_FORMAT_FLOAT, 0}),
    [](const auto& kind) { return kind.param.name; });

TEST_P(EveryFormat, GivesBackEverySampleHoweverItIsCut) {
  const Scratch scratch;
  const std::vector<float> written = noise(3 * 20011, 1);
  write_audio(scratch / "a", GetParam().format, 3, 44100, written);
  for (const std::size_t piece : {std::size_t{1000}, std::size_t{16384}, std::size_t{65536}}) {
    Reader reader(scratch / "a");
    ASSERT_EQ(reader.channels(), 3u);
    ASSERT_EQ(reader.sample_rate_hz(), 44100u);
    ASSERT_EQ(reader.frames(), 20011u);
    const std::vector<float> read = all_of(reader, piece);
    ASSERT_EQ(read.size(), written.size());
    for (std::size_t i = 0; i < read.size(); ++i)
      ASSERT_NEAR(read[i], written[i], GetParam().tolerance) << "value " << i;
    EXPECT_EQ(reader.complaint(), std::nullopt);
  }
}

TEST_P(EveryFormat, SeeksToTheFrame) {
  const Scratch scratch;
  const std::vector<float> written = noise(20011, 2);
  write_audio(scratch / "a", GetParam().format, 1, 48000, written);
  Reader reader(scratch / "a");
  for (const std::uint64_t frame : {std::uint64_t{17000}, std::uint64_t{1}, std::uint64_t{20010}}) {
    float x = 9.0f;
    const std::uint32_t pick = 0;
    float* at = &x;
    reader.seek(frame);
    ASSERT_EQ(reader.read({&pick, 1}, {&at, 1}, 1), 1u);
    EXPECT_NEAR(x, written[frame], GetParam().tolerance);
  }
}

TEST(Reader, ReadsALossyFormat) {
  const Scratch scratch;
  std::vector<float> sine(48000);
  for (std::size_t n = 0; n < sine.size(); ++n)
    sine[n] = 0.5f * static_cast<float>(std::sin(0.1 * static_cast<double>(n)));
  write_audio(scratch / "a.ogg", SF_FORMAT_OGG | SF_FORMAT_VORBIS, 1, 48000, sine);
  Reader reader(scratch / "a.ogg");
  const std::vector<float> read = all_of(reader, 16384);
  ASSERT_EQ(read.size(), sine.size());
  for (std::size_t n = 4800; n < 43200; ++n) ASSERT_NEAR(read[n], sine[n], 0.05);  // -20 dB of it: clearly that sine
}

TEST(Reader, SaysWhatIsWrongOnceEach) {
  const Scratch scratch;
  const auto open = [&](const char* name) { return [&scratch, name] { Reader reader(scratch / name); }; };
  EXPECT_THAT(open("absent.wav"), ThrowsMessage<InputError>(AllOf(HasSubstr("absent.wav"), HasSubstr("no such file"))));
  put(scratch / "empty.wav", "");
  EXPECT_THAT(open("empty.wav"), ThrowsMessage<InputError>(HasSubstr("empty")));
  put(scratch / "letter.txt", std::string(5000, 'x'));
  EXPECT_THAT(open("letter.txt"),
              ThrowsMessage<InputError>(AllOf(HasSubstr("letter.txt"), HasSubstr("no audio"), HasSubstr("FLAC"))));
  put(scratch / "none.wav", riff(format_chunk(1, 1, 48000, 16, 2) + chunk("data", "")));
  EXPECT_THAT(open("none.wav"), ThrowsMessage<InputError>(HasSubstr("0 frames")));
  std::filesystem::create_directory(scratch / "folder");
  EXPECT_THAT(open("folder"), ThrowsMessage<InputError>(HasSubstr("folder")));
  ASSERT_EQ(::mkfifo((scratch / "pipe").c_str(), 0600), 0);
  EXPECT_THAT(open("pipe"), ThrowsMessage<InputError>(HasSubstr("pipe")));  // and does not wait for a writer
  std::filesystem::create_symlink(scratch / "loop", scratch / "loop");
  EXPECT_THAT(open("loop"), ThrowsMessage<MachineError>(HasSubstr("cannot be read")));  // as a file without permission
}

TEST(Reader, DoesNotComplainOfAHeaderThatLeavesItsLengthOpen) {
  const Scratch scratch;
  const std::string fmt = format_chunk(1, 1, 48000, 16, 2), sound(4000, '\1');
  const auto complaint = [&](const std::string& bytes) {
    put(scratch / "a.wav", bytes);
    Reader reader(scratch / "a.wav");
    EXPECT_EQ(all_of(reader, 1000).size(), 2000u);
    const std::optional<Complaint> said = reader.complaint();
    return said ? std::optional(said->text) : std::nullopt;
  };
  for (const std::uint64_t open_end : {0xffffffffu, 0x7fffffffu, 0x7ffff000u}) {
    const std::string body = "WAVE" + fmt + chunk("data", sound, open_end);
    EXPECT_EQ(complaint("RIFF" + le(0xffffffffu, 4) + body), std::nullopt);
  }
  const std::string body = "WAVE" + fmt + chunk("data", sound);
  EXPECT_EQ(complaint("RIFF" + le(body.size() + 8, 4) + body), std::nullopt);  // with its own head: common, harmless
  EXPECT_TRUE(complaint("RIFF" + le(body.size(), 4) + "WAVE" + fmt + chunk("data", sound, 4010)));
}

TEST(Reader, TellsOfACutShortFileAndReadsWhatIsThere) {
  const Scratch scratch;
  const std::vector<float> written = noise(50000, 3);
  for (const int format :
       {SF_FORMAT_WAV | SF_FORMAT_PCM_16, SF_FORMAT_AIFF | SF_FORMAT_PCM_16, SF_FORMAT_RF64 | SF_FORMAT_PCM_16,
        SF_FORMAT_W64 | SF_FORMAT_PCM_16, SF_FORMAT_AU | SF_FORMAT_PCM_16, SF_FORMAT_FLAC | SF_FORMAT_PCM_16}) {
    SCOPED_TRACE(testing::Message() << "format 0x" << std::hex << format);
    write_audio(scratch / "cut", format, 1, 48000, written);
    std::filesystem::resize_file(scratch / "cut", std::filesystem::file_size(scratch / "cut") / 2);
    Reader reader(scratch / "cut");
    const std::vector<float> read = all_of(reader, 1000);
    ASSERT_GT(read.size(), 20000u);
    ASSERT_LT(read.size(), 26000u);
    EXPECT_TRUE(std::equal(read.begin(), read.end(), written.begin()));
    ASSERT_TRUE(reader.complaint());
    EXPECT_EQ(reader.complaint()->code, "input-cut-short");
    EXPECT_THAT(reader.complaint()->text, AllOf(HasSubstr("cut short"), HasSubstr("frame")));
  }
}

/// A header that counts less than there is: of every kind of file that has chunks, and of those without.
TEST(Reader, TellsOfAudioThatTheHeaderDoesNotCount) {
  const Scratch scratch;
  const std::vector<float> written = noise(5000, 4);
  const auto be = [](std::uint64_t value, std::size_t bytes) {
    std::string text = le(value, bytes);
    return std::string(text.rbegin(), text.rend());
  };
  const auto complaint = [&](const std::string& bytes, std::size_t frames, std::size_t fewer = 0) {
    put(scratch / "a", bytes);
    Reader reader(scratch / "a");
    const std::size_t read = all_of(reader, 1000).size();
    EXPECT_LE(read, frames);
    EXPECT_GE(read, frames - fewer);
    return reader.complaint();
  };
  const struct {
    const char* name;
    int format;
    std::string id;          // of the chunk, ahead of its size
    std::size_t size_bytes;  // of that size
    bool big_endian;
    std::uint64_t more;  // in the size, beside the samples
  } kinds[] = {
      {"WAV", SF_FORMAT_WAV, "data", 4, false, 0},  {"RIFX", SF_FORMAT_WAV | SF_ENDIAN_BIG, "data", 4, true, 0},
      {"AIFF", SF_FORMAT_AIFF, "SSND", 4, true, 8}, {"CAF", SF_FORMAT_CAF, "data", 8, true, 4},
      {"AU", SF_FORMAT_AU, "", 4, true, 0},         {"W64", SF_FORMAT_W64, "data", 8, false, 24}};
  for (const auto& kind : kinds) {
    SCOPED_TRACE(kind.name);
    write_audio(scratch / "whole", kind.format | SF_FORMAT_PCM_16, 1, 48000, written);
    const std::string whole = bytes_of(scratch / "whole");
    EXPECT_EQ(complaint(whole, 5000), std::nullopt);
    std::size_t at = 0;
    if (std::string(kind.name) == "AU")
      at = 8;
    else if (std::string(kind.name) == "W64")
      at = whole.find(kind.id) + 16;
    else
      at = whole.find(kind.id) + 4;
    const auto claiming = [&](std::uint64_t frames) {
      std::string changed = whole;
      const std::uint64_t size = 2 * frames + kind.more;
      return changed.replace(at, kind.size_bytes,
                             kind.big_endian ? be(size, kind.size_bytes) : le(size, kind.size_bytes));
    };
    ASSERT_EQ(claiming(5000), whole) << "not where the size stands";
    // libsndfile goes by the end of the file in a W64, and leaves out the last 8 bytes of a CAF that is too short.
    const std::size_t counted = std::string(kind.name) == "W64" ? 5000 : 2000;
    const std::optional<Complaint> less = complaint(claiming(2000), counted);
    ASSERT_TRUE(less);
    EXPECT_EQ(less->code, "input-header-wrong");
    EXPECT_THAT(less->text,
                AllOf(HasSubstr("6000 bytes behind the audio"), HasSubstr(std::to_string(counted) + " frames")));
    const std::optional<Complaint> more = complaint(claiming(6000), 5000, std::string(kind.name) == "CAF" ? 4 : 0);
    ASSERT_TRUE(more);
    EXPECT_EQ(more->code, "input-cut-short");
  }
}

TEST(Reader, ChunksTagsAndPaddingBehindTheAudioAreNoReasonToComplain) {
  const Scratch scratch;
  const std::string start = format_chunk(1, 1, 48000, 16, 2) + chunk("data", std::string(4000, '\1'));
  const auto complaint = [&](const std::string& behind) {
    put(scratch / "a.wav", riff(start) + behind);
    Reader reader(scratch / "a.wav");
    EXPECT_EQ(all_of(reader, 1000).size(), 2000u);
    return reader.complaint();
  };
  for (const std::string& behind :
       {std::string(), chunk("LIST", "INFO"), chunk("LIST", "INFO") + chunk("cue ", std::string(28, '\0')),
        std::string(5000, '\0'), std::string("ID3\3\0\0\0\0\0\1x", 11), "TAG" + std::string(125, ' '),
        std::string("\0\0\0", 3), chunk("junk", "cut short", 4000)})
    EXPECT_EQ(complaint(behind), std::nullopt) << behind.substr(0, 8);
  const auto is_said = [&](const std::string& behind) {
    try {
      return complaint(behind).has_value();
    } catch (const InputError&) {  // some of them libsndfile does not take for audio at all
      return true;
    }
  };
  EXPECT_TRUE(is_said(std::string(100, '\1')));
  EXPECT_TRUE(is_said(std::string(50, '\0') + std::string(50, '\1')));
  EXPECT_TRUE(is_said(chunk("LIST", "INFO") + chunk("data", std::string(4000, '\1'))));  // a second one
  const std::string unfinished = format_chunk(1, 1, 48000, 16, 2) + chunk("data", std::string(4000, '\1'), 0);
  put(scratch / "a.wav", riff(unfinished));
  EXPECT_THROW(Reader(scratch / "a.wav"), InputError);              // "0 frames"
  put(scratch / "a.wav", "RIFF" + le(8, 4) + "WAVE" + unfinished);  // as recorders begin one
  Reader unclosed(scratch / "a.wav");
  EXPECT_EQ(all_of(unclosed, 1000).size(), 2000u);
  ASSERT_TRUE(unclosed.complaint());
  EXPECT_THAT(unclosed.complaint()->text, HasSubstr("counts no audio"));
}

TEST(Reader, WithoutAFrameItIsRefusedWhateverTheFormat) {
  const Scratch scratch;
  int majors = 0;
  sf_command(nullptr, SFC_GET_FORMAT_MAJOR_COUNT, &majors, sizeof majors);
  std::size_t tried = 0;
  for (int i = 0; i < majors; ++i)
    for (const int subtype : {SF_FORMAT_PCM_16, SF_FORMAT_PCM_S8, SF_FORMAT_FLOAT, SF_FORMAT_VORBIS, SF_FORMAT_ALAC_16,
                              SF_FORMAT_MPEG_LAYER_III}) {
      SF_FORMAT_INFO major{};
      major.format = i;
      sf_command(nullptr, SFC_GET_FORMAT_MAJOR, &major, sizeof major);
      SF_INFO info{};
      info.format = (major.format & SF_FORMAT_TYPEMASK) | subtype;
      info.channels = 1;
      info.samplerate = 44100;
      if (sf_format_check(&info) == 0) continue;
      SNDFILE* const file = sf_open((scratch / "none").c_str(), SFM_WRITE, &info);
      if (file == nullptr) continue;
      sf_close(file);
      ++tried;
      EXPECT_THROW(Reader(scratch / "none"), InputError) << major.name << ", subtype " << subtype;
    }
  EXPECT_GT(tried, 20u);
}

/// STREAMINFO of a FLAC (RFC 9639, section 8.2) with another number of samples: 36 bits from bit 108 of its payload.
std::string with_samples(std::string flac, std::uint64_t samples) {
  flac[21] = static_cast<char>((flac[21] & 0xf0) | static_cast<char>(samples >> 32 & 0xf));
  for (std::size_t byte = 0; byte < 4; ++byte) flac[22 + byte] = static_cast<char>(samples >> (24 - 8 * byte));
  return flac;
}
TEST(Reader, AStreamThatPromisesNoLengthIsCounted) {
  const Scratch scratch;
  const std::vector<float> written = noise(50000, 5);
  write_audio(scratch / "a.flac", SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 1, 48000, written);
  const std::string whole = bytes_of(scratch / "a.flac");
  ASSERT_EQ(with_samples(whole, 50000), whole);
  put(scratch / "a.flac", with_samples(whole, 0));
  Reader reader(scratch / "a.flac");
  EXPECT_EQ(reader.frames(), 50000u);
  EXPECT_EQ(all_of(reader, 1000), written);
  EXPECT_EQ(reader.complaint(), std::nullopt);
  // Heads alone: neither a length nor a frame, and a promise that nothing keeps.
  put(scratch / "head.flac", with_samples(whole, 0).substr(0, 42));
  EXPECT_THROW(Reader(scratch / "head.flac"), InputError);
  put(scratch / "head.flac", whole.substr(0, 42));
  const auto read = [&] {
    Reader promised(scratch / "head.flac");
    all_of(promised, 1000);
  };
  EXPECT_THAT(read, ThrowsMessage<InputError>(AllOf(HasSubstr("head.flac"), HasSubstr("0 frames"))));
}

TEST(Reader, AReadThatFailsIsTheMachinesFault) {
  const Scratch scratch;
  write_audio(scratch / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1, 48000, noise(100, 6));
  const auto open = [&] { Reader(::open((scratch / "a.wav").c_str(), O_WRONLY | O_CLOEXEC), "a.wav"); };
  EXPECT_THAT(open, ThrowsMessage<MachineError>(HasSubstr("a.wav: cannot be read: Bad file descriptor")));
}

/// Headers that lie. Sources of such defects in other readers: a division by zero with block align 0 (CVE-2017-16890)
/// and in a WAV reader (ZSL-2022-5712), a header cut at 40 bytes with a fmt size of 18; the rest is test design.
TEST(Reader, NoHeaderMakesItCrashHangOrAllocateByItsClaims) {
  const std::string sound = [] {
    std::string bytes;
    for (int i = 0; i < 2000; ++i) bytes += le(static_cast<std::uint64_t>(i * 7), 2);
    return bytes;
  }();
  const std::string fmt = format_chunk(1, 1, 48000, 16, 2), data = chunk("data", sound);
  const std::string ds64 = chunk("ds64", le(0, 8) + le(sound.size(), 8) + le(2000, 8) + le(0, 4));
  struct Case {
    const char* name;
    std::string bytes;
    int frames;  // what must be readable; -1: anything, or an error
  };
  std::vector<Case> cases{
      {"as it should be", riff(fmt + data), 2000},
      {"(a) data larger than the file", riff(fmt + chunk("data", sound, 1u << 30)), 2000},
      {"(b) streamed, data 0", riff(fmt + chunk("data", sound, 0)), -1},
      {"(b) streamed, data 0xffffffff", riff(fmt + chunk("data", sound, 0xffffffffu)), 2000},
      {"(c) odd data with pad", riff(fmt + chunk("data", sound + "\1", sound.size() + 1) + '\0'), 2000},
      {"(c) odd data without pad", riff(fmt + chunk("data", sound + "\1", sound.size() + 1)), 2000},
      {"(d) fmt after data", riff(data + fmt), -1},
      {"(e) no fmt", riff(data), -1},
      {"(e) no data", riff(fmt), -1},
      {"(f) block align 0", riff(format_chunk(1, 1, 48000, 16, 0) + data), -1},
      {"(g) bits 0", riff(format_chunk(1, 1, 48000, 0, 2) + data), -1},
      {"(g) bits 12", riff(format_chunk(1, 1, 48000, 12, 2) + data), -1},
      {"(g) bits 17", riff(format_chunk(1, 1, 48000, 17, 3) + data), -1},
      {"(h) channels 0", riff(format_chunk(1, 0, 48000, 16, 2) + data), -1},
      {"(h) channels 65535", riff(format_chunk(1, 65535, 48000, 16, 65534) + data), -1},
      {"(h) channels 1024", riff(format_chunk(1, 1024, 48000, 16, 2048) + data), -1},
      {"(i) cut at 40 bytes, fmt of 18", riff(chunk("fmt ", fmt.substr(8) + le(0, 2)) + data).substr(0, 40), -1},
      {"(j) unknown chunk of 0xffffffff", riff(fmt + chunk("junq", "abcd", 0xffffffffu) + data), -1},
      {"(k) RF64 without ds64", riff(fmt + chunk("data", sound, 0xffffffffu), "RF64"), -1},
      {"RF64 that claims 2^62 bytes",
       riff(chunk("ds64", le(~0ull, 8) + le(1ull << 62, 8) + le(1ull << 61, 8) + le(0, 4)) + fmt +
                chunk("data", sound, 0xffffffffu),
            "RF64"),
       -1},
      {"RF64 with a table of 2^32 entries",
       riff(chunk("ds64", ds64.substr(8, 24) + le(0xffffffffu, 4)) + fmt + data, "RF64"), -1},
      {"(l) two data chunks", riff(fmt + data + data), -1},
      {"rate 0", riff(format_chunk(1, 1, 0, 16, 2) + data), -1},
      {"rate 0xffffffff", riff(format_chunk(1, 1, 0xffffffffu, 16, 2) + data), -1},
      {"AIFF of nothing",
       "FORM" + std::string("\xff\xff\xff\xff", 4) + "AIFFCOMM" + std::string("\0\0\0\x12", 4) +
           std::string(18, '\xff'),
       -1},
      {"FLAC of nothing", "fLaC" + std::string(38, '\xff'), -1},
  };
  for (std::size_t cut = 1; cut < 60; ++cut) cases.push_back({"(i) cut anywhere", riff(fmt + data).substr(0, cut), -1});

  const Scratch scratch;
  const auto open_files = [] { return Scratch::names_in("/proc/self/fd").size(); };
  const std::size_t open_before = open_files();
  rusage before{}, after{};
  getrusage(RUSAGE_SELF, &before);
  for (const Case& c : cases) {
    SCOPED_TRACE(c.name);
    put(scratch / "lie.wav", c.bytes);
    try {
      Reader reader(scratch / "lie.wav");
      const std::size_t values = all_of(reader, 1000).size();
      EXPECT_LE(values, c.bytes.size());
      if (c.frames >= 0) {
        EXPECT_EQ(values, static_cast<std::size_t>(c.frames));
      }
    } catch (const InputError& error) {
      EXPECT_THAT(error.what(), HasSubstr("lie.wav"));
      EXPECT_EQ(c.frames, -1) << error.what();
    }
  }
  getrusage(RUSAGE_SELF, &after);
  EXPECT_EQ(open_files(), open_before);
  EXPECT_LT(after.ru_maxrss - before.ru_maxrss, 64 * 1024) << "KiB";  // 1024 channels at their most are 4 MiB
}

TEST(Reader, ReadsBeyondFourGigabytes) {
  const Scratch scratch;
  const std::uint64_t frames = 700'000'000, bytes = frames * 8;  // 5.6 GB of stereo float, nearly all of it a hole
  const std::string head = riff(chunk("ds64", le(bytes + 72, 8) + le(bytes, 8) + le(frames, 8) + le(0, 4)) +
                                    format_chunk(3, 2, 48000, 32, 8) + chunk("data", "", 0xffffffffu),
                                "RF64");
  put(scratch / "long.wav", head);
  std::filesystem::resize_file(scratch / "long.wav", head.size() + bytes);
  {
    std::fstream file(scratch / "long.wav", std::ios::in | std::ios::out | std::ios::binary);
    file.seekp(static_cast<std::streamoff>(head.size() + (frames - 3) * 8));
    for (const float x : {0.125f, -0.125f, 0.25f, -0.25f, 0.5f, -0.5f})
      file.write(reinterpret_cast<const char*>(&x), 4);
  }
  Reader reader(scratch / "long.wav");
  ASSERT_EQ(reader.frames(), frames);
  reader.seek(frames - 3);
  EXPECT_EQ(all_of(reader, 64), (std::vector<float>{0.125f, -0.125f, 0.25f, -0.25f, 0.5f, -0.5f}));
  EXPECT_EQ(reader.complaint(), std::nullopt);
}

}  // namespace
}  // namespace rackproof::audio
