#include "harness/audio/writer.hpp"

#include <fmt/format.h>
#include <sndfile.h>
#include <sys/stat.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <exception>
#include <utility>

#include "harness/audio/wave_header.hpp"
#include "harness/errors.hpp"
#include "harness/files/descriptor.hpp"
#include "harness/files/fingerprint.hpp"
#include "harness/files/kind.hpp"

namespace rackproof::audio {
namespace {

struct Coding {
  int sndfile_format;
  unsigned bytes;
};
constexpr std::array<Coding, 5> kCodings{
    {{SF_FORMAT_FLOAT, 4}, {SF_FORMAT_DOUBLE, 8}, {SF_FORMAT_PCM_16, 2}, {SF_FORMAT_PCM_24, 3}, {SF_FORMAT_PCM_32, 4}}};
const Coding& coding_of(Subtype subtype) { return kCodings[static_cast<std::size_t>(subtype)]; }

constexpr std::size_t kMostOfHeader = 4096, kReadBack = std::size_t{1} << 20;

}  // namespace

std::optional<Subtype> subtype_of(std::string_view name) {
  const auto found = std::find(kSubtypeNames.begin(), kSubtypeNames.end(), name);
  if (found == kSubtypeNames.end()) return std::nullopt;
  return static_cast<Subtype>(found - kSubtypeNames.begin());
}

/// Writes at a place of its own. The first write that fails is kept. What goes behind the header is fingerprinted behind
/// the header that there will be if all the frames come that are expected.
struct Writer::Sink {
  Sink(const files::WholeFile& to, std::uint64_t frames, std::uint64_t bytes_a_frame)
      : file(to), expected_frames(frames), frame_bytes(bytes_a_frame) {}

  const files::WholeFile& file;
  std::uint64_t expected_frames, frame_bytes;
  sf_count_t position = 0, bytes = 0;
  std::exception_ptr error;
  std::string header, expected_header;
  files::Fingerprint fingerprint;
  sf_count_t fingerprinted = 0;  ///< bytes, the header's with them; -1: they did not come in order

  bool write(std::string_view piece) {
    if (error) return false;
    try {
      files::write_at(file.descriptor(), piece, static_cast<std::uint64_t>(position), file.place());
      take(piece);
    } catch (...) {  // libsndfile is C: nothing may be thrown through it
      error = std::current_exception();
    }
    return !error;
  }
  void take(std::string_view piece) {
    const sf_count_t behind = position + static_cast<sf_count_t>(piece.size());
    if (position == 0) {
      header = piece;
    } else if (fingerprinted == 0 && position == static_cast<sf_count_t>(header.size())) {
      expected_header = completed_wave_header(header, expected_frames, frame_bytes);
      fingerprint.add(expected_header);
      fingerprint.add(piece);
      fingerprinted = behind;
    } else if (position == fingerprinted) {
      fingerprint.add(piece);
      fingerprinted = behind;
    } else {
      fingerprinted = -1;
    }
    position = behind;
    bytes = std::max(bytes, behind);
  }

  static Sink& of(void* data) { return *static_cast<Sink*>(data); }
  static SF_VIRTUAL_IO calls() {
    SF_VIRTUAL_IO io{};
    io.get_filelen = [](void* data) { return of(data).bytes; };
    io.tell = [](void* data) { return of(data).position; };
    io.read = [](void*, sf_count_t, void*) { return sf_count_t{0}; };
    io.seek = [](sf_count_t offset, int whence, void* data) {
      Sink& sink = of(data);
      return sink.position = offset + (whence == SEEK_SET ? 0 : whence == SEEK_CUR ? sink.position : sink.bytes);
    };
    io.write = [](const void* from, sf_count_t count, void* data) {
      return of(data).write({static_cast<const char*>(from), static_cast<std::size_t>(count)}) ? count : 0;
    };
    return io;
  }
};

void Writer::Close::operator()(SNDFILE* file) const { sf_close(file); }
Writer::~Writer() = default;
Writer::Writer(Writer&&) noexcept = default;

Writer::Writer(std::filesystem::path place, const WriterSettings& settings)
    : settings_(settings), file_(std::make_unique<files::WholeFile>(std::move(place))) {
  files::must_be_replaceable(file_->place(), files::Kind::wav);
  is_long_ = settings_.expected_frames > settings_.plain_wav_bytes / frame_bytes();
  const bool is_beyond_4_gib = settings_.expected_frames > 0xffffffffu / frame_bytes();
  SF_INFO info{};
  info.samplerate = static_cast<int>(settings_.sample_rate_hz);
  info.channels = static_cast<int>(settings_.channels);
  info.format = (is_long_ ? SF_FORMAT_RF64 : SF_FORMAT_WAV) | coding_of(settings_.subtype).sndfile_format;
  sink_ = std::make_unique<Sink>(*file_, settings_.expected_frames, frame_bytes());
  SF_VIRTUAL_IO calls = Sink::calls();
  sound_.reset(sf_open_virtual(&calls, SFM_WRITE, &info, sink_.get()));
  must_have_written();
  if (!sound_)
    throw MachineError(fmt::format("{}: cannot be written: {}", file_->place().string(), sf_strerror(nullptr)));
  sf_command(sound_.get(), SFC_SET_ADD_PEAK_CHUNK, nullptr, SF_FALSE);  // it carries the time of day
  if (is_long_) sf_command(sound_.get(), SFC_RF64_AUTO_DOWNGRADE, nullptr, is_beyond_4_gib ? SF_TRUE : SF_FALSE);
}

const std::filesystem::path& Writer::place() const { return file_->place(); }
std::uint64_t Writer::frame_bytes() const {
  return std::uint64_t{settings_.channels} * coding_of(settings_.subtype).bytes;
}
void Writer::must_have_written() const {
  if (sink_->error) std::rethrow_exception(sink_->error);
}

void Writer::write(std::span<const float> interleaved) {
  const std::uint64_t frames = interleaved.size() / settings_.channels;
  if (!is_long_ && frames > settings_.plain_wav_bytes / frame_bytes() - frames_)
    throw MachineError(
        fmt::format("{}: cannot be written: {} frames were said ahead, and for more than {} of them a "
                    "plain WAV has no room",
                    place().string(), settings_.expected_frames, settings_.plain_wav_bytes / frame_bytes()));
  const sf_count_t items = static_cast<sf_count_t>(interleaved.size());
  sf_count_t written = 0;
  if (settings_.subtype == Subtype::float32 || settings_.subtype == Subtype::float64) {
    written = sf_write_float(sound_.get(), interleaved.data(), items);
  } else {
    // Rounded here: libsndfile's own float to 24 bits cuts towards minus infinity.
    const unsigned bits = 8 * coding_of(settings_.subtype).bytes;
    const double scale = std::ldexp(1.0, static_cast<int>(bits) - 1);
    steps_.resize(interleaved.size());
    std::transform(interleaved.begin(), interleaved.end(), steps_.begin(), [&](float x) {
      const double step = std::clamp(std::nearbyint(static_cast<double>(x) * scale), -scale, scale - 1.0);
      return static_cast<std::int32_t>(static_cast<std::int64_t>(step)
                                       << (32 - bits));  // libsndfile takes the upper bits
    });
    written = sf_write_int(sound_.get(), steps_.data(), items);
  }
  must_have_written();
  if (written != items)
    throw MachineError(fmt::format("{}: cannot be written: {}", place().string(), sf_strerror(sound_.get())));
  frames_ += frames;
}

/// The header from the disk; the file must be as long as it says.
std::string Writer::header_read_back() const {
  struct stat facts {};
  std::string header(kMostOfHeader, '\0');
  const ssize_t got =
      ::fstat(file_->descriptor(), &facts) == 0 ? files::read_at(file_->descriptor(), header, 0) : ssize_t{-1};
  if (got < 0) throw MachineError(fmt::format("{}: cannot be read back: {}", place().string(), files::reason(errno)));
  header.resize(std::min(static_cast<std::size_t>(got), sink_->header.size()));
  const std::uint64_t data = frames_ * frame_bytes();
  if (static_cast<std::uint64_t>(facts.st_size) != sink_->header.size() + data + data % 2)
    throw MachineError(fmt::format("{}: cannot be written: the disk took only part of it", place().string()));
  return header;
}

void Writer::finish() {
  if (!sound_) return;
  if (sf_close(sound_.release()) != 0)
    throw MachineError(fmt::format("{}: cannot be written: its header cannot be completed", place().string()));
  must_have_written();
  std::string header = header_read_back();
  const std::string must_be = completed_wave_header(header, frames_, frame_bytes());
  if (must_be.size() == header.size() && must_be != header) {
    // What was begun as RF64 gets a PEAK chunk even where it was declined, and a wrong size where no frame came.
    files::write_at(file_->descriptor(), must_be, 0, place());
    header = header_read_back();
  }
  if (header.empty() || header != must_be)
    throw MachineError(fmt::format("{}: cannot be written: its header is not as it must be", place().string()));
  file_->finish();

  if (sink_->fingerprinted != sink_->bytes || sink_->expected_header != header) fingerprint_anew();
  fingerprint_ = sink_->fingerprint.text();
}

/// Fewer frames came than were expected.
void Writer::fingerprint_anew() {
  files::Fingerprint anew;
  std::vector<char> piece(kReadBack);
  for (std::uint64_t at = 0; at < static_cast<std::uint64_t>(sink_->bytes);) {
    const ssize_t got = files::read_at(file_->descriptor(), piece, at);
    if (got <= 0)
      throw MachineError(fmt::format("{}: cannot be read back: {}", place().string(),
                                     got < 0 ? files::reason(errno) : "it has become shorter"));
    anew.add({piece.data(), static_cast<std::size_t>(got)});
    at += static_cast<std::uint64_t>(got);
  }
  sink_->fingerprint = std::move(anew);
}

std::uint64_t Writer::bytes() const { return static_cast<std::uint64_t>(sink_->bytes); }

void Writer::keep() { keep_all({this, 1}); }

void keep_all(std::span<Writer> writers, files::WholeFile* list, std::size_t workers) {
  std::vector<files::WholeFile*> files;
  for (Writer& writer : writers) {
    writer.finish();
    files.push_back(&writer.file());
  }
  files::commit_all(files, list, workers);
}

}  // namespace rackproof::audio
