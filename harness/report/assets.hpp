#pragma once
/// The parts of the page, as they stand in harness/report/assets; the build makes a source file of them.
#include <string_view>

namespace rackproof::report::assets {

extern const std::string_view kPageHtml, kPageCss, kChartsLicenceTxt;
extern const std::string_view kPlotsJs;                                          ///< what the plots of every page share
extern const std::string_view kProofJs, kMeasurementJs, kComparisonJs, kLiveJs;  ///< and a page's own
extern const std::string_view kChartMinJs;                                       ///< the charting library, whole

}  // namespace rackproof::report::assets
