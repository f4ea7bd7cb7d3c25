#pragma once
/// The header of a WAV or RF64 as it must be: what a writer held its own against.
#include <cstdint>
#include <string>

namespace rackproof::audio {

/// `header`, from the first byte of the file to the first of the samples, with the sizes that belong to `frames` frames
/// of `frame_bytes` bytes each, and no PEAK chunk, which holds the time of day. Empty where it is no such header.
/// What 32 bits do not hold is 0xffffffff in an RF64, and stands in its ds64 chunk in 64 (EBU Tech 3306): sizes always,
/// the frames in "fact" from 2^32 - 1 on. A plain WAV is for the caller to keep below 4 GiB.
std::string completed_wave_header(std::string header, std::uint64_t frames, std::uint64_t frame_bytes);

}  // namespace rackproof::audio
