// A fit with as many sections of the kinds that made a target returns to it.
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "harness/tune/fit.hpp"

namespace rackproof::tune {
namespace {

FitProblem problem_of(const nlohmann::json& target) {
  FitProblem problem;
  problem.sample_rate_hz = target["filters"][0]["fs"];
  problem.frequency_hz = target["freqs_hz"].get<std::vector<double>>();
  problem.target_db = target["mag_db"].get<std::vector<double>>();
  const std::size_t size = problem.frequency_hz.size();
  problem.level_db.assign(size, 0.0);  // a flat start
  problem.weight.assign(size, 1.0);
  problem.trust.assign(size, 1.0);
  problem.most_boost_db.assign(size, 12.0);
  problem.smoothing = 0;
  problem.level_free = false;
  return problem;
}
FitOptions options_of(const nlohmann::json& target) {
  FitOptions options;
  options.types.clear();
  for (const auto& filter : target["filters"]) {
    const std::string type = filter["type"];
    options.types.push_back(type == "rbj_lowshelf"    ? dsp::EqType::lowshelf
                            : type == "rbj_highshelf" ? dsp::EqType::highshelf
                                                      : dsp::EqType::peaking);
  }
  options.bounds.to_hz = 16000;
  return options;
}

// Targets: computed with mpmath from the W3C Audio EQ Cookbook's formulas (eq_targets_reference.json). Tolerance: 0.1
// dB at most, 0.03 dB in the mean square: a choice, no published figure.
TEST(PublishedEqTargets, AreReachedFromAFlatStart) {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/eq_targets_reference.json");
  const nlohmann::json targets = nlohmann::json::parse(file).at("eq_targets");
  ASSERT_EQ(targets.size(), 2u);
  for (const nlohmann::json& target : targets) {
    const FitProblem problem = problem_of(target);
    const auto eq = fit(problem, options_of(target));
    ASSERT_EQ(eq.size(), target["filters"].size());
    const Deviation before = judge(problem, {}), after = judge(problem, eq);
    EXPECT_GT(before.max_db, 2.0);
    EXPECT_LE(after.max_db, 0.1);
    EXPECT_LE(after.rms_db, 0.03);
  }
}

// Control: one section fewer than the target was made of does not get there.
TEST(PublishedEqTargets, AreNotReachedWithASectionFewer) {
  std::ifstream file(RACKPROOF_SOURCE_DIR "/tests/published/eq_targets_reference.json");
  const nlohmann::json target = nlohmann::json::parse(file).at("eq_targets").at(0);
  FitOptions options = options_of(target);
  options.types.pop_back();
  const FitProblem problem = problem_of(target);
  EXPECT_GT(judge(problem, fit(problem, options)).rms_db, 0.1);
}

}  // namespace
}  // namespace rackproof::tune
