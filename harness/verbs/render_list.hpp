#pragma once
/// `render.json`: what a recording was made into. The claim is set_list.hpp's.
#include <span>
#include <string>

#include "harness/audio/writer.hpp"
#include "harness/calibration/compile.hpp"
#include "harness/rig/rig.hpp"
#include "harness/verbs/render_job.hpp"
#include "harness/verbs/set_list.hpp"

namespace rackproof {

/// Its text, once every writer has finished. `heard`: what `--listen` writes, where it is in the same folder; or null.
std::string render_list(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                        const Rendered& rendered, std::span<audio::Writer> writers, const EarlierSet& earlier,
                        const audio::Writer* heard = nullptr);

}  // namespace rackproof
