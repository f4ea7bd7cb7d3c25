#include "harness/verbs/held_figures.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "harness/verbs/table.hpp"

namespace rackproof {

void add_held(Json& output, const analysis::Held& peak, const analysis::Held& power) {
  for (const auto& [limiter, held] : {std::pair("peak", &peak), std::pair("power", &power)}) {
    const std::string key = fmt::format("{}_held_", limiter);
    output[key + "mean_db"] = held->mean_db;
    output[key + "p95_db"] = held->p95_db;
    output[key + "time_fraction"] = held->over_1_db;
    output[key + "3_db_time_fraction"] = held->over_3_db;
  }
}

Json advice_json(const std::vector<proof::Advice>& advice) {
  Json list = Json::array();
  for (const proof::Advice& one : advice)
    list.push_back({{"code", one.code},
                    {"outputs", one.outputs},
                    {"decibels", one.decibels ? Json(*one.decibels) : Json(nullptr)},
                    {"text", one.text}});
  return list;
}

std::string held_table(std::span<const NamedHolding> holdings, std::size_t width) {
  const auto nothing = [](const NamedHolding& one) { return one.peak.greatest_db == 0 && one.power.greatest_db == 0; };
  if (std::ranges::all_of(holdings, nothing)) return {};
  Table table({{"output", Align::left},
               {"peak: mean dB"},
               {"95 %"},
               {"over 1 dB"},
               {"over 3 dB"},
               {"power: mean dB"},
               {"95 %"},
               {"over 1 dB"},
               {"over 3 dB"}});
  const auto db = [](double value) { return fmt::format("{:.2f}", value); };
  const auto share = [](double value) { return fmt::format("{:.1f} %", 100 * value); };
  for (const NamedHolding& one : holdings)
    table.row({one.output, db(one.peak.mean_db), db(one.peak.p95_db), share(one.peak.over_1_db),
               share(one.peak.over_3_db), db(one.power.mean_db), db(one.power.p95_db), share(one.power.over_1_db),
               share(one.power.over_3_db)});
  return "What the limiters hold, and for how much of the time\n" + table.text(width);
}

std::string advice_text(const std::vector<proof::Advice>& advice, std::size_t width) {
  std::string text;
  for (const proof::Advice& one : advice) text += wrapped(one.code + ": " + one.text, width, "  > ");
  return text;
}

}  // namespace rackproof
