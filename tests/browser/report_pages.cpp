/// Writes pages from invented proofs into a folder, for the tests in a browser.
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "harness/report/page.hpp"
#include "tests/harness/report/invented_proof.hpp"

int main(int argc, char** argv) {
  using namespace rackproof;
  if (argc != 2) return std::fputs("report_pages FOLDER\n", stderr), 2;
  const std::filesystem::path folder = argv[1];
  const auto write = [&](const char* name, const proof::Proof& proof) {
    const report::PageFacts facts{"quay.toml", "harbour.venue.toml", "for a test", "rackproof"};
    std::ofstream stream(folder / name);
    stream << report::page(proof, facts);
    return stream.good();
  };
  proof::Proof holds = proof::invented_proof(0);
  std::erase_if(holds.findings, [](const auto& finding) { return !finding.holds; });
  holds.holds = true;
  const bool written = write("falls.html", proof::invented_proof(2)) && write("holds.html", holds) &&
                       write("hostile.html", proof::hostile_proof());
  return written ? 0 : 3;
}
