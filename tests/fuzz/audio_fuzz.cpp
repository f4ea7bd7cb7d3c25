// Whatever bytes stand in an audio file, the reader ends: an error for a person, or frames that the file can hold, at
// the file's own rate and converted. The sanitizers and the fuzzer's limits on memory and time watch the rest.
#include <sys/mman.h>
#include <unistd.h>

#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <vector>

#include "harness/audio/feed_stream.hpp"
#include "harness/audio/reader.hpp"
#include "harness/rig/rig.hpp"

/// libsndfile 1.2.0 loses what libvorbis has allocated where an Ogg file's second header is broken (corpus:
/// ogg_second_header). What it and its codecs lose is not ours to find; what the reader allocates itself is.
extern "C" const char* __lsan_default_suppressions();  // NOLINT(bugprone-reserved-identifier): the sanitizer's name
extern "C" const char* __lsan_default_suppressions() {
  return "leak:libsndfile\nleak:libvorbis\nleak:libogg\nleak:libFLAC\nleak:libopus\nleak:libmpg123\nleak:libmp3lame\n";
}

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace rackproof;
  constexpr std::size_t kPiece = 1000, kMostFrames = 200'000;  // compressed silence can be long
  const int file = ::memfd_create("fuzz", MFD_CLOEXEC);
  if (file < 0 || ::write(file, data, size) != static_cast<ssize_t>(size)) std::abort();
  const std::string name = "/proc/self/fd/" + std::to_string(file);
  std::vector<float> samples(kPiece);
  float* const track = samples.data();
  try {
    audio::Reader reader(name);
    if (reader.channels() < 1 || reader.frames() < 1) std::abort();
    const std::uint32_t last = reader.channels() - 1;
    std::uint64_t frames = 0;
    for (std::size_t got = kPiece; got == kPiece && frames < kMostFrames; frames += got)
      got = reader.read({&last, 1}, {&track, 1}, kPiece);
    if (frames > reader.frames()) std::abort();
    reader.complaint();
    reader.seek(reader.frames() / 2);
    reader.read({&last, 1}, {&track, 1}, kPiece);
  } catch (const InputError&) {
  } catch (const MachineError&) {}
  try {
    audio::FeedStream stream(name, {.feeds = {{"one", 1, {}}}, .resample = true, .start_s = 0.001, .seconds = 0.01});
    while (stream.read({&track, 1}, kPiece) == kPiece) {}
    if (stream.delivered() > stream.frames()) std::abort();
  } catch (const InputError&) {
  } catch (const MachineError&) {}
  ::close(file);
  return 0;
}
