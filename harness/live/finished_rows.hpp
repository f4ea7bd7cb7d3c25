#pragma once
/// Ports get finished samples alone.
/// A server that does not wait plays what stands in a port when a period is late, and a chain keeps what is on its way to
/// an output, not yet limited, in that output's row. So a rig works in rows of its own, and what is finished is copied.
/// Theorem  at every moment each sample in a port is one that the rig has finished, of this period or of an earlier one:
///          it is below its ceiling also where the server does not wait.
/// Cost     a copy a sample.
#include <algorithm>
#include <array>
#include <cstddef>
#include <span>

#include "dsp/chain/chain_settings.hpp"
namespace rackproof::live {

class FinishedRows {
 public:
  static constexpr std::size_t kMostFrames = 256;  ///< that the rig is called with

  /// `rig.process(feeds, rows, count)` for pieces of `frames`, then `seen(feeds, rows, count)`, then into `outputs`. Null
  /// among `feeds` is silence, null among `outputs` is not written: the server gives no memory there.
  template <class Rig, class Seen>
  void process(Rig& rig, std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames,
               Seen&& seen) noexcept {
    std::array<const float*, dsp::kMaxFeeds> from{};
    std::array<float*, dsp::kMaxOutputs> to{};
    for (std::size_t o = 0; o < outputs.size(); ++o) to[o] = rows_[o].data();
    const std::span<const float* const> piece = std::span(from).first(feeds.size());
    const std::span<float* const> rows = std::span(to).first(outputs.size());
    for (std::size_t done = 0; done < frames;) {
      const std::size_t count = std::min(frames - done, kMostFrames);
      for (std::size_t f = 0; f < feeds.size(); ++f) from[f] = feeds[f] != nullptr ? feeds[f] + done : silence_.data();
      rig.process(piece, rows, count);
      seen(piece, rows, count);
      for (std::size_t o = 0; o < outputs.size(); ++o)
        if (outputs[o] != nullptr) std::copy_n(rows_[o].data(), count, outputs[o] + done);
      done += count;
    }
  }

 private:
  std::array<float, kMostFrames> silence_{};
  std::array<std::array<float, kMostFrames>, dsp::kMaxOutputs> rows_{};
};

}  // namespace rackproof::live
