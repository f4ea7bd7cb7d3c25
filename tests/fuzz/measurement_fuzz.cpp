// Must hold: any bytes are a measurement or an InputError in words; a measurement that is taken is finite, in range and
// as long in each list, is written and read back as itself, and goes through `flatten` and `align` to finite numbers
// or to words.
#include <cmath>
#include <nlohmann/json.hpp>

#include "harness/tune/align.hpp"
#include "harness/tune/flatten.hpp"
#include "harness/tune/measurement.hpp"
#include "tests/fuzz/refusals.hpp"

namespace {
using namespace rackproof;
using namespace rackproof::tune;
using fuzz::must, fuzz::within;

constexpr std::size_t kFewEnoughToTune = 200;

void check(const Measurement& m) {
  const std::size_t count = m.frequency_hz.size();
  must(count >= 2 && m.magnitude_db.size() == count && m.coherence.size() == count);
  must(m.phase_deg.empty() || m.phase_deg.size() == count);
  must(within(m.sample_rate_hz, 1000, 1e6) && m.captures >= 1 && within(m.arrival_ms, -1e6, 1e6));
  must(m.polarity >= -1 && m.polarity <= 1 && (!m.drift_ppm || std::isfinite(*m.drift_ppm)));
  must(within(m.arrival_error_ms, 0, 1e6) && within(m.clock_error_ms, 0, 1e6));
  must(m.magnitude_error_db.empty() || m.magnitude_error_db.size() == count);
  if (m.driven_by)
    for (const DrivenWay& way : m.driven_by->ways) {
      must(std::abs(way.polarity) == 1 && within(way.gain_db, -400, 400) && within(way.delay_s, 0, 100));
      must(same_filters(way, way));
    }
  for (std::size_t i = 0; i < count; ++i) {
    must(m.frequency_hz[i] > (i == 0 ? 0 : m.frequency_hz[i - 1]) && m.frequency_hz[i] <= 1e6);
    must(within(m.magnitude_db[i], -400, 400) && within(m.coherence[i], 0, 1));
    if (m.phase_deg.empty()) continue;
    must(within(m.phase_deg[i], -1e6, 1e6));
    const std::complex<double> way = m.whole_way(i);
    must(std::isfinite(way.real()) && std::isfinite(way.imag()));
  }
  for (const OctaveMean& mean : octave_means(m))
    must(std::isfinite(mean.level_db) && within(mean.coherence, 0, 1 + 1e-9));
}

void check(const Flattened& made) {
  must(made.eq.size() <= 1 && within(made.gain_db, -12, 0));
  for (const dsp::EqSettings& band : made.eq)
    must(std::isfinite(band.at_hz) && band.at_hz > 0 && within(band.gain_db, -60, 6.01) && band.width_value > 0);
  must(std::isfinite(made.all.before.rms_db) && std::isfinite(made.all.after.rms_db));
}

void check(const Alignment& made) {
  for (const AlignedWay& way : made.ways) must(within(way.delay_s, 0, 2e3) && std::abs(way.polarity) == 1);
  for (const AlignedPoint& point : made.points) must(!std::isnan(point.sum_loss_db) && !std::isnan(point.agreement));
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::refused_in_words_or([&] {
    const Measurement m = parse_measurement(fuzz::text_of(data, size), "m.json");
    check(m);
    if (!m.phase_deg.empty()) {
      const Measurement back = parse_measurement(
          document_of(m).dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace), "back.json");
      check(back);
      must(back.captures == m.captures && std::abs(back.arrival_ms - m.arrival_ms) <= 1e-6);
    }
    if (m.frequency_hz.size() > kFewEnoughToTune) return;
    fuzz::refused_in_words_or([&] { check(flatten({&m, 1}, {.points = 1})); });
    Measurement other = m;
    other.arrival_ms += 0.1;
    const double middle_hz = std::sqrt(m.frequency_hz.front() * m.frequency_hz.back());
    fuzz::refused_in_words_or([&] { check(align({{"low", m, 0, 1, {}}, {"high", other, 0, 1, {}}}, {middle_hz})); });
  });
  return 0;
}
