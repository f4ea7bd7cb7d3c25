#pragma once
/// All that is wrong with a file, in one message: whoever stands at the rack mends everything in one go.
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "harness/rig/rig.hpp"

namespace rackproof::rig {

inline constexpr std::size_t kMaxFaultsShown = 10;

/// Collects faults of one file; `raise` throws them, in the file's order, as one InputError.
class Faults {
 public:
  void add(const Source& at, const std::string& read, const std::string& right);
  bool any() const { return !faults_.empty(); }
  void raise();  ///< throws if there are any

 private:
  struct Fault {
    std::uint32_t line, column;
    std::string text;
  };
  std::vector<Fault> faults_;
};

/// The candidate that `name` is most likely a slip for: at most a third of its letters, and two, are wrong; letters
/// that changed places count as one, a change of case as none. Or else the one that it is the beginning of.
std::optional<std::string> nearest(std::string_view name, std::span<const std::string> candidates);
/// `did you mean "tops"?`, or else `known here: subs, tops`; `there are none` where nothing is.
std::string suggestion(std::string_view name, std::span<const std::string> candidates);
/// The first line of a text, without control characters and not too long: what an error can show.
std::string excerpt(std::string_view text);
/// "a, b or c"
std::string one_of(std::span<const std::string> names);

}  // namespace rackproof::rig
