#pragma once
/// Every check of `prove`. Each is a function of the subject alone, so any of them may run beside any other; each makes
/// its own devices. A family is one function where its checks are read from the same run.
#include <vector>

#include "harness/proof/proof.hpp"

namespace rackproof::proof {

// What protects drivers, amplifiers and converters.
/// `converter-clip`, `amplifier-clip`, `peak-limit`, `true-peak`, per output: read from the hottest signals there are.
std::vector<Finding> check_ceilings(const Subject& subject);
std::vector<Finding> check_limit_onset(const Subject& subject);
std::vector<Finding> check_transparent_below(const Subject& subject);
std::vector<Finding> check_release(const Subject& subject);
std::vector<Finding> check_limiter_tone(const Subject& subject);
std::vector<Finding> check_thermal_limit(const Subject& subject);
std::vector<Finding> check_worst_case(const Subject& subject);

// What the processing itself must keep.
std::vector<Finding> check_stability(const Subject& subject);
std::vector<Finding> check_noise_floor(const Subject& subject);
std::vector<Finding> check_bad_samples(const Subject& subject);
std::vector<Finding> check_block_size(const Subject& subject);
std::vector<Finding> check_bypass(const Subject& subject);

// What makes several ways one loudspeaker.
std::vector<Finding> check_latency(const Subject& subject);
std::vector<Finding> check_delay(const Subject& subject);
std::vector<Finding> check_polarity(const Subject& subject);
std::vector<Finding> check_crossover_sum(const Subject& subject);
std::vector<Finding> check_crossover_level(const Subject& subject);
std::vector<Finding> check_driver_highpass(const Subject& subject);
/// What reaches a driver outside the band that its sheet gives.
std::vector<Finding> check_driver_band(const Subject& subject);
/// The sum as it plays: all that the file says, and what drivers and boxes make of it.
std::vector<Finding> check_sum_as_played(const Subject& subject);
std::vector<Finding> check_load(const Subject& subject);

// What the report draws.
Responses responses_of(const Subject& subject);
std::vector<Timing> timings_of(const Subject& subject);
std::vector<Ladder> ladders_of(const Subject& subject);
std::vector<BasisTable> basis_of(const Subject& subject);
/// Runs a programme through the chain. Throws InputError for a file that cannot be used, MachineError for one unread.
Recording record(const Subject& subject, const std::filesystem::path& programme);

}  // namespace rackproof::proof
