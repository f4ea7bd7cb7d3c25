#include "harness/verbs/render_list.hpp"

#include <nlohmann/json.hpp>

#include "harness/verbs/json_keys.hpp"

namespace rackproof {

std::string render_list(const rig::Rig& rig, const CompiledRig& compiled, const RenderJob& job,
                        const Rendered& rendered, std::span<audio::Writer> writers, const EarlierSet& earlier,
                        const audio::Writer* heard) {
  Json list = job.made_by ? Json::parse(*job.made_by) : Json{{"format", kJsonFormat}, {"rackproof", RACKPROOF_VERSION}};
  list["input"] = {{"file", job.input.filename().string()},
                   {"frames", rendered.input_frames},
                   {"start_s", job.start_s},
                   {"seconds", job.seconds ? Json(*job.seconds) : Json(nullptr)}};
  list["sample_rate_hz"] = rig.controller.sample_rate_hz;
  list["latency_samples"] = compiled.latency_samples;
  list["frames"] = rendered.frames;
  list["subtype"] = audio::kSubtypeNames[static_cast<std::size_t>(job.subtype)];
  list["outputs"] = Json::array();
  for (std::size_t o = 0; o < writers.size(); ++o) {
    const ListedFile file{rendered.outputs[o].file.string(), writers[o].bytes(), writers[o].fingerprint()};
    Json& output = list["outputs"].emplace_back(Json{{"name", compiled.outputs[o].name}});
    output.update(json_of(file));
    output["frames"] = writers[o].frames();
  }
  if (heard != nullptr)
    list["files"] =
        Json::array({json_of(ListedFile{heard->place().filename().string(), heard->bytes(), heard->fingerprint()})});
  list["not_of_this_set"] = earlier.others;
  return list.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace rackproof
