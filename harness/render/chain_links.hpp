#pragma once
/// A chain cut into chains that several threads run one behind the other and side by side, each on another piece of the
/// recording.
/// Theorem  what leaves the cut chain is, bit for bit, what leaves the whole one, and so are the limiters' figures, as
///          long as every link took its input as it was (`ChainLink::took_all_as_it_was`). A sample beyond +36 dBFS inside the
///          whole chain is bounded where it enters the next link: then the whole chain must be run instead.
/// Method   for each group of outputs the split with the ways' own sections and gain, behind that their delays and
///          limiters; for more than two workers the feeds' sections ahead of both. Not cut where that would leave one of
///          them next to nothing to do. Outputs fill the lanes of a chain, and cost it little: groups are large.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <vector>

#include "dsp/chain/chain.hpp"
#include "harness/analysis/held.hpp"
#include "harness/render/chunk.hpp"

namespace rackproof {

/// What the limiters of one output have done so far.
struct Limiting {
  analysis::LimiterMeter held;
  double least_peak_gain = 1, least_power_gain = 1;
  std::uint64_t limited_frames = 0;

  /// Of a piece of the stream that no point of the grid divides.
  void add(const dsp::Meter& meter, std::size_t frames);
};

/// A chain with what its settings point to, from some tracks of a chunk to others, or in place.
class ChainLink {
 public:
  using Place = Tracks Chunk::*;

  /// Takes all feeds, or of the outputs its own.
  ChainLink(Place from, Place to, std::size_t first_output = 0)
      : from_(from), to_(to), first_in_(from == &Chunk::feeds ? 0 : first_output), first_output_(first_output) {}
  ChainLink(const ChainLink&) = delete;
  ChainLink& operator=(const ChainLink&) = delete;

  std::vector<dsp::FeedSettings> feeds;
  std::vector<dsp::LoudspeakerSettings> loudspeakers;
  std::vector<dsp::OutputSettings> outputs;
  dsp::ChainSettings settings;  ///< but for the three

  /// An output that is one feed as it is, and takes it through a loudspeaker of its own.
  dsp::OutputSettings& add_passing(std::size_t feed);
  /// False: beyond what the core carries.
  bool configure();
  /// In calls of at most `call_frames` frames. Where a limiter may work, calls end at the points of the grid as well, so
  /// that its meters are read for each cell.
  void process(Chunk& chunk, std::size_t call_frames);

  Limiting& limiting(std::size_t output) { return limiting_[output]; }  ///< of an output of this link
  bool took_all_as_it_was() const { return bad_samples() == 0 && bounded_samples() == 0; }
  std::uint64_t bad_samples() const { return chain_.bad_samples(); }
  std::uint64_t bounded_samples() const { return chain_.bounded_samples(); }
  std::size_t first_output() const { return first_output_; }

 private:
  void read_meters(std::size_t frames);

  Place from_, to_;
  std::size_t first_in_, first_output_, to_grid_ = dsp::kGridFrames;
  bool limits_ = false;
  dsp::Chain chain_;
  std::vector<Limiting> limiting_;
  std::vector<std::byte> memory_;
  std::vector<const float*> in_;
  std::vector<float*> out_;
};

/// The links of a chain: of each list all may run at once, each behind those of the lists before it. Of a chain that is
/// not cut all is in `limit`.
struct ChainLinks {
  std::deque<ChainLink> shape, split, limit;
  /// One that hears the recording itself.
  ChainLink& first() { return !shape.empty() ? shape.front() : !split.empty() ? split.front() : limit.front(); }
};

ChainLinks whole_chain(const dsp::ChainSettings& settings);
/// `groups` of outputs, for so many `workers`: see the top.
ChainLinks cut_chain(const dsp::ChainSettings& whole, std::size_t groups, std::size_t workers);
/// As many groups as there are workers for, none with fewer outputs than lanes, none with more than a chain has feeds; or
/// as many as are `wanted`, where that is not 0.
std::size_t groups_for(std::size_t outputs, std::size_t workers, std::size_t wanted);

}  // namespace rackproof
