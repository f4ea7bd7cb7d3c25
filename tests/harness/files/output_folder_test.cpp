// Must hold: a folder is made, whoever else makes it at once, and goes again unless it is kept.
#include "harness/files/output_folder.hpp"

#include <gmock/gmock.h>

#include <atomic>
#include <string>
#include <thread>
#include <vector>

#include "harness/errors.hpp"
#include "tests/harness/scratch.hpp"

namespace rackproof::files {
namespace {

using namespace rackproof::test;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::ThrowsMessage;

TEST(OutputFolder, IsMadeAndGoesAgainUnlessKept) {
  const Scratch scratch;
  { OutputFolder folder(scratch / "a/b/c"), again(scratch / "a/b/c"); }
  EXPECT_THAT(scratch.names(), IsEmpty());
  {
    OutputFolder folder(scratch / "a/b/c/");
    EXPECT_TRUE(std::filesystem::is_directory(scratch / "a/b/c"));
    folder.keep();
  }
  { OutputFolder there_before(scratch / "a/b"); }
  EXPECT_TRUE(std::filesystem::is_directory(scratch / "a/b/c"));
  put(scratch / "file", "x");
  EXPECT_THAT([&] { OutputFolder folder(scratch / "file"); }, ThrowsMessage<InputError>(HasSubstr("is a file")));
  EXPECT_THAT([&] { OutputFolder folder(scratch / "file/below"); },
              ThrowsMessage<MachineError>(HasSubstr("cannot be made")));
  EXPECT_THAT([&] { OutputFolder folder("/proc/none/of/this"); },
              ThrowsMessage<MachineError>(HasSubstr("cannot be made")));
}

TEST(OutputFolder, IsMadeByManyAtOnce) {
  const Scratch scratch;
  for (int round = 0; round < 30; ++round) {
    const auto shared = scratch / ("shared" + std::to_string(round));
    std::atomic<int> ready = 0, refused = 0;
    std::vector<std::jthread> makers;
    for (int i = 0; i < 4; ++i)
      makers.emplace_back([&, i] {
        for (++ready; ready < 4;) std::this_thread::yield();
        try {
          OutputFolder folder(shared / std::to_string(i));
          folder.keep();
        } catch (const std::exception&) {
          ++refused;
        }
      });
    makers.clear();
    EXPECT_EQ(refused, 0);
    EXPECT_EQ(Scratch::names_in(shared).size(), 4u);
  }
}

}  // namespace
}  // namespace rackproof::files
