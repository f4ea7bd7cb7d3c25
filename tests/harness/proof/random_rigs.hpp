#pragma once
/// Rig files by chance: every key, every alignment and slope, one to four ways, every sample rate. Valid, and mostly of
/// sound proportions; now and then of none. The same seed is the same file on every machine.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <random>
#include <string>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>

namespace rackproof::proof::test {

class RandomRig {
 public:
  explicit RandomRig(std::uint32_t seed) : bits_(seed) {}

  std::string text() {
    constexpr std::array kRates{44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0};
    rate_hz_ = one_of(kRates);
    const std::size_t ways = 1 + whole(4);
    for (std::size_t p = 0; p + 1 < ways; ++p) points_.push_back(point_hz(p, ways));
    std::ranges::sort(points_);
    for (std::size_t p = 1; p < points_.size(); ++p)  // from low to high, and never two at one
      points_[p] = std::min(std::max(points_[p], 1.02 * points_[p - 1]), 0.499 * rate_hz_ * std::pow(1.01, p) / 1.04);
    std::string file = "format = 1\ntitle = \"by chance\"\n" + controller() + feeds();
    for (std::size_t w = 0; w < ways; ++w) file += amplifier(w) + driver(w, ways);
    if (chance(0.6))
      file += fmt::format("[system]\ngain = \"{:.1f} dB\"\n{}", chance(0.9) ? uniform(-12, 6) : uniform(-40, 40),
                          eq(whole(4)));
    file += crossover();
    for (std::size_t w = 0; w < ways; ++w) file += way(w, ways);
    return file;
  }
  /// A venue for the rig that `text` gave.
  std::string venue() {
    std::string file = fmt::format("format = 1\n[venue]\ngain = \"{:.1f} dB\"\n{}", uniform(-6, 3), eq(whole(3)));
    for (const std::string& feed : feeds_)
      if (chance(0.5))
        file += fmt::format("[venue.feed.{}]\ngain = \"{:.1f} dB\"\n{}", feed, uniform(-6, 3), eq(whole(2)));
    return file;
  }

 private:
  // Raw bits alone: what a library makes of them differs from machine to machine.
  double uniform(double from, double to) { return from + (to - from) * static_cast<double>(bits_()) / 4294967296.0; }
  double log_uniform(double from, double to) { return from * std::exp(uniform(0, std::log(to / from))); }
  std::size_t whole(std::size_t below) { return static_cast<std::size_t>(uniform(0, static_cast<double>(below))); }
  bool chance(double share) { return uniform(0, 1) < share; }
  template <class Value, std::size_t N>
  Value one_of(const std::array<Value, N>& list) {
    return list[whole(N)];
  }
  static std::string hertz(double hz) { return fmt::format("\"{:.6g} Hz\"", hz); }
  static std::string milliseconds(double s) { return fmt::format("\"{:.4g} ms\"", 1e3 * s); }

  double point_hz(std::size_t p, std::size_t ways) {
    if (chance(0.06)) return log_uniform(20, 0.48 * rate_hz_);
    constexpr double kUsual[3][3] = {{1600, 0, 0}, {120, 1500, 0}, {90, 500, 3000}};
    return kUsual[ways - 2][p] * log_uniform(0.5, 2);
  }
  std::string controller() {
    return fmt::format(
        "[controller]\nsample_rate = \"{:g} Hz\"\nblock = {}\noutput_full_scale = \"{:.1f} dBu\"\ntemperature = \"{:.0f} "
        "degC\"\n",
        rate_hz_, 1 + whole(chance(0.8) ? 256 : 5000), uniform(10, 24), uniform(-10, 40));
  }
  std::string feeds() {
    constexpr std::array kNames{"left", "right", "centre"};
    const std::size_t count = chance(0.1) ? 3 : 1 + whole(2);
    std::string text = "[feeds]\n";
    for (std::size_t f = 0; f < count; ++f) {
      feeds_.emplace_back(kNames[f]);
      text += fmt::format("{} = {}\n", kNames[f], f + 1);
    }
    return text;
  }
  std::string amplifier(std::size_t w) {
    const double watts = log_uniform(100, 2000);
    std::string text =
        fmt::format("[amplifier.a{}]\nratings = [ {{ power = \"{:.0f} W\", load = \"8 ohm\" }}", w, watts);
    if (chance(0.7)) text += fmt::format(", {{ power = \"{:.0f} W\", load = \"4 ohm\" }}", uniform(1.4, 1.9) * watts);
    if (chance(0.3)) text += fmt::format(", {{ power = \"{:.0f} W\", load = \"2 ohm\" }}", uniform(2.2, 2.8) * watts);
    text += " ]\n";
    text += chance(0.8) ? fmt::format("gain = \"{:.1f} dB\"\n", uniform(24, 38))
                        : fmt::format("sensitivity = \"{:.2f} V\"\n", uniform(0.7, 2));
    if (chance(0.25))
      text += fmt::format("attenuator = \"{:.0f} dB\"\nattenuator_fixed = {}\n",
                          chance(0.8) ? uniform(-12, 0) : uniform(-100, 0), chance(0.5));
    if (chance(0.1)) text += chance(0.5) ? "bridged = true\nrated = \"bridged\"\n" : "bridged = true\n";
    return text;
  }
  std::string driver(std::size_t w, std::size_t ways) {
    const double watts = log_uniform(20, 800);
    std::string text = fmt::format(
        "[driver.d{}]\nimpedance = \"{:g} ohm\"\ncontinuous_power = \"{:.0f} W\"\nthermal_time = \"{:.0f} ms\"\n", w,
        one_of(std::array{4.0, 8.0, 16.0}), watts, 1e3 * log_uniform(0.05, chance(0.9) ? 5 : 60));
    if (chance(0.7)) text += fmt::format("peak_power = \"{:.0f} W\"\n", uniform(1, 6) * watts);
    const double low = w == 0 ? 30 : points_[w - 1] / log_uniform(1, 2);
    const double high = w + 1 == ways ? 18000 : points_[w] * log_uniform(1, 2);
    if (chance(0.5)) text += "lowest = " + hertz(low) + "\n";
    if (chance(0.5)) text += "highest = " + hertz(std::max(high, 1.1 * low)) + "\n";
    if (chance(0.6)) text += fmt::format("sensitivity = \"{:.1f} dB\"\n", uniform(90, 110));
    return text;
  }
  std::string filter(double at_hz) {
    constexpr std::array kAlignments{"linkwitz-riley", "butterworth", "bessel"};
    constexpr std::array kRiley{12, 24, 36, 48};
    const std::size_t alignment = whole(3);
    const int slope = alignment == 0   ? one_of(kRiley)
                      : alignment == 1 ? 6 * (1 + static_cast<int>(whole(8)))
                                       : 6 * (2 + static_cast<int>(whole(7)));
    return fmt::format("at = {}, alignment = \"{}\", slope = \"{} dB/oct\"", hertz(at_hz), kAlignments[alignment],
                       slope);
  }
  std::string crossover() {
    std::vector<std::string> points;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      const double next = p + 1 < points_.size() ? points_[p + 1] : 0.499 * rate_hz_;
      const double apart = std::min(log_uniform(1, 1.3), 0.99 * next / points_[p]);
      points.push_back(chance(0.75) || apart < 1
                           ? "{ " + filter(points_[p]) + " }"
                           : fmt::format("{{ low = {{ {} }}, high = {{ {} }} }}", filter(points_[p]),
                                         filter(points_[p] * std::max(apart, 1.0))));
    }
    std::string text = fmt::format("[crossover]\npoints = [ {} ]\n", fmt::join(points, ", "));
    if (chance(0.3)) text += fmt::format("phase_matched = {}\n", chance(0.5));
    return text;
  }
  std::string eq(std::size_t bands) {
    constexpr std::array kTypes{"lowpass", "highpass", "bandpass", "notch",
                                "allpass", "peaking",  "lowshelf", "highshelf"};
    std::vector<std::string> list;
    for (std::size_t b = 0; b < bands; ++b) {
      const std::size_t type = chance(0.75) ? 5 + whole(3) : whole(8);
      std::string band = fmt::format("{{ type = \"{}\", at = {}", kTypes[type],
                                     hertz(log_uniform(chance(0.95) ? 20 : 1, 0.49 * rate_hz_)));
      if (type >= 5) band += fmt::format(", gain = \"{:.1f} dB\"", chance(0.9) ? uniform(-9, 6) : uniform(-30, 30));
      if (type >= 6 && chance(0.3))
        band += fmt::format(", shelf_slope = {:.2f} }}", uniform(0.3, 1));
      else if (chance(0.2))
        band += fmt::format(", bandwidth = \"{:.2f} oct\" }}", uniform(0.2, 3));
      else
        band += fmt::format(", q = {:.3g} }}", chance(0.9) ? log_uniform(0.5, 8) : log_uniform(0.1, 100));
      list.push_back(std::move(band));
    }
    return list.empty() ? "" : fmt::format("eq = [ {} ]\n", fmt::join(list, ", "));
  }
  std::string way(std::size_t w, std::size_t ways) {
    std::string text = fmt::format("[[way]]\nname = \"w{0}\"\namplifier = \"a{0}\"\ndriver = \"d{0}\"\n", w);
    if (chance(w == 0 ? 0.5 : 0.1)) text += "feeds = \"sum\"\n";
    if (chance(0.3))
      text += fmt::format("drivers = {}\nwiring = \"{}\"\n", 1 + whole(3), chance(0.8) ? "parallel" : "series");
    if (chance(0.5)) text += fmt::format("depth = \"{:.1f} cm\"\n", uniform(0, 60));
    if (chance(0.6)) text += fmt::format("gain = \"{:.1f} dB\"\n", chance(0.95) ? uniform(-10, 4) : uniform(-40, 40));
    if (chance(0.3)) text += "polarity = \"inverted\"\n";
    if (chance(0.5))
      text += chance(0.8) ? "delay = " + milliseconds(chance(0.95) ? uniform(0, 8e-3) : uniform(0, 0.2)) + "\n"
                          : fmt::format("delay = \"{:.3f} m\"\n", uniform(0, 3));
    if (chance(w == 0 ? 0.9 : 0.15)) {
      const double usual = w == 0 ? 45 : points_[w - 1];
      const double at = chance(0.9) ? usual * log_uniform(0.6, 1.4) : log_uniform(20, 0.49 * rate_hz_);
      text += fmt::format("highpass = {{ {} }}\n", filter(std::min(at, 0.49 * rate_hz_)));
    }
    text += eq(whole(4));
    if (chance(0.95)) {
      const double period_s = 1 / (w == 0 ? 40.0 : points_[w - 1]);
      text += fmt::format("limit = {{ below_clip = \"{:.1f} dB\"", chance(0.95) ? uniform(0, 6) : uniform(0, 40));
      if (chance(0.8)) text += ", look_ahead = " + milliseconds(chance(0.9) ? uniform(0, 5e-3) : uniform(0, 20e-3));
      if (chance(0.6)) text += ", hold = " + milliseconds(chance(0.9) ? uniform(0, 10e-3) : uniform(0, 0.2));
      if (chance(0.8))
        text += ", release = " +
                milliseconds(chance(0.8) ? std::clamp(period_s * uniform(2, 10), 1e-3, 5.0) : log_uniform(1e-3, 5));
      if (chance(0.3)) text += fmt::format(", true_peak = {}", chance(0.5));
      text += " }\n";
    }
    if (chance(0.8)) text += fmt::format("thermal = {{ below_rating = \"{:.1f} dB\" }}\n", uniform(0, 6));
    static_cast<void>(ways);
    return text;
  }

  std::mt19937 bits_;
  double rate_hz_ = 48000;
  std::vector<double> points_;
  std::vector<std::string> feeds_;
};

}  // namespace rackproof::proof::test
