#pragma once
/// Many recordings through the chain, side by side as far as the workers go.
/// Theorem  of each recording what render_job.hpp says. Many take no more memory than a few, but for some 1 kB of figures
///          each, and each takes the same time.
#include <cstddef>
#include <exception>
#include <filesystem>
#include <optional>
#include <span>
#include <vector>

#include "harness/verbs/render_job.hpp"

namespace rackproof {

/// One recording goes to the common folder itself, several to a folder each below it, by the names of the files.
RenderJob job_of(const RenderJob& common, std::span<const std::filesystem::path> inputs, std::size_t number);

/// What became of many recordings: `rendered` in their order, empty where `failure` came first.
struct Batch {
  std::vector<std::optional<Rendered>> rendered;
  std::exception_ptr failure;
};
/// Many recordings, side by side as far as the workers go; each takes its places when it is whole. What is wrong with
/// any recording's name or header is thrown before the first is begun. `common.read` is worked out here.
Batch render_all(const rig::Rig& rig, const CompiledRig& compiled, RenderJob common,
                 std::span<const std::filesystem::path> inputs, std::size_t workers,
                 const files::Interruption& interruption, const ProgressHeard& progress = {});

}  // namespace rackproof
