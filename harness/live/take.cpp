#include "harness/live/take.hpp"

#include <fmt/format.h>

#include "harness/errors.hpp"

#ifdef RACKPROOF_JACK
#include <algorithm>
#include <atomic>
#include <chrono>
#include <thread>

#include "harness/live/jack_library.hpp"
#endif

namespace rackproof::live {

#ifdef RACKPROOF_JACK

struct Take::Inside {
  static constexpr std::size_t kFadeFrames = 1024;

  const JackLibrary& jack = jack_library();
  jack_client_t* client = nullptr;
  jack_port_t* out = nullptr;
  std::vector<jack_port_t*> in;
  // What the audio thread reads while `state` is playing or fading; the other thread changes it only while it is idle.
  enum class State { idle, playing, fading, over };
  std::atomic<State> state{State::idle};
  std::atomic<bool> lost{false};
  const std::vector<float>* signal = nullptr;
  std::vector<std::vector<float>> rows;
  std::size_t length = 0;
  // Of the audio thread.
  std::size_t place = 0, fade_left = 0;
  jack_nframes_t expected = 0;
  std::atomic<std::uint64_t> missed{0};

  ~Inside() {
    if (client == nullptr) return;
    if (!lost) jack.client_close(client);
  }

  void process(jack_nframes_t frames) {
    float* const given = static_cast<float*>(jack.port_get_buffer(out, frames));
    std::fill_n(given, frames, 0.0f);
    const State now = state.load(std::memory_order_acquire);
    if (now != State::playing && now != State::fading) return;
    const jack_nframes_t at = jack.last_frame_time(client);
    if (place > 0 && at != expected) missed.fetch_add(1, std::memory_order_relaxed);
    expected = at + frames;
    const std::size_t sounding = place < signal->size() ? std::min<std::size_t>(frames, signal->size() - place) : 0;
    std::copy_n(signal->data() + place, sounding, given);
    if (now == State::fading) fade(given, frames);
    const std::size_t kept = std::min<std::size_t>(frames, length - place);
    for (std::size_t row = 0; row < rows.size(); ++row) {
      const float* const heard = static_cast<const float*>(jack.port_get_buffer(in[row], frames));
      std::copy_n(heard, kept, rows[row].data() + place);
    }
    place += kept;
    if (place == length || (now == State::fading && fade_left == 0))
      state.store(State::over, std::memory_order_release);
  }
  void fade(float* given, std::size_t frames) {
    for (std::size_t n = 0; n < frames; ++n) {
      given[n] *= static_cast<float>(fade_left) / kFadeFrames;
      if (fade_left > 0) --fade_left;
    }
  }
  /// Brings what plays down to silence.
  void end_early() {
    State playing = State::playing;
    if (!state.compare_exchange_strong(playing, State::fading)) return;
    for (int turn = 0; turn < 500 && state != State::over && !lost; ++turn)
      std::this_thread::sleep_for(std::chrono::milliseconds(2));
  }
  jack_port_t* port(const char* name, unsigned long flags) {
    jack_port_t* const made = jack.port_register(client, name, JACK_DEFAULT_AUDIO_TYPE, flags, 0);
    if (made == nullptr) throw MachineError(fmt::format("the JACK server gives no port {}", name));
    return made;
  }
  void connect(const std::string& source, const std::string& sink, const std::string& other) {
    if (jack.port_by_name(client, other.c_str()) == nullptr)
      throw InputError(fmt::format("read port {}; the JACK server has none of this name", other));
    if (jack.connect(client, source.c_str(), sink.c_str()) != 0)
      throw InputError(
          fmt::format("read port {}; it cannot be connected: does audio go the right way through it?", other));
  }
};

Take::Take(const TakeSettings& settings) : inside_(std::make_unique<Inside>()) {
  Inside& in = *inside_;
  jack_status_t status{};
  const auto options = static_cast<jack_options_t>(JackNoStartServer | JackServerName);
  const std::string server = server_called(settings.server);
  in.client = in.jack.client_open(settings.name.c_str(), options, &status, server.c_str());
  if (in.client == nullptr) throw MachineError(why_no_client(status, server, settings.name, "start it, then measure"));
  in.out = in.port("stimulus", JackPortIsOutput | JackPortIsTerminal);
  for (std::size_t n = 0; n < settings.from.size(); ++n)
    in.in.push_back(in.port(fmt::format("recorded-{}", n + 1).c_str(), JackPortIsInput | JackPortIsTerminal));
  in.jack.set_process_callback(
      in.client,
      [](jack_nframes_t frames, void* self) {
        static_cast<Inside*>(self)->process(frames);
        return 0;
      },
      &in);
  in.jack.on_shutdown(
      in.client, [](void* self) { static_cast<Inside*>(self)->lost = true; }, &in);
  if (in.jack.activate(in.client) != 0) throw MachineError("the JACK server does not let the measurement begin");
  for (const std::string& sink : settings.to) in.connect(in.jack.port_name(in.out), sink, sink);
  for (std::size_t n = 0; n < settings.from.size(); ++n)
    in.connect(settings.from[n], in.jack.port_name(in.in[n]), settings.from[n]);
}
Take::~Take() { inside_->end_early(); }

std::uint32_t Take::sample_rate_hz() const { return inside_->jack.get_sample_rate(inside_->client); }

std::vector<std::string> Take::others_on(const std::string& sink) const {
  const JackLibrary& jack = inside_->jack;
  std::vector<std::string> others =
      names_in(jack, jack.port_get_all_connections(inside_->client, jack.port_by_name(inside_->client, sink.c_str())));
  std::erase(others, jack.port_name(inside_->out));
  return others;
}

Recorded Take::play(const std::vector<float>& signal, std::size_t tail_frames, const std::function<void()>& meanwhile) {
  Inside& in = *inside_;
  in.signal = &signal;
  in.length = signal.size() + tail_frames;
  in.rows.assign(in.in.size(), std::vector<float>(in.length));
  in.place = 0;
  in.fade_left = Inside::kFadeFrames;
  in.missed = 0;
  in.state.store(Inside::State::playing, std::memory_order_release);
  try {
    while (in.state.load(std::memory_order_acquire) != Inside::State::over) {
      if (in.lost) throw MachineError("the JACK server is gone: nothing was measured");
      meanwhile();
      std::this_thread::sleep_for(std::chrono::milliseconds(20));
    }
  } catch (...) {
    in.end_early();
    throw;
  }
  return {std::move(in.rows), in.missed, in.jack.get_buffer_size(in.client)};
}

#else

struct Take::Inside {};
Take::Take(const TakeSettings&) {
  throw MachineError("this program was built without JACK: install libjack-jackd2-dev and build it again");
}
Take::~Take() = default;
std::uint32_t Take::sample_rate_hz() const { return 0; }
std::vector<std::string> Take::others_on(const std::string&) const { return {}; }
Recorded Take::play(const std::vector<float>&, std::size_t, const std::function<void()>&) { return {}; }

#endif

}  // namespace rackproof::live
