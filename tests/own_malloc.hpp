#pragma once
/// Whether a test program may put an allocator of its own in the place of the C library's.

#if defined(__SANITIZE_ADDRESS__)
#define RACKPROOF_OWN_MALLOC 0  // the sanitizer brings its own
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define RACKPROOF_OWN_MALLOC 0
#endif
#endif
#ifndef RACKPROOF_OWN_MALLOC
#define RACKPROOF_OWN_MALLOC 1
#endif
