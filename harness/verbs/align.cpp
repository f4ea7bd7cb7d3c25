/// `align`: from ways measured one by one to the delays and polarities that the rig should hold.
#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>

#include "harness/files/entry.hpp"
#include "harness/files/kind.hpp"
#include "harness/files/whole_file.hpp"
#include "harness/rig/document.hpp"
#include "harness/rig/edit.hpp"
#include "harness/rig/faults.hpp"
#include "harness/rig/units.hpp"
#include "harness/tune/acoustic_response.hpp"
#include "harness/tune/align.hpp"
#include "harness/verbs/loudspeaker_option.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/unseal.hpp"
#include "harness/verbs/verb.hpp"

namespace rackproof {
namespace {

struct AlignArguments {
  std::filesystem::path rig_file, into;
  std::vector<std::string> ways, distances, temperatures;
  LoudspeakerOption loudspeaker;
  bool far = false;
  Unseal unseal;
  Voice voice;
};

/// "NAME=VALUE" of every way, by the rig's order.
std::vector<std::string> by_way(const rig::Rig& rig, const char* option, const std::vector<std::string>& given,
                                const char* example) {
  std::vector<std::string> names, values(rig.ways.size());
  for (const rig::Way& way : rig.ways) names.push_back(way.name);
  for (const std::string& one : given) {
    const std::size_t equals = one.find('=');
    if (equals == one.npos || equals + 1 == one.size())
      throw InputError(fmt::format("{}: read {}; right would be a way's name, = and {}", option, one, example));
    const std::string name = one.substr(0, equals);
    const auto way = std::find(names.begin(), names.end(), name);
    if (way == names.end())
      throw InputError(fmt::format("{}: read {}; {} has no way {}: {}", option, one, rig.file.string(), name,
                                   rig::suggestion(name, names)));
    std::string& value = values[static_cast<std::size_t>(way - names.begin())];
    if (!value.empty()) throw InputError(fmt::format("{}: read {} twice; each way once is right", option, name));
    value = one.substr(equals + 1);
  }
  for (std::size_t w = 0; w < names.size(); ++w)
    if (values[w].empty())
      throw InputError(fmt::format("{}: read nothing for way {}; every way of {} is wanted: {} {}={}", option, names[w],
                                   rig.file.string(), option, names[w], example));
  return values;
}

std::vector<tune::MeasuredWay> measured_ways(const rig::Rig& rig, const AlignArguments& o) {
  const std::vector<std::string> files = by_way(rig, "--way", o.ways, "FILE.json");
  std::vector<std::string> distances(rig.ways.size());
  if (!o.distances.empty()) distances = by_way(rig, "--distance", o.distances, "2.1m");
  std::vector<tune::MeasuredWay> ways;
  for (std::size_t w = 0; w < rig.ways.size(); ++w) {
    const rig::Way& way = rig.ways[w];
    tune::MeasuredWay& one = ways.emplace_back(
        tune::MeasuredWay{way.name, tune::load_measurement(files[w]), way.delay_s, way.inverted ? -1 : 1, {}});
    for (std::size_t at = 0; at < distances[w].size();) {
      const std::size_t comma = std::min(distances[w].find(',', at), distances[w].size());
      one.distance_m.push_back(
          typed_quantity("--distance", distances[w].substr(at, comma - at), rig::Quantity::distance));
      at = comma + 1;
    }
    if (one.distance_m.size() != ways.front().distance_m.size())
      throw InputError(
          fmt::format("--distance: read {} for way {} and {} for way {}; as many for every way: the place of "
                      "the measurement, then others",
                      one.distance_m.size(), one.name, ways.front().distance_m.size(), ways.front().name));
  }
  return ways;
}

/// `RIG.WAY.response.csv`, or `RIG.LOUDSPEAKER.WAY.response.csv`.
std::string response_name(const std::filesystem::path& into, const std::string& loudspeaker, const std::string& way) {
  return fmt::format("{}.{}{}{}.response.csv", into.stem().string(), loudspeaker, loudspeaker.empty() ? "" : ".", way);
}
/// A way's response as a file beside the rig.
struct ResponseFile {
  std::string way, name, text;
};
std::vector<ResponseFile> response_files(const std::filesystem::path& into, const std::string& loudspeaker,
                                         const std::vector<tune::MeasuredWay>& ways, const tune::Start& start,
                                         double sample_rate_hz) {
  double common_s = 1e300;
  for (std::size_t w = 0; w < ways.size(); ++w)
    common_s = std::min(common_s, 1e-3 * ways[w].measured.arrival_ms - start.driven[w].delay_s);
  std::vector<ResponseFile> responses;
  for (std::size_t w = 0; w < ways.size(); ++w)
    responses.push_back({ways[w].name, response_name(into, loudspeaker, ways[w].name),
                         tune::acoustic_response(ways[w].measured, start.driven[w], sample_rate_hz, common_s)});
  return responses;
}
/// Written, and not yet in their places.
std::vector<files::WholeFile> written(const std::vector<ResponseFile>& responses, const std::filesystem::path& into) {
  std::vector<files::WholeFile> files;
  files.reserve(responses.size());
  for (const ResponseFile& one : responses) {
    const std::filesystem::path place = into.parent_path() / one.name;
    files::must_be_replaceable(place, files::Kind::measurement_csv);
    files.emplace_back(place).write(one.text);
  }
  return files;
}

/// A way that is turned over may add or take the all-pass that a point gives to the ways below it.
std::optional<Warning> filters_that_change(const rig::Rig& rig, const tune::Drive& now, const tune::Alignment& made) {
  rig::Rig turned = rig;
  for (std::size_t w = 0; w < made.ways.size(); ++w) turned.ways[w].inverted = made.ways[w].polarity < 0;
  const tune::Drive then = tune::drive_of(turned, nullptr);
  std::vector<std::string> names;
  for (std::size_t w = 0; w < then.ways.size(); ++w)
    if (!tune::same_filters(now.ways[w], then.ways[w])) names.push_back(then.ways[w].name);
  if (names.empty()) return std::nullopt;
  return Warning{
      "filters-change",
      fmt::format("with these polarities way{} {} will have other filters: the all-pass of a point above "
                  "comes or goes with them (plan shows it), and turns the phase that was measured. If a cable "
                  "is turned over, turn it there and not here; else write these (--into), and measure and "
                  "align again",
                  names.size() == 1 ? "" : "s", fmt::join(names, ", "))};
}

std::string milliseconds(double seconds) { return fmt::format("{:.4f} ms", 1e3 * seconds); }

Json document_of(const rig::Rig& rig, const tune::Alignment& made, const tune::AlignOptions& options,
                 const std::filesystem::path& into, const std::string& kept) {
  const auto rounded = [](double x, double steps) { return std::round(x * steps) / steps; };
  Json ways = Json::array(), points = Json::array(), warnings = Json::array();
  for (const tune::AlignedWay& way : made.ways)
    ways.push_back({{"name", way.name},
                    {"arrival_ms", way.arrival_ms},
                    {"delay_ms", rounded(1e3 * way.delay_s, 1e4)},
                    {"polarity", way.polarity}});
  for (const tune::AlignedPoint& point : made.points) {
    Json one = {{"at_hz", point.at_hz},
                {"sum_loss_db", rounded(point.sum_loss_db, 1e4)},
                {"sum_loss_before_db", rounded(point.sum_loss_before_db, 1e4)},
                {"agreement", rounded(point.agreement, 1e4)},
                {"agreement_other_polarity", rounded(point.agreement_other, 1e4)}};
    Json places = Json::array(), temperatures = Json::array();
    for (const double loss : point.loss_at_places_db) places.push_back(rounded(loss, 1e4));
    for (std::size_t i = 0; i < point.loss_at_temperatures_db.size(); ++i)
      temperatures.push_back(
          {{"degc", options.temperatures_degc[i]}, {"sum_loss_db", rounded(point.loss_at_temperatures_db[i], 1e4)}});
    if (!places.empty()) one["sum_loss_at_places_db"] = places;
    if (!temperatures.empty()) one["sum_loss_at_temperatures"] = temperatures;
    points.push_back(one);
  }
  for (const Warning& warning : made.warnings) warnings.push_back({{"code", warning.code}, {"text", warning.text}});
  return {{"rig", rig.file.string()},
          {"loudspeaker", rig.loudspeaker.empty() ? Json(nullptr) : Json(rig.loudspeaker)},
          {"into", into.empty() ? Json(nullptr) : Json(into.string())},
          {"kept", kept.empty() ? Json(nullptr) : Json(kept)},
          {"ways", ways},
          {"points", points},
          {"warnings", warnings}};
}

std::string text_of(const rig::Rig& rig, const tune::Alignment& made, const tune::AlignOptions& options,
                    std::size_t width) {
  Table ways({{"way", Align::left}, {"arrival"}, {"delay now"}, {"delay to hold"}, {"polarity to hold", Align::left}});
  for (std::size_t w = 0; w < made.ways.size(); ++w) {
    const tune::AlignedWay& way = made.ways[w];
    ways.row({way.name, fmt::format("{:.4f} ms", way.arrival_ms), milliseconds(rig.ways[w].delay_s),
              milliseconds(way.delay_s),
              std::string(way.polarity < 0 ? "inverted" : "normal") +
                  ((way.polarity < 0) != rig.ways[w].inverted ? " (turned)" : "")});
  }
  std::string out = ways.text(width) + "\n";
  Table points({{"point", Align::left}, {"sum loses"}, {"before"}, {"phases agree"}, {"other polarity"}});
  for (const tune::AlignedPoint& point : made.points)
    points.row({rig::text_of({rig::Quantity::frequency, std::round(point.at_hz * 10) / 10}),
                fmt::format("{:.2f} dB", point.sum_loss_db), fmt::format("{:.2f} dB", point.sum_loss_before_db),
                fmt::format("{:.0f} %", 100 * point.agreement), fmt::format("{:.0f} %", 100 * point.agreement_other)});
  out += points.text(width);
  for (const tune::AlignedPoint& point : made.points) {
    const std::string at = rig::text_of({rig::Quantity::frequency, std::round(point.at_hz * 10) / 10});
    for (std::size_t i = 0; i < point.loss_at_places_db.size(); ++i)
      out += fmt::format("  at {}, place {}: the sum loses {:.2f} dB\n", at, i + 2, point.loss_at_places_db[i]);
    for (std::size_t i = 0; i < point.loss_at_temperatures_db.size(); ++i)
      out += fmt::format("  at {}, {:g} degC: the sum loses {:.2f} dB\n", at, options.temperatures_degc[i],
                         point.loss_at_temperatures_db[i]);
  }
  for (const Warning& warning : made.warnings) out += wrapped(warning.code + ": " + warning.text, width, "  ! ");
  return out;
}

/// The file's text with what is new in it; unchanged where it holds it already.
std::string with_alignment(std::string text, const rig::Rig& whole, const LoudspeakerOption& loudspeaker,
                           const tune::Alignment& made, const std::vector<ResponseFile>& responses) {
  const std::filesystem::path& file = whole.file;
  const rig::Rig& before = loudspeaker.of(whole);
  const std::string ways =
      whole.loudspeakers.empty() ? "way" : fmt::format("loudspeaker[{}].way", loudspeaker.place_in(whole));
  for (std::size_t w = 0; w < made.ways.size(); ++w) {
    const tune::AlignedWay& way = made.ways[w];
    const auto found =
        std::find_if(before.ways.begin(), before.ways.end(), [&](const auto& one) { return one.name == way.name; });
    if (found == before.ways.end())
      throw InputError(
          fmt::format("{}: it has no way {}; --into wants the rig that was measured", file.string(), way.name));
    const std::string table = fmt::format("{}[{}]", ways, found - before.ways.begin());
    if (std::abs(found->delay_s - way.delay_s) > 0.5e-7)
      text = rig::with_value(text, file, table, "delay", fmt::format("\"{:.6g} ms\"", 1e3 * way.delay_s));
    if (found->inverted != (way.polarity < 0))
      text = rig::with_value(text, file, table, "polarity", way.polarity < 0 ? "\"inverted\"" : "\"normal\"");
    const std::string& response = responses[w].name;
    if (!found->response || found->response->filename() != response ||
        !files::are_one(*found->response, file.parent_path() / response))
      text = rig::with_value(text, file, table, "response", fmt::format("\"{}\"", response));
  }
  rig::parse_rig(text, file);
  return text;
}

void run_align(const AlignArguments& o) {
  std::optional<rig::EditedFile> into;  // held from before it is read: RIG may be the same file
  std::optional<rig::Rig> before;
  if (!o.into.empty()) {
    into.emplace(o.into);
    if (!into->text())
      throw InputError(
          fmt::format("{}: there is no such file; --into wants the rig that was measured", o.into.string()));
    before = rig::parse_rig(*into->text(), o.into);
    o.unseal.require(*into);
  }
  const rig::Rig whole = rig::load_rig(o.rig_file);
  const rig::Rig& rig = o.loudspeaker.of(whole);
  if (rig.ways.size() < 2)
    throw InputError(fmt::format("{}: read one way{}; two at least are wanted to align", rig.file.string(),
                                 rig.loudspeaker.empty() ? "" : " of loudspeaker " + rig.loudspeaker));
  tune::AlignOptions options;
  options.temperature_degc = rig.controller.temperature_degc;
  for (const std::string& text : o.temperatures)
    options.temperatures_degc.push_back(typed_quantity("--temperature", text, rig::Quantity::temperature));
  if (!o.temperatures.empty() && o.distances.empty())
    throw InputError("--temperature: needs --distance for every way: it is the path that warm air shortens");
  std::vector<double> points_hz;
  for (const rig::Point& point : rig.points) points_hz.push_back(std::sqrt(point.low.at_hz * point.high.at_hz));
  options.far = o.far;
  std::vector<tune::MeasuredWay> ways = measured_ways(rig, o);
  const tune::Drive now = tune::drive_of(rig, nullptr);
  const tune::Start start = tune::start_from(now, points_hz, ways);
  tune::Alignment made = tune::align(ways, points_hz, options);
  made.warnings.insert(made.warnings.begin(), start.warnings.begin(), start.warnings.end());
  if (std::optional<Warning> change = filters_that_change(rig, now, made)) made.warnings.push_back(std::move(*change));
  for (const tune::MeasuredWay& way : ways)
    std::ranges::move(tune::doubts_of_levels(way.measured), std::back_inserter(made.warnings));
  std::string done;
  Unseal::Outcome unsealed;
  if (into) {
    const std::vector<ResponseFile> responses =
        response_files(o.into, rig.loudspeaker, ways, start, now.sample_rate_hz);
    std::vector<files::WholeFile> files = written(responses, o.into);
    const std::string text = with_alignment(*into->text(), *before, o.loudspeaker, made, responses);
    done = fmt::format("\n{} holds them already.\n", o.into.string());
    if (text == *into->text()) {
      std::vector<files::WholeFile*> all;
      for (files::WholeFile& file : files) all.push_back(&file);
      files::commit_all(all);
    } else {
      unsealed = o.unseal.replace(*into, text, files);
      done = fmt::format(
          "\n{} holds them now. Measure again with all ways, then with one inverted: a deep dip at the "
          "point says that it is right.\n",
          o.into.string());
    }
  }
  o.voice.say(text_of(rig, made, options, text_width()) + done + unsealed.words);
  o.voice.document(document_of(rig, made, options, o.into, unsealed.kept));
}

}  // namespace

void add_align(CLI::App& program, int& status) {
  CLI::App* verb =
      add_verb(program, "align", "Delays and polarities of ways, from their phase around the points where they meet",
               "rackproof align rig.toml --way low=low.json --way high=high.json --into rig.toml");
  const auto o = std::make_shared<AlignArguments>();
  add_option(*verb, "RIG", o->rig_file, "The rig file, as it drove the ways when they were measured")
      .type_name("FILE")
      .required();
  add_option(*verb, "--way", o->ways,
             "A way and its measurement, the others muted, the microphone left in its place; for every way")
      .type_name("NAME=FILE.json")
      .required()
      .take_all();
  add_option(*verb, "--distance", o->distances,
             "A way's distance to the microphone, then to other places in the same order, for the spread over them: "
             "low=2.1m,8m")
      .type_name("NAME=DISTANCE")
      .take_all();
  add_option(*verb, "--temperature", o->temperatures, "The spread at this temperature, with --distance; repeatable")
      .type_name("TEMPERATURE")
      .take_all();
  add_option(*verb, "--into", o->into, "The rig file to write the delays and polarities into; comments and order stay")
      .type_name("FILE");
  add_flag(*verb, "--far", o->far, "The ways do stand so far apart that they arrive more than 10 ms after one another");
  o->loudspeaker.add_to(*verb, "The loudspeaker whose ways these are, where the rig has several");
  o->unseal.add_to(*verb);
  o->voice.add_to(*verb);
  when_called(*verb, [o, &status] {
    run_align(*o);
    status = 0;
  });
}

}  // namespace rackproof
