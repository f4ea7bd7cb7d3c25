#pragma once
/// Standard output and error by a thread of their own: who does not read them holds nothing up.
/// Theorem  `put` never waits for a reader. At most 256 texts wait, of meters only the latest; what is more pushes out the
///          oldest. What waits at the end is printed, unless nobody reads within 0.3 s.
#include <memory>
#include <string>

namespace rackproof {

class Printer {
 public:
  enum class To { people, error, program, meters };  ///< meters: in the place of those before

  Printer();
  ~Printer();
  Printer(const Printer&) = delete;
  Printer& operator=(const Printer&) = delete;
  void put(To to, std::string text);

 private:
  struct Inside;
  std::shared_ptr<Inside> inside_;
};

}  // namespace rackproof
