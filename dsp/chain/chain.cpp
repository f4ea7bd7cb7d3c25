#include "dsp/chain/chain.hpp"

#include <algorithm>
#include <array>

#include "dsp/chain/arena.hpp"
#include "dsp/chain/engine_level.hpp"
#include "dsp/chain/engine_table.hpp"
namespace rackproof::dsp {
#ifdef RACKPROOF_X86_LEVELS
const EngineTable& engine_of_8_lanes() noexcept;   // level_x86_64_v3.cpp, built for AVX2 and FMA
const EngineTable& engine_of_16_lanes() noexcept;  // level_x86_64_v4.cpp, built for AVX-512
#endif

namespace {
const EngineTable* table_of(Level level) noexcept {
  switch (level) {
    case Level::lanes_1:
      return &kEngineTable<1>;
#if defined(__SSE2__) || (defined(__ARM_NEON) && defined(__aarch64__))
    case Level::lanes_4:
      return &kEngineTable<4>;
#endif
#ifdef RACKPROOF_X86_LEVELS
    case Level::lanes_8:
      return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma") ? &engine_of_8_lanes() : nullptr;
    case Level::lanes_16:
      return __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512vl") &&
                     __builtin_cpu_supports("avx512dq") && __builtin_cpu_supports("fma")
                 ? &engine_of_16_lanes()
                 : nullptr;
#endif
    default:
      return nullptr;
  }
}

std::uint8_t only_output_of(const ChainSettings& settings, std::size_t feed) noexcept {
  std::uint8_t only = kMaxOutputs;
  for (std::size_t o = 0; o < settings.outputs.size(); ++o) {
    const LoudspeakerSettings& loudspeaker = settings.loudspeakers[settings.outputs[o].loudspeaker];
    if (loudspeaker.source != static_cast<std::int16_t>(feed)) continue;
    if (only != kMaxOutputs) return kMaxOutputs;
    only = static_cast<std::uint8_t>(o);
  }
  return only;
}
}  // namespace

bool Chain::has(Level level) noexcept { return table_of(level) != nullptr; }

Level Chain::best() noexcept {
  for (const Level level : {Level::lanes_16, Level::lanes_8, Level::lanes_4})
    if (has(level)) return level;
  return Level::lanes_1;
}

std::size_t Chain::required_bytes(const ChainSettings& settings, Level level) noexcept {
  const EngineTable* const table = table_of(level);
  return table != nullptr ? required_bytes_of(*table, settings) : 0;
}

Refusal Chain::refusal(const ChainSettings& settings, std::size_t lent_bytes, Level level) noexcept {
  const EngineTable* const table = table_of(level);
  if (table == nullptr) return {Setup::out_of_range, Part::chain, 0, Field::level, 0};
  const Refusal refusal = refusal_of(settings);
  if (refusal.setup != Setup::ok) return refusal;
  if (lent_bytes < required_bytes_of(*table, settings))
    return {Setup::memory_too_small, Part::chain, 0, Field::memory, 0};
  return refusal;
}

Setup Chain::configure(const ChainSettings& settings, std::span<std::byte> memory, Level level) noexcept {
  table_ = nullptr;
  engine_ = nullptr;
  feeds_ = 0;
  outputs_ = 0;
  const Setup setup = refusal(settings, memory.size(), level).setup;
  if (setup != Setup::ok) return setup;
  Arena arena(memory);
  const EngineTable* const table = table_of(level);
  admitted_ = arena.take<float>(admitted_values(*table, settings));
  engine_ = table->build(settings, memory.subspan(memory.size() - table->required_bytes(settings)));
  if (engine_ == nullptr) return Setup::out_of_range;
  for (std::size_t f = 0; f < settings.feeds.size(); ++f) only_output_[f] = only_output_of(settings, f);
  table_ = table;
  feeds_ = settings.feeds.size();
  outputs_ = settings.outputs.size();
  reset();
  return Setup::ok;
}

void Chain::reset() noexcept {
  if (table_ != nullptr) table_->reset(engine_);
  to_grid_ = kGridFrames;
  bad_samples_ = 0;
  bounded_samples_ = 0;
}

void Chain::process(std::span<const float* const> feeds, std::span<float* const> outputs, std::size_t frames) noexcept {
  const bool can_run = table_ != nullptr && feeds.size() >= feeds_ && outputs.size() >= outputs_;
  if (!can_run || at_work_.exchange(true, std::memory_order_acquire)) {
    for (float* const row : outputs) std::fill_n(row, frames, 0.0f);
    return;
  }
  process_whole(feeds, outputs, frames);
  at_work_.store(false, std::memory_order_release);
}

void Chain::process_whole(std::span<const float* const> feeds, std::span<float* const> outputs,
                          std::size_t frames) noexcept {
  std::array<float*, kMaxFeeds> in;
  std::array<float*, kMaxOutputs> out;
  for (std::size_t done = 0; done < frames;) {
    const std::size_t count = next_run(frames - done);
    for (std::size_t f = 0; f < feeds_; ++f) {
      const std::size_t only = only_output_[f];
      if (only != kMaxOutputs && outputs[only] == feeds[f] && table_->may_enter({feeds[f] + done, count})) {
        in[f] = outputs[only] + done;
        continue;
      }
      in[f] = &admitted_[f * table_->run_frames];
      const EngineTable::Admitted admitted = table_->admit(feeds[f] + done, {in[f], count});
      bad_samples_ += admitted.bad;
      bounded_samples_ += admitted.bounded;
    }
    for (std::size_t o = 0; o < outputs_; ++o) out[o] = outputs[o] + done;
    table_->process(engine_, std::span(in).first(feeds_), std::span(out).first(outputs_), count);
    done += count;
    to_grid_ = count < to_grid_ ? to_grid_ - static_cast<std::uint32_t>(count) : kGridFrames;
  }
}

std::size_t Chain::next_run(std::size_t frames) const noexcept {
  const std::size_t cells = std::min<std::size_t>(frames, table_->run_frames) / kGridFrames;
  if (to_grid_ == kGridFrames && cells > 1) return cells * kGridFrames;
  return std::min<std::size_t>(frames, to_grid_);
}

void Chain::mute(std::size_t output, bool muted) noexcept {
  if (table_ != nullptr && output < outputs_) table_->mute(engine_, output, muted);
}

Setup Chain::adopt_heat(const Chain& from) noexcept {
  if (table_ == nullptr || feeds_ != from.feeds_ || outputs_ != from.outputs_) return Setup::out_of_range;
  for (std::size_t o = 0; o < outputs_; ++o) table_->adopt_heat(engine_, o, from.table_->heat(from.engine_, o));
  return Setup::ok;
}

CoilHeat Chain::heat(std::size_t output) const noexcept {
  return table_ != nullptr && output < outputs_ ? table_->heat(engine_, output) : CoilHeat{};
}

void Chain::adopt_heat(std::size_t output, const CoilHeat& heat) noexcept {
  if (table_ != nullptr && output < outputs_) table_->adopt_heat(engine_, output, heat);
}

Meter Chain::take_meter(std::size_t output) noexcept {
  return table_ != nullptr && output < outputs_ ? table_->take_meter(engine_, output) : Meter{};
}

}  // namespace rackproof::dsp
