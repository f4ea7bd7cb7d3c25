#pragma once
/// What tests read out of a page.
#include <nlohmann/json.hpp>
#include <regex>
#include <string>

namespace rackproof::report {

inline std::size_t count(const std::string& text, const std::string& part) {
  std::size_t found = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++found;
  return found;
}
inline std::string between(const std::string& text, const std::string& from, const std::string& to) {
  const std::size_t begin = text.find(from) + from.size();
  return text.substr(begin, text.find(to, begin) - begin);
}
/// The page without the charting library, which is not ours.
inline std::string own(const std::string& html) {
  const std::size_t from = html.find("Chart.js v"), to = html.find("</script>", from);
  return html.substr(0, from) + html.substr(to);
}
inline nlohmann::json data_of(const std::string& html) {
  return nlohmann::json::parse(between(html, "<script type=\"application/json\" id=\"report-data\">", "</script>"));
}
/// Addresses may be read in the library's own notes, but nothing of ours names one, and nothing loads one.
inline bool asks_for_something(const std::string& html) {
  return html.find("default-src 'none'") == std::string::npos || html.find("sourceMappingURL") != std::string::npos ||
         std::regex_search(own(html), std::regex("https?://|(src|href)=\"[^#d]|url\\(|@import"));
}

}  // namespace rackproof::report
