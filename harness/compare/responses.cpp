#include "harness/compare/responses.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "harness/analysis/bands.hpp"
#include "harness/proof/impulse_response.hpp"
#include "harness/proof/stimulation.hpp"

namespace rackproof::compare {
namespace {

/// Heights whose difference is told: a curve's own loudest, and what counts of a level.
struct Heights {
  explicit Heights(std::span<const double> db) : loudest(*std::ranges::max_element(db)) {}
  double loudest;
  bool plays() const { return loudest > -300; }
  bool within(double db, double range_db) const { return plays() && db > loudest - range_db; }
  double counted(double db) const { return std::max(db, loudest - kDeepest_db); }
};

void add_bands(std::vector<double>& hz, const std::vector<rig::EqBand>& eq) {
  for (const rig::EqBand& band : eq) hz.push_back(band.at_hz);
}

}  // namespace

Answers::Answers(const Candidate& candidate)
    : rate_hz_(candidate.rig.controller.sample_rate_hz),
      impulses_(proof::impulse_responses(*proof::make_chain(candidate.unlimited.settings()), candidate.unlimited)),
      kept_(impulses_.size()) {
  for (std::size_t o = 0; o < impulses_.size(); ++o)
    first_.push_back(static_cast<std::size_t>(std::ranges::find(impulses_, impulses_[o]) - impulses_.begin()));
}
const Response& Answers::of(std::size_t output, std::span<const double> frequency_hz) const {
  Response& kept = kept_[first_[output]];
  if (kept.empty()) kept = anew(output, frequency_hz);
  return kept;
}
Response Answers::anew(std::size_t output, std::span<const double> frequency_hz) const {
  return proof::spectrum(impulses_[first_[output]], frequency_hz, rate_hz_);
}

std::vector<double> decibels(const Response& response) {
  std::vector<double> db;
  for (const std::complex<double>& value : response) db.push_back(proof::finite_db(std::abs(value)));
  return db;
}

std::optional<Apart> furthest(std::span<const double> frequency_hz, std::span<const double> a_db,
                              std::span<const double> b_db, double within_db, const Heard& a, const Heard& b) {
  constexpr double kSame_db = 0.02;
  const Heights of_a(a_db), of_b(b_db);
  if (!of_a.plays() && !of_b.plays()) return std::nullopt;
  if (!of_a.plays() || !of_b.plays()) {
    const std::span<const double> heard = of_a.plays() ? a_db : b_db;
    const auto loudest = static_cast<std::size_t>(std::ranges::max_element(heard) - heard.begin());
    return Apart{of_b.plays() ? kDeepest_db : -kDeepest_db, frequency_hz[loudest], true};
  }
  const auto apart = [&](double at_a, double at_b) { return of_b.counted(at_b) - of_a.counted(at_a); };
  Apart found;
  std::size_t at = frequency_hz.size();
  double least = std::numeric_limits<double>::infinity(), most = -least;
  for (std::size_t k = 0; k < frequency_hz.size(); ++k) {
    if (!of_a.within(a_db[k], within_db) && !of_b.within(b_db[k], within_db)) continue;
    const double db = apart(a_db[k], b_db[k]);
    least = std::min(least, db);
    most = std::max(most, db);
    if (std::abs(db) > std::abs(found.db)) {
      found.db = db;
      at = k;
    }
  }
  if (at == frequency_hz.size()) return found;
  found.everywhere = most - least < kSame_db && std::abs(found.db) > kSame_db;
  found.at_hz = frequency_hz[at];
  // Between the neighbours: eight places, then eight around the best of them, and so on.
  double low = frequency_hz[at == 0 ? 0 : at - 1], high = frequency_hz[std::min(at + 1, frequency_hz.size() - 1)];
  constexpr int kRounds = 4, kPlaces = 8;
  for (int round = 0; round < kRounds; ++round) {
    std::vector<double> places;
    const double step = std::pow(high / low, 1.0 / (kPlaces + 1));
    for (int p = 1; p <= kPlaces; ++p) places.push_back(low * std::pow(step, p));
    const std::vector<double> there_a = decibels(a(places)), there_b = decibels(b(places));
    for (std::size_t p = 0; p < places.size(); ++p) {
      if (!of_a.within(there_a[p], within_db) && !of_b.within(there_b[p], within_db)) continue;
      const double db = apart(there_a[p], there_b[p]);
      if (std::abs(db) > std::abs(found.db)) {
        found.db = db;
        found.at_hz = places[p];
      }
    }
    low = std::max(found.at_hz / step, frequency_hz.front());
    high = std::min(found.at_hz * step, frequency_hz.back());
  }
  return found;
}

std::vector<double> frequencies_for(const Candidate& a, const Candidate& b) {
  constexpr double kPerOctave = 96, kOfRate = 0.49;
  double to = kTo_hz;
  for (const Candidate* one : {&a, &b}) to = std::min(to, kOfRate * one->rig.controller.sample_rate_hz);
  std::vector<double> hz = analysis::log_frequencies(kFrom_hz, to, kPerOctave);
  hz.push_back(to);
  for (const Candidate* one : {&a, &b}) {
    for (const rig::Rig& part : one->rig.parts()) {
      add_bands(hz, part.system_eq);
      for (const rig::Way& way : part.ways) {
        add_bands(hz, way.eq);
        for (const auto& [feed, own] : way.output) add_bands(hz, own.eq);
      }
    }
    if (!one->venue) continue;
    add_bands(hz, one->venue->all.eq);
    for (const auto& [feed, layer] : one->venue->feed) add_bands(hz, layer.eq);
    for (const auto& [loudspeaker, layer] : one->venue->loudspeaker) add_bands(hz, layer.eq);
  }
  std::erase_if(hz, [&](double at) { return at < kFrom_hz || at > to; });
  std::ranges::sort(hz);
  hz.erase(std::unique(hz.begin(), hz.end(), [](double x, double y) { return y <= x * (1 + 1e-9); }), hz.end());
  return hz;
}

}  // namespace rackproof::compare
