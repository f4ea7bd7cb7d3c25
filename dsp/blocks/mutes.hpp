#pragma once
/// Outputs that are silenced and heard again, without a click.
/// Theorem  a muted output is exact zeros. On the way there and back its samples are multiplied by at most 1, so that
///          no sample is greater than without: what limits ahead of it still holds. Bits do not depend on the block
///          size.
/// Method   a change is taken up at the next point of the grid and lasts from there to the one after: the factor goes
///          down from 63/64 to 0, or up from 1/64 to 1, in equal steps, which are exact in single precision.
/// Cost     one comparison a call where nothing is muted. Latency 0 samples.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <span>

#include "dsp/grid.hpp"
#include "dsp/level.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// A mute for each of some outputs: the theorem stands at the head of the file.
class Mutes {
 public:
  /// Of one output; falls, rises: on the way, for a cell of the grid.
  enum class State : std::uint8_t { heard, falls, silent, rises };
  /// One output; what is lent to `configure`.
  struct Output {
    State state = State::heard;  ///< in the cell at hand
    bool wanted = false;         ///< to be muted, from the next point of the grid on
    bool begins_muted = false;   ///< at `reset`
  };

  Mutes() = default;  ///< of no outputs
  Mutes(const Mutes&) = delete;
  Mutes& operator=(const Mutes&) = delete;

  /// One an output, with `begins_muted` as it is to begin.
  constexpr void configure(std::span<Output> memory) noexcept {
    outputs_ = memory;
    reset();
  }
  /// Back to how each began, without a ramp.
  constexpr void reset() noexcept {
    at_ = 0;
    for (Output& output : outputs_) {
      output.wanted = output.begins_muted;
      output.state = output.wanted ? State::silent : State::heard;
    }
    count_busy();
  }
  /// The last wish ahead of a point of the grid counts.
  void want(std::size_t output, bool muted) noexcept {
    outputs_[output].wanted = muted;
    count_busy();
  }
  /// The last wish for it.
  bool wants(std::size_t output) const noexcept { return outputs_[output].wanted; }
  /// All of them, and none on its way there.
  bool all_silent() const noexcept {
    return std::ranges::all_of(outputs_, [](const Output& output) { return output.state == State::silent; });
  }
  /// One row an output, in place; at most kGridFrames frames, not across a point of the grid.
  void process(std::span<float* const> rows, std::size_t frames) noexcept {
    if (busy_ > 0) {
      for (std::size_t o = 0; o < outputs_.size(); ++o) {
        if (at_ == 0) begin_cell(outputs_[o]);
        apply(outputs_[o].state, {rows[o], frames});
      }
      if (at_ == 0) count_busy();
    }
    at_ = (at_ + static_cast<std::uint32_t>(frames)) % kGridFrames;
  }

 private:
  static void begin_cell(Output& output) noexcept {
    const bool silent = output.state == State::falls || output.state == State::silent;
    if (output.wanted)
      output.state = silent ? State::silent : State::falls;
    else
      output.state = silent ? State::rises : State::heard;
  }
  void apply(State state, std::span<float> row) const noexcept {
    constexpr float kStep = 1.0f / kGridFrames;
    switch (state) {
      case State::heard:
        return;
      case State::silent:
        std::ranges::fill(row, 0.0f);
        return;
      case State::falls:
        for (std::size_t n = 0; n < row.size(); ++n)
          row[n] *= kStep * static_cast<float>(kGridFrames - 1 - at_ - static_cast<std::uint32_t>(n));
        return;
      case State::rises:
        for (std::size_t n = 0; n < row.size(); ++n)
          row[n] *= kStep * static_cast<float>(at_ + 1 + static_cast<std::uint32_t>(n));
        return;
    }
  }
  constexpr void count_busy() noexcept {
    busy_ = 0;
    for (const Output& output : outputs_)
      if (output.wanted || output.state != State::heard) ++busy_;
  }

  std::span<Output> outputs_;
  std::size_t busy_ = 0;  ///< outputs that are muted, or on their way there or back
  std::uint32_t at_ = 0;  ///< frames since the last point of the grid
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
