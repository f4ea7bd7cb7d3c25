#pragma once
/// W single-precision values that go through the same arithmetic side by side: the lanes of the core.
///   pack/lanes.hpp       the types, and one lane of a pack
///   pack/arithmetic.hpp  what works on each lane by itself
///   pack/shuffles.hpp    what moves values between lanes, and packs to and from memory
///   pack/loops.hpp       loops that are written out, numbers that become constants
#include "dsp/pack/arithmetic.hpp"
#include "dsp/pack/lanes.hpp"
#include "dsp/pack/loops.hpp"
#include "dsp/pack/shuffles.hpp"
