// Must hold: what stands in a name or a title comes into a page as text: no mark-up, no control character.
#include "harness/report/parts.hpp"

#include <gtest/gtest.h>

namespace rackproof::report {
namespace {

TEST(PagePartsText, IsTextWhateverStandsInIt) {
  EXPECT_EQ(escaped("<b a=\"1\">&'"), "&lt;b a=&quot;1&quot;&gt;&amp;&#39;");
  EXPECT_EQ(escaped("a\x1b[2J\x7f\xc2\x9b\xff"), "a\\x1b[2J\\x7f\\x9b\\xff");
  EXPECT_EQ(escaped("two\nlines, \u00fc \u65e5"), "two\nlines, \u00fc \u65e5");
}

}  // namespace
}  // namespace rackproof::report
