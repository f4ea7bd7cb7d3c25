#pragma once
/// Test signals as streams without end, in memory that does not grow with their length.
/// Claim    a signal is a function of its settings alone: made twice it is the same to the bit, however it is cut into
///          blocks. Where chance is wanted it comes from the raw bits of a generator that the C++ standard fixes,
///          through arithmetic that IEEE 754 fixes: the noise is the same on every machine.
/// Samples are `double`, 1.0 is full scale.
#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <utility>
#include <vector>
namespace rackproof::stimuli {

class Generator {
 public:
  virtual ~Generator() = default;
  /// The next samples.
  virtual void fill(std::span<double> out) = 0;
  /// Goes on `frames` later, as if they had been taken. In no time where the signal is a formula.
  virtual void skip(std::uint64_t frames);
};
using Signal = std::unique_ptr<Generator>;

/// The next `frames` samples.
std::vector<double> take(Generator& signal, std::size_t frames);
inline std::vector<double> take(const Signal& signal, std::size_t frames) { return take(*signal, frames); }

/// A signal from its definition: `at(n)` is sample n, a double. One that remembers something is `mutable`.
template <class At>
Signal formula(At at) {
  struct Formula final : Generator {
    explicit Formula(At definition) : at_(std::move(definition)) {}
    void fill(std::span<double> out) override {
      for (double& x : out) x = at_(position_++);
    }
    void skip(std::uint64_t frames) override {
      if constexpr (requires(const At& same) { same(std::uint64_t{}); })
        position_ += frames;
      else
        Generator::skip(frames);  // it remembers something
    }
    At at_;
    std::uint64_t position_ = 0;
  };
  return std::make_unique<Formula>(std::move(at));
}
/// A signal from another one, sample by sample: `of(x, n)`, which remembers nothing.
template <class Of>
Signal shaped(Signal source, Of of) {
  struct Shaped final : Generator {
    Shaped(Signal from, Of shape) : source_(std::move(from)), of_(std::move(shape)) {}
    void fill(std::span<double> out) override {
      source_->fill(out);
      for (double& x : out) x = of_(x, position_++);
    }
    void skip(std::uint64_t frames) override {
      source_->skip(frames);
      position_ += frames;
    }
    Signal source_;
    Of of_;
    std::uint64_t position_ = 0;
  };
  return std::make_unique<Shaped>(std::move(source), std::move(of));
}

Signal silence();
/// The samples once, then silence.
Signal playback(std::vector<double> samples);
Signal scaled(Signal source, double gain);
/// Limited to +-`ceiling`, hard.
Signal clipped(Signal source, double ceiling);
/// The first `frames` frames, beginning and ending with a raised cosine of `fade_frames`; silence after that.
Signal faded(Signal source, std::uint64_t frames, std::uint64_t fade_frames);
/// `first` for `frames` frames, then `second` from its own first frame on.
Signal one_after_the_other(Signal first, std::uint64_t frames, Signal second);

}  // namespace rackproof::stimuli
