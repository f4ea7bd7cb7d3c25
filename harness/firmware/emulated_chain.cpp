#include "harness/firmware/emulated_chain.hpp"

#include <fmt/format.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <sstream>

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

std::string read_file(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}
template <class T>
std::vector<T> read_values(const fs::path& file) {
  const std::string bytes = read_file(file);
  std::vector<T> values(bytes.size() / sizeof(T));
  std::copy_n(bytes.data(), values.size() * sizeof(T), reinterpret_cast<char*>(values.data()));
  return values;
}

/// Letters, digits and a few signs alone go to the shell as they are, and the folder's name is ours.
struct Result {
  int status = 0;
  std::string words;
};
Result in_folder(const fs::path& folder, const std::string& command) {
  const std::string line = fmt::format("cd '{}' && {{ {}; }} >words 2>&1 </dev/null", folder.string(), command);
  const int status = std::system(line.c_str());
  return {WIFEXITED(status) ? WEXITSTATUS(status) : 128, read_file(folder / "words")};
}

fs::path new_folder() {
  std::string name = (fs::temp_directory_path() / "rackproof-XXXXXX").string();
  if (name.find('\'') != std::string::npos || ::mkdtemp(name.data()) == nullptr)
    throw MachineError(fmt::format("{}: no folder can be made there", name));
  return name;
}

}  // namespace

EmulatedChain::EmulatedChain(const Part& part, const std::string& numbers_header, const Variation& variation)
    : part_(part), timeout_s_(variation.timeout_s), folder_(new_folder()) {
  try {
    const std::string emulator(part.emulator.substr(0, part.emulator.find(' ')));
    const Result there = in_folder(folder_, fmt::format("{0}g++ --version && command -v {1}", part.tools, emulator));
    if (there.status != 0)
      throw MachineError(fmt::format("to run on {} takes {}g++ and {}; Debian and Ubuntu have them: apt install {}",
                                     part.name, part.tools, emulator, part.packages));
    compiler_ = there.words.substr(0, there.words.find('\n'));

    write_sources(folder_, "dsp/");
    write_sources(folder_, "harness/part/");
    write_file(folder_ / kNumbersFile, numbers_header);
    write_file(folder_ / "variation.cpp", variation.source);
    std::string command =
        fmt::format("{}g++ {} {} {} harness/part/runner.cpp dsp/chain/chain.cpp variation.cpp -o runner", part.tools,
                    kFlags, part.flags, variation.flags);
    if (part.counts())
      command += fmt::format(
          " harness/part/start.cpp -nostartfiles -Wl,-T,harness/part/part.ld -Wl,--gc-sections"
          " -Wl,--fatal-warnings -Wl,--defsym=FLASH_BYTES={} -Wl,--defsym=RAM_BYTES={} -Wl,--defsym=STACK_BYTES={}",
          part.flash_bytes, variation.ram_bytes > 0 ? variation.ram_bytes : part.ram_bytes,
          variation.stack_bytes > 0 ? variation.stack_bytes : part.stack_bytes);
    else
      command += " -static";
    const Result built = in_folder(folder_, command);
    if (built.status != 0)
      throw MachineError(fmt::format("the chain cannot be built for {}:\n{}", part.name, built.words));
    std::istringstream sizes(in_folder(folder_, fmt::format("{}size runner | tail -1", part.tools)).words);
    std::size_t code = 0, data = 0, zero = 0;
    sizes >> code >> data >> zero;
    flash_used_bytes_ = code + data, ram_used_bytes_ = data + zero;
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
  write_file(folder_ / "in", {bytes, job.frames.size_bytes()});
  const std::string arguments =
      fmt::format("in out counts {} {} {} {}", job.block_frames, job.stages_left_out, job.of_output, job.lanes);
  std::string command = fmt::format("timeout --kill-after=5 {} {} ", timeout_s_, part_.emulator);
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
  const Result ran = in_folder(folder_, command);
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
