#include "harness/web/page_server.hpp"

#include <fmt/format.h>
#include <httplib.h>
#include <sodium.h>

#include <array>
#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <mutex>
#include <string_view>
#include <thread>
#include <utility>

#include "harness/errors.hpp"

namespace rackproof::web {
namespace {

using httplib::Request;
using httplib::Response;

constexpr std::size_t kTokenBytes = 16;
constexpr auto kBetweenReadings = std::chrono::milliseconds(1000 / PageServer::kReadingsPerSecond);
/// A thread for each reader, and some for pages and for what is refused.
constexpr std::size_t kThreads = PageServer::kMostReaders + 4;

std::string new_token() {
  if (sodium_init() < 0) throw MachineError("the meters' page: the system gives no random numbers");
  std::array<unsigned char, kTokenBytes> bytes;
  std::array<char, 2 * kTokenBytes + 1> text;
  randombytes_buf(bytes.data(), bytes.size());
  sodium_bin2hex(text.data(), text.size(), bytes.data(), bytes.size());
  return text.data();
}

bool same_token(std::string_view a, std::string_view b) {
  return a.size() == b.size() && sodium_memcmp(a.data(), b.data(), a.size()) == 0;
}

}  // namespace

struct PageServer::Served {
  explicit Served(PageSource source) : source_(std::move(source)), token_(new_token()) {
    server_.new_task_queue = [] { return new httplib::ThreadPool(kThreads); };
    server_.set_read_timeout(5);
    server_.set_write_timeout(5);
    server_.set_keep_alive_timeout(2);
    server_.set_payload_max_length(1024);
    port_ = server_.bind_to_any_port("127.0.0.1");
    if (port_ < 0) throw MachineError("the meters' page: no port of 127.0.0.1 can be had");
    address_ = fmt::format("http://127.0.0.1:{}/{}/", port_, token_);
    server_.set_pre_routing_handler([this](const Request& asked, Response& answer) {
      if (admits(asked, answer)) return httplib::Server::HandlerResponse::Unhandled;
      return httplib::Server::HandlerResponse::Handled;
    });
    server_.Get("/[0-9a-f]+/", [this](const Request&, Response& answer) {
      answer.set_content(source_.page(), "text/html; charset=utf-8");
    });
    server_.Get("/[0-9a-f]+/events", [this](const Request&, Response& answer) { serve_readings(answer); });
    reading_ = std::thread([this] { keep_reading(); });
    serving_ = std::thread([this] { server_.listen_after_bind(); });
    while (!server_.is_running()) std::this_thread::sleep_for(std::chrono::milliseconds(1));  // else `stop` is lost
  }
  ~Served() {
    {
      const std::lock_guard lock(mutex_);
      ended_ = true;
    }
    changed_.notify_all();
    server_.stop();
    serving_.join();
    reading_.join();
  }
  Served(const Served&) = delete;
  Served& operator=(const Served&) = delete;

  std::string address_;

 private:
  /// False: `answer` says why not.
  bool admits(const Request& asked, Response& answer) const {
    const auto refuse = [&answer](int status, const char* why) {
      answer.status = status;
      answer.set_content(why, "text/plain; charset=utf-8");
      return false;
    };
    const std::string here = fmt::format("127.0.0.1:{}", port_), by_name = fmt::format("localhost:{}", port_);
    const std::string host = asked.get_header_value("Host"), origin = asked.get_header_value("Origin");
    const std::string site = asked.get_header_value("Sec-Fetch-Site");
    answer.set_header("Cache-Control", "no-store");
    answer.set_header("Referrer-Policy", "no-referrer");
    answer.set_header("X-Content-Type-Options", "nosniff");
    answer.set_header("X-Frame-Options", "DENY");
    answer.set_header("Cross-Origin-Resource-Policy", "same-origin");
    answer.set_header("Content-Security-Policy", "frame-ancestors 'none'");
    if (host != here && host != by_name) return refuse(421, "This page is served to this machine alone.\n");
    if (!origin.empty() && origin != "http://" + host) return refuse(403, "Only this page itself may ask.\n");
    if (!site.empty() && site != "same-origin" && site != "none")
      return refuse(403, "Only this page itself may ask. Type the address, or copy it.\n");
    const std::string_view path = asked.path;
    const std::size_t end = path.find('/', 1);
    if (path.empty() || end == std::string_view::npos || !same_token(path.substr(1, end - 1), token_))
      return refuse(404, "No such page. The address stands where the program was started.\n");
    if (asked.method != "GET") return refuse(405, "This page only shows.\n");
    return true;
  }

  void serve_readings(Response& answer) {
    {
      const std::lock_guard lock(mutex_);
      if (readers_ >= kMostReaders) {
        answer.status = 503;
        answer.set_content(fmt::format("{} pages are open already: close one.\n", kMostReaders),
                           "text/plain; charset=utf-8");
        return;
      }
      ++readers_;
    }
    answer.set_chunked_content_provider(
        "text/event-stream",
        [this, seen = std::uint64_t{0}](std::size_t, httplib::DataSink& sink) mutable {
          std::string line;
          {
            std::unique_lock lock(mutex_);
            changed_.wait(lock, [&] { return ended_ || number_ != seen; });
            if (ended_) return false;
            seen = number_;
            line = "data: " + latest_ + "\n\n";
          }
          return sink.write(line.data(), line.size());
        },
        [this](bool) {
          const std::lock_guard lock(mutex_);
          --readers_;
        });
  }

  void keep_reading() {
    std::unique_lock lock(mutex_);
    auto next = std::chrono::steady_clock::now();
    while (!ended_) {
      lock.unlock();
      std::string line = source_.reading();
      lock.lock();
      latest_ = std::move(line);
      ++number_;
      changed_.notify_all();
      next += kBetweenReadings;
      changed_.wait_until(lock, next, [this] { return ended_; });
    }
  }

  PageSource source_;
  std::string token_;
  httplib::Server server_;
  int port_ = -1;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::string latest_;        // the newest reading,
  std::uint64_t number_ = 0;  // and how many there were
  int readers_ = 0;
  bool ended_ = false;
  std::thread reading_, serving_;
};

PageServer::PageServer(PageSource source) : served_(std::make_unique<Served>(std::move(source))) {}
PageServer::~PageServer() = default;
const std::string& PageServer::address() const noexcept { return served_->address_; }

}  // namespace rackproof::web
