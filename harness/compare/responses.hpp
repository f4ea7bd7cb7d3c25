#pragma once
/// Responses of two rigs over one another, and where they are the furthest apart.
#include <complex>
#include <functional>
#include <memory>
#include <span>
#include <vector>

#include "harness/compare/comparison.hpp"
#include "harness/proof/proof.hpp"

namespace rackproof::compare {

using Response = std::vector<std::complex<double>>;

/// What one rig's outputs answer, measured once.
class Answers {
 public:
  explicit Answers(const Candidate& candidate);
  /// Of one output, at each frequency. Outputs that answer the same, to the bit, are worked out once for `frequency_hz`.
  const Response& of(std::size_t output, std::span<const double> frequency_hz) const;
  /// At other frequencies, not kept.
  Response anew(std::size_t output, std::span<const double> frequency_hz) const;

 private:
  double rate_hz_;
  std::vector<std::vector<double>> impulses_;
  std::vector<std::size_t> first_;  ///< the first output with the same impulse
  mutable std::vector<Response> kept_;
};

/// Any response: at these frequencies.
using Heard = std::function<Response(std::span<const double> frequency_hz)>;

std::vector<double> decibels(const Response& response);
/// `a_db` and `b_db` at `frequency_hz`; between these `a` and `b` are asked. Judged where either is within `within_db`
/// of its loudest; nothing where neither plays at all.
std::optional<Apart> furthest(std::span<const double> frequency_hz, std::span<const double> a_db,
                              std::span<const double> b_db, double within_db, const Heard& a, const Heard& b);

/// Every frequency at which the two are compared.
std::vector<double> frequencies_for(const Candidate& a, const Candidate& b);

}  // namespace rackproof::compare
