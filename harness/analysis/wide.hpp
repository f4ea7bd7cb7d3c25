#pragma once
/// RACKPROOF_WIDE ahead of a function's definition builds it again for AVX2 and AVX-512; the machine it runs on decides
/// which is called. Products are not fused and sums keep their order, so that all have the same bits.
#if defined(__has_feature)
#if __has_feature(address_sanitizer)
#define RACKPROOF_WATCHED  // the choice would be made before the sanitizer is set up
#endif
#endif
#if defined(__x86_64__) && defined(__gnu_linux__) && defined(__OPTIMIZE__) && !defined(__SANITIZE_ADDRESS__) && \
    !defined(RACKPROOF_WATCHED)
#define RACKPROOF_WIDE __attribute__((target_clones("avx512f", "avx2", "default")))
#else
#define RACKPROOF_WIDE
#endif
