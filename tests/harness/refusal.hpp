#pragma once
#include <string>

#include "harness/errors.hpp"

namespace rackproof::test {

/// What the InputError says that `act` ends with; "taken" where it ends with none.
template <class Act>
std::string refusal_of(Act&& act) {
  try {
    act();
  } catch (const InputError& error) {
    return error.what();
  }
  return "taken";
}

}  // namespace rackproof::test
