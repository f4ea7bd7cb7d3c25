#include "harness/report/parts.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

#include "harness/files/shown.hpp"
#include "harness/report/assets.hpp"

namespace rackproof::report {
namespace {

using Json = nlohmann::ordered_json;

/// `{{name}}` in a template becomes the value of that name. Values are not looked at again.
std::string filled(std::string_view form, const std::map<std::string_view, std::string_view>& values) {
  std::string out;
  for (;;) {
    const std::size_t open = form.find("{{"), close = form.find("}}", open);
    out += form.substr(0, open);
    if (close == std::string_view::npos) return out;
    out += values.at(form.substr(open + 2, close - open - 2));
    form.remove_prefix(close + 2);
  }
}

/// JSON that can stand in a script element: no `<` can end it.
std::string for_script(const Json& document) {
  std::string out;
  for (const char c : document.dump(-1, ' ', false, Json::error_handler_t::replace)) {
    if (c == '<') {
      out += "\\u003c";
    } else {
      out += c;
    }
  }
  return out;
}

std::string section(const std::string& id, const std::string& title, const std::string& body) {
  return fmt::format(
      "<section id=\"{0}\" aria-labelledby=\"{0}-title\">\n<h2 id=\"{0}-title\">{1}</h2>\n{2}</section>\n", id, title,
      body);
}

}  // namespace

// ---- numbers and words ----------------------------------------------------------------------------------------------

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : files::shown_lines(text)) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string bdi(const std::string& text) {
  constexpr std::size_t kFits = 16;  // of a name that a narrow screen shows whole
  std::string out;
  for (const char c : text) {
    out += escaped({&c, 1});
    if (text.size() > kFits && (c == '.' || c == '_' || c == '/')) out += "<wbr>";
  }
  return "<bdi>" + out + "</bdi>";
}
std::string sentence(const std::string& text) {
  std::string out;
  bool code = false;
  for (const char c : escaped(text)) {
    if (c != '`') {
      out += c;
      continue;
    }
    out += code ? "</code>" : "<code>";
    code = !code;
  }
  return out + (code ? "</code>" : "");
}

std::string number(double value, int decimals) {
  if (!std::isfinite(value)) return "–";
  std::string text = fmt::format("{:.{}f}", std::abs(value), decimals);
  const bool nothing = text.find_first_not_of("0.") == std::string::npos;
  return value < 0 && !nothing ? "−" + text : text;
}
std::string figure(double value) {
  const double size = std::abs(value);
  if (size != 0 && (size < 1e-3 || size >= 1e6)) {
    std::string text = fmt::format("{:.3g}", value);
    return value < 0 ? "−" + text.substr(1) : text;
  }
  std::string text = number(value, size >= 1000 ? 0 : size >= 100 ? 1 : size >= 1 ? 2 : 3);
  if (text.find('.') != std::string::npos) text.erase(text.find_last_not_of('0') + 1);
  if (text.back() == '.') text.pop_back();
  return text;
}
std::string made_by(const std::string& made, const std::string& program) {
  return (made.empty() ? "" : ". Made <span class=\"when\">" + escaped(made) + "</span>") +
         (program.empty() ? "" : " by " + escaped(program)) + ".";
}
std::string counted(std::size_t count, const char* one, const char* more) {
  return fmt::format("{} {}", count, count == 1 ? one : more);
}

// ---- data for the plots ---------------------------------------------------------------------------------------------

nlohmann::ordered_json row(const std::vector<double>& values) {
  Json out = Json::array();
  for (const double value : values) {
    double rounded = value;
    if (std::isfinite(value)) {
      const std::string text = fmt::format("{:.5g}", value);
      std::from_chars(text.data(), text.data() + text.size(), rounded);
    }
    out.push_back(rounded);
  }
  return out;
}

// ---- pieces of a page -----------------------------------------------------------------------------------------------

std::string figure_of(const std::string& plot, const std::string& title, const std::string& words, const char* head) {
  return fmt::format(
      "<figure class=\"plot\" data-plot=\"{0}\"><{4}>{1}</{4}><div class=\"legend\"></div>"
      "<div class=\"frame\" role=\"slider\" tabindex=\"0\" aria-label=\"{2}: read-out. Arrow keys move it, Page keys "
      "move it further, Escape takes it away.\" aria-valuemin=\"0\" aria-valuemax=\"0\" aria-valuenow=\"0\" "
      "aria-valuetext=\"no place yet\"><canvas aria-hidden=\"true\"></canvas></div><p class=\"read-out\"></p>"
      "<figcaption>{3}</figcaption></figure>\n",
      plot, bdi(title), escaped(title), words, head);
}

std::string table(const std::string& caption, const std::vector<Column>& columns,
                  const std::vector<std::vector<std::string>>& rows) {
  std::string out =
      "<div class=\"wide\"><p class=\"wider\" hidden>Wider than the screen: scroll it sideways.</p>"
      "<div class=\"sideways\" tabindex=\"0\" role=\"group\" aria-label=\"" +
      caption + "\"><table><caption>" + caption + "</caption><thead>";
  const auto kind = [](const Column& column) { return column.numeric ? " class=\"figure\"" : ""; };
  if (std::ranges::any_of(columns, [](const Column& column) { return !column.group.empty(); })) {
    out += "<tr>";
    for (std::size_t c = 0, next = 0; c < columns.size(); c = next) {
      for (next = c + 1; next < columns.size() && columns[next].group == columns[c].group;) ++next;
      out += columns[c].group.empty() ? fmt::format("<td colspan=\"{}\"></td>", next - c)
                                      : fmt::format("<th scope=\"colgroup\" class=\"group\" colspan=\"{}\">{}</th>",
                                                    next - c, columns[c].group);
    }
    out += "</tr>";
  }
  out += "<tr>";
  for (const Column& column : columns) out += fmt::format("<th scope=\"col\"{}>{}</th>", kind(column), column.head);
  out += "</tr></thead><tbody>\n";
  for (const auto& cells : rows) {
    out += "<tr><th scope=\"row\">" + cells[0] + "</th>";
    for (std::size_t c = 1; c < cells.size(); ++c) out += fmt::format("<td{}>{}</td>", kind(columns[c]), cells[c]);
    out += "</tr>\n";
  }
  return out + "</tbody></table></div></div>\n";
}

std::string mark(const char* kind, const char* shape, const char* word) {
  return fmt::format("<span class=\"mark {}\"><span aria-hidden=\"true\">{}</span> {}</span>", kind, shape, word);
}

std::string list_of(const std::vector<Warning>& warnings, const char* heading) {
  if (warnings.empty()) return "";
  std::string out = fmt::format("<h3>{}</h3>\n<ol class=\"fixes\">\n", heading);
  for (const Warning& warning : warnings)
    out += fmt::format("<li><p>{} <code>{}</code>: {}</p></li>\n", mark("falls", "▲", "warning"), escaped(warning.code),
                       sentence(warning.text));
  return out + "</ol>\n";
}

// ---- the page -------------------------------------------------------------------------------------------------------

std::string page_of(const Sheet& sheet) {
  const Outline& outline = sheet.outline;
  const auto entry = [](const std::string& id, const std::string& title) {
    return fmt::format("<li><a href=\"#{}\">{}</a></li>\n", id, title);
  };
  std::string sections, index = entry(outline.id, outline.title);
  for (const Part& part : sheet.parts) {
    if (part.body.empty()) continue;
    index += entry(part.id, part.title);
    sections += section(part.id, part.title, part.body);
  }
  index += entry("cautions", "Cautions");
  const std::string name = escaped(sheet.name), data = for_script(sheet.data);
  return filled(assets::kPageHtml, {{"name", name},
                                    {"headline", outline.headline},
                                    {"licence", assets::kChartsLicenceTxt},
                                    {"css", assets::kPageCss},
                                    {"kind", sheet.kind},
                                    {"about", sheet.about},
                                    {"asks", sheet.asks},
                                    {"outline", outline.id},
                                    {"outcome", outline.good ? "holds" : "falls"},
                                    {"seal", outline.seal},
                                    {"outline_body", outline.body},
                                    {"index", index},
                                    {"sections", sections},
                                    {"cautions", sheet.cautions},
                                    {"data", data},
                                    {"charting", assets::kChartMinJs},
                                    {"plots", assets::kPlotsJs},
                                    {"script", sheet.script}});
}

}  // namespace rackproof::report
