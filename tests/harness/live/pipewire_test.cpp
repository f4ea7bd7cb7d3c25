// Must hold where PipeWire is installed: the same program, by PipeWire's own JACK library, finds its ports, connects each
// output, plays, mutes, tells its state and ends with 0. Bits are not compared there: its clock jumps.
#include <gtest/gtest.h>

#include <cstdlib>
#include <string>

#if __has_include(<jack/jack.h>)
#include "tests/harness/live/jack_drive.hpp"

namespace rackproof::live {
namespace {

using rackproof::test::bytes_of;
using rackproof::test::put;
using namespace test;

// A driver and a sink of four channels, for one user and one folder: no bus, no policy, no hardware.
constexpr const char* kPipeWire = R"(context.properties = {
  core.daemon = true
  core.name = pipewire-0
  support.dbus = false
  mem.mlock-all = false
  default.clock.rate = 48000
  default.clock.quantum = 256
  default.clock.min-quantum = 256
  default.clock.max-quantum = 256
}
context.spa-libs = { support.* = support/libspa-support  audio.convert.* = audioconvert/libspa-audioconvert }
context.modules = [
  { name = libpipewire-module-protocol-native } { name = libpipewire-module-metadata }
  { name = libpipewire-module-spa-node-factory } { name = libpipewire-module-client-node }
  { name = libpipewire-module-adapter } { name = libpipewire-module-link-factory }
  { name = libpipewire-module-access }
]
context.objects = [
  { factory = metadata args = { metadata.name = default } }
  { factory = spa-node-factory
    args = { factory.name = support.node.driver node.name = clock node.group = pipewire.dummy priority.driver = 20000 } }
  { factory = adapter
    args = { factory.name = support.null-audio-sink node.name = converter media.class = Audio/Sink object.linger = true
             audio.position = [ AUX0 AUX1 AUX2 AUX3 ] monitor.channel-volumes = false
             adapter.auto-port-config = { mode = dsp monitor = true position = preserve } } }
]
)";

class OnPipeWire : public WithAServer {
 protected:
  void SetUp() override {
    WithAServer::SetUp();
    if (IsSkipped()) return;
    if (std::system("command -v pipewire >/dev/null 2>&1 && command -v pw-jack >/dev/null 2>&1") != 0)
      GTEST_SKIP() << "no PipeWire here: install pipewire and pipewire-jack";
    for (const char* const name : {"PIPEWIRE_RUNTIME_DIR", "XDG_RUNTIME_DIR"})
      ::setenv(name, scratch_.folder().c_str(), 1);  // for what this test starts
  }
  void TearDown() override {
    ::unsetenv("PIPEWIRE_RUNTIME_DIR");
    WithAServer::TearDown();
  }
};

TEST_F(OnPipeWire, TheSameProgramConnectsPlaysMutesAndEnds) {
  put(scratch_ / "pipewire.conf", kPipeWire);
  Process server({"pipewire", "-c", (scratch_ / "pipewire.conf").string()}, scratch_ / "pw.out", scratch_ / "pw.err");
  ASSERT_TRUE(soon([&] { return std::filesystem::exists(scratch_ / "pipewire-0") || server.ended(); }));
  ASSERT_FALSE(server.ended()) << bytes_of(scratch_ / "pw.err");
  Words connected;
  for (const char* const one : {"low.left=converter:playback_AUX0", "low.right=converter:playback_AUX1",
                                "high.left=converter:playback_AUX2", "high.right=converter:playback_AUX3"})
    connected.insert(connected.end(), {"--connect", one});
  Program program(scratch_.folder(), "", connected, {"pw-jack"});
  ASSERT_TRUE(program.comes_to("state", "runs")) << program.said();
  const nlohmann::json state = program.state();
  EXPECT_EQ(state.at("period_frames"), 256);
  EXPECT_EQ(state.at("sample_rate_hz"), 48'000);
  const auto frames = state.at("frames").get<std::uint64_t>();
  EXPECT_TRUE(soon([&] { return program.state().at("frames").get<std::uint64_t>() > frames + 4'800; }));
  EXPECT_EQ(program.ask("mute high.left"), "ok: high.left muted");
  EXPECT_TRUE(program.state().at("outputs")[2].at("muted").get<bool>());
  EXPECT_EQ(program.said().find("goes to no converter"), std::string::npos) << program.said();
  EXPECT_EQ(program.said().find("no longer connected"), std::string::npos) << program.said();
  program.process().tell(SIGTERM);
  EXPECT_EQ(program.process().end(), 0) << program.said();
}

}  // namespace
}  // namespace rackproof::live
#endif
