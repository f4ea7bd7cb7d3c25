#pragma once
/// The page of a live rig: its readings, the most of each second of the last ten minutes, and its responses as it is set.
/// Threads  `heard` belongs to the thread that gives commands; the page and its readings to the server's own.
#include <condition_variable>
#include <memory>
#include <mutex>
#include <optional>
#include <string>

#include "harness/live/live_rig.hpp"
#include "harness/report/live_page.hpp"
#include "harness/web/page_server.hpp"

namespace rackproof::web {

class RigPage {
 public:
  /// `readings` must stay. Throws MachineError where no port can be had.
  RigPage(const live::Readings& readings, const live::Tuning& tuning, std::string program);
  /// Another rig, venue or bypass is heard now: pages that are open load anew.
  void heard(const live::Tuning& tuning);
  const std::string& address() const { return server_->address(); }

 private:
  std::string page();
  std::string reading();

  const live::Readings& readings_;
  std::mutex mutex_;
  report::LivePage now_;          // responses are worked out when the page is first asked for
  std::vector<double> limits_v_;  // of its outputs
  std::optional<report::LiveRow> second_;
  std::uint64_t second_number_ = 0;
  struct Heard {
    rig::Rig rig;
    std::optional<rig::Venue> venue;
    Bypass bypass = Bypass::none;
  };
  std::shared_ptr<const Heard> heard_;
  std::optional<PageServer> server_;  // last: its threads end first
};

}  // namespace rackproof::web
