// Designs against values that were computed or published outside this project. Each check names its source.
//
// Tolerances. Double: the reference set's own, 1e-8 + 10 x the disagreement that it states of its two routes (its
// sections are direct forms). Single, as the core runs it: the rounding bound of tests/dsp/design/design_reference.hpp,
// 2^-24 times a small number for each section, against the greatest magnitude of the section; and 1e-4 dB wherever the
// response is above -40 dB: a hundred times closer than the 0.01 dB that most rounded direct forms reach.
#include <gtest/gtest.h>

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>

#include "dsp/design/alignment.hpp"
#include "dsp/design/eq.hpp"
#include "dsp/design/response.hpp"
#include "dsp/design/time_constants.hpp"
#include "tests/dsp/design/design_reference.hpp"

namespace rackproof::dsp {
namespace {
using namespace reference;
using Json = nlohmann::json;

const Json& published() {
  static const Json document = [] {
    std::ifstream file(std::string(RACKPROOF_SOURCE_DIR) + "/tests/published/filters_reference.json");
    return Json::parse(file);
  }();
  return document;
}
std::complex<double> complex_at(const Json& pair) { return {pair.at(0).get<double>(), pair.at(1).get<double>()}; }

ExactList aligned(Alignment alignment, Pass pass, int order, double at_hz, double fs) {
  ExactList list;
  EXPECT_TRUE(design({alignment, pass, order, at_hz}, fs, list));
  return list;
}
ExactList one(const ExactSection& s) {
  ExactList list;
  list.push(s);
  return list;
}
double level(const ExactList& list, double f, double fs) { return db(response(list, f, fs)); }

/// The frequency whose warped value is `factor` times that of `at_hz`.
double at_warped(double at_hz, double factor, double fs) {
  return fs / std::numbers::pi * std::atan(factor * prewarped(at_hz, fs));
}

/// One entry of the reference set, as this project designs it.
ExactList designed(const Json& entry) {
  const std::string type = entry.at("type");
  const double fs = entry.at("fs"), at = entry.at("freq");
  const Pass pass = type.ends_with("hp") ? Pass::high : Pass::low;
  if (type.starts_with("butter_")) return aligned(Alignment::butterworth, pass, entry.at("order"), at, fs);
  if (type.starts_with("bessel_")) {
    const int order = entry.at("order");
    double factor = 1;  // from the frequency stated to that of -3.0103 dB: the set says how its normalisations compare
    if (entry.at("norm") != "mag") {
      const Json& norms = published().at("bessel_sections").at(std::to_string(order));
      const auto first = [&](const char* norm) -> double {
        return norms.at(norm).at("sections").at(0).at("freq_factor");
      };
      factor = first("phase") / first("mag");
    }
    return aligned(Alignment::bessel, pass, order, at_warped(at, pass == Pass::low ? factor : 1 / factor, fs), fs);
  }
  const double gain_db = entry.value("gain_db", 0.0), a = std::pow(10.0, gain_db / 40), t = prewarped(at, fs);
  // Three of the set are not for rigs, but the sections can be them.
  if (type == "rbj_bpf_skirt") return one(second_order(t, 1 / entry.at("q").get<double>(), {.band = 1}));
  if (type == "fo_apf") return one(first_order(t, {.high = -1, .low = 1}));
  if (type == "fo_lowshelf") return one(first_order(t / a, {.high = 1, .low = a * a}));
  if (type == "fo_highshelf") return one(first_order(t * a, {.high = a * a, .low = 1}));

  const std::pair<const char*, EqType> kTypes[] = {
      {"rbj_lpf", EqType::lowpass},       {"rbj_hpf", EqType::highpass},       {"rbj_bpf_peak", EqType::bandpass},
      {"rbj_notch", EqType::notch},       {"rbj_apf", EqType::allpass},        {"rbj_peaking", EqType::peaking},
      {"rbj_lowshelf", EqType::lowshelf}, {"rbj_highshelf", EqType::highshelf}};
  const std::pair<const char*, EqWidth> kWidths[] = {
      {"q", EqWidth::q}, {"bw", EqWidth::bandwidth_oct}, {"s", EqWidth::shelf_slope}};
  EqSettings eq{.at_hz = at, .gain_db = gain_db, .width_value = 0};
  for (const auto& [name, value] : kTypes)
    if (type == name) eq.type = value;
  for (const auto& [name, value] : kWidths)
    if (entry.contains(name)) {
      eq.width = value;
      eq.width_value = entry.at(name);
    }
  ExactSection section;
  EXPECT_TRUE(design(eq, fs, section)) << type;
  return one(section);
}

/// How far the response of the rounded sections may be from the exact one: what each may err by, times the loudest that
/// the others make it.
double single_precision_bound(const ExactList& exact, double fs) {
  double loudest = 1;
  for (const ExactSection& s : exact.view()) {
    double peak = 1;
    for (double f = 5; f < 0.499 * fs; f *= 1.02) peak = std::max(peak, std::abs(response(s, f, fs)));
    loudest *= peak;
  }
  return rounding_bound(exact) * loudest;
}

void expect_response(const ExactList& exact, const Json& frequencies, const Json& expected, double fs,
                     double tolerance) {
  ASSERT_EQ(frequencies.size(), expected.size());
  ASSERT_GE(frequencies.size(), 12u);
  const SectionList single = rounded(exact);
  const double single_tolerance = single_precision_bound(exact, fs);
  for (std::size_t i = 0; i < frequencies.size(); ++i) {
    const double f = frequencies[i];
    const auto wanted = complex_at(expected[i]);
    EXPECT_LE(std::abs(response(exact, f, fs) - wanted), tolerance) << f << " Hz, double";
    EXPECT_LE(std::abs(response(single, f, fs) - wanted), single_tolerance) << f << " Hz, single";
    if (std::abs(wanted) > 0.01) {
      EXPECT_NEAR(db(response(single, f, fs)), db(wanted), 1e-4) << f << " Hz, single";
    }
  }
}
/// A sample of the impulse response is a mean over frequencies of the response, so no sample errs by more than it does.
void expect_impulse(const ExactList& exact, const Json& expected, double fs, double tolerance) {
  ASSERT_EQ(expected.size(), 64u);
  const auto wide = impulse_response(exact.view(), 64);
  const double single_tolerance = single_precision_bound(exact, fs);
  const SectionList single = rounded(exact);
  const auto narrow = impulse_response(single.view(), 64);
  for (std::size_t n = 0; n < 64; ++n) {
    EXPECT_NEAR(static_cast<double>(wide[n]), expected[n].get<double>(), tolerance) << "sample " << n;
    EXPECT_NEAR(static_cast<double>(narrow[n]), expected[n].get<double>(), single_tolerance)
        << "sample " << n << ", single";
  }
}

// Source: responses with mpmath (40 digits), impulses with scipy 1.10.1, as named in filters_reference.json.
TEST(Published, All46FiltersOfTheReferenceSet) {
  ASSERT_EQ(published().at("filters").size(), 46u);
  for (const Json& entry : published().at("filters")) {
    SCOPED_TRACE(entry.at("id").get<std::string>());
    const ExactList exact = designed(entry);
    const double routes = entry.at("scipy_max_abs_diff");
    expect_response(exact, entry.at("freqs_hz"), entry.at("response"), entry.at("fs"), 1e-8 + 10 * routes);
    expect_impulse(exact, entry.at("impulse64"), entry.at("fs"), 1e-9);
  }
}

TEST(Published, AFilterOffByATenthOfAPercentIsNoticed) {  // the control: what those tolerances can tell apart
  for (const Json& entry : published().at("filters")) {
    Json moved = entry;
    moved["freq"] = entry.at("freq").get<double>() * 1.001;
    const ExactList exact = designed(moved);
    double worst = 0;
    for (std::size_t i = 0; i < entry.at("freqs_hz").size(); ++i)
      worst = std::max(worst, std::abs(response(exact, entry.at("freqs_hz")[i], entry.at("fs")) -
                                       complex_at(entry.at("response")[i])));
    EXPECT_GT(worst, 1e-5) << entry.at("id");
  }
}

// Source: S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", JAES 24(1), 1976 (named by the set, which
// computed the branches with scipy 1.10.1 and the exact sum with mpmath).
TEST(Published, All8LinkwitzRileyCrossoversOfTheReferenceSet) {
  ASSERT_EQ(published().at("lr_crossovers").size(), 8u);
  for (const Json& entry : published().at("lr_crossovers")) {
    SCOPED_TRACE(entry.at("id").get<std::string>());
    const double fs = entry.at("fs"), at = entry.at("freq");
    const int order = entry.at("order");
    const Json& frequencies = entry.at("freqs_hz");
    const ExactList low = aligned(Alignment::linkwitz_riley, Pass::low, order, at, fs);
    const ExactList high = aligned(Alignment::linkwitz_riley, Pass::high, order, at, fs);
    expect_response(low, frequencies, entry.at("low_response"), fs, 1e-8);
    expect_response(high, frequencies, entry.at("high_response"), fs, 1e-8);
    expect_impulse(low, entry.at("low_impulse64"), fs, 1e-9);
    expect_impulse(high, entry.at("high_impulse64"), fs, 1e-9);
    EXPECT_NEAR(level(low, at, fs), entry.at("low_mag_db_at_fc").get<double>(), 1e-6);
    EXPECT_NEAR(level(high, at, fs), entry.at("high_mag_db_at_fc").get<double>(), 1e-6);

    const bool same = entry.at("high_polarity_for_flat_sum").get<int>() == 1;
    CrossoverSum sum, wrong;
    const FilterSettings side{Alignment::linkwitz_riley, Pass::low, order, at};
    ASSERT_TRUE(design({side, side, same}, fs, sum));
    ASSERT_TRUE(design({side, side, !same}, fs, wrong));
    ASSERT_TRUE(sum.is_all_pass);
    EXPECT_FALSE(sum.has_null);
    EXPECT_FALSE(wrong.is_all_pass);
    EXPECT_TRUE(wrong.has_null);
    expect_response(sum.all_pass, frequencies, entry.at("sum_response"), fs, 1e-8);
    EXPECT_EQ(sum.all_pass.count, entry.at("allpass_q").size() + entry.at("allpass_first_order").get<std::size_t>());
    for (std::size_t i = 0; i < frequencies.size(); ++i) {
      const double f = frequencies[i], expected = entry.at("wrong_polarity_mag_db")[i].is_null()
                                                      ? -1000
                                                      : entry.at("wrong_polarity_mag_db")[i].get<double>();
      const auto l = response(low, f, fs), h = response(high, f, fs);
      const double got = db(same ? l - h : l + h);
      if (expected < -200) {
        EXPECT_LT(got, -200) << f;
      } else {
        EXPECT_NEAR(got, expected, 1e-6) << f;
      }
    }
  }
}

TEST(Published, ThreeWaysAddUpOnlyWithTheAllPassOfTheUpperPoint) {  // source: mpmath, as named in the file
  ASSERT_EQ(published().at("lr_three_way").size(), 2u);
  for (const Json& entry : published().at("lr_three_way")) {
    SCOPED_TRACE(entry.at("id").get<std::string>());
    const double fs = entry.at("fs"), f1 = entry.at("f1"), f2 = entry.at("f2");
    const int order = entry.at("order");
    const bool same = order % 4 == 0;
    const double s = same ? 1 : -1;
    CrossoverSum upper;
    const FilterSettings side{Alignment::linkwitz_riley, Pass::low, order, f2};
    ASSERT_TRUE(design({side, side, same}, fs, upper));
    for (std::size_t i = 0; i < entry.at("freqs_hz").size(); ++i) {
      const double f = entry.at("freqs_hz")[i];
      const auto h = [&](Pass pass, double at) {
        return response(aligned(Alignment::linkwitz_riley, pass, order, at, fs), f, fs);
      };
      const auto rest = s * h(Pass::high, f1) * (h(Pass::low, f2) + s * h(Pass::high, f2));
      const auto with = h(Pass::low, f1) * response(upper.all_pass, f, fs) + rest, without = h(Pass::low, f1) + rest;
      EXPECT_NEAR(db(with), entry.at("sum_mag_db_compensated")[i].get<double>(), 1e-6) << f;
      EXPECT_LT(std::abs(with - complex_at(entry.at("sum_response_compensated")[i])), 1e-8) << f;
      EXPECT_NEAR(db(without), entry.at("sum_mag_db_uncompensated")[i].get<double>(), 1e-6) << f;
    }
  }
}

// Source: formula Q_k = 1 / (2 sin(pi (2k+1) / (2N))), read in a public Q&A on Bessel sections; values of
// scipy.signal.buttap.
TEST(Published, ButterworthSectionQs) {
  ASSERT_EQ(published().at("butterworth_q").size(), 6u);
  for (const auto& [order, expected] : published().at("butterworth_q").items()) {
    const ExactList list = aligned(Alignment::butterworth, Pass::low, std::stoi(order), 1000, 48000);
    const std::size_t single = expected.at("first_order").get<std::size_t>();
    ASSERT_EQ(list.count, single + expected.at("q").size());
    for (std::size_t i = single; i < list.count; ++i)
      EXPECT_NEAR(q_of(list.sections[i]), expected.at("q")[i - single].get<double>(), 1e-9) << order;
  }
}

// Source: scipy.signal.bessel documentation for the meaning of 'mag'; values of scipy.signal.besselap and mpmath roots.
TEST(Published, BesselSectionQsAndFrequencies) {
  ASSERT_EQ(published().at("bessel_sections").size(), 5u);
  const double fs = 48000, at = 1000, t = prewarped(at, fs);
  for (const auto& [order, norms] : published().at("bessel_sections").items()) {
    const ExactList list = aligned(Alignment::bessel, Pass::low, std::stoi(order), at, fs);
    const Json& sections = norms.at("mag").at("sections");
    ASSERT_EQ(list.count, sections.size());
    for (std::size_t i = 0; i < list.count; ++i) {
      const ExactSection& s = list.sections[i];
      const double g = s.cross / s.rate;
      const bool single = sections[i].contains("first_order");
      EXPECT_NEAR((single ? g * g : g) / t, sections[i].at("freq_factor").get<double>(), 1e-9) << order;
      if (!single) {
        EXPECT_NEAR(q_of(s), sections[i].at("q").get<double>(), 1e-9) << order;
      }
    }
    // The same poles under the two other normalisations, level at the stated frequency.
    for (const char* norm : {"phase", "delay"}) {
      const double factor = norms.at(norm).at("sections").at(0).at("freq_factor").get<double>() /
                            sections[0].at("freq_factor").get<double>();
      const ExactList other = aligned(Alignment::bessel, Pass::low, std::stoi(order), at_warped(at, factor, fs), fs);
      EXPECT_NEAR(level(other, at, fs), norms.at(norm).at("mag_db_at_1").get<double>(), 1e-6) << order << norm;
    }
  }
}

// Textbook formula -10 log10(1 + W^2N); from memory.
TEST(Published, ButterworthAttenuationAtMultiplesOfTheCorner) {
  struct Row {
    int order;
    double at_1, at_2, at_4;
  };
  for (const Row& row : {Row{1, -3.0103, -6.9897, -12.3045}, Row{2, -3.0103, -12.3045, -24.0993},
                         Row{4, -3.0103, -24.0993, -48.1649}, Row{8, -3.0103, -48.1649, -96.3296}}) {
    const double fs = 48000, at = 1000;
    const ExactList list = aligned(Alignment::butterworth, Pass::low, row.order, at, fs);
    EXPECT_NEAR(level(list, at, fs), row.at_1, 1e-4);
    EXPECT_NEAR(level(list, at_warped(at, 2, fs), fs), row.at_2, 1e-4);
    EXPECT_NEAR(level(list, at_warped(at, 4, fs), fs), row.at_4, 1e-4);
  }
}

// Follows from the sum of a Linkwitz-Riley crossover: |1 - W^2n| / (1 + W^2n), by arithmetic.
TEST(Published, WrongPolarityAnOctaveAboveTheNull) {
  const double fs = 48000, at = 1000, octave = at_warped(at, 2, fs);
  for (const auto& [order, expected] : {std::pair{2, -4.4370}, {4, -1.0872}, {8, -0.0679}}) {
    const auto l = response(aligned(Alignment::linkwitz_riley, Pass::low, order, at, fs), octave, fs);
    const auto h = response(aligned(Alignment::linkwitz_riley, Pass::high, order, at, fs), octave, fs);
    EXPECT_NEAR(db(order % 4 == 0 ? l - h : l + h), expected, 5e-5) << order;
  }
}

// Derivation: both branches are 1/2 and in phase at the crossover frequency.
TEST(Published, DelayOrLevelErrorOnOneBranch) {
  const double fs = 48000;
  const auto sum_db = [&](double at, double delay_s, double gain_db) {
    const auto l = response(aligned(Alignment::linkwitz_riley, Pass::low, 4, at, fs), at, fs);
    const auto h = response(aligned(Alignment::linkwitz_riley, Pass::high, 4, at, fs), at, fs);
    return db(l + h * std::polar(std::pow(10.0, gain_db / 20), -2 * std::numbers::pi * at * delay_s));
  };
  EXPECT_NEAR(sum_db(1600, 0.1e-3, 0), -1.1469, 1e-3);
  EXPECT_NEAR(sum_db(100, 1e-3, 0), -0.4359, 1e-3);
  EXPECT_NEAR(sum_db(1600, 0, 1), 0.5144, 1e-3);
  EXPECT_NEAR(sum_db(1600, 0, -3), -1.3711, 1e-3);
  EXPECT_LT(sum_db(1600, 0.5 / 1600, 0), -200);
}

// Derivation, verified with mpmath by those who computed the set: 1/(Q t) at DC and 4 Q (1 + t^2) / (2 t) at the
// frequency.
TEST(Published, GroupDelayOfTheSum) {
  struct Row {
    int order;
    double at, at_dc, at_point;
  };
  for (const Row& row :
       {Row{2, 1000, 15.2571, 7.6613}, Row{4, 100, 216.0728, 216.0821}, Row{8, 2000, 19.8487, 28.5568}}) {
    const double fs = 48000;
    CrossoverSum sum;
    const FilterSettings side{Alignment::linkwitz_riley, Pass::low, row.order, row.at};
    ASSERT_TRUE(design({side, side, row.order % 4 == 0}, fs, sum));
    const auto delay_samples = [&](double f) {
      const double step = 0.05;  // Hz; the phase's third derivative makes an error below 1e-6 samples
      const auto turn = response(sum.all_pass, f + step, fs) / response(sum.all_pass, f - step, fs);
      return -std::arg(turn) / (2 * std::numbers::pi * 2 * step) * fs;
    };
    EXPECT_NEAR(delay_samples(0.1), row.at_dc, 1e-3) << row.order;
    EXPECT_NEAR(delay_samples(row.at), row.at_point, 1e-3) << row.order;
  }
}

// Textbook, from memory; identities checked with mpmath by those who computed the set.
TEST(Published, ButterworthCrossovers) {
  const double fs = 48000, at = 1000;
  const auto sum_of = [&](int order, bool same) {
    CrossoverSum sum;
    const FilterSettings side{Alignment::butterworth, Pass::low, order, at};
    EXPECT_TRUE(design({side, side, same}, fs, sum));
    return sum;
  };
  const auto sum_db = [&](int order, bool same, double f) {
    const auto l = response(aligned(Alignment::butterworth, Pass::low, order, at, fs), f, fs);
    const auto h = response(aligned(Alignment::butterworth, Pass::high, order, at, fs), f, fs);
    return db(same ? l + h : l - h);
  };
  for (const double f : {20.0, 500.0, 1000.0, 3000.0, 20000.0}) {
    EXPECT_NEAR(sum_db(1, true, f), 0, 1e-6);
    EXPECT_NEAR(sum_db(3, true, f), 0, 1e-6);
    EXPECT_NEAR(sum_db(3, false, f), 0, 1e-6);
  }
  EXPECT_TRUE(sum_of(1, true).is_all_pass && sum_of(3, true).is_all_pass && sum_of(3, false).is_all_pass);
  EXPECT_NEAR(sum_db(2, false, at), 3.0103, 1e-4);
  EXPECT_LT(sum_db(2, true, at), -200);
  EXPECT_NEAR(sum_db(4, true, at), 3.0103, 1e-4);
  EXPECT_TRUE(sum_of(2, true).has_null);
  EXPECT_FALSE(sum_of(2, false).has_null || sum_of(2, false).is_all_pass);
  EXPECT_FALSE(sum_of(4, true).has_null || sum_of(4, true).is_all_pass);
}

// Source: W3C Working Group Note "Audio EQ Cookbook", 8 June 2021: its definitions, at the 1e-9 dB of double
// arithmetic.
TEST(Published, CookbookIdentities) {
  const double fs = 48000, at = 1000;
  const auto made = [&](EqType type, double gain_db, double q) {
    ExactSection s;
    EXPECT_TRUE(design({type, at, gain_db, EqWidth::q, q}, fs, s));
    return one(s);
  };
  for (const double q : {0.5, 1.0, 4.0}) {
    EXPECT_NEAR(level(made(EqType::lowpass, 0, q), at, fs), db(q), 1e-9);
    EXPECT_NEAR(level(made(EqType::highpass, 0, q), at, fs), db(q), 1e-9);
    EXPECT_NEAR(level(made(EqType::bandpass, 0, q), at, fs), 0, 1e-9);
    EXPECT_LT(level(made(EqType::notch, 0, q), at, fs), -250);
    EXPECT_NEAR(level(made(EqType::peaking, 6, q), at, fs), 6, 1e-9);
    EXPECT_NEAR(level(made(EqType::lowshelf, 6, q), at, fs), 3, 1e-9);
    EXPECT_NEAR(level(made(EqType::highshelf, 6, q), at, fs), 3, 1e-9);
    const ExactList all_pass = made(EqType::allpass, 0, q);
    EXPECT_NEAR(std::abs(std::arg(response(all_pass, at, fs))), std::numbers::pi, 1e-9);
    for (const double f : {20.0, 900.0, 1100.0, 20000.0}) {
      EXPECT_NEAR(level(all_pass, f, fs), 0, 1e-9);
      EXPECT_NEAR(level(made(EqType::peaking, 6, q), f, fs) + level(made(EqType::peaking, -6, q), f, fs), 0, 1e-9);
    }
  }
  ExactSection by_slope, by_q;  // S = 1 is Q 0.7071
  ASSERT_TRUE(design({EqType::lowshelf, at, 6, EqWidth::shelf_slope, 1}, fs, by_slope));
  ASSERT_TRUE(design({EqType::lowshelf, at, 6, EqWidth::q, std::sqrt(0.5)}, fs, by_q));
  EXPECT_NEAR(by_slope.damp, by_q.damp, 1e-15);
}

// Source: the same note, 1/Q = 2 sinh(ln 2 / 2 BW). At a low frequency the digital form becomes the analogue one.
TEST(Published, QFromBandwidth) {
  for (const auto& [octaves, q] : {std::pair{1.0, 1.414214}, {1.0 / 3, 4.318473}, {2.0, 0.666667}}) {
    ExactSection s;
    ASSERT_TRUE(design({EqType::bandpass, 5.0, 0, EqWidth::bandwidth_oct, octaves}, 48000, s));
    EXPECT_NEAR(q_of(s), q, 1e-6);  // w0 / sin w0 is 1 + 7e-8 here
  }
}

// Source: the same note (substitution of tan(w0/2)); arithmetic.
TEST(Published, Prewarping) {
  const auto analogue_hz = [](double f, double fs) { return fs / std::numbers::pi * prewarped(f, fs); };
  EXPECT_NEAR(analogue_hz(1000, 48000), 1001.4303, 1e-3);
  EXPECT_NEAR(analogue_hz(12000, 48000), 15278.8745, 1e-3);
  EXPECT_NEAR(analogue_hz(20000, 96000), 23447.7856, 1e-3);
}

// Source: linear rule, from memory; ISO 9613-1:1993 values 343.2 sqrt((273.15 + T) / 293.15), read second-hand. The two
// differ by up to 0.48 m/s at 30 degrees: the linear rule is the one in use.
TEST(Published, SpeedOfSound) {
  for (const auto& [degrees, linear] :
       {std::pair{0.0, 331.300}, {10.0, 337.360}, {15.0, 340.390}, {20.0, 343.420}, {25.0, 346.450}, {30.0, 349.480}}) {
    double speed = 0;
    ASSERT_TRUE(speed_of_sound_m_per_s(degrees, speed));
    EXPECT_NEAR(speed, linear, 1e-9);
    EXPECT_NEAR(speed, 343.2 * std::sqrt((273.15 + degrees) / 293.15), 0.48);
  }
}

}  // namespace
}  // namespace rackproof::dsp
