#pragma once
/// Serves the page of a rig that plays, and its meters, to browsers on this machine. It only shows: nothing that comes
/// in changes anything.
/// Guards   it listens at 127.0.0.1 alone, at a port of the system's choice. The address holds a token of 128 random
///          bits, compared in constant time: another user of the machine, or a page from elsewhere, does not know it.
///          Host must be this address (a name that was made to point here is not), Origin this page or none, and the
///          request must not come from another site. Only GET is taken.
/// Load     readings are asked for 20 times a second, whoever looks. At most kMostReaders get them at once; the next one
///          is refused in words.
#include <functional>
#include <memory>
#include <string>

namespace rackproof::web {

/// Both are called on the server's own threads, `reading` on one of them.
struct PageSource {
  std::function<std::string()> page;     ///< the whole page, as it is now
  std::function<std::string()> reading;  ///< the next reading in one line, without a line's end
};

class PageServer {
 public:
  static constexpr int kMostReaders = 4, kReadingsPerSecond = 20;

  /// Throws MachineError where no port can be had.
  explicit PageServer(PageSource source);
  ~PageServer();  ///< readers are sent away
  PageServer(const PageServer&) = delete;
  PageServer& operator=(const PageServer&) = delete;

  /// What a person opens: `http://127.0.0.1:PORT/TOKEN/`.
  const std::string& address() const noexcept;

 private:
  struct Served;
  std::unique_ptr<Served> served_;
};

}  // namespace rackproof::web
