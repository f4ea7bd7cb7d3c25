// Must hold: FNV-1a is that of IETF draft-eastlake-fnv, appendix with test vectors for 64 bits.
#include "dsp/fnv.hpp"

#include <gtest/gtest.h>

#include <string_view>

namespace rackproof::dsp {
namespace {

constexpr std::uint64_t fnv_of(std::string_view text) {
  Fnv1a hash;
  for (const char c : text) hash.add_byte(static_cast<std::uint8_t>(c));
  return hash.value();
}

TEST(Fnv1a, IsThatOfTheDraft) {  // the three values: from memory
  EXPECT_EQ(fnv_of(""), 0xcbf29ce484222325u);
  EXPECT_EQ(fnv_of("a"), 0xaf63dc4c8601ec8cu);
  EXPECT_EQ(fnv_of("foobar"), 0x85944171f73967e8u);
}
TEST(Fnv1a, ANumberIsItsBytesFromTheLowest) {
  Fnv1a hash;
  hash.add(std::uint32_t{0x626f6f66});  // "foob"
  EXPECT_EQ(hash.value(), fnv_of("foob"));
  Fnv1a of_float;
  of_float.add(1.0f);  // 0x3f800000
  Fnv1a of_bits;
  of_bits.add(std::uint32_t{0x3f800000});
  EXPECT_EQ(of_float.value(), of_bits.value());
}

}  // namespace
}  // namespace rackproof::dsp
