// Must hold: any bytes are a table of numbers (a target, a way's response, a microphone's correction) or an InputError
// in words; a table that is taken is finite, in range, ascends, and gives finite levels everywhere.
#include <array>
#include <cmath>

#include "harness/proof/way_response.hpp"
#include "harness/rig/number_table.hpp"
#include "harness/tune/target.hpp"
#include "tests/fuzz/refusals.hpp"

namespace {
using namespace rackproof;
using fuzz::must, fuzz::within;
constexpr std::array kHz{1e-6, 1.0, 31.5, 997.0, 20e3, 1e9};

void as_a_table(const std::string& text) {
  constexpr std::array kColumns{rig::NumberColumn{"frequency_hz", 1e-3, 1e6, "a frequency in Hz", true},
                                rig::NumberColumn{"level_db", -400, 400, "a level in dB"}};
  for (const rig::TableHead head : {rig::TableHead::optional, rig::TableHead::required})
    fuzz::refused_in_words_or([&] {
      const rig::NumberTable table = rig::parse_number_table(text, "m.txt", kColumns, head, 1);
      must(table.rows() >= 1 && table.columns.size() == 2);
      for (std::size_t i = 0; i < table.rows(); ++i) {
        must(within(table.columns[0].at(i), i == 0 ? 1e-3 : std::nextafter(table.columns[0][i - 1], 1e9), 1e6));
        must(within(table.columns[1].at(i), -400, 400) && table.lines[i] > (i == 0 ? 0 : table.lines[i - 1]));
      }
    });
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text = fuzz::text_of(data, size);
  as_a_table(text);
  fuzz::refused_in_words_or([&] {
    const tune::Target target = tune::parse_target(text, "target.csv");
    for (const double hz : kHz) must(within(target.level_db(hz), -60, 60));
  });
  fuzz::refused_in_words_or([&] {
    const proof::WayResponse response = proof::parse_way_response(text, "horn.csv");
    for (const double hz : kHz) must(std::isfinite(std::abs(response.at(hz))));
  });
  return 0;
}
