#pragma once
/// What the program calls itself where it says who made a file or a page.
#include <string>

#ifndef RACKPROOF_VERSION
#define RACKPROOF_VERSION "0.1.0"  // what builds it says so
#endif

namespace rackproof {

/// Name and version.
inline std::string program_name() { return "rackproof " RACKPROOF_VERSION; }

}  // namespace rackproof
