#pragma once
/// Memory kept for the end. When none is left, `operator new` gives the reserve back and tries once more; after that it
/// throws std::bad_alloc as ever.
/// Why  what is cleared away on the way out of a failure takes a little memory itself: the JSON library's destructors
///      do, and must not throw. Without the reserve they would end the program before it has cleared away.

namespace rackproof {

/// Once, ahead of all else.
void keep_reserve_of_memory();

}  // namespace rackproof
