#include "harness/tune/drive.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <span>

#include "harness/analysis/decibels.hpp"
#include "harness/analysis/response.hpp"

namespace rackproof::tune {
namespace {

// As written into a file and read back; computed on another machine a last digit may differ.
bool same(double x, double y) { return std::abs(x - y) <= 1e-9 * std::max(1.0, std::abs(x)); }
bool same(const std::vector<dsp::Biquad>& a, const std::vector<dsp::Biquad>& b) {
  return std::ranges::equal(a, b, [](const dsp::Biquad& x, const dsp::Biquad& y) {
    return same(x.b0, y.b0) && same(x.b1, y.b1) && same(x.b2, y.b2) && same(x.a1, y.a1) && same(x.a2, y.a2);
  });
}

}  // namespace

Drive drive_of(const rig::Rig& rig, const rig::Venue* venue) {
  const CompiledRig whole = compile(rig, venue), own = compile(rig, nullptr, Bypass::system);
  Drive drive{rig.file.string(), static_cast<double>(rig.controller.sample_rate_hz), {}};
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    const auto of_way = [w](const OutputPlan& output) { return output.way_index == w; };
    const OutputPlan& output = *std::ranges::find_if(whole.outputs, of_way);
    drive.ways.push_back({rig.ways[w].name, output.gain_db, rig.ways[w].delay_s, rig.ways[w].inverted ? -1 : 1,
                          output.sections, std::ranges::find_if(own.outputs, of_way)->sections});
  }
  return drive;
}

bool same_filters(const DrivenWay& a, const DrivenWay& b) { return same(a.own, b.own); }

bool same_drive(const Drive& a, const Drive& b) {
  return a.sample_rate_hz == b.sample_rate_hz &&
         std::ranges::equal(a.ways, b.ways, [](const DrivenWay& x, const DrivenWay& y) {
           return x.name == y.name && x.polarity == y.polarity && same(x.gain_db, y.gain_db) &&
                  same(1e3 * x.delay_s, 1e3 * y.delay_s) && same(x.sections, y.sections);
         });
}

std::complex<double> response_of(const DrivenWay& way, double frequency_hz, double sample_rate_hz) {
  const analysis::LinearPath filters{std::span<const dsp::Biquad>(way.sections)};
  const std::complex<double> h = way.polarity * analysis::ratio_from_db(way.gain_db) *
                                 std::complex<double>(filters.at(frequency_hz / sample_rate_hz).value);
  return h * std::polar(1.0, -2 * std::numbers::pi * std::remainder(frequency_hz * way.delay_s, 1.0));
}

}  // namespace rackproof::tune
