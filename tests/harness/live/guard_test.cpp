// Must hold: the theorem of guard.hpp. The processes themselves are tested with a server, in server_test.cpp.
#include "harness/live/guard.hpp"

#include <gtest/gtest.h>

namespace rackproof::live {
namespace {

/// Looks of 2 ms without progress until the guard acts.
double acts_after_ms(Stall& stall, const Beat& beat, double look_ms = 2) {
  for (double ms = 0; ms < 10'000; ms += look_ms)
    if (stall.look(beat, look_ms)) return ms + look_ms;
  return -1;
}

TEST(GuardStall, ActsAfterFifteenMillisecondsOrFourPeriods) {
  const std::pair<std::uint32_t, double> cases[] = {{667, 16}, {1333, 16}, {2667, 16}, {5333, 22}, {21'333, 86}};
  for (const auto& [period_us, after_ms] : cases) {
    Beat beat;
    beat.watched = 1;
    beat.period_us = period_us;
    Stall stall;
    EXPECT_EQ(acts_after_ms(stall, beat), after_ms) << period_us << " us a period";
  }
}

TEST(GuardStall, WaitsLongerWhereItIsAskedTo) {
  Beat beat;
  beat.watched = 1;
  Stall stall(100);
  EXPECT_EQ(acts_after_ms(stall, beat), 102);
}

TEST(GuardStall, ProgressBeginsAnew) {
  Beat beat;
  beat.watched = 1;
  Stall stall;
  for (int round = 0; round < 100; ++round) {
    for (int look = 0; look < 7; ++look) ASSERT_FALSE(stall.look(beat, 2)) << "14 ms";
    ++beat.cycles;
    ASSERT_FALSE(stall.look(beat, 2));
  }
  EXPECT_EQ(acts_after_ms(stall, beat), 16);
}

TEST(GuardStall, SleepsWhereTimeIsNotReal) {
  Beat beat;
  Stall stall;
  EXPECT_EQ(acts_after_ms(stall, beat), -1) << "freewheel, or no server";
  beat.watched = 1;
  EXPECT_EQ(acts_after_ms(stall, beat), 16);
  beat.ending = Beat::closes;
  EXPECT_EQ(acts_after_ms(stall, beat), -1) << "the server is told, and calls no more";
}

TEST(GuardStall, AMachineThatStoodStillAsAWholeGetsTimeToGoOn) {
  Beat beat;
  beat.watched = 1;
  Stall stall;
  EXPECT_FALSE(stall.look(beat, 5000)) << "one look, however late, is not enough";
  EXPECT_FALSE(stall.look(beat, 2));
  ++beat.cycles;
  EXPECT_FALSE(stall.look(beat, 2));
  EXPECT_EQ(acts_after_ms(stall, beat, 1000), 3000) << "three looks that all show nothing are";
}

}  // namespace
}  // namespace rackproof::live
