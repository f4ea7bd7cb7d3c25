// Must hold: memory that is gone at any allocation of `fit` ends it with std::bad_alloc, and nothing is freed twice. Each
// allocation fails in turn: alone, and with all that come after it.
#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <new>
#include <vector>

#include "harness/tune/fit.hpp"
#include "tests/own_malloc.hpp"

namespace {
struct Failing {
  bool armed = false, stays_gone = false;
  std::uint64_t made = 0, number = 0;
};
Failing failing;
[[maybe_unused]] bool fails() {
  if (!failing.armed) return false;
  const std::uint64_t number = ++failing.made;
  return number == failing.number || (failing.stays_gone && number > failing.number);
}
}  // namespace

#if RACKPROOF_OWN_MALLOC
extern "C" {
void* __libc_malloc(std::size_t);
void* malloc(std::size_t size) { return fails() ? nullptr : __libc_malloc(size); }
}
#endif

namespace {
using namespace rackproof;

/// A hill and a hollow on a grid of 20.
tune::FitProblem small_problem() {
  tune::FitProblem problem;
  for (int k = 0; k < 20; ++k) {
    const double hz = 100 * std::pow(2.0, k / 4.0), hill = std::log2(hz / 400), hollow = std::log2(hz / 1200);
    problem.frequency_hz.push_back(hz);
    problem.level_db.push_back(5 * std::exp(-4 * hill * hill) - 4 * std::exp(-4 * hollow * hollow));
  }
  problem.target_db.assign(20, 0.0);
  problem.weight.assign(20, 1.0);
  problem.trust.assign(20, 1.0);
  problem.most_boost_db.assign(20, 6.0);
  return problem;
}

TEST(FitMemory, GoneAtAnyAllocationIsSaidAndNothingIsFreedTwice) {
  const tune::FitProblem problem = small_problem();
  const tune::FitOptions options{
      .types = {dsp::EqType::peaking, dsp::EqType::peaking}, .bounds = {.from_hz = 100, .to_hz = 3000}, .starts = 1};
  const std::size_t sections = tune::fit(problem, options).size();
  ASSERT_EQ(sections, 2u);
#if RACKPROOF_OWN_MALLOC
  for (const bool stays_gone : {false, true}) {
    std::uint64_t said = 0, made = 0;
    for (bool whole = false; !whole; ++said) {
      failing = {.armed = true, .stays_gone = stays_gone, .made = 0, .number = said + 1};
      try {
        const std::size_t got = tune::fit(problem, options).size();
        made = failing.made;
        failing.armed = false;
        whole = made <= said;  // the allocation that was to fail never came
        ASSERT_EQ(got, sections);
        ASSERT_TRUE(whole) << "allocation " << said + 1 << " failed, and nothing was said";
      } catch (const std::bad_alloc&) {
        failing.armed = false;
      }
    }
    EXPECT_GT(made, 500u);  // a solver's own vectors are among them
    EXPECT_EQ(said, made + 1);
  }
#endif
}

}  // namespace
