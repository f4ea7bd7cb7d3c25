// Must hold: a fingerprint is what the library's own program prints, however the bytes come.
#include "harness/files/fingerprint.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <span>
#include <string>

namespace rackproof::files {
namespace {

TEST(Fingerprint, IsTheOneThatTheLibrarysProgramPrints) {  // xxh128sum of xxHash 0.8.1
  EXPECT_EQ(fingerprint_of(std::string("rackproof")), "1ae8b42507f93dce5cb7e146c93e5722");
  EXPECT_EQ(fingerprint_of(std::string()), "99aa06d3014798d86001c324468d497f");
}

TEST(Fingerprint, IsTheSameInAnyPieces) {
  std::string bytes(100'003, 'x');
  for (std::size_t i = 0; i < bytes.size(); ++i) bytes[i] = static_cast<char>(i * i >> 5);
  for (const std::size_t piece : {1u, 7u, 256u, 65536u}) {
    Fingerprint fingerprint;
    for (std::size_t at = 0; at < bytes.size(); at += piece)
      fingerprint.add(std::span(bytes).subspan(at, std::min<std::size_t>(piece, bytes.size() - at)));
    EXPECT_EQ(fingerprint.text(), fingerprint_of(bytes)) << piece;
  }
  const std::string whole = fingerprint_of(bytes);
  bytes[50'000] ^= 1;
  EXPECT_NE(fingerprint_of(bytes), whole);
}

}  // namespace
}  // namespace rackproof::files
