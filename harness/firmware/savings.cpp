#include "harness/firmware/savings.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <functional>
#include <span>

#include "dsp/chain/one_lane.hpp"

namespace rackproof::firmware {
namespace {

std::span<rig::Rig> parts_of(rig::Rig& rig) {
  return rig.loudspeakers.empty() ? std::span<rig::Rig>(&rig, 1) : std::span<rig::Rig>(rig.loudspeakers);
}
std::string path_of(const rig::Rig& part) {
  return part.loudspeaker.empty() ? std::string() : fmt::format("loudspeaker.{}.", part.loudspeaker);
}
void each_way(rig::Rig& rig, const std::function<void(rig::Way&)>& change) {
  for (rig::Rig& part : parts_of(rig))
    for (rig::Way& way : part.ways) change(way);
}

/// Rows of samples that firmware keeps around the chain: a row each, and one block interleaved.
std::size_t row_bytes(std::size_t feeds, std::size_t outputs, std::size_t block_frames) {
  return sizeof(float) * block_frames * (feeds + outputs + std::max(feeds, outputs));
}

class Savings {
 public:
  Savings(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled)
      : rig_(rig), venue_(venue), compiled_(compiled), now_(dsp::bytes_in_one_lane(compiled.settings())) {}

  void look_ahead_and_hold() {
    add("limit.look_ahead", "half as long on every way", [](rig::Rig& rig) {
      each_way(rig, [](rig::Way& way) {
        if (way.limit) way.limit->look_ahead_s /= 2;
      });
    });
    add("limit.hold", "half as long on every way", [](rig::Rig& rig) {
      each_way(rig, [](rig::Way& way) {
        if (way.limit) way.limit->hold_s /= 2;
      });
    });
  }
  void delays() {
    for (std::size_t p = 0; p < rig_.parts().size(); ++p) {
      const rig::Rig& part = rig_.parts()[p];
      if (part.delay_s > 0) add(path_of(part) + "delay", "none", [p](rig::Rig& rig) { parts_of(rig)[p].delay_s = 0; });
      for (std::size_t w = 0; w < part.ways.size(); ++w) {
        const std::string way = fmt::format("{}way.{}.", path_of(part), part.ways[w].name);
        if (part.ways[w].delay_s > 0)
          add(way + "delay", "none", [p, w](rig::Rig& rig) { parts_of(rig)[p].ways[w].delay_s = 0; });
        for (const auto& [feed, layer] : part.ways[w].output)
          if (layer.delay_s > 0)
            add(fmt::format("{}output.{}.delay", way, feed), "none",
                [p, w, name = feed](rig::Rig& rig) { parts_of(rig)[p].ways[w].output.at(name).delay_s = 0; });
      }
    }
  }
  void outputs() {
    const dsp::ChainSettings& whole = compiled_.settings();
    if (whole.outputs.size() < 2) return;
    for (std::size_t o = 0; o < whole.outputs.size(); ++o) {
      std::vector<dsp::OutputSettings> others(whole.outputs.begin(), whole.outputs.end());
      others.erase(others.begin() + static_cast<std::ptrdiff_t>(o));
      dsp::ChainSettings less = whole;
      less.outputs = others;
      const std::size_t feeds = whole.feeds.size(), block = rig_.controller.block_frames;
      keep("output " + compiled_.outputs[o].name, "on another part",
           dsp::bytes_in_one_lane(less) + row_bytes(feeds, others.size(), block),
           now_ + row_bytes(feeds, whole.outputs.size(), block));
    }
  }
  void block() {
    const std::size_t block = rig_.controller.block_frames;
    if (block < 2) return;
    const std::size_t feeds = compiled_.settings().feeds.size(), outputs = compiled_.settings().outputs.size();
    keep("controller.block", fmt::format("{} frames; costs more instructions a frame", block / 2),
         row_bytes(feeds, outputs, block / 2), row_bytes(feeds, outputs, block));
  }
  std::vector<Saving> found() {
    std::stable_sort(found_.begin(), found_.end(), [](const Saving& a, const Saving& b) { return a.bytes > b.bytes; });
    return std::move(found_);
  }

 private:
  void add(std::string key, std::string change, const std::function<void(rig::Rig&)>& make) {
    rig::Rig other = rig_;
    make(other);
    try {
      const CompiledRig smaller = compile(other, venue_);
      keep(std::move(key), std::move(change), dsp::bytes_in_one_lane(smaller.settings()), now_);
    } catch (const InputError&) {  // such a rig cannot be: then it is no way out
    }
  }
  void keep(std::string key, std::string change, std::size_t then, std::size_t now) {
    if (then < now) found_.push_back({std::move(key), std::move(change), now - then});
  }

  const rig::Rig& rig_;
  const rig::Venue* venue_;
  const CompiledRig& compiled_;
  std::size_t now_;
  std::vector<Saving> found_;
};

}  // namespace

std::vector<Saving> savings_of(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled) {
  Savings savings(rig, venue, compiled);
  savings.look_ahead_and_hold();
  savings.delays();
  savings.outputs();
  savings.block();
  return savings.found();
}

}  // namespace rackproof::firmware
