#include "harness/calibration/stages.hpp"

#include <fmt/format.h>

#include <cmath>
#include <numbers>
#include <span>
#include <stdexcept>

#include "harness/calibration/filters.hpp"

namespace rackproof {
namespace {

/// Ten digits: what is finer is the arithmetic's own.
double in_ten_digits(double value) {
  const double step = std::pow(10.0, 9 - std::floor(std::log10(value)));
  return std::round(value * step) / step;
}

/// Resonance and Q of a section, read from its loop: rate = 2 g h, damp = 2 g (g + k) h, cross = 2 g^2 h; see
/// dsp/design/exact_section.hpp. First order has its second pole and its second zero at z = 0, and g^2 for g.
struct Resonance {
  double at_hz = 0;
  std::optional<double> q;
};
Resonance resonance_of(const dsp::ExactSection& s, double sample_rate_hz) {
  constexpr double kNothing = 1e-12;  // a few units in the last place of numbers up to 2
  const double g = s.cross / s.rate, k = (s.damp - s.cross) / s.rate;
  const double a2 = (1 - s.damp) * (1 - s.cross) + s.rate * s.rate;
  const double b2 =
      s.mix_v * a2 - s.mix_1 * s.rate + (s.mix_2 - s.mix_v) * (s.rate * s.rate - s.cross + s.cross * s.damp);
  const bool first_order = std::abs(a2) < kNothing && std::abs(b2) < kNothing;
  const double warped = first_order ? g * g : g;
  return {in_ten_digits(std::atan(warped) / std::numbers::pi * sample_rate_hz),
          first_order ? std::nullopt : std::optional(in_ten_digits(1 / k))};
}

class Walk {
 public:
  /// `part`: one loudspeaker, a rig of the plain form.
  Walk(const rig::Rig& part, const rig::Venue* venue, Bypass bypass)
      : rig_(part),
        venue_(bypass == Bypass::venue || bypass == Bypass::all ? nullptr : venue),
        nothing_(bypass == Bypass::all),
        with_system_(bypass != Bypass::system && !nothing_),
        rate_hz_(part.controller.sample_rate_hz) {}

  void venue_of_all() {
    place_ = "feed";
    if (venue_ != nullptr) eq(venue_->all.eq);
  }
  void venue_of(const std::string& feed) {
    place_ = "feed";
    if (venue_ == nullptr) return;
    if (const auto found = venue_->feed.find(feed); found != venue_->feed.end()) eq(found->second.eq);
  }
  void venue_of_loudspeaker() {
    place_ = "loudspeaker";
    if (venue_ == nullptr) return;
    if (const auto found = venue_->loudspeaker.find(rig_.loudspeaker); found != venue_->loudspeaker.end())
      eq(found->second.eq);
  }
  void system() {
    place_ = "loudspeaker";
    if (with_system_) eq(rig_.system_eq);
  }
  /// High-passes of the points below, the low-pass of the point above, and what the points further above add.
  void split(std::size_t way) {
    place_ = "split";
    if (nothing_) return;
    for (std::size_t p = 0; p < rig_.points.size(); ++p) {
      const rig::Point& point = rig_.points[p];
      if (p < way) {
        filter(point.high, dsp::Pass::high);
      } else if (p == way) {
        filter(point.low, dsp::Pass::low);
      } else if (rig_.phase_matched) {
        const dsp::CrossoverSum sum = sum_of(point, rig_.ways[p].inverted == rig_.ways[p + 1].inverted, rate_hz_);
        if (sum.is_all_pass) add("allpass", point.source.key, sum.all_pass);
      }
    }
  }
  /// `feed`: of a way with an output for each, which of them.
  void output(const rig::Way& way, const std::string& feed) {
    place_ = "way";
    if (nothing_) return;
    if (way.highpass) filter(*way.highpass, dsp::Pass::high);
    eq(way.eq);
    place_ = "output";
    if (const auto own = way.output.find(feed); own != way.output.end()) eq(own->second.eq);
  }

  std::vector<Stage> held_against(const std::string& output, std::span<const dsp::Biquad> planned) {
    const auto same = [](const dsp::Biquad& a, const dsp::Biquad& b) {
      return a.b0 == b.b0 && a.b1 == b.b1 && a.b2 == b.b2 && a.a1 == b.a1 && a.a2 == b.a2;
    };
    bool fits = stages_.size() == planned.size();
    for (std::size_t i = 0; fits && i < planned.size(); ++i) fits = same(stages_[i].biquad, planned[i]);
    if (!fits)
      throw std::logic_error(fmt::format("{}: {} sections in words, {} in numbers, and they do not fit", output,
                                         stages_.size(), planned.size()));
    return std::move(stages_);
  }

 private:
  void eq(const std::vector<rig::EqBand>& bands) {
    for (const rig::EqBand& band : bands) {
      const dsp::Section section = section_of(band, rate_hz_);
      if (section == dsp::Section{}) continue;  // 0 dB: nothing runs
      stages_.push_back({word_of(band.type), band.at_hz, has_gain(band.type) ? band.gain_db : 0,
                         dsp::q_of(settings_of(band), rate_hz_), band.source.key, dsp::biquad_of(section), place_});
    }
  }
  void filter(const rig::Filter& filter, dsp::Pass pass) {
    dsp::ExactList exact;
    static_cast<void>(sections_of(filter, pass, rate_hz_));  // refuses what cannot be designed
    if (dsp::design(settings_of(filter, pass), rate_hz_, exact))
      add(pass == dsp::Pass::low ? "lowpass" : "highpass", filter.source.key, exact);
  }
  void add(const char* type, const std::string& key, const dsp::ExactList& list) {
    for (const dsp::ExactSection& exact : list.view()) {
      const Resonance resonance = resonance_of(exact, rate_hz_);
      stages_.push_back({type, resonance.at_hz, 0, resonance.q, key, dsp::biquad_of(dsp::rounded(exact)), place_});
    }
  }

  const rig::Rig& rig_;
  const rig::Venue* venue_;
  bool nothing_, with_system_;
  double rate_hz_;
  const char* place_ = "";
  std::vector<Stage> stages_;
};

}  // namespace

std::vector<Stage> stages_of(const rig::Rig& rig, const rig::Venue* venue, const OutputPlan& plan, Bypass bypass) {
  Walk walk(part_of(rig, plan), venue, bypass);
  walk.venue_of_all();
  if (plan.feed_paths.empty())  // a mean of feeds that are alike: the first one's is everyone's
    walk.venue_of(plan.source == dsp::kMeanOfFeeds ? rig.feeds.front().name : plan.feed);
  walk.venue_of_loudspeaker();
  walk.system();
  walk.split(plan.way_index);
  walk.output(way_of(rig, plan), plan.takes_several() ? std::string() : plan.feed);
  return walk.held_against(plan.name, plan.sections);
}

std::vector<Stage> stages_of(const rig::Rig& rig, const rig::Venue* venue, const FeedPath& path, Bypass bypass) {
  Walk walk(rig, venue, bypass);
  walk.venue_of(path.feed);
  return walk.held_against(path.feed, path.sections);
}

}  // namespace rackproof
