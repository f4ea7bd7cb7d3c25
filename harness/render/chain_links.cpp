#include "harness/render/chain_links.hpp"

namespace rackproof {

void Limiting::add(const dsp::Meter& meter, std::size_t frames) {
  held.add(meter.least_peak_gain, meter.least_power_gain, frames);
  least_peak_gain = std::min(least_peak_gain, static_cast<double>(meter.least_peak_gain));
  least_power_gain = std::min(least_power_gain, static_cast<double>(meter.least_power_gain));
  limited_frames += meter.limited_frames;
}

dsp::OutputSettings& ChainLink::add_passing(std::size_t feed) {
  loudspeakers.emplace_back().source = static_cast<std::int16_t>(feed);
  dsp::OutputSettings& output = outputs.emplace_back();
  output.loudspeaker = static_cast<std::uint8_t>(loudspeakers.size() - 1);
  output.peak.true_peak = false;
  return output;
}

bool ChainLink::configure() {
  settings.feeds = feeds;
  settings.loudspeakers = loudspeakers;
  settings.outputs = outputs;
  memory_.resize(dsp::Chain::required_bytes(settings));
  in_.resize(feeds.size());
  out_.resize(outputs.size());
  limiting_.resize(outputs.size());
  limits_ = std::ranges::any_of(
      outputs, [](const dsp::OutputSettings& output) { return output.power.enabled || output.peak.enabled; });
  return !memory_.empty() && chain_.configure(settings, memory_) == dsp::Setup::ok;
}

void ChainLink::process(Chunk& chunk, std::size_t call_frames) {
  for (std::size_t at = 0, count = 0; at < chunk.frames; at += count) {
    count = std::min(call_frames, chunk.frames - at);
    if (limits_) count = std::min(count, to_grid_);
    for (std::size_t f = 0; f < in_.size(); ++f) in_[f] = (chunk.*from_)[first_in_ + f].data() + at;
    for (std::size_t o = 0; o < out_.size(); ++o) out_[o] = (chunk.*to_)[first_output_ + o].data() + at;
    chain_.process(in_, out_, count);
    if (limits_) read_meters(count);
  }
}

void ChainLink::read_meters(std::size_t frames) {
  for (std::size_t o = 0; o < limiting_.size(); ++o) limiting_[o].add(chain_.take_meter(o), frames);
  to_grid_ = to_grid_ == frames ? dsp::kGridFrames : to_grid_ - frames;
}

ChainLinks whole_chain(const dsp::ChainSettings& settings) {
  ChainLinks links;
  ChainLink& all = links.limit.emplace_back(&Chunk::feeds, &Chunk::outputs);
  all.settings = settings;
  all.feeds.assign(settings.feeds.begin(), settings.feeds.end());
  all.loudspeakers.assign(settings.loudspeakers.begin(), settings.loudspeakers.end());
  all.outputs.assign(settings.outputs.begin(), settings.outputs.end());
  return links;
}
ChainLinks cut_chain(const dsp::ChainSettings& whole, std::size_t groups, std::size_t workers) {
  const bool shapes = std::ranges::any_of(whole.feeds, [](const auto& feed) { return !feed.sections.empty(); });
  const auto parts = [](const dsp::LoudspeakerSettings& one) { return !one.points.empty() || !one.sections.empty(); };
  const bool splits = std::ranges::any_of(whole.loudspeakers, parts) ||
                      std::ranges::any_of(whole.outputs, [](const auto& output) { return !output.sections.empty(); });
  const bool limits = std::ranges::any_of(whole.outputs, [](const dsp::OutputSettings& output) {
    return output.power.enabled || output.peak.enabled || output.delay.fractional;
  });
  if (!limits || !(shapes || splits)) return whole_chain(whole);
  ChainLinks links;
  const bool apart = shapes && splits && workers > 2;
  if (apart) {
    ChainLink& shape = links.shape.emplace_back(&Chunk::feeds, &Chunk::feeds);
    for (const dsp::FeedSettings& feed : whole.feeds) {
      shape.add_passing(shape.feeds.size());
      shape.feeds.push_back(feed);
    }
  }
  for (std::size_t g = 0; g < groups; ++g) {
    const std::size_t first = whole.outputs.size() * g / groups, behind = whole.outputs.size() * (g + 1) / groups;
    ChainLink& split = links.split.emplace_back(&Chunk::feeds, &Chunk::outputs, first);
    ChainLink& limit = links.limit.emplace_back(&Chunk::outputs, &Chunk::outputs, first);
    for (const dsp::FeedSettings& feed : whole.feeds) split.feeds.push_back(apart ? dsp::FeedSettings{} : feed);
    split.loudspeakers.assign(whole.loudspeakers.begin(), whole.loudspeakers.end());
    limit.feeds.resize(behind - first);
    for (std::size_t o = first; o < behind; ++o) {
      const dsp::OutputSettings& output = whole.outputs[o];
      dsp::OutputSettings& filtered = split.outputs.emplace_back();
      filtered.peak.true_peak = false;
      filtered.loudspeaker = output.loudspeaker;
      filtered.way = output.way;
      filtered.sections = output.sections;
      filtered.gain = output.gain;
      dsp::OutputSettings& held = limit.add_passing(o - first);
      held.delay = output.delay;
      held.power = output.power;
      held.peak = output.peak;
      held.muted = output.muted;
    }
  }
  return links;
}
std::size_t groups_for(std::size_t outputs, std::size_t workers, std::size_t wanted) {
  const auto in = [&](std::size_t size) { return (outputs + size - 1) / size; };
  if (wanted != 0) return std::clamp(wanted, in(dsp::kMaxFeeds), outputs);
  const auto lanes = static_cast<std::size_t>(dsp::Chain::best());
  return std::clamp(workers, in(dsp::kMaxFeeds), std::max(in(lanes), in(dsp::kMaxFeeds)));
}

}  // namespace rackproof
