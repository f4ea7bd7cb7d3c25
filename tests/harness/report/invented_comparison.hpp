#pragma once
/// Two invented rigs compared, for tests of the page: b has its point at 1.9 kHz in place of 1.6, 3 dB more at 500 Hz,
/// and a sub that a has not; recordings and costs are made up.
#include "harness/report/comparison_page.hpp"
#include "tests/harness/compare/two_rigs.hpp"
#include "tests/harness/report/invented_proof.hpp"

namespace rackproof::compare {

struct InventedComparison {
  Candidate a, b;
  Comparison comparison;
  report::ComparisonFacts facts;
};

inline InventedComparison invented_comparison(bool sub = true) {
  const auto sheets = [](rig::Rig& rig) {
    rig.title = "Quay Stage: an invented rig";
    rig.drivers[0].sensitivity_db = 98;
    rig.drivers[1].sensitivity_db = 104;
    for (rig::Way& way : rig.ways) way.depth_m = 0.1;
  };
  test::Two two(
      [&](rig::Rig& rig) {
        rig.points = {a_point(1900)};
        rig.system_eq = {a_band(rig::EqType::peaking, 500, 3, 2)};
        if (!sub) return;
        rig.ways.insert(rig.ways.begin(), a_way("sub", "lows", "cone"));
        rig.ways[0].sum_of_feeds = true;
        rig.ways[0].depth_m = 0.2;
        rig.points.insert(rig.points.begin(), a_point(90));
      },
      sheets);
  Comparison comparison = two.compared();
  Programme& programme = comparison.programmes.emplace_back();
  programme.file = "music/evening.wav";
  programme.seconds = 61.5;
  for (const Output& output : comparison.outputs) {
    programme.outputs.push_back(output.name);
    const auto playing = [](bool there, double db) -> std::optional<Playing> {
      if (!there) return std::nullopt;
      return Playing{
          .peak_held = {db, 2 * db, 3 * db, 0.25, 0.125}, .power_held = {}, .rms_volts = 12.5, .peak_volts = 70};
    };
    programme.playing.push_back({playing(output.a.has_value(), 0.5), playing(output.b.has_value(), 1.5)});
  }
  const auto cost = [](double scale) {
    firmware::HostCost here;
    here.ns.whole = {"whole chain", 40 * scale, 55 * scale};
    here.state_bytes = static_cast<std::size_t>(60000 * scale);
    return Cost{.here = here, .realtime_share = 40e-9 * scale * 48000, .on_part = {}};
  };
  comparison.cost = {cost(1), cost(1.25)};
  return {std::move(two.a),
          std::move(two.b),
          std::move(comparison),
          {.a_file = "rigs/quay.toml",
           .b_file = "rigs/quay-three-way.toml",
           .venue_file = "",
           .machine = "a machine",
           .part = "",
           .made = "for a test",
           .program = "rackproof"}};
}

/// Whatever is text is what somebody who means harm would write.
inline InventedComparison hostile_comparison() {
  InventedComparison two = invented_comparison();
  two.a.rig.title = two.b.rig.title = proof::kHostile;
  for (seal::Move& move : two.comparison.moved) move.text += proof::kHostile;
  for (Output& output : two.comparison.outputs) output.name += proof::kHostile;
  for (Sum& sum : two.comparison.sums) sum.feed += proof::kHostile;
  two.comparison.programmes[0].file = proof::kHostile;
  two.comparison.warnings.b = {{proof::kHostile, proof::kHostile}};
  two.comparison.sums.back().not_heard = proof::kHostile;
  for (std::string* text : {&two.facts.a_file, &two.facts.b_file, &two.facts.venue_file, &two.facts.machine,
                            &two.facts.part, &two.facts.program})
    *text = proof::kHostile;
  return two;
}

}  // namespace rackproof::compare
