#include "harness/audio/rate_converter.hpp"

#include <fmt/format.h>
#include <soxr.h>
#include <stdlib.h>  // setenv

#include <algorithm>

#include "harness/rig/rig.hpp"

namespace rackproof::audio {
namespace {

/// libsoxr takes these from the environment. Its vector engine differs from the plain one in the last bits of its
/// sums, and machines differ in whether they have it: the plain one everywhere, with the library's own sizes. Before
/// `main`, while there is one thread: nobody else is reading the environment.
const bool kPlainEngineIsChosen = [] {
  bool set = setenv("SOXR_USE_SIMD", "0", 1) == 0;
  for (const char* name : {"SOXR_MIN_DFT_SIZE", "SOXR_LARGE_DFT_SIZE", "SOXR_COEFS_SIZE", "SOXR_COEF_INTERP",
                           "SOXR_NUM_THREADS", "SOXR_STRICT_BUF", "SOXR_NOSMALLINTOPT", "SOXR_TRACE"})
    set = unsetenv(name) == 0 && set;
  return set;
}();

void must_go_on(soxr_error_t error) {
  if (error != nullptr) throw MachineError(fmt::format("the sample rate cannot be converted: {}", error));
}

}  // namespace

void RateConverter::Delete::operator()(soxr* converter) const { soxr_delete(converter); }
RateConverter::~RateConverter() = default;
RateConverter::RateConverter(RateConverter&&) noexcept = default;

RateConverter::RateConverter(double from_hz, double to_hz, std::size_t tracks) {
  if (!kPlainEngineIsChosen) must_go_on("the environment cannot be set");
  const soxr_io_spec_t planar = soxr_io_spec(SOXR_FLOAT32_S, SOXR_FLOAT32_S);
  const soxr_quality_spec_t quality = soxr_quality_spec(SOXR_VHQ, SOXR_HI_PREC_CLOCK);
  soxr_error_t error = nullptr;
  converter_.reset(soxr_create(from_hz, to_hz, static_cast<unsigned>(tracks), &error, &planar, &quality, nullptr));
  must_go_on(error);
}

RateConverter::Step RateConverter::process(std::span<const float* const> in, std::size_t in_frames,
                                           std::span<float* const> out, std::size_t out_frames) {
  Step step;
  const void* const tracks_in = in.data();
  void* const tracks_out = const_cast<float**>(out.data());  // a list that the library only reads  NOLINT
  must_go_on(soxr_process(converter_.get(), tracks_in, in_frames, &step.taken, tracks_out, out_frames, &step.made));
  if (step.taken == 0 && step.made == 0) must_go_on("the converter takes nothing and makes nothing");
  return step;
}

std::vector<double> converted(std::span<const double> samples, double from_hz, double to_hz) {
  constexpr std::size_t kFrames = 4096;
  const auto frames = static_cast<std::size_t>(static_cast<double>(samples.size()) * (to_hz / from_hz));
  RateConverter converter(from_hz, to_hz, 1);
  std::vector<float> in(kFrames);
  std::vector<float> out(kFrames);
  std::vector<double> result;
  result.reserve(frames + kFrames);
  for (std::size_t at = 0, begin = 0, end = 0; result.size() < frames;) {
    if (begin == end) {
      const std::size_t got = std::min(kFrames, samples.size() - at);
      std::transform(samples.begin() + static_cast<std::ptrdiff_t>(at),
                     samples.begin() + static_cast<std::ptrdiff_t>(at + got), in.begin(),
                     [](double sample) { return static_cast<float>(sample); });
      std::fill(in.begin() + static_cast<std::ptrdiff_t>(got), in.end(), 0.0f);
      at += got;
      begin = 0;
      end = kFrames;
    }
    const float* const from = in.data() + begin;
    float* const to = out.data();
    const RateConverter::Step step = converter.process({&from, 1}, end - begin, {&to, 1}, kFrames);
    begin += step.taken;
    result.insert(result.end(), out.begin(), out.begin() + static_cast<std::ptrdiff_t>(step.made));
  }
  result.resize(frames);
  return result;
}

}  // namespace rackproof::audio
