// Must hold: the page says verdict, fixes, figures and times; text from a file stays text wherever it appears; the page
// asks for nothing outside itself; its size does not grow with a recording's length.
#include "harness/report/page.hpp"

#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "tests/harness/report/html.hpp"
#include "tests/harness/report/invented_proof.hpp"

namespace rackproof::report {
namespace {

using proof::hostile_proof;
using proof::invented_proof;
using testing::HasSubstr;
using testing::Not;

const PageFacts kFacts{.rig_file = "rig.toml", .program = "rackproof 0.1.0"};

TEST(Page, VerdictAndWhatToFixStandFirst) {
  const std::string html = page(invented_proof(), kFacts);
  const std::size_t verdict = html.find("The rig does not hold</h2>"), fix = html.find("What to fix"),
                    accepted = html.find("Taken knowingly"), response = html.find("id=\"response\"");
  ASSERT_NE(verdict, std::string::npos);
  EXPECT_LT(verdict, fix);
  EXPECT_LT(fix, accepted);
  EXPECT_LT(accepted, response);
  EXPECT_NE(response, std::string::npos);
  const std::string fixes = between(html, "What to fix", "Taken knowingly");
  EXPECT_THAT(fixes, HasSubstr("Set <code>way.mid.limit.below_clip = &quot;2 dB&quot;</code>."));
  EXPECT_EQ(count(fixes, "<li>"), 2u);
  EXPECT_THAT(between(html, "Taken knowingly", "id=\"response\""), HasSubstr("the horn&#39;s own slope does the rest"));
  EXPECT_THAT(html, HasSubstr("11 of 14 checks hold; 2 fall; 1 accepted"));
}

TEST(Page, ARigThatHoldsHasNothingToFix) {
  proof::Proof proof = invented_proof();
  std::erase_if(proof.findings, [](const auto& finding) { return !finding.holds; });
  proof.holds = true;
  const std::string html = page(proof, kFacts);
  EXPECT_THAT(html, HasSubstr("The rig holds</h2>"));
  EXPECT_THAT(html, HasSubstr("11 of 11 checks hold."));
  EXPECT_THAT(html, Not(HasSubstr("What to fix")));
  EXPECT_THAT(own(html), Not(HasSubstr("class=\"mark falls\"")));
}

TEST(Page, EveryFigureOfTheProofIsInATable) {
  const proof::Proof proof = invented_proof();
  const std::string html = page(proof, kFacts);
  const std::string checks = between(html, "class=\"checks\"", "</table>");
  // Six ids; what is said of several outputs in the same words and figures stands once, with all their names.
  EXPECT_EQ(count(checks, "<tr class=\"id\">"), 6u);
  EXPECT_EQ(count(checks, "<tr class=\""), 6u + 7u);
  EXPECT_THAT(checks, HasSubstr("<tr class=\"falls\"><th scope=\"row\"><bdi>mid.left</bdi></th>"));
  EXPECT_THAT(checks, HasSubstr("<tr class=\"holds\"><th scope=\"row\"><bdi>sub</bdi>, <bdi>mid.right</bdi>, "
                                "<bdi>high.left</bdi>, <bdi>high.right</bdi></th>"));
  EXPECT_THAT(
      html, HasSubstr("<th scope=\"row\"><bdi>sub</bdi></th><td class=\"figure\">291.1</td><td class=\"figure\">"
                      "138.6</td><td class=\"figure\">–</td><td class=\"figure\">110.0</td><td class=\"figure\">62.4"));
  EXPECT_THAT(html, HasSubstr("<bdi>mid.right</bdi></th><td class=\"figure\">4.500</td><td class=\"figure\">0.000</td>"
                              "<td class=\"figure\">4.500</td><td>inverted</td>"));
  EXPECT_THAT(
      html,
      HasSubstr("data-head=\"measured\">−1.4\u00a0dB</td><td class=\"figure\" data-head=\"allowed\">−0.5\u00a0dB"));
  EXPECT_THAT(html, HasSubstr("It limits by more than 0.1 dB in "));
  // Volts, watts, what both limiters hold, and the coil's kelvin and what they cost.
  std::string row = "<bdi>sub</bdi></th>";
  for (const char* cell :
       {"110.0", "18.3", "41.7", "0.6", "2.4", "12.0 %", "1.3 %", "0.3", "1.8", "21.0 %", "0.0 %", "61", "0.9"})
    row += "<td class=\"figure\">" + std::string(cell) + "</td>";
  EXPECT_THAT(html, HasSubstr(row));
  EXPECT_EQ(count(html, "<th>"), 0u) << "a table's head without a scope";
}

TEST(Page, DataForThePlotsAreTheProofs) {
  const proof::Proof proof = invented_proof();
  const nlohmann::json data = data_of(page(proof, kFacts));
  ASSERT_EQ(data["responses"][0]["curves"].size(), proof.responses[0].curves.size());
  for (std::size_t n = 0; n < proof.responses[0].frequency_hz.size(); n += 37) {
    const double hz = proof.responses[0].frequency_hz[n], db = proof.responses[0].curves[1].magnitude_db[n];
    // Five significant digits: half a unit of the fifth.
    EXPECT_NEAR(data["responses"][0]["frequency"][n].get<double>(), hz, 5e-5 * hz);
    EXPECT_NEAR(data["responses"][0]["curves"][1]["magnitude"][n].get<double>(), db, 5e-5 * std::abs(db));
  }
  EXPECT_EQ(data["rungs"][0]["name"], "converter full scale");
  EXPECT_EQ(data["rungs"][4]["name"], "driver continuous");
  EXPECT_NEAR(data["recordings"][0]["tracks"][0]["limit"].get<double>(), 110.05, 0.01);
  EXPECT_FALSE(data["recordings"][0]["tracks"][0]["moments"].empty());
}

// A voltmeter reads RMS: who sets an amplifier by the page must not take the ladder's place of a rating for it.
TEST(Page, WhatIsRmsIsSaidSoAndDrawnAtItsSinesPeak) {
  const std::string html = page(invented_proof(), kFacts);
  const std::string table = between(html, "Volts at the loudspeaker terminals", "</table>");
  EXPECT_THAT(table, HasSubstr("<th scope=\"col\" class=\"figure\">driver continuous, V\u00a0RMS</th>"));
  for (const char* peak : {"converter full scale", "amplifier clip", "driver peak", "limit"})
    EXPECT_THAT(table, HasSubstr(peak + std::string(", V\u00a0peak</th>")));
  const nlohmann::json data = data_of(html);
  for (const auto& rung : data["ladders"][0]["rungs"]) {
    const bool rms = rung["name"] == "driver continuous";
    EXPECT_EQ(rung["volts_rms"].is_number(), rms) << rung;
    if (rms) EXPECT_NEAR(rung["volts_peak"].get<double>(), std::sqrt(2.0) * rung["volts_rms"].get<double>(), 0.01);
  }
  EXPECT_NEAR(data["ladders"][0]["rungs"][3]["volts_rms"].get<double>(), 62.37, 0.01);
}

TEST(Page, TheLaddersOrderAndPlacesAreThoseOfEveryRig) {
  proof::Proof other = invented_proof();
  for (auto& ladder : other.ladders)
    std::erase_if(ladder.rungs, [](const proof::Rung& rung) { return rung.kind == proof::RungKind::driver_peak; });
  other.ladders[0].rungs[1].volts = 5000;  // a clip above the converter's full scale
  const nlohmann::json all = data_of(page(invented_proof(), kFacts))["rungs"],
                       fewer = data_of(page(other, kFacts))["rungs"];
  ASSERT_EQ(all.size(), 5u);
  ASSERT_EQ(fewer.size(), 4u);
  for (const auto& kind : fewer) EXPECT_NE(std::find(all.begin(), all.end(), kind), all.end()) << kind;
  for (std::size_t k = 1; k < fewer.size(); ++k) EXPECT_LT(fewer[k - 1]["place"], fewer[k]["place"]);
}

TEST(Page, SaysWhatItWasComputedFrom) {
  PageFacts facts = kFacts;
  facts.seal = "Since the rig was sealed, the gain of subs rose.";
  const std::string html = page(invented_proof(), facts);
  EXPECT_THAT(between(html, "class=\"facts\"", "</p>"), HasSubstr("Since the rig was sealed, the gain of subs rose."));
  const std::string basis = between(html, "id=\"basis\"", "</section>");
  EXPECT_THAT(basis, HasSubstr("<caption>Amplifiers</caption>"));
  EXPECT_THAT(basis, HasSubstr("<td>1400 W into 8 ohm<br>2400 W into 4 ohm</td><td>37.6 dB</td>"));
  EXPECT_THAT(basis, HasSubstr("<bdi>mid</bdi></th><td>2.5 ms</td>"));
}

TEST(Page, SaysWhatFollowsFromWhatIsHeld) {
  const std::string html = page(invented_proof(2), kFacts);
  const std::string first = between(html, "song.wav</bdi>", "<figure"),
                    second = between(html, "speech.flac</bdi>", "<figure");
  EXPECT_THAT(first,
              HasSubstr("<li><code>feed-down</code> sub and mid.left: the limiters hold. Turn the feed down 4 dB."));
  EXPECT_EQ(count(first, "<li>"), 2u);
  EXPECT_THAT(second, HasSubstr("nothing to change"));
}

TEST(Page, WhatIsNotFiniteIsAGap) {
  proof::Proof proof = invented_proof();
  proof.responses[0].curves[0].magnitude_db[3] = -std::numeric_limits<double>::infinity();
  proof.timings[0].delay_ms = std::numeric_limits<double>::quiet_NaN();
  const std::string html = page(proof, kFacts);
  EXPECT_TRUE(data_of(html)["responses"][0]["curves"][0]["magnitude"][3].is_null());
  EXPECT_THAT(own(html), Not(testing::ContainsRegex("[> ](-?nan|-?inf)[< ]")));
}

TEST(Page, TextFromAFileStaysText) {
  PageFacts facts{proof::kHostile, proof::kHostile, proof::kHostile,
                  proof::kHostile, proof::kHostile, {{proof::kHostile, proof::kHostile}}};
  const std::string hostile = page(hostile_proof(), facts), sound = page(invented_proof(1, 40), kFacts);
  // No way of writing it survives, in text, attribute or script; no element comes in.
  for (const char* harm : {"<script>window", "</script><", "<img", "onerror=\"", "=\"window.harmed"})
    EXPECT_EQ(count(own(hostile), harm), 0u) << harm;
  EXPECT_EQ(count(hostile, "<script"), count(sound, "<script"));
  EXPECT_EQ(count(own(hostile), "<!--"), 1u);  // the licence's
  EXPECT_THAT(hostile, HasSubstr("<h1><bdi>&lt;/script&gt;&lt;script&gt;window.harmed=1"));
  // What the scripts get is what the file said, to the letter.
  const nlohmann::json data = data_of(hostile);
  EXPECT_EQ(data["ladders"][0]["output"], proof::kHostile);
  EXPECT_EQ(data["recordings"][0]["tracks"][0]["output"], proof::kHostile);
  // A placeholder of the template in a text is not filled: the data stand once.
  EXPECT_EQ(count(hostile, "id=\"report-data\">"), 1u);
  EXPECT_THAT(hostile, HasSubstr("{{data}}"));
}

TEST(Page, TextThatIsNotUtf8DoesNotStopIt) {
  proof::Proof proof = invented_proof(1, 40);
  proof.title = "Caf\xe9 \xff";
  proof.ladders[0].output = "caf\xe9";
  proof.recordings[0].file = std::string("a\0b\xff.wav", 8);
  EXPECT_EQ(data_of(page(proof, kFacts))["ladders"][0]["output"], "caf\xef\xbf\xbd");
}

TEST(Page, AsksForNothingOutsideItself) {
  const std::string html = page(invented_proof(2), kFacts);
  EXPECT_FALSE(asks_for_something(html));
  EXPECT_TRUE(asks_for_something(html + "<img src=\"http://127.0.0.1/\">"));
  EXPECT_THAT(html, HasSubstr("Permission is hereby granted, free of charge"));
  EXPECT_THAT(html, HasSubstr("<html lang=\"en\">"));
}

TEST(Page, SizeDoesNotGrowWithTheRecording) {
  // Three recordings of five outputs, by any length: below 2 MB.
  const std::size_t shorter = page(invented_proof(3, 5000), kFacts).size(),
                    longer = page(invented_proof(3, 50000), kFacts).size();
  EXPECT_LT(longer, 2'000'000u);
  EXPECT_LT(longer, shorter + shorter / 20);
}

TEST(Page, IsTheSameToTheByte) { EXPECT_EQ(page(invented_proof(2), kFacts), page(invented_proof(2), kFacts)); }

TEST(Page, NothingAtAllIsStillAPage) {
  const std::string html = page(proof::Proof{}, kFacts);
  EXPECT_THAT(html, HasSubstr("0 of 0 checks hold."));
  EXPECT_THAT(html, Not(HasSubstr("data-plot=\"magnitude\"><")));
  EXPECT_TRUE(data_of(html)["ladders"].empty());
}

}  // namespace
}  // namespace rackproof::report
