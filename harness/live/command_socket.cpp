#include "harness/live/command_socket.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>

#include "harness/errors.hpp"

namespace rackproof::live {
namespace {

files::Descriptor stream_socket() {
  return files::Descriptor(::socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0));
}

}  // namespace

bool Lines::add(std::string_view bytes, const std::function<void(const std::string&)>& line) {
  rest_ += bytes;
  for (std::size_t end = rest_.find('\n'); end != rest_.npos; end = rest_.find('\n')) {
    const std::string one = rest_.substr(0, end);
    rest_.erase(0, end + 1);
    if (one.size() > kMostLine) return false;
    line(one);
  }
  return rest_.size() <= kMostLine;
}

CommandSocket::CommandSocket(const std::filesystem::path& place) : place_(place), listening_(stream_socket()) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  const std::string name = place.string();
  if (name.empty() || name.size() >= sizeof address.sun_path)
    throw InputError(
        fmt::format("--socket: read {}; right would be a name of 1 to {} bytes", name, sizeof address.sun_path - 1));
  std::memcpy(address.sun_path, name.data(), name.size());
  const auto* const generic = reinterpret_cast<const sockaddr*>(&address);
  struct stat facts {};
  if (::lstat(name.c_str(), &facts) == 0) {
    if (!S_ISSOCK(facts.st_mode))
      throw InputError(fmt::format("--socket: {} is there and is no socket; it stays as it is", name));
    const files::Descriptor probe = stream_socket();
    if (::connect(probe.get(), generic, sizeof address) == 0 || errno != ECONNREFUSED)
      throw InputError(fmt::format("--socket: {} is in use by another program", name));
    ::unlink(name.c_str());  // left by a program that is gone
  }
  const mode_t before = ::umask(0177);  // no other thread makes files yet
  const int bound = listening_ ? ::bind(listening_.get(), generic, sizeof address) : -1;
  const int error = errno;
  ::umask(before);
  if (bound != 0 || ::listen(listening_.get(), 8) != 0)
    throw MachineError(fmt::format("--socket: {} cannot be made: {}", name, files::reason(bound != 0 ? error : errno)));
  if (::lstat(name.c_str(), &facts) == 0) {
    device_ = facts.st_dev;
    inode_ = facts.st_ino;
  }
}

CommandSocket::~CommandSocket() {
  struct stat facts {};
  if (::lstat(place_.c_str(), &facts) == 0 && facts.st_dev == device_ && facts.st_ino == inode_)
    ::unlink(place_.c_str());
}

void CommandSocket::add_to(std::vector<pollfd>& waited) const {
  waited.push_back({listening_.get(), POLLIN, 0});
  for (const Connection& one : connections_) waited.push_back({one.descriptor.get(), POLLIN, 0});
}

void CommandSocket::serve(const std::function<std::string(const std::string&)>& answer) {
  for (;;) {
    files::Descriptor next(::accept4(listening_.get(), nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC));
    if (!next) break;
    if (connections_.size() < kMostConnections) connections_.push_back({std::move(next), {}});
  }
  std::erase_if(connections_, [&](Connection& one) {
    std::array<char, 4096> bytes{};
    const ssize_t count = ::recv(one.descriptor.get(), bytes.data(), bytes.size(), 0);
    if (count < 0) return errno != EAGAIN && errno != EINTR;
    if (count == 0) return true;
    bool hears = true;
    const bool whole = one.lines.add({bytes.data(), static_cast<std::size_t>(count)}, [&](const std::string& line) {
      const std::string text = answer(line) + "\n";
      // Who does not read what he asked for is left: nothing here waits.
      hears = hears &&
              ::send(one.descriptor.get(), text.data(), text.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(text.size());
    });
    return !whole || !hears;
  });
}

}  // namespace rackproof::live
