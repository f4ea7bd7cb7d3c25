#pragma once
/// A rig of several loudspeakers, or with muted outputs.
/// Claim    each loudspeaker is proven by itself, heard, with the whole rig's latency; then the whole controller is run
///          beside them: every output has there the bits that it has alone, and one that is muted is exact zeros. So
///          what is proven of each holds in the whole, and still holds when an output is heard again.
#include <string>
#include <vector>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

/// Nothing muted.
rig::Rig heard(rig::Rig rig);
rig::Venue heard(rig::Venue venue);
bool has_mutes(const CompiledRig& compiled);

/// The whole against its loudspeakers: one finding, `block-size`.
Finding check_whole(const rig::Rig& rig, const rig::Venue* venue, const CompiledRig& compiled, const DeviceMaker& make,
                    bool brief);
/// Adds what was found of one loudspeaker to what was found of the others: keys begin with its place in the file, texts
/// with its name.
void add_part(Proof& whole, Proof part, const std::string& loudspeaker);

}  // namespace rackproof::proof
