// Must hold: whatever is named as an input that is no plain file is refused at once; nothing that a person wrote is
// replaced by an output of another kind; no edit is lost to --into, however two writers meet; and a signal or a limit
// on sizes leaves every file whole and nothing else behind.
#include <gmock/gmock.h>
#include <sys/stat.h>

#include <algorithm>

#include "shell.hpp"
#include "tests/sanitized.hpp"

namespace rackproof {
namespace {

using test::Result;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

class FilesInAndOut : public testing::Test {
 protected:
  void SetUp() override {
    shell_.with_rig();
    shell_.with_recording();
    shell_.with_measurements();
  }
  test::Shell shell_;
};

TEST_F(FilesInAndOut, NothingWaitsForAPipeOrADevice) {
  ASSERT_EQ(::mkfifo((shell_ / "pipe").c_str(), 0600), 0);
  for (const std::string special : {"pipe", "/dev/zero"}) {
    for (const std::string line : {"plan X",
                                   "plan rig.toml --venue X",
                                   "prove X",
                                   "render X in.wav -o d",
                                   "render rig.toml X -o d",
                                   "seal X",
                                   "drift X",
                                   "compare X rig.toml",
                                   "compare rig.toml X",
                                   "compare rig.toml rig.toml --venue X",
                                   "compare rig.toml rig.toml --program X",
                                   "compare rig.toml rig.toml --report X",
                                   "render rig.toml in.wav -o d --listen X",
                                   "export X -o e",
                                   "budget X",
                                   "stimulus worst-case -o s.wav --output high.left --rig X",
                                   "measure --sent X --captured in.wav -o m.json",
                                   "measure --sent in.wav --captured X -o m.json",
                                   "flatten X --into v.toml",
                                   "flatten low.json --target X --into v.toml",
                                   "flatten low.json --check X --into v.toml",
                                   "flatten low.json --into X",
                                   "align X --way low=low.json --way high=high.json",
                                   "align rig.toml --way low=X --way high=high.json",
                                   "align rig.toml --way low=low.json --way high=high.json --into X",
                                   "prove rig.toml --program X",
                                   "prove rig.toml --report X",
                                   "stimulus sine -o X"}) {
      std::string with = line;
      with.replace(with.find('X'), 1, special);
      const Result result = shell_.run("timeout 10 $R " + with);
      EXPECT_EQ(result.status, 2) << with << "\n" << result.err;
      EXPECT_THAT(result.err, AllOf(HasSubstr(special), HasSubstr("pipe"))) << with;
    }
  }
  EXPECT_TRUE(std::filesystem::is_fifo(shell_ / "pipe")) << "it was replaced";
  EXPECT_TRUE(std::filesystem::is_character_file("/dev/zero"));
  // A seal and a response are found by the rig.
  std::filesystem::rename(shell_ / "pipe", shell_ / "rig.seal");
  EXPECT_EQ(shell_.run("timeout 10 $R drift rig.toml").status, 2);
  EXPECT_THAT(shell_.run("timeout 10 $R plan rig.toml").out, HasSubstr("seal-damaged"));
  EXPECT_EQ(shell_.run("timeout 10 $R seal rig.toml").status, 2);
  std::filesystem::rename(shell_ / "rig.seal", shell_ / "pipe");
  std::string text = shell_.read("rig.toml");
  const std::size_t at = text.find("[[way]]\n") + 8;
  shell_.write("rig.toml", text.insert(at, "response = \"pipe\"\n"));
  const Result result = shell_.run("timeout 60 $R prove rig.toml");
  EXPECT_EQ(result.status, 2);
  EXPECT_THAT(result.err, HasSubstr("pipe"));
}

TEST_F(FilesInAndOut, NothingOfAnotherKindIsReplaced) {
  const std::string rig = shell_.read("rig.toml");
  for (const char* name : {"r.json", "r.csv"}) shell_.write(name, rig);
  std::filesystem::create_directory(shell_ / "d");
  std::filesystem::create_directory(shell_ / "e");
  shell_.write("d/high.left.wav", rig);
  shell_.write("e/chain_numbers.hpp", rig);
  shell_.write("sealed.toml", rig);
  shell_.write("sealed.seal", rig);
  const std::string measure = "measure --sent in.wav --captured in.wav ";
  for (const auto& [line, file] :
       {std::pair<std::string, std::string>{"stimulus sine --seconds 0.1 -o rig.toml", "rig.toml"},
        {measure + "-o r.json", "r.json"},
        {measure + "-o r.csv", "r.csv"},
        {measure + "-o m.json --report r.csv", "r.csv"},
        {"prove rig.toml --report r.csv", "r.csv"},
        {"compare rig.toml rig.toml --report r.csv", "r.csv"},
        {"render rig.toml in.wav -o d3 --listen r.csv", "r.csv"},
        {"seal sealed.toml", "sealed.seal"},
        {"render rig.toml in.wav -o d", "d/high.left.wav"},
        {"export rig.toml -o e", "e/chain_numbers.hpp"}}) {
    const Result result = shell_.run("$R " + line);
    EXPECT_EQ(result.status, 2) << line << result.err;
    EXPECT_THAT(result.err, AllOf(HasSubstr(file), HasSubstr("read a text that begins with"))) << line;
    EXPECT_EQ(shell_.read(file), rig) << line;
  }
  EXPECT_THAT(shell_.names(), Not(testing::Contains("m.json"))) << "a set is put in place whole";
  // Control: its own kind is replaced, again and again.
  for (const std::string line :
       {std::string("stimulus sine --seconds 0.1 -o s.wav"), measure + "-o m.json",
        measure + "-o m.csv --report m.html", std::string("seal rig.toml"), std::string("render rig.toml in.wav -o d2"),
        std::string("export rig.toml --core -o e2")})
    for (int round = 0; round < 2; ++round) {
      const Result result = shell_.run("$R " + line);
      EXPECT_EQ(result.status, 0) << line << result.err;
    }
}

TEST_F(FilesInAndOut, NoEditIsLostWheneverItIsSaved) {
  int refused = 0;
  for (int round = 0; round < 3; ++round) {
    ASSERT_EQ(shell_.run("rm -f t.toml; $R flatten low.json --points 1 --into t.toml").status, 0);
    const std::string pause = std::to_string(0.02 * round);
    const Result result = shell_.run("$R flatten low.json high.json low.json --points 4 --into t.toml & sleep " +
                                     pause + "; { cat t.toml; echo '# mine'; } >saved; mv saved t.toml; wait $!; ");
    const bool done = result.status == 0;
    ASSERT_TRUE(done || result.status == 2) << result.err;
    EXPECT_THAT(shell_.read("t.toml"), HasSubstr("# mine\n")) << "an edit is lost";
    if (!done) {
      ++refused;
      EXPECT_THAT(result.err, AllOf(HasSubstr("t.toml: was changed"), HasSubstr("run this again")));
    }
    EXPECT_THAT(shell_.names(), testing::ElementsAre("high.json", "in.wav", "low.json", "rig.toml", "t.toml"));
  }
  EXPECT_EQ(shell_.run("$R flatten low.json --points 1 --into t.toml").status, 0);
  RecordProperty("refused", refused);
}

TEST_F(FilesInAndOut, ToolsAtOnceKeepEachOthersWork) {
  for (int round = 0; round < 3; ++round) {
    shell_.write("t.toml", "format = 1 # tonight\n");
    const Result result = shell_.run(
        "for feed in a b c d; do { $R flatten low.json --points 2 --into t.toml --feed $feed; echo $? >$feed; } & done; wait; "
        "cat a b c d");
    EXPECT_EQ(shell_.run("cat a b c d").out, "0\n0\n0\n0\n") << result.err;
    const std::string text = shell_.read("t.toml");
    EXPECT_THAT(text, testing::StartsWith("format = 1 # tonight\n"));
    for (const char* feed : {"a", "b", "c", "d"})
      EXPECT_THAT(text, HasSubstr("[venue.feed." + std::string(feed) + "]")) << text;
  }
  // Where there was no file, whoever is told that it is done finds it there.
  shell_.run(
      "rm t.toml; for feed in a b; do { $R flatten low.json --points 2 --into t.toml --feed $feed; echo $? >$feed; } "
      "& done; wait");
  int done = 0;
  for (const char* feed : {"a", "b"}) {
    const std::string status = shell_.read(feed);
    EXPECT_TRUE(status == "0\n" || status == "2\n") << status;
    if (status != "0\n") continue;
    ++done;
    EXPECT_THAT(shell_.read("t.toml"), HasSubstr("[venue.feed." + std::string(feed) + "]"));
  }
  EXPECT_GE(done, 1);
}

TEST_F(FilesInAndOut, AWriteProtectedFileStaysAsItIs) {
  const std::string rig = shell_.read("rig.toml");
  ASSERT_EQ(shell_.run("$R seal rig.toml && chmod 444 rig.toml rig.seal").status, 0);
  for (const std::string line :
       {"flatten low.json --into rig.toml", "align rig.toml --way low=low.json --way high=high.json --into rig.toml",
        "seal rig.toml"}) {
    const Result result = shell_.run("$R " + line);
    EXPECT_EQ(result.status, 2) << line;
    EXPECT_THAT(result.err, HasSubstr("write-protected")) << line;
  }
  EXPECT_EQ(shell_.read("rig.toml"), rig);
}

TEST_F(FilesInAndOut, SignalsLeaveEveryFileWholeAndNothingElse) {
  ASSERT_EQ(shell_
                .run("mkdir tmp && $R measure --sent in.wav --captured in.wav -o m.json && "
                     "$R flatten low.json --into v.toml --points 2 && cp rig.toml s.toml && $R seal s.toml")
                .status,
            0);
  const std::set<std::string> before = shell_.names();
  const std::string old_rig = shell_.read("rig.toml");
  for (const std::string line :
       {"measure --sent in.wav --captured in.wav -o m.json --report m.html",
        "flatten low.json --into v.toml --points 8",
        "align rig.toml --way low=low.json --way high=high.json --into rig.toml", "seal s.toml"})
    for (const char* signal : {"TERM", "INT", "HUP"})
      for (int step = 0; step < (test::kSanitized ? 1 : 2); ++step) {
        const Result result = shell_.run("timeout --preserve-status --foreground -s " + std::string(signal) + " " +
                                         std::to_string(0.001 + 0.03 * step) + " env TMPDIR=tmp $R " + line);
        std::set<std::string> now = shell_.names();
        now.erase("m.html");
        // The second signal may come too late: then the rig names what was written beside it.
        for (const std::string response : {"rig.low.response.csv", "rig.high.response.csv"}) {
          if (result.status != 0 || now.erase(response) == 0) continue;
          EXPECT_THAT(shell_.read("rig.toml"), HasSubstr(response)) << line << signal << step;
          std::filesystem::remove(shell_ / response);
        }
        if (result.status == 0) shell_.write("rig.toml", old_rig);
        ASSERT_EQ(now, before) << line << signal << step << ", status " << result.status;
        ASSERT_TRUE(std::filesystem::is_empty(shell_ / "tmp"));
        ASSERT_EQ(
            shell_.run("$R flatten m.json --into x.toml --points 1 && $R plan rig.toml --venue v.toml && rm x.toml")
                .status,
            0)
            << line << signal << step << result.err;
      }
}

TEST_F(FilesInAndOut, ALimitOnSizesIsAFailedWrite) {
  ASSERT_EQ(
      shell_.run("$R measure --sent in.wav --captured in.wav -o m.json && $R flatten low.json --points 1 --into v.toml")
          .status,
      0);
  const std::string measured = shell_.read("m.json"), venue = shell_.read("v.toml");
  const std::set<std::string> before = shell_.names();
  for (const std::string line : {"measure --sent in.wav --captured in.wav --smoothing 1/3 -o m.json",
                                 "flatten low.json --points 4 --into v.toml", "seal rig.toml",
                                 "align rig.toml --way low=low.json --way high=high.json --into rig.toml"}) {
    const Result result = shell_.run("(ulimit -f 0; exec $R " + line + " 2>&1) | cat");
    EXPECT_THAT(result.out, HasSubstr("File too large")) << line;
    EXPECT_EQ(shell_.names(), before) << line;
    EXPECT_EQ(shell_.run("(ulimit -f 0; exec $R " + line + " 2>/dev/null >/dev/null)").status, 3) << line;
  }
  EXPECT_EQ(shell_.read("m.json"), measured);
  EXPECT_EQ(shell_.read("v.toml"), venue);
}

// Found by trying: each of these ended `flatten` and `align`.
TEST_F(FilesInAndOut, AMeasurementThatCannotBeOneIsRefused) {
  const std::string deep(200'000, '[');
  const std::string lists = R"("frequency_hz": [100, 200, 400, 800], "phase_deg": [0, 0, 0, 0], "magnitude_db": )";
  for (const auto& [text, says] : {std::pair{"{\"frequency_hz\": " + deep, "frequency_hz"},
                                   {"{\"nobody asks\": " + deep, "nobody asks"},
                                   {"{" + lists + "[1e4, 1e4, 1e4, 1e4]}", "magnitude_db[0]: read 10000"},
                                   {"{" + lists + "[0, 1e999, 0, 0]}", "magnitude_db[1]: read 1e999"},
                                   {"{" + lists + "[0, 0, 0, 0], \"captures\": 1e300}", "captures: read 1e+300"},
                                   {"{" + lists + "[0, 0, 0, 0], \"arrival_ms\": 1e300}", "arrival_ms: read 1e+300"},
                                   {"{" + lists + "[0, 0, 0, 0]}" + std::string(2, '\0'), "bytes that are not text"}}) {
    shell_.write("bad.json", text);
    for (const std::string line :
         {"flatten bad.json --into n.toml", "align rig.toml --way low=bad.json --way high=high.json"}) {
      const Result result = shell_.run("$R " + line);
      EXPECT_EQ(result.status, 2) << line << says;
      EXPECT_THAT(result.err, AllOf(HasSubstr("bad.json"), HasSubstr(says))) << line;
    }
  }
  EXPECT_FALSE(std::filesystem::exists(shell_ / "n.toml"));
}

}  // namespace
}  // namespace rackproof
