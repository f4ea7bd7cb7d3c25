#include "harness/firmware/emulated_chain.hpp"
#include "harness/files/plain_file.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <sstream>

#include "harness/files/descriptor.hpp"
#include "harness/firmware/numbers.hpp"
#include "harness/firmware/sources.hpp"
#include "harness/rig/rig.hpp"

namespace rackproof::firmware {
namespace {

namespace fs = std::filesystem;

/// Everything by name: no path of the host can change a constant or a message.
constexpr const char* kFlags =
    "-std=c++20 -O2 -ffp-contract=off -fno-exceptions -fno-rtti -fno-threadsafe-statics -ffunction-sections "
    "-fdata-sections -DNDEBUG -Wall -Wextra -Wdouble-promotion -Werror -I.";

/// Of a file that our own programs have made.
constexpr std::size_t kMostBytes = 1u << 30;
std::string read_file(const fs::path& file) { return files::read_plain_file(file, {.most_bytes = kMostBytes}); }
template <class T>
std::vector<T> read_values(const fs::path& file) {
  const std::string bytes = read_file(file);
  std::vector<T> values(bytes.size() / sizeof(T));
  std::copy_n(bytes.data(), values.size() * sizeof(T), reinterpret_cast<char*>(values.data()));
  return values;
}

void put(const fs::path& file, std::string_view bytes) {
  const auto fail = [&] {
    throw MachineError(fmt::format("{}: cannot be written to, which takes some MB: {}",
                                   fs::temp_directory_path().string(), files::reason(errno)));
  };
  const files::Descriptor open(::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666));
  if (!open) fail();
  while (!bytes.empty()) {
    const ssize_t count = ::write(open.get(), bytes.data(), bytes.size());
    if (count < 0 && errno == EINTR) continue;
    if (count <= 0) fail();
    bytes.remove_prefix(static_cast<std::size_t>(count));
  }
}

/// A command line that runs in a group of processes of its own, so that all that it starts can be ended.
class Shell {
 public:
  explicit Shell(const std::string& line) {
    posix_spawnattr_t attributes;
    posix_spawnattr_init(&attributes);
    sigset_t none, usual;
    sigemptyset(&none);
    sigemptyset(&usual);
    sigaddset(&usual, SIGPIPE);  // which this program ignores
    sigaddset(&usual, SIGXFSZ);
    posix_spawnattr_setsigmask(&attributes, &none);
    posix_spawnattr_setsigdefault(&attributes, &usual);
    posix_spawnattr_setpgroup(&attributes, 0);
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
    std::string shell = "sh", option = "-c", command = line;
    char* arguments[] = {shell.data(), option.data(), command.data(), nullptr};
    const int error = ::posix_spawn(&group_, "/bin/sh", nullptr, &attributes, arguments, environ);
    posix_spawnattr_destroy(&attributes);
    if (error != 0) {
      group_ = 0;
      throw MachineError(fmt::format("/bin/sh cannot be run: {}", files::reason(error)));
    }
  }
  ~Shell() {
    if (group_ == 0) return;
    constexpr int kSteps = 200;
    ::kill(-group_, SIGTERM);
    bool ended = false;
    for (int step = 0; step < kSteps && !ended; ++step) {
      ::waitpid(group_, nullptr, WNOHANG);
      ended = ::kill(-group_, 0) != 0;
      if (!ended) ::poll(nullptr, 0, 10);
    }
    if (ended) return;
    ::kill(-group_, SIGKILL);
    ::waitpid(group_, nullptr, 0);
  }
  Shell(const Shell&) = delete;
  Shell& operator=(const Shell&) = delete;

  /// The exit status, 128 where a signal ended it. Throws files::Interrupted.
  int wait(const files::Interruption& interruption) {
    const files::Descriptor ended(static_cast<int>(::syscall(SYS_pidfd_open, group_, 0)));
    while (true) {
      int status = 0;
      const pid_t got = ::waitpid(group_, &status, WNOHANG);
      if (got == group_) {
        group_ = 0;
        return WIFEXITED(status) ? WEXITSTATUS(status) : 128;
      }
      interruption.check();
      pollfd until{ended.get(), POLLIN, 0};
      ::poll(ended ? &until : nullptr, ended ? 1 : 0, ended ? 200 : 5);
    }
  }

 private:
  pid_t group_ = 0;
};

/// Letters, digits and a few signs alone go to the shell as they are, and the folder's name is ours.
struct Result {
  int status = 0;
  std::string words;
};
Result in_folder(const fs::path& folder, const std::string& command, const files::Interruption& interruption) {
  Shell shell(
      fmt::format("cd '{}' && export TMPDIR=\"$PWD\" && {{ {}; }} >words 2>&1 </dev/null", folder.string(), command));
  const int status = shell.wait(interruption);
  return {status, read_file(folder / "words")};
}

fs::path new_folder() {
  std::error_code error;
  const fs::path place = fs::temp_directory_path(error);
  if (error) throw MachineError(fmt::format("TMPDIR: there is no such folder: {}", error.message()));
  std::string name = (place / "rackproof-XXXXXX").string();
  if (name.find('\'') != std::string::npos) throw MachineError(fmt::format("{}: a ' in it is not possible", name));
  if (::mkdtemp(name.data()) == nullptr)
    throw MachineError(fmt::format("{}: no folder can be made there: {}", place.string(), files::reason(errno)));
  return name;
}

}  // namespace

EmulatedChain::EmulatedChain(const Part& part, const std::string& numbers_header, const Variation& variation)
    : part_(part), timeout_s_(variation.timeout_s), folder_(new_folder()) {
  try {
    const std::string emulator(part.emulator.substr(0, part.emulator.find(' ')));
    const Result there =
        in_folder(folder_, fmt::format("{0}g++ --version && command -v {1}", part.tools, emulator), interruption_);
    if (there.status != 0)
      throw MachineError(fmt::format("to run on {} takes {}g++ and {}; Debian and Ubuntu have them: apt install {}",
                                     part.name, part.tools, emulator, part.packages));
    compiler_ = there.words.substr(0, there.words.find('\n'));

    for (const SourceFile& file : sources()) {
      if (!is_core(file) && !file.path.starts_with("harness/part/")) continue;
      std::error_code ignored;  // then the file cannot be put there either
      fs::create_directories((folder_ / file.path).parent_path(), ignored);
      put(folder_ / file.path, file.text);
    }
    put(folder_ / kNumbersFile, numbers_header);
    put(folder_ / "variation.cpp", variation.source);
    std::string command =
        fmt::format("{}g++ {} {} {} harness/part/runner.cpp dsp/chain/chain.cpp variation.cpp -o runner", part.tools,
                    kFlags, part.flags, variation.flags);
    if (part.counts())
      command += fmt::format(
          " harness/part/start.cpp -nostartfiles -Wl,-T,harness/part/part.ld -Wl,--gc-sections"
          " -Wl,--fatal-warnings -Wl,--defsym=FLASH_ORIGIN={} -Wl,--defsym=RAM_ORIGIN={}"
          " -Wl,--defsym=FLASH_BYTES={} -Wl,--defsym=RAM_BYTES={} -Wl,--defsym=STACK_BYTES={}",
          part.flash_origin, part.ram_origin, variation.flash_bytes > 0 ? variation.flash_bytes : part.flash_bytes,
          variation.ram_bytes > 0 ? variation.ram_bytes : part.ram_bytes,
          variation.stack_bytes > 0 ? variation.stack_bytes : part.stack_bytes);
    else
      command += " -static";
    const Result built = in_folder(folder_, command, interruption_);
    if (built.status != 0)
      throw MachineError(fmt::format("the chain cannot be built for {}:\n{}", part.name, built.words));
    std::istringstream sizes(
        in_folder(folder_, fmt::format("{}size runner | tail -1", part.tools), interruption_).words);
    std::size_t code = 0, data = 0, zero = 0;
    sizes >> code >> data >> zero;
    flash_used_bytes_ = code + data;
    ram_used_bytes_ = data + zero;
  } catch (...) {
    std::error_code ignored;
    fs::remove_all(folder_, ignored);
    throw;
  }
}

EmulatedChain::~EmulatedChain() {
  std::error_code ignored;
  fs::remove_all(folder_, ignored);
}

EmulatedChain::Run EmulatedChain::run(const Job& job) const {
  const auto* const bytes = reinterpret_cast<const char*>(job.frames.data());
  put(folder_ / "in", {bytes, job.frames.size_bytes()});
  const std::string arguments =
      fmt::format("in out counts {} {} {} {}", job.block_frames, job.stages_left_out, job.of_output, job.lanes);
  std::string command = fmt::format("timeout --foreground --kill-after=5 {} {} ", timeout_s_, part_.emulator);
  if (part_.counts()) {
    command +=
        "-nodefaults -display none -monitor none -serial none -chardev stdio,id=words,signal=off -icount shift=10 "
        "-semihosting-config enable=on,target=native,chardev=words,arg=runner";
    std::istringstream words(arguments);
    for (std::string word; words >> word;) command += ",arg=" + word;
    command += " -kernel runner";
  } else {
    command += "./runner " + arguments;
  }
  const Result ran = in_folder(folder_, command, interruption_);
  if (ran.status == 124 || ran.status == 137)
    throw MachineError(fmt::format("{}: the run did not end within {} s", part_.name, timeout_s_));
  if (ran.status != 0)
    throw MachineError(fmt::format("{}: the run ended with {}: {}", part_.name, ran.status, ran.words));
  Run run{read_values<float>(folder_ / "out"), read_values<std::uint32_t>(folder_ / "counts")};
  const std::size_t figures = ran.words.find("state ");  // the emulator may have a word to say before
  if (figures == std::string::npos ||
      std::sscanf(ran.words.c_str() + figures, "state %zu stack %zu", &run.state_bytes, &run.stack_used_bytes) != 2)
    throw MachineError(fmt::format("{}: the run said {}", part_.name, ran.words));
  return run;
}

}  // namespace rackproof::firmware
