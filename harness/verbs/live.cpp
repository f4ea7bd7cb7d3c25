/// `live`: the rig as it stands, on a JACK server: feeds in, outputs out, retuned when its file is saved.
#include <fmt/format.h>
#include <poll.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <thread>

#include "harness/files/descriptor.hpp"
#include "harness/files/shown.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/live/client.hpp"
#include "harness/live/command_socket.hpp"
#include "harness/live/commands.hpp"
#include "harness/live/guard.hpp"
#include "harness/live/meter_lines.hpp"
#include "harness/live/watched_files.hpp"
#include "harness/verbs/live_printer.hpp"
#include "harness/verbs/live_state.hpp"
#include "harness/verbs/program_name.hpp"
#include "harness/verbs/rig_warnings.hpp"
#include "harness/verbs/streams.hpp"
#include "harness/verbs/table.hpp"
#include "harness/verbs/typed.hpp"
#include "harness/verbs/verb.hpp"
#ifdef RACKPROOF_WEB
#include "harness/web/rig_page.hpp"
#endif

namespace rackproof {
namespace {

using live::Tuning;
using Clock = std::chrono::steady_clock;
namespace fs = std::filesystem;

constexpr std::pair<std::string_view, Bypass> kLayers[] = {{"none", Bypass::none},
                                                           {"all", Bypass::all},
                                                           {"venue", Bypass::venue},
                                                           {"system", Bypass::system},
                                                           {"limits", Bypass::limits}};
constexpr auto kTick = std::chrono::milliseconds(50), kLook = std::chrono::milliseconds(200);
constexpr auto kQuick = std::chrono::milliseconds(5);

struct LiveOptions {
  RigArguments rig;
  Voice voice;
  std::string bypass;
  live::ClientSettings client;
  std::vector<std::string> connect;
  bool sole = false, muted = false, page = false;
  fs::path socket, record;
  std::string stall;
};

bool leaves_limits_out(Bypass bypass) { return bypass == Bypass::all || bypass == Bypass::limits; }

/// All that the process of the audio does.
class Running {
 public:
  Running(LiveOptions options, live::Beat& beat)
      : options_(std::move(options)),
        rig_args_(options_.rig),
        started_with_(layer_called(options_.bypass.empty() ? "none" : options_.bypass)),
        bypass_(started_with_),
        meters_(!options_.voice.json && !options_.voice.quiet && ::isatty(STDOUT_FILENO) != 0) {
    files_.watch(watched(rig_args_));
    Tuning first = load(rig_args_, bypass_);
    for (const OutputPlan& plan : first.compiled.outputs) outputs_.push_back(plan.name);
    wiring_ = live::wiring_of(first.rig, outputs_, options_.connect);
    warnings_ = warnings_of(first);
    heard_fingerprint_ = firmware::fingerprint(first.compiled);
    rig_.emplace(std::move(first));
    if (options_.muted) rig_->mute(std::nullopt, true);
    client_.emplace(options_.client, *rig_, beat);
    if (!options_.record.empty()) record();
    if (!options_.socket.empty()) socket_.emplace(options_.socket);
  }

  void run() {
    sigset_t ends;
    sigemptyset(&ends);
    for (const int number : {SIGINT, SIGTERM, SIGHUP}) sigaddset(&ends, number);
    signals_ = files::Descriptor(::signalfd(-1, &ends, SFD_NONBLOCK | SFD_CLOEXEC));
    lock_memory();
    client_->activate();
    try {
      live::connect_all(*client_, client_->name(), wiring_);
      begin();
      while (!ends_) turn();
    } catch (...) {
      ramp_down();
      throw;
    }
    ramp_down();
    client_->close();
    if (recorder_) recorder_->finish();
    if (lost_)
      throw MachineError(
          fmt::format("the JACK server '{}' is gone; start it, then this again", files::shown(client_->server())));
    if (other_rate_)
      throw InputError(
          "the JACK server has changed its sample rate, and thresholds and filters are for one rate: the "
          "outputs are silent. Start the server at the rig's rate, then this again");
  }

 private:
  static Bypass layer_called(const std::string& name) {
    for (const auto& [layer, bypass] : kLayers)
      if (layer == name) return bypass;
    throw InputError(
        fmt::format("bypass: read {}; right would be none, venue, system, limits or all", files::shown(name)));
  }
  static std::string name_of_layer(Bypass bypass) {
    for (const auto& [layer, one] : kLayers)
      if (one == bypass && bypass != Bypass::none) return std::string(layer);
    return {};
  }
  static std::vector<fs::path> watched(const RigArguments& args) {
    std::vector<fs::path> files{args.rig_file};
    if (!args.venue_file.empty()) files.push_back(args.venue_file);
    return files;
  }
  static std::vector<Warning> warnings_of(const Tuning& tuning) { return rig_warnings(tuning.rig, tuning.compiled); }
  static Tuning load(const RigArguments& args, Bypass bypass) {
    rig::Rig rig = args.rig();
    std::optional<rig::Venue> venue = args.venue(rig);
    return live::tuned(std::move(rig), std::move(venue), bypass);
  }

  void record() {
    live::RecorderSettings settings{.folder = options_.record, .names = {}};
    settings.sample_rate_hz = rig_->heard().rig.controller.sample_rate_hz;
    for (const rig::Feed& feed : rig_->heard().rig.feeds) settings.names.push_back(feed.name);
    settings.names.insert(settings.names.end(), outputs_.begin(), outputs_.end());
    recorder_.emplace(settings);
    client_->record_to(*recorder_);
  }
  /// No page of the chain is to be fetched from a disk while the audio waits. Where there is a limit on what may be
  /// locked, nothing is: a lock on what comes later would make memory run out.
  static void lock_memory() {
    rlimit limit{};
    if (::getrlimit(RLIMIT_MEMLOCK, &limit) == 0 && (limit.rlim_cur == RLIM_INFINITY || ::geteuid() == 0))
      static_cast<void>(::mlockall(MCL_CURRENT | MCL_FUTURE));
  }

  void say(const std::string& text) {
    if (options_.voice.quiet) return;
    printer_.put(options_.voice.json ? Printer::To::error : Printer::To::people, wrapped(text, text_width()));
  }
  void begin() {
    for (const Warning& warning : warnings_) say(warning.code + ": " + warning.text);
    if (bypass_ == Bypass::all)
      say("CAUTION: without crossovers every driver gets the whole band, high drivers the lows that destroy them.");
    if (leaves_limits_out(bypass_))
      say("CAUTION: without limits nothing holds these outputs below what amplifiers, drivers and ears take. Not with "
          "loudspeakers connected.");
    if (!client_->real_time())
      say("The JACK server runs without real-time priority: cycles will be missed. See 'limits.conf' and jackd's -R.");
    say(fmt::format("{}: client '{}' on the JACK server '{}', {} frames a period, {} samples late; {}",
                    rig_args_.rig_file.string(), client_->name(), client_->server(), client_->period_frames(),
                    rig_->heard().compiled.latency_samples,
                    options_.muted ? "muted until told to unmute" : "muted until primed"));
    look_at_graph();
    serve_page();
    last_look_ = last_second_ = Clock::now();
  }

  void serve_page() {
    if (!options_.page) return;
#ifdef RACKPROOF_WEB
    page_.emplace(rig_->readings(), rig_->heard(), program_name());
    printer_.put(options_.voice.json || options_.voice.quiet ? Printer::To::error : Printer::To::people,
                 "meters, for browsers on this machine alone: " + page_->address() + "\n");
#else
    throw InputError(
        "--page: this program was built without its library: install libcpp-httplib-dev and build it again");
#endif
  }
  /// Another rig, venue or bypass is heard.
  void tell_change() {
    told_retunes_ = rig_->retunes();
    heard_fingerprint_ = firmware::fingerprint(rig_->heard().compiled);
    client_->latency_changed();
#ifdef RACKPROOF_WEB
    if (page_) page_->heard(rig_->heard());
#endif
    say(fmt::format("the change is heard; {} samples late", rig_->heard().compiled.latency_samples));
  }

  void turn() {
    std::vector<pollfd> waited{{signals_.get(), POLLIN, 0}, {client_->descriptor(), POLLIN, 0}};
    if (hears_input_) waited.push_back({STDIN_FILENO, POLLIN, 0});
    if (socket_) socket_->add_to(waited);
    const auto wait = rig_->changing() ? kQuick : kTick;
    ::poll(waited.data(), waited.size(), static_cast<int>(wait.count()));
    if (waited[0].revents != 0) {
      ends_ = true;
      return;
    }
    hear_server();
    if (ends_) return;
    if (hears_input_ && waited[2].revents != 0) hear_input();
    if (socket_) socket_->serve([this](const std::string& line) { return answer(line); });
    rig_->proceed();
    if (rig_->retunes() != told_retunes_) tell_change();
    const Clock::time_point now = Clock::now();
    if (now - last_look_ >= kLook) {
      last_look_ = now;
      if (files_.saved()) reload("saved");
    }
    if (now - last_tick_ >= kTick - kQuick) {
      last_tick_ = now;
      tick(now);
    }
  }

  void hear_server() {
    const live::Client::Happened happened = client_->happened();
    if (happened.lost) {
      lost_ = true;
      ends_ = true;
    } else if (happened.other_rate) {
      other_rate_ = true;
      ends_ = true;
    } else {
      if (happened.period) say(fmt::format("{} frames a period from now on", client_->period_frames()));
      if (happened.freewheel)
        say(client_->freewheel() ? "freewheel: the server runs as fast as it can; the guard sleeps"
                                 : "real time again; the guard watches");
      if (happened.graph) look_at_graph();
    }
  }
  void look_at_graph() {
    live::Findings found = live::look(*client_, client_->name(), outputs_, wiring_);
    if (options_.sole && !found.strangers.empty()) {
      for (const auto& [source, sink] : found.strangers)
        if (client_->disconnect(source, sink)) say(fmt::format("{} was disconnected from {} (--sole)", source, sink));
      found = live::look(*client_, client_->name(), outputs_, wiring_);
    }
    for (const std::string& words : found.words)
      if (std::ranges::find(told_, words) == told_.end()) say(words);
    told_ = std::move(found.words);
  }
  void hear_input() {
    std::array<char, 4096> bytes{};
    const ssize_t count = ::read(STDIN_FILENO, bytes.data(), bytes.size());
    if (count <= 0) {  // no more commands; it goes on
      hears_input_ = count < 0 && (errno == EAGAIN || errno == EINTR);
      return;
    }
    const bool whole = input_.add({bytes.data(), static_cast<std::size_t>(count)}, [this](const std::string& line) {
      if (line.find_first_not_of(" \t\r") == line.npos) return;
      const std::string text = answer(line);
      const bool is_document = text.starts_with('{');
      printer_.put(is_document ? Printer::To::program : Printer::To::error, text + "\n");
    });
    if (!whole) hears_input_ = false;
  }

  /// One line in words, or the state's document.
  std::string answer(const std::string& line) {
    try {
      return act(live::command_of(line));
    } catch (const std::exception& error) {
      return files::shown(fmt::format("refused: {}", error.what()));
    }
  }
  std::string act(const live::Command& command) {
    switch (command.word) {
      case live::Word::mute:
      case live::Word::unmute: {
        std::optional<std::size_t> output;
        if (!command.of.empty() && command.of != "all") {
          output = rig_->output_called(command.of);
          if (!output)
            throw InputError(
                fmt::format("no output is called {}; there are {}", command.of, fmt::join(outputs_, ", ")));
        }
        rig_->mute(output, command.word == live::Word::mute);
        return fmt::format("ok: {} {}", output ? command.of : "all outputs",
                           command.word == live::Word::mute ? "muted" : "heard");
      }
      case live::Word::venue: {
        RigArguments next = rig_args_;
        next.venue_file = command.of == "none" ? fs::path() : fs::path(command.of);
        return change_to(next, bypass_);
      }
      case live::Word::bypass: {
        const Bypass next = layer_called(command.of);
        must_be_allowed(next);
        return change_to(rig_args_, next);
      }
      case live::Word::reload:
        return change_to(rig_args_, bypass_);
      case live::Word::state:
        return state_line(rig_->readings().read(), status());
      case live::Word::quit:
        ends_ = true;
        return "ok: ramps down and ends";
    }
    return {};
  }
  /// What drivers and ears need is taken away at the start or not at all.
  void must_be_allowed(Bypass next) const {
    if (next == Bypass::all && started_with_ != Bypass::all)
      throw InputError(
          "without limits and crossovers every driver gets the whole band at any level; a word that is typed while it "
          "plays does not do that. Start with --bypass all");
    if (next == Bypass::limits && !leaves_limits_out(started_with_))
      throw InputError(
          "without limits nothing holds the outputs below what drivers and ears take; a word that is typed while it "
          "plays does not do that. Start with --bypass limits");
  }
  /// Bypassed, [system] takes its high-pass along: a lowest way with no other moves its driver at every level.
  static void keep_the_highpass(const rig::Rig& rig) {
    for (const rig::Rig& part : rig.parts()) {
      const auto is_highpass = [](const rig::EqBand& band) { return band.type == rig::EqType::highpass; };
      const rig::Way& lowest = part.ways.front();
      if (lowest.highpass || std::ranges::any_of(lowest.eq, is_highpass) ||
          std::ranges::none_of(part.system_eq, is_highpass))
        continue;
      throw InputError(fmt::format(
          "the only high-pass of way {} stands in [system], which is bypassed then, and without it driver {} may strike "
          "its stops; nothing that is typed or saved while it plays does that. Give way.{} the high-pass, or start with "
          "--bypass system",
          lowest.name, lowest.driver, lowest.name));
    }
  }
  std::string change_to(const RigArguments& args, Bypass bypass) {
    files_.watch(watched(args));  // ahead of reading: what is saved meanwhile is read once more
    std::string words = "ok: read and checked; faded in within a second";
    try {
      Tuning next = load(args, bypass);
      const rig::Rig rig = next.rig;
      if (bypass == Bypass::system && started_with_ != Bypass::system && started_with_ != Bypass::all)
        keep_the_highpass(rig);
      std::vector<Warning> warnings = warnings_of(next);
      rig_->retune(std::move(next));
      words += other_wiring(rig);
      for (const Warning& one : warnings)
        if (std::ranges::none_of(warnings_, [&](const Warning& told) { return told.text == one.text; }))
          say(one.code + ": " + one.text);
      warnings_ = std::move(warnings);
    } catch (...) {
      files_.watch(watched(rig_args_));
      throw;
    }
    rig_args_ = args;
    bypass_ = bypass;
    return words;
  }
  /// Connections are made once: what a saved file says otherwise is told.
  std::string other_wiring(const rig::Rig& rig) const {
    try {
      if (live::wiring_of(rig, outputs_, options_.connect) == wiring_) return {};
    } catch (const InputError&) {  // told at the next start
    }
    return "; [live.connect] is another now, and connections are made at the start alone: stop and start again for them";
  }
  void reload(const char* why) {
    try {
      say(fmt::format("{}: {}", why, change_to(rig_args_, bypass_)));
    } catch (const std::exception& error) {
      printer_.put(Printer::To::error,
                   fmt::format("rackproof: {}: {}\nrackproof: what was heard before goes on\n", why, error.what()));
    }
  }

  void tick(Clock::time_point now) {
    const live::Reading reading = rig_->readings().read();
    second_.add(reading);
    if (meters_) printer_.put(Printer::To::meters, live::meter_lines(reading, status(), text_width() - 1));
    if (now - last_second_ < std::chrono::seconds(1)) return;
    last_second_ = now;
    if (options_.voice.json) printer_.put(Printer::To::program, state_line(second_.take(), status()) + "\n");
    if (!second_.empty()) static_cast<void>(second_.take());
    const live::Signals& signals = reading.signals;
    if (signals.missed_cycles > missed_told_) {
      say(fmt::format("{} cycles missed, {} frames in all since the start", signals.missed_cycles - missed_told_,
                      signals.missed_frames));
      missed_told_ = signals.missed_cycles;
    }
    if (!rig_->changing() && !client_->freewheel() && signals.load > live::kMostLoad && now >= next_load_warning_) {
      next_load_warning_ = now + std::chrono::minutes(1);
      say(fmt::format(
          "load: this rig takes {:.0f} % of a period, and a change that is faded in takes twice that: above "
          "{:.0f} % there is no room; longer periods (-p), or a faster machine",
          100 * signals.load, 100 * live::kMostLoad));
    }
    if (recorder_)
      if (const std::string news = recorder_->news(); !news.empty())
        printer_.put(Printer::To::error, fmt::format("rackproof: {}\n", news));
  }
  live::Status status() const {
    return {.rig = rig_args_.rig_file.string(),
            .venue = rig_args_.venue_file.string(),
            .bypass = name_of_layer(bypass_),
            .server = client_->server(),
            .client = client_->name(),
            .period_frames = client_->period_frames(),
            .real_time = client_->real_time(),
            .freewheel = client_->freewheel(),
            .changing = rig_->changing(),
            .fingerprint = heard_fingerprint_,
            .retunes = rig_->retunes(),
            .late_cycles = client_->late_cycles(),
            .recorded_frames = recorder_ ? recorder_->frames() : 0,
            .records = recorder_.has_value()};
  }

  /// Down to zeros, and long enough that they have reached the converter; not where nobody calls any more.
  void ramp_down() {
    if (lost_) return;
    rig_->mute(std::nullopt, true);
    const std::uint64_t from = rig_->readings().published();
    const auto enough = Clock::now() + std::chrono::milliseconds(400);
    const auto period = std::chrono::microseconds(std::uint64_t{1'000'000} * client_->period_frames() /
                                                  rig_->heard().rig.controller.sample_rate_hz);
    while (rig_->readings().published() < from + 2 && Clock::now() < enough)
      std::this_thread::sleep_for(std::chrono::milliseconds(2));
    if (!client_->freewheel()) std::this_thread::sleep_for(2 * period);
  }

  LiveOptions options_;
  RigArguments rig_args_;
  Bypass started_with_, bypass_;
  bool meters_;
  live::WatchedFiles files_;
  std::vector<std::string> outputs_;
  std::vector<Warning> warnings_;
  live::Wiring wiring_;
  std::optional<live::LiveRig> rig_;
  std::optional<live::Recorder> recorder_;  // outlives the client, which writes to it
  std::optional<live::Client> client_;
  std::optional<live::CommandSocket> socket_;
#ifdef RACKPROOF_WEB
  std::optional<web::RigPage> page_;  // reads the rig's meters
#endif
  files::Descriptor signals_;
  Printer printer_;

  bool ends_ = false, lost_ = false, other_rate_ = false, hears_input_ = true;
  live::Lines input_;
  std::vector<std::string> told_;  // of the graph
  Second second_;
  Clock::time_point last_look_, last_tick_, last_second_, next_load_warning_;
  std::uint64_t missed_told_ = 0, told_retunes_ = 0, heard_fingerprint_ = 0;
};

double stall_ms_of(const std::string& text) {
  if (text.empty()) return live::kLeastStall_ms;
  constexpr double kMostStall_s = 1;
  const double stall_s = typed_number("--stall", text, rig::Quantity::time, "\"40 ms\"");
  if (stall_s < 1e-3 * live::kLeastStall_ms || stall_s > kMostStall_s)
    throw InputError(fmt::format("--stall: read {}; right would be {:g} ms to {:g} s, as in \"40 ms\"",
                                 files::shown(text), live::kLeastStall_ms, kMostStall_s));
  return 1e3 * stall_s;
}

void run_live(const LiveOptions& options, int& status) {
  live::Beat* beat = nullptr;
  if (const std::optional<int> ended = live::stand_guard(beat, stall_ms_of(options.stall))) {
    status = *ended;
    return;
  }
  Running running(options, *beat);
  running.run();
}

}  // namespace

void add_live(CLI::App& program, int& status) {
  CLI::App* verb = add_verb(
      program, "live",
      "Runs a rig on a JACK server: feeds in, outputs out, limits, meters; retuned when the rig or venue file is saved. "
      "Begins muted. A guard process ends it where the audio stands still. While it runs it takes lines on standard "
      "input: mute, unmute, venue, bypass, reload, state, quit. Turn amplifiers up last and protect your hearing",
      "rackproof live rig.toml --connect high.left=system:playback_1 --connect low.left=system:playback_2");
  const auto options = std::make_shared<LiveOptions>();
  options->rig.add_to(*verb);
  add_option(
      *verb, "--connect", options->connect,
      "Connects a feed or an output of the rig to another client's port, on top of [live] in the rig file; every "
      "output then needs one of its own")
      .type_name("NAME=PORT")
      .take_all()
      .allow_extra_args(false);
  add_flag(*verb, "--sole", options->sole, "Disconnects what else plays into a sink of this rig, past its limits");
  add_flag(*verb, "--muted", options->muted, "All outputs stay muted until the line 'unmute'");
  add_option(*verb, "--server", options->client.server, "The JACK server; else JACK_DEFAULT_SERVER, else 'default'")
      .type_name("NAME");
  add_option(*verb, "--name", options->client.name, "What the client is called on the server [rackproof]")
      .type_name("NAME");
  add_option(*verb, "--socket", options->socket,
             "Takes the same lines on this Unix socket, which its owner alone opens")
      .type_name("FILE");
  add_option(*verb, "--record", options->record,
             "Writes feeds and outputs there as they are: NAME.wav, from half hour to half hour NAME.2.wav and so on")
      .type_name("DIR");
  add_option(
      *verb, "--stall", options->stall,
      "The guard ends it where the audio stands still for so long, in place of 15 ms; never sooner than four periods")
      .type_name("TIME");
  only_one_of(add_option(*verb, "--bypass", options->bypass,
                         "Leaves a layer out: venue or system; limits or all with no loudspeakers connected"),
              {"all", "venue", "system", "limits"});
  add_flag(*verb, "--page", options->page,
           "Serves a page of meters, history and responses to browsers on this machine; prints its address");
  options->voice.add_to(*verb);
  when_called(*verb, [options, &status] { run_live(*options, status); });
}

}  // namespace rackproof
