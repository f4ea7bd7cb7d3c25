#pragma once
/// Lines that come in: on standard input, and on a Unix socket that its owner alone may open.
/// Theorem  never waits. A line is at most kMostLine bytes, a longer one ends its connection; at most kMostConnections
///          at once, more are closed. The socket has the mode 0600 from its first moment on; a name that is in use is
///          refused, one that a program which is gone has left is taken over. It goes with this object.
#include <sys/types.h>

#include <cstddef>
#include <filesystem>
#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "harness/files/descriptor.hpp"

struct pollfd;
namespace rackproof::live {

/// What was read and is no whole line yet.
class Lines {
 public:
  static constexpr std::size_t kMostLine = 4096;
  /// False: too long.
  bool add(std::string_view bytes, const std::function<void(const std::string&)>& line);

 private:
  std::string rest_;
};

class CommandSocket {
 public:
  static constexpr std::size_t kMostConnections = 16;

  /// Throws InputError where something stands in the place, MachineError where it cannot be made.
  explicit CommandSocket(const std::filesystem::path& place);
  ~CommandSocket();
  CommandSocket(const CommandSocket&) = delete;
  CommandSocket& operator=(const CommandSocket&) = delete;

  void add_to(std::vector<pollfd>& waited) const;
  /// `answer` of each whole line goes back, with a line end.
  void serve(const std::function<std::string(const std::string&)>& answer);

 private:
  struct Connection {
    files::Descriptor descriptor;
    Lines lines;
  };
  std::filesystem::path place_;
  dev_t device_ = 0;
  ino_t inode_ = 0;
  files::Descriptor listening_;
  std::vector<Connection> connections_;
};

}  // namespace rackproof::live
