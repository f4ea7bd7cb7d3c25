#pragma once
/// The other end of a running `live`'s command socket.
#include <filesystem>
#include <string>

#include "harness/files/descriptor.hpp"

namespace rackproof::live {

class CommandLink {
 public:
  /// Throws InputError where nothing stands at `place` or nobody answers there.
  explicit CommandLink(const std::filesystem::path& place);
  /// One line there, one line back, without its end. Throws MachineError where none comes within five seconds, InputError
  /// with the answer's own words where it is refused.
  std::string ask(const std::string& line);

 private:
  std::filesystem::path place_;
  files::Descriptor connection_;
  std::string rest_;
};

}  // namespace rackproof::live
