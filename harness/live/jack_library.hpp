#pragma once
/// What is called of JACK's library, looked up when `live` needs it: the program runs where there is none.
#include <jack/jack.h>

#include <string>
#include <vector>

namespace rackproof::live {

// clang-format off
#define RACKPROOF_JACK_CALLS(CALL)                                                                        \
  CALL(client_open) CALL(client_close) CALL(activate) CALL(deactivate) CALL(get_sample_rate)              \
  CALL(get_buffer_size) CALL(is_realtime) CALL(last_frame_time) CALL(port_register) CALL(port_get_buffer) \
  CALL(port_name) CALL(port_flags) CALL(port_type) CALL(port_by_name) CALL(port_get_all_connections)      \
  CALL(port_get_latency_range) CALL(port_set_latency_range) CALL(recompute_total_latencies) CALL(connect) \
  CALL(disconnect) CALL(get_ports) CALL(free) CALL(set_process_callback) CALL(set_xrun_callback)          \
  CALL(set_freewheel_callback) CALL(set_buffer_size_callback) CALL(set_sample_rate_callback)              \
  CALL(set_latency_callback) CALL(set_port_connect_callback) CALL(on_shutdown) CALL(set_error_function)   \
  CALL(set_info_function) CALL(set_freewheel) CALL(set_buffer_size)
// clang-format on

struct JackLibrary {
#define RACKPROOF_JACK_MEMBER(name) decltype(&jack_##name) name = nullptr;  // NOLINT(bugprone-macro-parentheses)
  RACKPROOF_JACK_CALLS(RACKPROOF_JACK_MEMBER)
#undef RACKPROOF_JACK_MEMBER
};

/// The names in a list that the library made, which is given back to it. No list: no names.
std::vector<std::string> names_in(const JackLibrary& jack, const char** list);

/// Loaded once, and kept. Throws MachineError, with what to install, where it is not there.
const JackLibrary& jack_library();

/// The server that is meant: as asked for; empty: as the environment says, else "default".
std::string server_called(const std::string& asked);
/// Why `client_open` gave no client of this name on this server, in words; `if_none`: what to do where no server runs.
std::string why_no_client(jack_status_t status, const std::string& server, const std::string& name,
                          const std::string& if_none);

}  // namespace rackproof::live
