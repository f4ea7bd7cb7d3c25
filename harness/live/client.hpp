#pragma once
/// One client of a JACK server: the ports of a live rig, and what the server tells of itself.
/// Theorem  a feed's port is called like the feed, an output's like the output. What goes on in the audio thread has a
///          fixed cost, and neither allocates nor locks. Another sample rate than the rig's is refused.
/// Threads  all but the callbacks, which are the server's, belong to the thread that gives commands.
#include <atomic>
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "harness/live/beat.hpp"
#include "harness/live/graph.hpp"
#include "harness/live/live_rig.hpp"
#include "harness/live/recorder.hpp"

namespace rackproof::live {

struct ClientSettings {
  std::string server;  ///< empty: as the environment says, else "default"
  std::string name = "rackproof";
};

/// Whether this program was built with JACK's headers.
bool has_jack();

class Client : public Graph {
 public:
  /// Opens the client and makes its ports; nothing plays yet. Throws MachineError where there is no server, where the
  /// name is taken or where the library is not there; InputError where the server has another sample rate.
  Client(const ClientSettings& settings, LiveRig& rig, Beat& beat);
  ~Client() override;

  void record_to(Recorder& recorder);  ///< ahead of `activate`; it outlives this
  void activate();                     ///< the server calls from now on
  /// Ramps are over: no more calls.
  void close();
  void latency_changed();  ///< tells the graph

  /// Readable when something happened: for `poll`. `happened` makes it unreadable again.
  int descriptor() const;
  struct Happened {
    bool graph = false;       ///< a connection was made or cut
    bool lost = false;        ///< the server is gone
    bool other_rate = false;  ///< the server's sample rate is no longer the rig's
    bool period = false;      ///< frames a period changed
    bool freewheel = false;   ///< began or ended
  };
  Happened happened();

  std::uint32_t period_frames() const;
  bool freewheel() const;
  bool real_time() const;
  std::uint64_t late_cycles() const;  ///< that the server tells of, of any client
  std::string server() const;
  std::string name() const;

  // As Graph says.
  std::vector<std::string> connected_to(const std::string& port) const override;
  std::optional<Port> port(const std::string& name) const override;
  std::vector<std::string> ports(bool inputs) const override;
  bool connect(const std::string& source, const std::string& sink) override;
  bool disconnect(const std::string& source, const std::string& sink) override;

 private:
  struct Inside;
  std::unique_ptr<Inside> inside_;
};

}  // namespace rackproof::live
