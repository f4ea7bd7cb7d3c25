#include "harness/stimuli/path_worst_case.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <stdexcept>

#include "dsp/chain/chain.hpp"
#include "harness/stimuli/tones.hpp"

namespace rackproof::stimuli {

std::vector<double> impulse_response(const dsp::ChainSettings& settings, std::size_t output,
                                     std::span<const std::size_t> feeds, std::size_t frames) {
  if (output >= settings.outputs.size()) throw std::invalid_argument("no such output");
  dsp::OutputSettings bare = settings.outputs[output];
  bare.power.enabled = bare.peak.enabled = false;
  dsp::ChainSettings alone = settings;
  alone.outputs = std::span(&bare, 1);
  std::vector<std::byte> memory(dsp::Chain::required_bytes(alone));
  dsp::Chain chain;
  if (memory.empty() || chain.configure(alone, memory) != dsp::Setup::ok)
    throw std::invalid_argument("the core refuses these settings");

  constexpr std::size_t kBlock = 4096;
  std::vector<float> quiet(kBlock, 0.0f), click(kBlock, 0.0f), answer(kBlock);
  click[0] = 1.0f;
  std::vector<const float*> in(settings.feeds.size(), quiet.data());
  for (const std::size_t feed : feeds) in.at(feed) = click.data();
  std::vector<double> response;
  response.reserve(frames);
  while (response.size() < frames) {
    const std::size_t count = std::min(kBlock, frames - response.size());
    float* out = answer.data();
    chain.process(in, std::span(&out, 1), count);
    response.insert(response.end(), answer.begin(), answer.begin() + static_cast<std::ptrdiff_t>(count));
    click[0] = 0.0f;
  }
  return response;
}

PathWorstCase path_worst_case(const dsp::ChainSettings& settings, std::size_t output,
                              std::span<const std::vector<std::size_t>> channels, std::size_t most_frames) {
  std::vector<std::vector<double>> responses;
  std::vector<double> all(most_frames, 0.0);  // |h| of all channels together
  for (const std::vector<std::size_t>& feeds : channels) {
    responses.push_back(impulse_response(settings, output, feeds, most_frames));
    for (std::size_t n = 0; n < most_frames; ++n) all[n] += std::abs(responses.back()[n]);
  }
  PathWorstCase result;
  result.channels.resize(channels.size());
  const double total = std::accumulate(all.begin(), all.end(), 0.0);
  if (!(total > 0)) return result;
  const auto begin = std::find_if(all.begin(), all.end(), [](double x) { return x > 0; });
  double left = 0;
  auto end = all.end();
  while (left + end[-1] <= 1e-6 * total) left += *--end;
  result.peak = std::accumulate(begin, end, 0.0);
  result.peak_frame = static_cast<std::uint64_t>(end - all.begin()) - 1;
  for (std::size_t c = 0; c < responses.size(); ++c) {
    const std::span<const double> counted(responses[c].begin() + (begin - all.begin()),
                                          responses[c].begin() + (end - all.begin()));
    const bool counts = std::any_of(counted.begin(), counted.end(), [](double x) { return x != 0; });
    result.channels[c] = counts ? worst_case(counted) : std::vector<double>(counted.size(), 0.0);
  }
  return result;
}

}  // namespace rackproof::stimuli
