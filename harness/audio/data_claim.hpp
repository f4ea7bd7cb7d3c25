#pragma once
/// What a file says about where its audio lies, held against how long the file is.
/// Method   the chunks of WAV (RIFF, RIFX, RF64, BW64), AIFF and AIFF-C, W64, CAF and AU are walked up to the one that
///          holds the audio, and on behind it. Sources of the layouts: Microsoft and IBM, "Multimedia Programming
///          Interface and Data Specifications 1.0" (1991) for RIFF; EBU Tech 3306 for RF64; ITU-R BS.2088 for BW64;
///          Apple's "Audio Interchange File Format 1.3" (1989) and Core Audio Format for AIFF and CAF; the .au page of
///          The Open Group's file formats; for W64 libsndfile's reading of it.
#include <cstdint>
#include <functional>
#include <optional>
#include <span>

namespace rackproof::audio {

struct DataClaim {
  std::uint64_t claimed_bytes = 0;  ///< of audio; what else the chunk holds is taken off
  std::uint64_t held_bytes = 0;     ///< from where it begins to the end of the file
  bool open_ended = false;          ///< "not known yet", as writers to a pipe leave it
  std::uint64_t stray_bytes = 0;    ///< behind the audio, and neither a chunk nor a tag nor all zero
};

/// Up to the size of `to` bytes from byte `at` on; how many there were.
using ReadAt = std::function<std::size_t(std::span<char> to, std::uint64_t at)>;

/// Nothing for other formats, and where no chunk of audio is found.
std::optional<DataClaim> data_claim(std::uint64_t file_bytes, const ReadAt& read);

}  // namespace rackproof::audio
