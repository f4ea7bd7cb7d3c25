#pragma once
/// What goes wrong, by who can mend it. `what()` is one or more whole lines for a person.
#include <stdexcept>

namespace rackproof {

/// Bad input: exit status 2. For a rig: file:line:column, key, what was read, what would be right.
struct InputError : std::runtime_error {
  using std::runtime_error::runtime_error;
};
/// The machine failed (disk full, unreadable file): exit status 3.
struct MachineError : std::runtime_error {
  using std::runtime_error::runtime_error;
};

}  // namespace rackproof
