#include "harness/stimuli/generator.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace rackproof::stimuli {

void Generator::skip(std::uint64_t frames) {
  std::vector<double> passed(static_cast<std::size_t>(std::min<std::uint64_t>(frames, 4096)));
  while (frames > 0) {
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(frames, passed.size()));
    fill(std::span(passed).first(count));
    frames -= count;
  }
}

std::vector<double> take(Generator& signal, std::size_t frames) {
  std::vector<double> samples(frames);
  signal.fill(samples);
  return samples;
}

Signal silence() {
  return formula([](std::uint64_t) { return 0.0; });
}
Signal playback(std::vector<double> samples) {
  return formula([s = std::move(samples)](std::uint64_t n) { return n < s.size() ? s[n] : 0.0; });
}
Signal scaled(Signal source, double gain) {
  return shaped(std::move(source), [gain](double x, std::uint64_t) { return gain * x; });
}
Signal clipped(Signal source, double ceiling) {
  return shaped(std::move(source), [ceiling](double x, std::uint64_t) { return std::clamp(x, -ceiling, ceiling); });
}
Signal faded(Signal source, std::uint64_t frames, std::uint64_t fade_frames) {
  return shaped(std::move(source), [=](double x, std::uint64_t n) {
    if (n >= frames) return 0.0;
    const std::uint64_t from_edge = std::min(n, frames - 1 - n);
    if (from_edge >= fade_frames) return x;
    const double half = 0.5 * std::numbers::pi * static_cast<double>(from_edge) / static_cast<double>(fade_frames);
    return x * std::sin(half) * std::sin(half);
  });
}

Signal one_after_the_other(Signal first, std::uint64_t frames, Signal second) {
  struct Sequence final : Generator {
    Sequence(Signal a, std::uint64_t a_frames, Signal b) : first(std::move(a)), left(a_frames), second(std::move(b)) {}
    void fill(std::span<double> out) override {
      const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(left, out.size()));
      first->fill(out.first(count));
      second->fill(out.subspan(count));
      left -= count;
    }
    Signal first;
    std::uint64_t left;
    Signal second;
  };
  return std::make_unique<Sequence>(std::move(first), frames, std::move(second));
}

}  // namespace rackproof::stimuli
