#pragma once
#include <algorithm>
#include <vector>

namespace rackproof::analysis {

/// The middle one of them by size; of an even number the upper of the two in the middle. At least one value.
inline double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// Three quarters of them are as large or larger. At least one value.
inline double lower_quartile(std::vector<double> values) {
  const auto quarter = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 4);
  std::nth_element(values.begin(), quarter, values.end());
  return *quarter;
}

}  // namespace rackproof::analysis
