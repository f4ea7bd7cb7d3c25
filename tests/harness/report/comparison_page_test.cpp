// Must hold: the page says first what differs; every figure of the comparison is in a table; what outputs or feeds share
// is drawn once; text from outside stays text; the page asks for nothing outside itself; the same comparison gives the
// same bytes.
#include "harness/report/comparison_page.hpp"

#include <gmock/gmock.h>

#include "tests/harness/report/html.hpp"
#include "tests/harness/report/invented_comparison.hpp"

namespace rackproof::report {
namespace {

using compare::hostile_comparison;
using compare::invented_comparison;
using compare::InventedComparison;
using testing::HasSubstr;
using testing::Not;

std::string compared_page(const InventedComparison& two) {
  return comparison_page(two.a, two.b, two.comparison, two.facts);
}

TEST(ComparisonPage, WhatDiffersStandsFirst) {
  const std::string html = compared_page(invented_comparison());
  EXPECT_THAT(html, HasSubstr("<h1><bdi>quay.toml and quay-three-way.toml</bdi></h1>"));
  const std::size_t headline = html.find("The two rigs differ in "), sums = html.find("<section id=\"sums\"");
  ASSERT_NE(headline, std::string::npos);
  EXPECT_LT(headline, sums);
  EXPECT_LT(html.find("<li>the way sub was added</li>"), sums);
  EXPECT_EQ(html, compared_page(invented_comparison()));

  InventedComparison same = invented_comparison();
  same.comparison.moved.clear();
  EXPECT_THAT(compared_page(same), HasSubstr("The two rigs are the same</h2>"));
}

TEST(ComparisonPage, EveryFigureIsInATable) {
  const std::string html = compared_page(invented_comparison());
  // 700 W into 8 ohm, 2 dB below clip; what only b has is a dash for a.
  EXPECT_THAT(html, HasSubstr("<th scope=\"row\"><bdi>low.left</bdi></th><td class=\"figure\">84.1</td>"
                              "<td class=\"figure\">84.1</td><td class=\"figure\">0.00</td>"));
  EXPECT_THAT(html, HasSubstr("<th scope=\"row\"><bdi>sub</bdi></th><td class=\"figure\">–</td>"));
  EXPECT_THAT(html, HasSubstr("<td class=\"figure\">only b has it</td>"));
  EXPECT_THAT(html, HasSubstr("<td class=\"figure\">1.9 kHz</td>"));  // the low tone of the highs
  EXPECT_THAT(html, HasSubstr("<bdi>evening.wav</bdi> <small>61.5 s</small>"));
  EXPECT_THAT(html,
              HasSubstr("<td class=\"figure\">12.50</td><td class=\"figure\">12.50</td><td class=\"figure\">0.50</td>"
                        "<td class=\"figure\">1.50</td><td class=\"figure\">1.00</td>"));
  EXPECT_THAT(html, HasSubstr("<th scope=\"row\">ns a frame</th><td class=\"figure\">40.0</td>"
                              "<td class=\"figure\">50.0</td><td class=\"figure\">+25 %</td>"));
  EXPECT_THAT(html, HasSubstr("harm hearing"));
}

TEST(ComparisonPage, WhatIsSharedIsDrawnOnce) {
  const InventedComparison two = invented_comparison();
  const std::string html = compared_page(two);
  const nlohmann::json data = data_of(html);
  // low and high of both sides, the sub of b alone; the sums of both sides, electrical and heard.
  ASSERT_EQ(data["plots"].size(), 5u);
  EXPECT_THAT(html, HasSubstr("<h3><bdi>low.<wbr>left, low.<wbr>right</bdi></h3>"));
  EXPECT_THAT(html, HasSubstr("<bdi>sum of left, sum of right, electrical</bdi>"));
  for (const auto& plot : data["plots"]) {
    const bool alone = plot["plot"] == "output 2";
    EXPECT_EQ(plot["a"].is_null(), alone);
    EXPECT_EQ(plot["difference"].is_null(), alone);
    EXPECT_EQ(plot["b"].size(), data["frequency"].size());
    if (alone) continue;
    EXPECT_EQ(plot["difference"].size(), data["frequency"].size());
  }
  EXPECT_EQ(count(html, "<figure class=\"plot\""), 5u);
  // Where neither is within 60 dB of its loudest the difference is a gap: the low way above 10 kHz.
  EXPECT_TRUE(data["plots"][0]["difference"].back().is_null());
  EXPECT_FALSE(data["plots"][0]["difference"].front().is_null());
}

TEST(ComparisonPage, TextFromOutsideStaysTextAndNothingIsAskedFor) {
  for (const InventedComparison& two : {invented_comparison(), hostile_comparison()}) {
    const std::string html = compared_page(two);
    EXPECT_FALSE(asks_for_something(html));
    EXPECT_EQ(count(html, "<script"), 3u);
    EXPECT_EQ(count(html, "</script>"), 3u);
    EXPECT_EQ(count(own(html), "<img"), 0u);
  }
  EXPECT_THAT(compared_page(hostile_comparison()), HasSubstr("&lt;img src=x"));
}

}  // namespace
}  // namespace rackproof::report
