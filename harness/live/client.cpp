#include "harness/live/client.hpp"

#include "harness/errors.hpp"

#ifdef RACKPROOF_JACK
#include <fmt/format.h>
#include <sys/eventfd.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>

#include "harness/files/descriptor.hpp"
#include "harness/files/shown.hpp"
#include "harness/live/finished_rows.hpp"
#include "harness/live/jack_library.hpp"

namespace rackproof::live {

bool has_jack() { return true; }

struct Client::Inside {
  const JackLibrary& jack = jack_library();
  LiveRig& rig;
  Beat& beat;
  Recorder* recorder = nullptr;
  std::string server, name;
  std::uint32_t rate_hz = 0;
  jack_client_t* client = nullptr;
  std::vector<jack_port_t*> inputs, outputs;
  files::Descriptor wake{::eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC)};

  std::atomic<std::uint32_t> period{0}, latency{0};
  std::atomic<std::uint64_t> late{0};
  std::atomic<bool> freewheel{false}, graph{false}, lost{false}, other_rate{false}, new_period{false}, wheel{false};
  std::atomic<bool> forget{true};  // where the server's clock may jump
  bool active = false;
  // Of the audio thread.
  jack_nframes_t expected = 0;
  FinishedRows finished;

  Inside(LiveRig& of, Beat& shown_to) : rig(of), beat(shown_to) {}

  void call() const noexcept {  // from any thread, also from a signal's
    const std::uint64_t one = 1;
    static_cast<void>(!::write(wake.get(), &one, sizeof one));
  }
  void set(std::atomic<bool>& flag) const noexcept {
    flag.store(true, std::memory_order_release);
    call();
  }
  void set_period(std::uint32_t frames) noexcept {
    period.store(frames, std::memory_order_relaxed);
    beat.period_us.store(static_cast<std::uint32_t>(std::uint64_t{frames} * 1'000'000 / rate_hz),
                         std::memory_order_relaxed);
  }
  static std::int64_t now_ns() noexcept {
    timespec now{};
    ::clock_gettime(CLOCK_MONOTONIC, &now);
    return std::int64_t{now.tv_sec} * 1'000'000'000 + now.tv_nsec;
  }

  void process(jack_nframes_t frames) noexcept {
    const std::int64_t begun = now_ns();
    const jack_nframes_t time = jack.last_frame_time(client);
    if (!forget.exchange(false, std::memory_order_relaxed)) {
      const auto missing = static_cast<std::int32_t>(time - expected);
      if (missing > 0 && !freewheel.load(std::memory_order_relaxed)) rig.missed(static_cast<std::uint64_t>(missing));
    }
    expected = time + frames;
    std::array<const float*, dsp::kMaxFeeds> in{};
    std::array<float*, dsp::kMaxOutputs> out{};
    for (std::size_t f = 0; f < inputs.size(); ++f)
      in[f] = static_cast<const float*>(jack.port_get_buffer(inputs[f], frames));
    for (std::size_t o = 0; o < outputs.size(); ++o)
      out[o] = static_cast<float*>(jack.port_get_buffer(outputs[o], frames));
    finished.process(rig, std::span(in).first(inputs.size()), std::span(out).first(outputs.size()), frames,
                     [this](auto feeds, auto rows, std::size_t count) noexcept {
                       if (recorder != nullptr) recorder->push(feeds, rows, count);
                     });
    beat.watched.store(freewheel.load(std::memory_order_relaxed) ? 0 : 1, std::memory_order_relaxed);
    beat.cycles.fetch_add(1, std::memory_order_relaxed);
    rig.took(static_cast<float>(now_ns() - begun) * 1e-9f * static_cast<float>(rate_hz) / static_cast<float>(frames));
  }

  void tell_latency(jack_latency_callback_mode_t mode) const {
    const bool capture = mode == JackCaptureLatency;
    const std::vector<jack_port_t*>&from = capture ? inputs : outputs, &to = capture ? outputs : inputs;
    jack_latency_range_t all{~jack_nframes_t{0}, 0};
    for (jack_port_t* const port : from) {
      jack_latency_range_t one{0, 0};
      jack.port_get_latency_range(port, mode, &one);
      all.min = std::min(all.min, one.min);
      all.max = std::max(all.max, one.max);
    }
    all.min += latency.load(std::memory_order_relaxed);
    all.max += latency.load(std::memory_order_relaxed);
    for (jack_port_t* const port : to) jack.port_set_latency_range(port, mode, &all);
  }
};

Client::Client(const ClientSettings& settings, LiveRig& rig, Beat& beat)
    : inside_(std::make_unique<Inside>(rig, beat)) {
  Inside& my = *inside_;
  my.server = server_called(settings.server);
  my.name = settings.name;
  my.rate_hz = rig.heard().rig.controller.sample_rate_hz;
  my.latency = rig.heard().compiled.latency_samples;
  my.jack.set_error_function([](const char*) {});  // what matters is said in our own words
  my.jack.set_info_function([](const char*) {});
  jack_status_t status{};
  const auto options = static_cast<jack_options_t>(JackNoStartServer | JackServerName | JackUseExactName);
  my.client = my.jack.client_open(my.name.c_str(), options, &status, my.server.c_str());
  if (my.client == nullptr)
    throw MachineError(why_no_client(status, my.server, my.name,
                                     fmt::format("start one, as 'jackd -n {} -d alsa -d hw:NAME -r {} -p 128', or call "
                                                 "this by 'pw-jack' on PipeWire",
                                                 files::shown(my.server), my.rate_hz)));
  const std::uint32_t server_hz = my.jack.get_sample_rate(my.client);
  if (server_hz != my.rate_hz) {
    my.jack.client_close(my.client);
    my.client = nullptr;
    throw InputError(
        fmt::format("{}: the rig is for {} Hz, and the JACK server '{}' runs at {} Hz. Nothing is resampled "
                    "at an amplifier: start the server at {} Hz",
                    rig.heard().rig.file.string(), my.rate_hz, files::shown(my.server), server_hz, my.rate_hz));
  }
  const auto make = [&](const std::string& name, bool takes) {
    jack_port_t* const port = my.jack.port_register(my.client, name.c_str(), JACK_DEFAULT_AUDIO_TYPE,
                                                    takes ? JackPortIsInput : JackPortIsOutput, 0);
    if (port == nullptr) throw MachineError(fmt::format("the JACK server makes no port '{}'", name));
    (takes ? my.inputs : my.outputs).push_back(port);
  };
  for (const rig::Feed& feed : rig.heard().rig.feeds) make(feed.name, true);
  for (const OutputPlan& plan : rig.heard().compiled.outputs) make(plan.name, false);
  my.set_period(my.jack.get_buffer_size(my.client));

  void* const self = &my;
  my.jack.set_process_callback(
      my.client,
      [](jack_nframes_t frames, void* arg) {
        static_cast<Inside*>(arg)->process(frames);
        return 0;
      },
      self);
  my.jack.set_xrun_callback(
      my.client,
      [](void* arg) {
        static_cast<Inside*>(arg)->late.fetch_add(1, std::memory_order_relaxed);
        return 0;
      },
      self);
  my.jack.set_freewheel_callback(
      my.client,
      [](int begins, void* arg) {
        Inside& inside = *static_cast<Inside*>(arg);
        inside.freewheel.store(begins != 0, std::memory_order_relaxed);
        inside.forget.store(true, std::memory_order_relaxed);
        inside.beat.watched.store(0, std::memory_order_relaxed);  // the next period of real time sets it again
        inside.set(inside.wheel);
      },
      self);
  my.jack.set_buffer_size_callback(
      my.client,
      [](jack_nframes_t frames, void* arg) {
        Inside& inside = *static_cast<Inside*>(arg);
        inside.beat.watched.store(0, std::memory_order_relaxed);  // the server begins anew
        inside.forget.store(true, std::memory_order_relaxed);
        if (frames == inside.period.load(std::memory_order_relaxed)) return 0;
        inside.set_period(frames);
        inside.set(inside.new_period);
        return 0;
      },
      self);
  my.jack.set_sample_rate_callback(
      my.client,
      [](jack_nframes_t rate, void* arg) {
        Inside& inside = *static_cast<Inside*>(arg);
        if (rate != inside.rate_hz) inside.set(inside.other_rate);
        return 0;
      },
      self);
  my.jack.set_latency_callback(
      my.client,
      [](jack_latency_callback_mode_t mode, void* arg) { static_cast<const Inside*>(arg)->tell_latency(mode); }, self);
  my.jack.set_port_connect_callback(
      my.client,
      [](jack_port_id_t, jack_port_id_t, int, void* arg) {
        Inside& inside = *static_cast<Inside*>(arg);
        inside.set(inside.graph);
      },
      self);
  my.jack.on_shutdown(
      my.client,
      [](void* arg) {
        Inside& inside = *static_cast<Inside*>(arg);
        inside.beat.ending.store(Beat::closed, std::memory_order_relaxed);
        inside.set(inside.lost);
      },
      self);
}

Client::~Client() { close(); }

void Client::record_to(Recorder& recorder) { inside_->recorder = &recorder; }
void Client::activate() {
  Inside& my = *inside_;
  if (my.jack.activate(my.client) != 0) throw MachineError("the JACK server does not call this program");
  my.active = true;
}

void Client::close() {
  Inside& my = *inside_;
  if (my.client == nullptr) return;
  my.beat.ending.store(Beat::closes, std::memory_order_relaxed);
  // Of a server that is gone there is nothing to be closed, and trying may hang.
  if (!my.lost.load(std::memory_order_acquire)) {
    if (my.active) my.jack.deactivate(my.client);
    my.jack.client_close(my.client);
  }
  my.client = nullptr;
  my.beat.ending.store(Beat::closed, std::memory_order_relaxed);
}

void Client::latency_changed() {
  Inside& my = *inside_;
  const std::uint32_t now = my.rig.heard().compiled.latency_samples;
  if (my.latency.exchange(now, std::memory_order_relaxed) != now) my.jack.recompute_total_latencies(my.client);
}

int Client::descriptor() const { return inside_->wake.get(); }
Client::Happened Client::happened() {
  std::uint64_t count = 0;
  static_cast<void>(!::read(inside_->wake.get(), &count, sizeof count));
  const auto take = [](std::atomic<bool>& flag) { return flag.exchange(false, std::memory_order_acq_rel); };
  Happened all;
  all.graph = take(inside_->graph);
  all.lost = inside_->lost.load(std::memory_order_acquire);
  all.other_rate = take(inside_->other_rate);
  all.period = take(inside_->new_period);
  all.freewheel = take(inside_->wheel);
  return all;
}

std::uint32_t Client::period_frames() const { return inside_->period.load(std::memory_order_relaxed); }
bool Client::freewheel() const { return inside_->freewheel.load(std::memory_order_relaxed); }
bool Client::real_time() const { return inside_->jack.is_realtime(inside_->client) != 0; }
std::uint64_t Client::late_cycles() const { return inside_->late.load(std::memory_order_relaxed); }
std::string Client::server() const { return inside_->server; }
std::string Client::name() const { return inside_->name; }

std::vector<std::string> Client::connected_to(const std::string& port) const {
  const Inside& my = *inside_;
  const jack_port_t* const found = my.jack.port_by_name(my.client, port.c_str());
  if (found == nullptr) return {};
  return names_in(my.jack, my.jack.port_get_all_connections(my.client, found));
}

std::optional<Graph::Port> Client::port(const std::string& name) const {
  const Inside& my = *inside_;
  const jack_port_t* const found = my.jack.port_by_name(my.client, name.c_str());
  if (found == nullptr || std::string(my.jack.port_type(found)) != JACK_DEFAULT_AUDIO_TYPE) return std::nullopt;
  const int flags = my.jack.port_flags(found);
  return Port{(flags & JackPortIsInput) != 0, (flags & JackPortIsPhysical) != 0};
}

std::vector<std::string> Client::ports(bool that_take) const {
  const Inside& my = *inside_;
  std::vector<std::string> names = names_in(my.jack, my.jack.get_ports(my.client, nullptr, JACK_DEFAULT_AUDIO_TYPE,
                                                                       that_take ? JackPortIsInput : JackPortIsOutput));
  std::erase_if(names, [&](const std::string& name) { return name.starts_with(my.name + ":"); });
  return names;
}

bool Client::connect(const std::string& source, const std::string& sink) {
  return inside_->jack.connect(inside_->client, source.c_str(), sink.c_str()) == 0;
}
bool Client::disconnect(const std::string& source, const std::string& sink) {
  return inside_->jack.disconnect(inside_->client, source.c_str(), sink.c_str()) == 0;
}

}  // namespace rackproof::live

#else  // built where JACK's headers were not: all of it is there, and opening a client says what to install
namespace rackproof::live {

struct Client::Inside {};

bool has_jack() { return false; }

Client::Client(const ClientSettings&, LiveRig&, Beat&) {
  throw MachineError("this program was built without JACK: install libjack-jackd2-dev (Debian's name), build it again");
}
Client::~Client() = default;
void Client::record_to(Recorder&) {}
void Client::activate() {}
void Client::close() {}
void Client::latency_changed() {}
int Client::descriptor() const { return -1; }
Client::Happened Client::happened() { return {}; }
std::uint32_t Client::period_frames() const { return 0; }
bool Client::freewheel() const { return false; }
bool Client::real_time() const { return false; }
std::uint64_t Client::late_cycles() const { return 0; }
std::string Client::server() const { return {}; }
std::string Client::name() const { return {}; }
std::vector<std::string> Client::connected_to(const std::string&) const { return {}; }
std::optional<Graph::Port> Client::port(const std::string&) const { return std::nullopt; }
std::vector<std::string> Client::ports(bool) const { return {}; }
bool Client::connect(const std::string&, const std::string&) { return false; }
bool Client::disconnect(const std::string&, const std::string&) { return false; }

}  // namespace rackproof::live
#endif
