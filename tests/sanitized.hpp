#pragma once

namespace rackproof::test {

/// Under sanitizers all takes ten times as long: the longest tests judge fewer cases there.
#if defined(__SANITIZE_ADDRESS__)
inline constexpr bool kSanitized = true;
#elif defined(__has_feature)
inline constexpr bool kSanitized = __has_feature(address_sanitizer);
#else
inline constexpr bool kSanitized = false;
#endif

}  // namespace rackproof::test
