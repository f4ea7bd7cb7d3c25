/// Writes pages from invented proofs and measurements into a folder, for the tests in a browser.
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "harness/report/comparison_page.hpp"
#include "harness/report/measurement_page.hpp"
#include "harness/report/page.hpp"
#include "tests/harness/report/invented_comparison.hpp"
#include "tests/harness/report/invented_measurement.hpp"
#include "tests/harness/report/invented_proof.hpp"

int main(int argc, char** argv) {
  using namespace rackproof;
  if (argc != 2) return std::fputs("report_pages FOLDER\n", stderr), 2;
  const std::filesystem::path folder = argv[1];
  const auto save = [&](const char* name, const std::string& html) {
    std::ofstream stream(folder / name);
    stream << html;
    return stream.good();
  };
  const auto write = [&](const char* name, const proof::Proof& proof) {
    return save(name, report::page(proof, {"quay.toml", "harbour.venue.toml", "The rig is as it was sealed.",
                                           "for a test", "rackproof"}));
  };
  const auto write_measured = [&](const char* name, const tune::Measurement& measurement) {
    const std::string title = measurement.each[0].file == proof::kHostile ? proof::kHostile : "hall";
    return save(name, report::measurement_page(measurement, {title, "pink.wav", 1, 1, "for a test", "rackproof"}));
  };
  const auto write_compared = [&](const char* name, const compare::InventedComparison& two) {
    return save(name, report::comparison_page(two.a, two.b, two.comparison, two.facts));
  };
  proof::Proof holds = proof::invented_proof(0);
  for (proof::Ladder& ladder : holds.ladders)
    std::erase_if(ladder.rungs, [](const proof::Rung& rung) { return rung.kind == proof::RungKind::driver_peak; });
  std::erase_if(holds.findings, [](const auto& finding) { return !finding.holds; });
  holds.holds = true;
  const bool written = write("falls.html", proof::invented_proof(2)) && write("holds.html", holds) &&
                       write("hostile.html", proof::hostile_proof()) && write("demo.html", proof::invented_demo()) &&
                       write_measured("seat.html", tune::invented_measurement(1)) &&
                       write_measured("hall.html", tune::invented_measurement(3)) &&
                       write_measured("crowd.html", tune::invented_measurement(12)) &&
                       write_measured("hostile-measured.html", tune::hostile_measurement()) &&
                       write_compared("differ.html", compare::invented_comparison()) &&
                       write_compared("hostile-compared.html", compare::hostile_comparison());
  return written ? 0 : 3;
}
