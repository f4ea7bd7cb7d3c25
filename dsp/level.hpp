#pragma once
/// Code that is built more than once, for one instruction set after another, stands in a namespace of that set's own:
/// the linker keeps one copy of an inline function, and a machine without AVX-512 must never be handed the copy with
/// it.
#include "dsp/compiler.hpp"
#if defined(__AVX512F__) && defined(__AVX512VL__) && defined(__AVX512DQ__)
#define RACKPROOF_LEVEL x86_64_v4
#elif defined(__AVX2__) && defined(__FMA__)
#define RACKPROOF_LEVEL x86_64_v3
#else
#define RACKPROOF_LEVEL portable
#endif
