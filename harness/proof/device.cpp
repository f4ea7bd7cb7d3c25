#include <fmt/format.h>

#include <stdexcept>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {
namespace {

class ChainDevice final : public Device {
 public:
  explicit ChainDevice(const dsp::ChainSettings& settings) : memory_(dsp::Chain::required_bytes(settings)) {
    if (!memory_.empty() && chain_.configure(settings, memory_) == dsp::Setup::ok) return;
    const dsp::Refusal refusal = dsp::Chain::refusal(settings, memory_.size());
    throw std::invalid_argument(fmt::format("the core refuses these settings: part {}, number {}, field {}, element {}",
                                            static_cast<int>(refusal.part), refusal.index,
                                            static_cast<int>(refusal.field), refusal.element));
  }
  void reset() override { chain_.reset(); }
  void process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) override {
    chain_.process(feeds, outputs, frames);
  }
  dsp::Meter take_meter(std::size_t output) override { return chain_.take_meter(output); }

 private:
  std::vector<std::byte> memory_;
  dsp::Chain chain_;
};

}  // namespace

std::unique_ptr<Device> make_chain(const dsp::ChainSettings& settings) {
  return std::make_unique<ChainDevice>(settings);
}

}  // namespace rackproof::proof
