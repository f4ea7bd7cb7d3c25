#pragma once
/// Samples and the codes of 24-bit converters, in 32-bit words as a serial audio port moves them.
/// Claim    a code read is exactly the sample code / 2^23: a float holds 24 bits. A sample written is the nearest code
///          that is no further from 0, so that no code passes a ceiling that the sample keeps; out of range it is the
///          greatest or least code there is, and what is no number is 0. A sample that came from a code gives that
///          code.
/// Words    right-justified: the code in the lower 24 bits, whatever stands above it when read, its sign written there.
///          Left-justified: in the upper 24 bits, whatever stands below it when read, zeros written there. (Truncated
///          to 32 bits instead, a negative sample's code would lie one step further from 0 once a converter drops
///          8 of them.) A port that sends the code one bit late does so in hardware: words are the same.
/// Which    is the converter's to say, and neither looks wrong in the code. The wrong one of the two fails in two ways:
///          written right and taken left, a sample leaves as 1/256 of itself, -48 dB, and whatever comes in no code
///          is above that: quiet. Written left and taken right, the upper 8 bits of the code are lost, and a quiet tone
///          (a peak of 0.01) leaves as noise at full scale that no limiter has seen. So begin with `right`, and look at
///          the first sine at -60 dBFS on an oscilloscope, amplifiers off, before anything else is believed.
/// Slots    time-division multiplexing: `per_frame` words a frame, of which a converter takes those from `first` on.
///          Two channels are two slots.
#include <cstddef>
#include <cstdint>
#include <span>

namespace rackproof::firmware {

enum class Justified : std::uint8_t { right, left };

constexpr float sample_of(std::uint32_t word, Justified justified) noexcept {
  const std::uint32_t upper = justified == Justified::right ? word << 8 : word & 0xffffff00u;
  return static_cast<float>(static_cast<std::int32_t>(upper)) * 0x1p-31f;
}
constexpr std::uint32_t word_of(float sample, Justified justified) noexcept {
  const float scaled = sample * 0x1p23f;  // exact
  std::int32_t code = 0;
  if (scaled >= 8388607.0f)
    code = 0x7fffff;
  else if (scaled <= -8388608.0f)
    code = -0x800000;
  else if (scaled > -8388608.0f)  // what is no number is not
    code = static_cast<std::int32_t>(scaled);
  const auto word = static_cast<std::uint32_t>(code);
  return justified == Justified::right ? word : word << 8;
}

struct Slots {
  std::size_t first = 0, per_frame = 2;
};
/// `words` holds rows[0]'s `frames` frames, and first + rows.size() is at most per_frame.
inline void samples_of_slots(std::span<const std::uint32_t> words, Slots slots, Justified justified,
                             std::span<float* const> rows, std::size_t frames) noexcept {
  for (std::size_t n = 0; n < frames; ++n)
    for (std::size_t r = 0; r < rows.size(); ++r)
      rows[r][n] = sample_of(words[n * slots.per_frame + slots.first + r], justified);
}
/// Slots that no row goes to keep what they hold: begin with zeros.
inline void slots_of_samples(std::span<const float* const> rows, Slots slots, Justified justified,
                             std::span<std::uint32_t> words, std::size_t frames) noexcept {
  for (std::size_t n = 0; n < frames; ++n)
    for (std::size_t r = 0; r < rows.size(); ++r)
      words[n * slots.per_frame + slots.first + r] = word_of(rows[r][n], justified);
}

}  // namespace rackproof::firmware
