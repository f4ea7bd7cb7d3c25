// Must hold: what number_format.hpp claims: the nearest number of the format for every input, by brute force over every
// code of 16 bits; nothing that is beyond it; codes as worked by hand.
#include "harness/firmware/number_format.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <random>
#include <string>

namespace rackproof::firmware {
namespace {

NumberFormat format_called(const char* name) { return number_format_from(name).value(); }

TEST(NumberFormatNames, AreReadAndNothingElseIs) {
  EXPECT_EQ(format_called("q2.30"), (NumberFormat{false, 2, 30}));
  EXPECT_EQ(format_called("Q5.23").bits(), 28);
  EXPECT_EQ(format_called("Float32").name(), "float32");
  EXPECT_EQ(format_called("float64").bits(), 64);
  for (const char* const name : {"q1.15", "q15.1", "q1.63", "q63.1", "q2.30"})
    EXPECT_EQ(format_called(name).name(), name);
  // One bit too few, one too many, none ahead of the point, none behind it, and texts that are none.
  for (const char* const name : {"q1.14", "q2.63", "q0.31", "q32.0", "2.30", "q2", "q2.", "q.30", "q2.30.1", "q+2.30",
                                 "q-2.30", "q2.3e1", " q2.30", "q2.30 ", "q0002.30", "float16", "double", "", "q"})
    EXPECT_FALSE(number_format_from(name)) << name;
}

TEST(NumberFormatRange, IsThatOfTwosComplement) {
  const NumberFormat q2_30 = format_called("q2.30");
  EXPECT_EQ(q2_30.least(), -2.0);
  EXPECT_EQ(q2_30.greatest(), 2.0 - 0x1p-30);
  EXPECT_EQ(q2_30.step(), 0x1p-30);
  EXPECT_EQ(format_called("float32").greatest(), static_cast<double>(std::numeric_limits<float>::max()));
}

// By hand: 0.75 x 2^15 = 24576 = 0x6000; -0.75 as two's complement of 16 bits 0xa000; -1 in q1.15 0x8000.
TEST(NumberFormatCodes, AreThoseWorkedByHand) {
  const auto hex = [](double x, const char* name) {
    const NumberFormat format = format_called(name);
    const auto one = held(x, format);
    return one ? hex_of(*one, format) : "beyond";
  };
  EXPECT_EQ(hex(0.75, "q1.15"), "0x6000");
  EXPECT_EQ(hex(-0.75, "q1.15"), "0xa000");
  EXPECT_EQ(hex(-1, "q1.15"), "0x8000");
  EXPECT_EQ(hex(1, "q1.15"), "beyond");
  EXPECT_EQ(hex(32767.4 / 32768, "q1.15"), "0x7fff");
  EXPECT_EQ(hex(32767.5 / 32768, "q1.15"), "beyond") << "it would be rounded up to 1";
  EXPECT_EQ(hex(-32768.4 / 32768, "q1.15"), "0x8000");
  EXPECT_EQ(hex(-32768.5 / 32768, "q1.15"), "beyond");
  EXPECT_EQ(hex(-1.5, "q2.30"), "0xa0000000");
  EXPECT_EQ(hex(-1, "q5.23"), "0xf800000") << "28 bits are seven digits";
  EXPECT_EQ(hex(-0.0, "q2.30"), "0x00000000");
  EXPECT_EQ(hex(-1, "q1.63"), "0x8000000000000000");
  EXPECT_EQ(hex(-2, "float32"), "0xc0000000");   // IEEE 754: sign, exponent 128, mantissa 0
  EXPECT_EQ(hex(0.1, "float32"), "0x3dcccccd");  // its binary32, as in many a textbook
  EXPECT_EQ(hex(0.1, "float64"), "0x3fb999999999999a");
  EXPECT_EQ(hex(1e39, "float32"), "beyond");
  EXPECT_EQ(decimal_of(*held(-0.75, format_called("q1.15")), format_called("q1.15")), "-24576");
  EXPECT_EQ(decimal_of(*held(0.1, format_called("float32")), format_called("float32")), "0.1");
  for (const char* const name : {"q1.15", "q2.62", "float32", "float64"})
    EXPECT_FALSE(held(std::numeric_limits<double>::quiet_NaN(), format_called(name)) && name[0] == 'q') << name;
}

TEST(NumberFormatNearest, IsNoFartherThanAnyOtherCode) {
  std::mt19937 rng(20);
  for (const char* const name : {"q1.15", "q4.12", "q16.1"}) {
    const NumberFormat format = format_called(name);
    for (int trial = 0; trial < 200; ++trial) {
      const double x = (static_cast<double>(rng()) * 0x1p-32 * 2.2 - 1.1) * -format.least();
      double nearest = std::numeric_limits<double>::infinity();
      for (std::int64_t code = -(std::int64_t{1} << (format.bits() - 1)); code < std::int64_t{1} << (format.bits() - 1);
           ++code)
        nearest = std::min(nearest, std::abs(static_cast<double>(code) * format.step() - x));
      const auto one = held(x, format);
      if (nearest >= format.step() / 2) {
        EXPECT_FALSE(one) << name << " " << x;
      } else {
        ASSERT_TRUE(one) << name << " " << x;
        EXPECT_EQ(std::abs(one->value - x), nearest) << name << " " << x;
      }
    }
  }
}

TEST(NumberFormatWidened, HasTheMostFractionBitsThatHoldAll) {
  const auto name = [](const char* from, double least, double greatest) {
    const auto wider = widened(format_called(from), least, greatest);
    return wider ? wider->name() : "none";
  };
  EXPECT_EQ(name("q1.31", -0.5, 0.5), "q1.31");
  EXPECT_EQ(name("q1.31", -1.99, 1.0), "q2.30");
  EXPECT_EQ(name("q1.31", -2.0, 1.0), "q2.30") << "the least that two bits hold";
  EXPECT_EQ(name("q1.31", -2.0, 2.0), "q3.29");
  EXPECT_EQ(name("q1.15", -16.0, 15.0), "q5.11");
  EXPECT_EQ(name("q1.15", -40000.0, 0.0), "none");
}

}  // namespace
}  // namespace rackproof::firmware
