#pragma once
/// The crossover as a tree: one signal in, one a way out.
/// Theorem  way k gets the high-pass of every point below it, the low-pass of the point above it and the all-pass of
///          each point further above, in that order. Where each point's sides add to its all-pass, the ways add to the
///          product of all the all-passes: flat in magnitude. The bits are those of each way's own path in a cascade.
/// Method   at each point, from low to high: the low side leaves as a way; the high side goes on, shared by all the
///          ways above; the ways already parted pass the point's all-pass. (S. P. Lipshitz and J. Vanderkooy, "In-Phase
///          Crossover Network Design", JAES 34(11), 1986, named from memory, for the compensation.)
/// Cost     the sections that `required_stages` counts. Latency 0 samples.
#include <algorithm>
#include <array>
#include <cstddef>
#include <span>

#include "dsp/blocks/section_cascade.hpp"
#include "dsp/chain/chain_settings.hpp"
namespace rackproof::dsp::inline RACKPROOF_LEVEL {

/// The parts of way `way`'s own path, in order: `visit(std::span<const Section>)`. With no points, no parts.
template <class Visit>
constexpr void for_each_part_of_path(std::span<const PointSettings> points, std::size_t way, Visit&& visit) {
  for (std::size_t p = 0; p < points.size(); ++p)
    visit(p < way ? points[p].high_pass : p == way ? points[p].low_pass : points[p].all_pass);
}
/// How many sections that path has.
constexpr std::size_t sections_of_path(std::span<const PointSettings> points, std::size_t way) noexcept {
  std::size_t count = 0;
  for_each_part_of_path(points, way, [&](std::span<const Section> part) { count += part.size(); });
  return count;
}

/// A split in one lane: the theorem stands at the head of the file.
class SplitTree {
 public:
  using Cascade = SectionCascade<1>;          ///< of one branch
  using Stage = Cascade::Stage;               ///< a section
  using Wanted = std::array<bool, kMaxWays>;  ///< which ways an output takes

 private:  // ahead of its use: only then can the count be a constant
  static constexpr std::size_t first_of(std::size_t point) noexcept { return point * (point + 3) / 2; }
  template <class Visit>
  static constexpr void for_each_cascade(std::span<const PointSettings> points, const Wanted& wanted, Visit&& visit) {
    for (std::size_t p = 0; p < points.size(); ++p) {
      for (std::size_t way = 0; way <= p; ++way)
        if (wanted[way]) visit(first_of(p) + way, way == p ? points[p].low_pass : points[p].all_pass, p, way);
      if (std::any_of(wanted.begin() + static_cast<std::ptrdiff_t>(p) + 1, wanted.end(), [](bool w) { return w; }))
        visit(first_of(p) + p + 1, points[p].high_pass, p, p + 1);
    }
  }

 public:
  SplitTree() = default;  ///< no points: one way, which is the input
  SplitTree(const SplitTree&) = delete;
  SplitTree& operator=(const SplitTree&) = delete;

  /// Point p has a cascade for each way up to p, and one for its high side.
  static constexpr std::size_t required_cascades(std::size_t points) noexcept { return first_of(points); }
  /// Only what the wanted ways need is run.
  static constexpr std::size_t required_stages(std::span<const PointSettings> points, const Wanted& wanted) noexcept {
    std::size_t count = 0;
    for_each_cascade(points, wanted, [&](std::size_t, std::span<const Section> part, std::size_t, std::size_t) {
      count += part.size();
    });
    return count;
  }
  /// `cascades` and `stages`: as many as required, or more. Refuses as out_of_range kMaxWays points or more, as
  /// memory_too_small where less is lent. Touches all the memory: not between two audio blocks.
  [[nodiscard]] Setup configure(std::span<const PointSettings> points, const Wanted& wanted,
                                std::span<Cascade> cascades, std::span<Stage> stages) noexcept {
    if (points.size() >= kMaxWays) return Setup::out_of_range;
    if (stages.size() < required_stages(points, wanted) || cascades.size() < required_cascades(points.size()))
      return Setup::memory_too_small;
    points_ = points.size();
    wanted_ = wanted;
    cascades_ = cascades.first(required_cascades(points_));
    Setup setup = Setup::ok;
    for_each_cascade(points, wanted,
                     [&](std::size_t cascade, std::span<const Section> part, std::size_t point, std::size_t way) {
                       const Setup one = cascades_[cascade].configure(part, stages.first(part.size()));
                       if (one != Setup::ok) setup = one;
                       if (sections_of_path(points.first(point), way) > 0) cascades_[cascade].go_on_from_another();
                       stages = stages.subspan(part.size());
                     });
    return setup;
  }
  /// Back to just configured: every state at rest. Touches all the memory.
  void reset() noexcept {
    for (Cascade& cascade : cascades_) cascade.reset();
  }
  /// `ways[k]`, for every wanted way, takes as many frames as `in` has. One may be `in` itself; but for
  /// that they overlap neither it nor one another.
  void process(std::span<const float> in, std::span<float* const> ways) noexcept {
    std::array<float, kGridFrames> memory;
    for (std::size_t done = 0; done < in.size(); done += kGridFrames) {
      const std::span rest = std::span(memory).first(std::min<std::size_t>(in.size() - done, kGridFrames));
      std::ranges::copy(in.subspan(done, rest.size()), rest.begin());
      for (std::size_t p = 0; p <= points_; ++p) {
        if (wanted_[p]) {
          const std::span way(ways[p] + done, rest.size());
          std::ranges::copy(rest, way.begin());
          for (std::size_t q = p; q < points_; ++q) cascades_[first_of(q) + p].process(way);
        }
        if (p < points_) cascades_[first_of(p) + p + 1].process(rest);
      }
    }
  }

 private:
  std::size_t points_ = 0;
  Wanted wanted_{true};
  std::span<Cascade> cascades_;
};

}  // namespace rackproof::dsp::inline RACKPROOF_LEVEL
