#pragma once
/// A small sound rig, ways to make it unsound, and devices that misbehave.
#include <algorithm>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <stdexcept>
#include <string>
#include <vector>

#include "harness/proof/checks/checks.hpp"
#include "harness/rig/rig.hpp"
#include "tests/sanitized.hpp"

namespace rackproof::proof::test {

using rackproof::test::kSanitized;

inline const std::string kRig = R"(format = 1
[controller]
sample_rate = "48 kHz"
output_full_scale = "+18 dBu"
[feeds]
left = 1
right = 2
[amplifier.lows]
ratings = [ { power = "700 W", load = "8 ohm" } ]
gain = "32 dB"
[amplifier.highs]
ratings = [ { power = "200 W", load = "8 ohm" } ]
gain = "26 dB"
[driver.cone]
impedance = "8 ohm"
continuous_power = "350 W"
thermal_time = "0.5 s"
[driver.horn]
impedance = "8 ohm"
continuous_power = "60 W"
thermal_time = "0.25 s"
[system]
gain = "-3 dB"
eq = [ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ]
[crossover]
points = [ { at = "1.6 kHz", alignment = "linkwitz-riley", slope = "24 dB/oct" } ]
[[way]]
name = "low"
feeds = "sum"
amplifier = "lows"
driver = "cone"
delay = "0.3 ms"
highpass = { at = "55 Hz", alignment = "butterworth", slope = "24 dB/oct" }
limit = { below_clip = "2 dB", look_ahead = "2 ms", hold = "10 ms", release = "100 ms" }
thermal = { below_rating = "1 dB" }
[[way]]
name = "high"
amplifier = "highs"
driver = "horn"
limit = { below_clip = "3 dB", look_ahead = "1 ms", hold = "2 ms", release = "60 ms" }
thermal = { below_rating = "2 dB" }
)";

inline std::string edited(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  if (at == std::string::npos || text.find(from, at + 1) != std::string::npos)
    throw std::logic_error("not there exactly once: " + from);
  return text.replace(at, from.size(), to);
}

/// A rig with all that a subject points to.
struct Prepared {
  explicit Prepared(const std::string& text, DeviceMaker make = make_chain)
      : Prepared(rig::parse_rig(text, "test.toml"), std::move(make)) {}
  explicit Prepared(rig::Rig from, DeviceMaker make = make_chain)
      : Prepared(std::move(from), std::nullopt, std::move(make)) {}
  /// With tonight's venue over it.
  Prepared(rig::Rig from, std::optional<rig::Venue> tonight, DeviceMaker make = make_chain)
      : rig(std::move(from)),
        venue(std::move(tonight)),
        compiled(compile(rig, venue ? &*venue : nullptr)),
        unlimited(compile(rig, venue ? &*venue : nullptr, Bypass::limits)),
        subject{.rig = rig,
                .venue = venue ? &*venue : nullptr,
                .compiled = compiled,
                .unlimited = unlimited,
                .make = std::move(make),
                .programmes = {}} {}
  Prepared(const Prepared&) = delete;

  rig::Rig rig;
  std::optional<rig::Venue> venue;
  CompiledRig compiled, unlimited;
  Subject subject;
};

/// A maker whose devices run other numbers than they are given.
inline DeviceMaker altering(std::function<void(dsp::OutputSettings&)> alter) {
  return [alter = std::move(alter)](const dsp::ChainSettings& original) {
    std::vector<dsp::OutputSettings> outputs(original.outputs.begin(), original.outputs.end());
    for (dsp::OutputSettings& output : outputs) alter(output);
    dsp::ChainSettings settings = original;
    settings.latency_samples = 0;  // of other numbers it may be another
    settings.outputs = outputs;
    return make_chain(settings);  // it copies what it is given
  };
}
/// A maker whose devices have something done to their outputs, call by call; `fresh` is asked for it at each reset.
using Spoil = std::function<void(std::span<float* const> outputs, std::size_t frames)>;
inline DeviceMaker spoiling(std::function<Spoil()> fresh) {
  class Spoiled final : public Device {
   public:
    Spoiled(std::unique_ptr<Device> inner, std::function<Spoil()> make_spoil)
        : inner_(std::move(inner)), fresh_(std::move(make_spoil)), spoil_(fresh_()) {}
    void reset() override { inner_->reset(), spoil_ = fresh_(); }
    void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) override {
      inner_->process(feeds, outputs, frames);
      spoil_(outputs, frames);
    }
    dsp::Meter take_meter(std::size_t output) override { return inner_->take_meter(output); }

   private:
    std::unique_ptr<Device> inner_;
    std::function<Spoil()> fresh_;
    Spoil spoil_;
  };
  return [fresh = std::move(fresh)](const dsp::ChainSettings& settings) {
    return std::make_unique<Spoiled>(make_chain(settings), fresh);
  };
}
/// Every sample x becomes f(x).
inline DeviceMaker mapping(std::function<float(float)> f) {
  return spoiling([f = std::move(f)]() -> Spoil {
    return [f](std::span<float* const> rows, std::size_t frames) {
      for (float* const row : rows) std::transform(row, row + frames, row, f);
    };
  });
}

/// What is found a hair to either side of where `judge` turns from holding to falling: the last that holds, the first
/// that falls. `judge(x)` gives one finding; it holds at `sound`, falls at `spoilt`; a hair is their distance / 2^cuts.
struct Turn {
  Finding holds, falls;
};
template <class Judge>
Turn turn_of(double sound, double spoilt, Judge&& judge, int cuts = 8) {
  Turn turn{judge(sound), judge(spoilt)};
  if (!turn.holds.holds || turn.falls.holds) throw std::logic_error("nothing turns: " + turn.falls.text);
  for (int cut = 0; cut < cuts; ++cut) {
    const double middle = (sound + spoilt) / 2;
    Finding f = judge(middle);
    (f.holds ? sound : spoilt) = middle;
    (f.holds ? turn.holds : turn.falls) = std::move(f);
  }
  return turn;
}

/// Those of one id that fall.
inline std::vector<Finding> fallen(const std::vector<Finding>& findings, const std::string& id) {
  std::vector<Finding> list;
  for (const Finding& f : findings)
    if (f.id == id && !f.holds) list.push_back(f);
  return list;
}
inline std::string fallen_ids(const std::vector<Finding>& findings) {
  std::string ids;
  for (const Finding& f : findings)
    if (!f.holds && ids.find(f.id) == std::string::npos) ids += (ids.empty() ? "" : " ") + f.id;
  return ids;
}

}  // namespace rackproof::proof::test
