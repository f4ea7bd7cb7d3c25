#include "harness/live/command_link.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <string_view>

#include "harness/errors.hpp"

namespace rackproof::live {

CommandLink::CommandLink(const std::filesystem::path& place)
    : place_(place), connection_(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  const std::string& name = place.native();
  if (name.size() >= sizeof(address.sun_path))
    throw InputError(fmt::format("--socket: read {}; at most {} characters go into a socket's name", name,
                                 sizeof(address.sun_path) - 1));
  std::copy(name.begin(), name.end(), address.sun_path);
  if (connection_.get() < 0 ||
      ::connect(connection_.get(), reinterpret_cast<const sockaddr*>(&address), sizeof(address)) != 0)
    throw InputError(fmt::format("--socket: read {}; nobody answers there ({}). Start `rackproof live RIG --socket {}`",
                                 name, std::strerror(errno), name));
}

std::string CommandLink::ask(const std::string& line) {
  const auto silent = [this](const char* why) {
    return MachineError(fmt::format("{}: `live` does not answer: {}", place_.string(), why));
  };
  const std::string sent = line + "\n";
  if (::send(connection_.get(), sent.data(), sent.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(sent.size()))
    throw silent(std::strerror(errno));
  const auto last = std::chrono::steady_clock::now() + std::chrono::seconds(5);
  for (;;) {
    if (const std::size_t end = rest_.find('\n'); end != rest_.npos) {
      std::string answer = rest_.substr(0, end);
      rest_.erase(0, end + 1);
      constexpr std::string_view kRefused = "refused: ";
      if (answer.starts_with(kRefused)) throw InputError(answer.substr(kRefused.size()));
      return answer;
    }
    const auto left =
        std::chrono::duration_cast<std::chrono::milliseconds>(last - std::chrono::steady_clock::now()).count();
    pollfd waited{connection_.get(), POLLIN, 0};
    if (left <= 0 || ::poll(&waited, 1, static_cast<int>(left)) == 0) throw silent("five seconds have passed");
    std::array<char, 4096> bytes;
    const ssize_t count = ::recv(connection_.get(), bytes.data(), bytes.size(), 0);
    if (count == 0) throw silent("it has ended");
    if (count < 0 && errno != EINTR) throw silent(std::strerror(errno));
    if (count > 0) rest_.append(bytes.data(), static_cast<std::size_t>(count));
  }
}

}  // namespace rackproof::live
