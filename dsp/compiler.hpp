#pragma once
/// What the core asks of a compiler, checked before anything that an unfit one would refuse in words of its own. Tried:
/// g++ 11 and 12, clang++ 13 to 16, all with the library of g++.
#if defined(__clang__) && !defined(__apple_build_version__)
#if __clang_major__ < 13
#error "rackproof: this clang is too old. Needed: clang 13 or newer, or g++ 11 or newer"
#endif
#elif defined(__GNUC__) && !defined(__clang__)
#if __GNUC__ < 11
#error "rackproof: this g++ is too old. Needed: g++ 11 or newer, or clang 13 or newer"
#endif
#elif !defined(__clang__)
#error "rackproof: the core is written for g++ (11 or newer) and clang (13 or newer), whose vectors it uses"
#endif
#if __cplusplus < 202002L
#error "rackproof: the core is C++20. Build with -std=c++20, also where the rest of the program is older"
#endif
// The order of sums, zeros' signs and bad samples: with these options none is what was proven. (A forgotten
// -ffp-contract=off cannot be seen here: that is what the self-test is for, see dsp/chain/preset.hpp.)
#ifdef __FAST_MATH__
#error "rackproof: built with -ffast-math the samples are not those that were proven: leave it out"
#endif
#if defined(__FINITE_MATH_ONLY__) && __FINITE_MATH_ONLY__
#error "rackproof: built with -ffinite-math-only a bad sample is not seen: leave it out"
#endif
