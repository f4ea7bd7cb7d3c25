#pragma once
/// The parts of the page, as they stand in harness/report/assets; the build makes a source file of them.
#include <string_view>

namespace rackproof::report::assets {

extern const std::string_view page_html, page_css, report_js, charts_licence_txt;
extern const std::string_view chart_min_js;  ///< the charting library, whole

}  // namespace rackproof::report::assets
