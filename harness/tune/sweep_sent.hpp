#pragma once
/// What was sent, looked at by itself: is it a sweep, and does it come once or twice.
#include <cstddef>
#include <span>

namespace rackproof::tune {

/// One tone that glides, alone: f(t) = from_hz e^(t / time_scale_s) where it is exponential.
struct Glide {
  bool is = false, exponential = false;
  double from_hz = 0, time_scale_s = 0;
};
/// Of a signal that is sent once, with or without silence around it.
Glide glide_of(std::span<const double> sent, double rate);

/// Of what is sent twice over, without silence around it: samples from the one to the other; 0 where it is not. The pause
/// between them is no longer than both.
std::size_t repeat_of(std::span<const double> active);

/// Is this one tone that glides, alone, once or twice?
bool is_sweep(std::span<const double> sent);

}  // namespace rackproof::tune
