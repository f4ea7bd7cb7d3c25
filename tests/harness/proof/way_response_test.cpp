// Must hold: a response file is read as written, between its lines even in log frequency with the phase unwrapped; what
// is wrong with it is told with file and line.
#include "harness/proof/way_response.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <fstream>
#include <numbers>

#include "tests/harness/calibration/a_rig.hpp"

namespace rackproof::proof {
namespace {

using testing::AllOf;
using testing::HasSubstr;
using testing::StartsWith;

double level_db(const WayResponse& r, double hz) { return 20 * std::log10(std::abs(r.at(hz))); }
double phase_deg(const WayResponse& r, double hz) { return std::arg(r.at(hz)) * 180 / std::numbers::pi; }
WayResponse parsed(const std::string& text) { return parse_way_response(text, "horn.csv"); }

TEST(WayResponse, IsItsPointsAndEvenBetweenThem) {
  const WayResponse r = parsed("frequency_hz,magnitude_db,phase_deg\n100,-10,30\n1000,0,-60\n10000,+6,-90\n");
  EXPECT_EQ(r.from_hz(), 100);
  EXPECT_EQ(r.to_hz(), 10000);
  for (const auto& [hz, db, degrees] : {std::tuple{100.0, -10.0, 30.0},
                                        {1000.0, 0.0, -60.0},
                                        {10000.0, 6.0, -90.0},
                                        {std::sqrt(1e5), -5.0, -15.0},
                                        {std::sqrt(1e7), 3.0, -75.0},
                                        {20.0, -10.0, 30.0},
                                        {20000.0, 6.0, -90.0}}) {  // held beyond its ends
    EXPECT_NEAR(level_db(r, hz), db, 1e-9) << hz;
    EXPECT_NEAR(phase_deg(r, hz), degrees, 1e-9) << hz;
  }
}
TEST(WayResponse, PhaseGoesTheShortWayRound) {
  const WayResponse r = parsed("frequency_hz,magnitude_db,phase_deg\n100,0,170\n200,0,-170\n400,0,-150\n800,0,175");
  EXPECT_NEAR(std::abs(phase_deg(r, std::sqrt(2e4))), 180, 1e-9);  // control: the long way would read 0
  EXPECT_NEAR(phase_deg(r, std::sqrt(32e4)), -167.5, 1e-9);
}
TEST(WayResponse, ReadsWhatProgramsWrite) {
  const WayResponse plain = parsed("frequency_hz,magnitude_db,phase_deg\n50,-3,10\n60,-2,20\n");
  const WayResponse dressed = parsed(
      "\xEF\xBB\xBF# measured at 2 m\r\n\r\n coherence , phase_deg,magnitude_db, frequency_hz\r\n0.9,10,-3,5e1\r\n"
      "# a remark\r\n1, 20 ,-2,60,more\r\n");
  for (const double hz : {50.0, 53.0, 60.0}) EXPECT_EQ(plain.at(hz), dressed.at(hz));
}
TEST(WayResponse, TellsWhatIsWrongAndWhere) {
  const std::string head = "frequency_hz,magnitude_db,phase_deg\n";
  for (const auto& [text, place, what] :
       {std::tuple{std::string(), "horn.csv:1: ", "a first line frequency_hz,magnitude_db,phase_deg"},
        {head + "100,0,0\n", "horn.csv: ", "read 1 line of numbers"},
        {std::string("frequency_hz,magnitude_db\n1,2\n"), "horn.csv:1: phase_deg: ", "without phase_deg"},
        {std::string("100,0,0\n200,0,0\n"), "horn.csv:1: frequency_hz: ", "names the columns"},
        {head + "100,0,0\n200,0\n", "horn.csv:3: phase_deg: ", "a phase in degrees in column 3"},
        {head + "100,0,0\n\n200,0,east\n", "horn.csv:4: phase_deg: ", "\"east\""},
        {head + "100,0,0\n200,nan,0\n", "horn.csv:3: magnitude_db: ", "\"nan\""},
        {head + "100,0,0\n200,inf,0\n", "horn.csv:3: magnitude_db: ", "a level in dB"},
        {head + "100,0,0\n200,1e9,0\n", "horn.csv:3: magnitude_db: ", "within -400 and 400"},
        {head + "0,0,0\n200,0,0\n", "horn.csv:2: frequency_hz: ", "above 0"},
        {head + "100,0,0\n100,0,0\n", "horn.csv:3: frequency_hz: ", "ascend"},
        {head + "100,0,0\n50,0,0\n", "horn.csv:3: frequency_hz: ", "50 after 100"}}) {
    try {
      parsed(text);
      ADD_FAILURE() << "accepted: " << text;
    } catch (const InputError& error) {
      EXPECT_THAT(error.what(), AllOf(StartsWith(place), HasSubstr(what), HasSubstr("read ")));
    }
  }
}

class WayResponses : public testing::Test {
 protected:
  std::filesystem::path write(const std::string& name, const std::string& text) const {
    const std::filesystem::path file = folder_ / name;
    std::ofstream(file) << text;
    return file;
  }
  void SetUp() override {
    folder_ = std::filesystem::path(testing::TempDir()) /
              ("way_response_" + std::string(testing::UnitTest::GetInstance()->current_test_info()->name()));
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path folder_;
};

TEST_F(WayResponses, CountOnlyWhereAllWaysHaveOne) {
  const std::string wide = "frequency_hz,magnitude_db,phase_deg\n20,0,0\n20000,0,0\n";
  rig::Rig rig = a_rig();
  EXPECT_FALSE(way_responses(rig));
  rig.ways[0].response = write("low.csv", wide);
  EXPECT_FALSE(way_responses(rig));
  rig.ways[1].response = write("high.csv", wide);
  ASSERT_TRUE(way_responses(rig));
  EXPECT_EQ(way_responses(rig)->size(), 2u);
}
TEST_F(WayResponses, MustReachTheirPoints) {
  rig::Rig rig = a_rig();
  rig.ways[1].response = write("high.csv", "frequency_hz,magnitude_db,phase_deg\n2000,0,0\n20000,0,0\n");
  rig.ways[1].response_source = a_source("way.high.response");
  try {
    (void)way_responses(rig);
    ADD_FAILURE();
  } catch (const InputError& error) {
    EXPECT_THAT(error.what(), AllOf(HasSubstr("a.toml:7:3: way.high.response"), HasSubstr("2 kHz to 20 kHz"),
                                    HasSubstr("1.6 kHz"), HasSubstr("low")));
  }
}
TEST_F(WayResponses, AMissingFileIsTheMachinesFault) {
  EXPECT_THROW((void)read_way_response(folder_ / "none.csv"), InputError);
}

}  // namespace
}  // namespace rackproof::proof
