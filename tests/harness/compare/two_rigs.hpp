#pragma once
/// Two rigs that differ in what a test says, compared without timing them.
#include <functional>
#include <utility>

#include "harness/compare/comparison.hpp"
#include "tests/harness/calibration/a_rig.hpp"

namespace rackproof::compare::test {

using Change = std::function<void(rig::Rig&)>;

/// a_rig() with `of_both` is a, with `of_b` on top of that it is b.
struct Two {
  explicit Two(
      const Change& of_b, const Change& of_both = [](rig::Rig&) {})
      : a(made({&of_both}), {}), b(made({&of_both, &of_b}), {}) {}
  Comparison compared(std::vector<std::filesystem::path> programmes = {}) const {
    return comparison_of(a, b, {.programmes = std::move(programmes), .with_cost = false});
  }
  Candidate a, b;

 private:
  static rig::Rig made(std::initializer_list<const Change*> changes) {
    rig::Rig rig = a_rig();
    for (const Change* change : changes) (*change)(rig);
    return rig;
  }
};

inline const Output& output_of(const Comparison& comparison, const std::string& name) {
  for (const Output& output : comparison.outputs)
    if (output.name == name) return output;
  throw std::out_of_range(name);
}

}  // namespace rackproof::compare::test
