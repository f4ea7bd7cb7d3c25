// Must hold: the page says what was sent and captured, what came out and what to look at; text from outside stays text;
// the page asks for nothing outside itself.
#include "harness/report/measurement_page.hpp"

#include <gmock/gmock.h>

#include "tests/harness/report/html.hpp"
#include "tests/harness/report/invented_measurement.hpp"

namespace rackproof::report {
namespace {

using testing::HasSubstr;
using testing::Not;
using tune::hostile_measurement;
using tune::invented_measurement;

const MeasurementFacts kFacts{"hall", "signals/pink.wav", 1, 2, "today", "rackproof 0.1.0"};

TEST(MeasurementPage, SaysWhatWasSentAndWhatWasCaptured) {
  const std::string html = measurement_page(invented_measurement(), kFacts);
  EXPECT_THAT(html, HasSubstr("<h1><bdi>hall</bdi></h1>"));
  EXPECT_THAT(html,
              HasSubstr("Sent: <bdi>pink.wav</bdi>, channel 1, noise at 48 kHz. Captured: <bdi>place-1.wav</bdi>, "
                        "<bdi>place-2.wav</bdi>, <bdi>place-3.wav</bdi>, channel 2. Made <span class=\"when\">"
                        "today</span> by rackproof 0.1.0."));
  EXPECT_THAT(measurement_page(invented_measurement(5), kFacts), HasSubstr("Captured: 5 files, channel 2."));
  tune::Measurement sweep = invented_measurement(1);
  sweep.kind = "sweep";
  EXPECT_THAT(measurement_page(sweep, kFacts), HasSubstr("channel 1, a sweep at 48 kHz"));
}

TEST(MeasurementPage, WhatIsClearAndWhatToLookAtStandFirst) {
  const std::string html = measurement_page(invented_measurement(), kFacts);
  const std::size_t headline = html.find("</span>Clear from 2"), warning = html.find("What to look at"),
                    response = html.find("<section id=\"response\"");
  ASSERT_NE(headline, std::string::npos);
  EXPECT_LT(headline, warning);
  EXPECT_LT(warning, response);
  EXPECT_NE(response, std::string::npos);
  EXPECT_THAT(html, HasSubstr(" Hz to 20.4 kHz, but for 1 stretch; 1 warning</h2>"));
  EXPECT_THAT(html,
              HasSubstr("<code>polarity</code>: the captures do not agree: look at <code>hall/place-2.wav</code>"));
  // 16 Hz to 20.4 kHz are 10.3 octaves, of which 28 / 16 (0.8) and 400 / 300 (0.4) are not clear.
  EXPECT_THAT(html, HasSubstr("Coherence is 0.5 or more over 9.1 of 10.3 octaves, from 16 Hz to 20.4 kHz."));
  EXPECT_THAT(html, HasSubstr("class=\"verdict falls\""));

  tune::Measurement sound = invented_measurement(1);
  const std::string clear = measurement_page(sound, kFacts);
  EXPECT_THAT(clear, HasSubstr("class=\"verdict holds\""));
  EXPECT_THAT(clear, Not(HasSubstr("What to look at")));
  sound.coherence.assign(sound.coherence.size(), 0.1);
  const std::string noise = measurement_page(sound, kFacts);
  EXPECT_THAT(noise, HasSubstr("Clear nowhere</h2>"));
  EXPECT_THAT(noise, HasSubstr("class=\"verdict falls\""));
}

TEST(MeasurementPage, EveryFigureIsInATable) {
  const std::string html = measurement_page(invented_measurement(), kFacts);
  EXPECT_THAT(
      html,
      HasSubstr(
          "<bdi>place-2.wav</bdi></th><td class=\"figure\">15.0000</td><td class=\"figure\">0.0125</td><td>inverted</td>"
          "<td class=\"figure\">12.50</td><td class=\"figure\">−32.0</td>"));
  const std::string doubtful = between(html, "id=\"doubtful\"", "</section>");
  EXPECT_EQ(count(doubtful, "<tr>"), 3u);  // its head and two stretches
  EXPECT_THAT(doubtful, HasSubstr("<th scope=\"row\">16 Hz</th>"));
  EXPECT_THAT(doubtful, HasSubstr("<td class=\"figure\">0.20</td>"));
  // Far above 50 Hz the mean of 0, -2 and -4 dB by power is -1.70 dB.
  EXPECT_THAT(between(html, "id=\"octaves\"", "</section>"),
              HasSubstr("<th scope=\"row\">4 kHz</th><td class=\"figure\">−1.7</td><td class=\"figure\">0.97</td>"));
  EXPECT_EQ(count(html, "<th>"), 0u) << "a table's head without a scope";
}

TEST(MeasurementPage, NothingDoubtfulIsNoSection) {
  tune::Measurement m = invented_measurement(1);
  m.coherence.assign(m.coherence.size(), 1);
  const std::string html = measurement_page(m, kFacts);
  EXPECT_THAT(html, Not(HasSubstr("id=\"doubtful\"")));
  EXPECT_THAT(html, Not(HasSubstr("Hatched")));
  EXPECT_THAT(html, Not(HasSubstr("#doubtful")));
}

TEST(MeasurementPage, DataForThePlotsAreTheMeasurements) {
  const tune::Measurement m = invented_measurement();
  const nlohmann::json data = data_of(measurement_page(m, kFacts));
  const std::size_t places = data["frequency"].size();
  ASSERT_GT(places, 400u);
  for (const char* key : {"magnitude", "phase", "delay", "coherence"}) ASSERT_EQ(data[key].size(), places) << key;
  ASSERT_EQ(data["captures"].size(), 3u);
  for (std::size_t n = 60; n + 1 < places; n += 7) {
    const double hz = data["frequency"][n];
    // 1/24 octave bends a slope of 12 dB/oct by less than 0.02 dB; five digits are finer.
    EXPECT_NEAR(data["captures"][1]["magnitude"][n].get<double>(), 20 * std::log10(std::abs(tune::box_at(hz))) - 2,
                0.02);
    if (hz < 300 / 1.1 || hz > 400 * 1.1)
      EXPECT_NEAR(data["phase"][n].get<double>(), std::arg(tune::box_at(hz)) * 180 / std::numbers::pi, 0.2) << hz;
  }
  EXPECT_TRUE(data["phase"][0].is_null());  // doubtful
  ASSERT_EQ(data["doubtful"].size(), 2u);
  EXPECT_EQ(data["doubtful"][0][0], 16);
  EXPECT_EQ(data["trusted"], 0.5);
  EXPECT_TRUE(data_of(measurement_page(invented_measurement(1), kFacts))["captures"].empty());
}

TEST(MeasurementPage, WithoutPhaseThereIsNoPlotOfIt) {
  tune::Measurement m = invented_measurement(1);
  EXPECT_THAT(measurement_page(m, kFacts), HasSubstr("data-plot=\"phase\""));
  m.phase_deg.clear();
  const std::string html = measurement_page(m, kFacts);
  EXPECT_THAT(html, HasSubstr("data-plot=\"magnitude\""));
  EXPECT_EQ(count(html, "data-plot=\"phase\""), 0u);
  EXPECT_EQ(count(html, "data-plot=\"delay\""), 0u);
}

TEST(MeasurementPage, TextFromOutsideStaysText) {
  const MeasurementFacts facts{proof::kHostile, proof::kHostile, 1, 1, proof::kHostile, proof::kHostile};
  const std::string hostile = measurement_page(hostile_measurement(), facts),
                    sound = measurement_page(invented_measurement(), kFacts);
  for (const char* harm : {"<script>window", "</script><", "<img", "onerror=\"", "=\"window.harmed"})
    EXPECT_EQ(count(own(hostile), harm), 0u) << harm;
  EXPECT_EQ(count(hostile, "<script"), count(sound, "<script"));
  EXPECT_EQ(count(own(hostile), "<!--"), 1u);  // the licence's
  EXPECT_THAT(hostile, HasSubstr("<h1><bdi>&lt;/script&gt;&lt;script&gt;window.harmed=1"));
  EXPECT_EQ(data_of(hostile)["captures"][0]["name"], proof::kHostile);
}

TEST(MeasurementPage, AsksForNothingOutsideItselfAndIsTheSameToTheByte) {
  const std::string html = measurement_page(invented_measurement(), kFacts);
  EXPECT_FALSE(asks_for_something(html));
  EXPECT_THAT(html, HasSubstr("Permission is hereby granted, free of charge"));
  EXPECT_EQ(html, measurement_page(invented_measurement(), kFacts));
}

TEST(MeasurementPage, ACaptureCostsSoMuchAndNoMore) {
  const std::size_t few = measurement_page(invented_measurement(2), kFacts).size(),
                    most = measurement_page(invented_measurement(64), kFacts).size();
  EXPECT_LT((most - few) / 62, 9'000u);
}

}  // namespace
}  // namespace rackproof::report
