#pragma once
/// The options of a verb, without CLI11's header: that alone takes 8 s to compile, and 5 s more where options are added
/// with it. It is included where arguments are parsed and help is written, and in options.cpp.
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace CLI {  // NOLINT(readability-identifier-naming): the library names it so
class App;
class Option;
}  // namespace CLI

namespace rackproof {

/// One option or argument of a verb. The program owns it and must outlive this.
class Option {
 public:
  explicit Option(CLI::Option* option) : option_(option) {}
  Option type_name(const std::string& name) const;  ///< what stands for the value in the help, as in FILE
  Option required() const;
  Option take_all() const;                                      ///< given again, it adds to what was given
  Option expected(int least, int most) const;                   ///< so many values
  Option allow_extra_args(bool allowed) const;                  ///< several values after the name, given once
  Option range(std::uint32_t least, std::uint32_t most) const;  ///< the value is one of these

  std::string long_name() const;  ///< with its dashes; it must have one
  std::size_t count() const;      ///< how many values were given

 private:
  friend void only_one_of(Option option, const std::vector<std::string>& words);
  CLI::Option* option_;
};

/// `names` as in "-o,--output"; without dashes in front it is an argument. What is read goes into `value`, which must
/// outlive the program; `what` is for the help.
Option add_option(CLI::App& verb, const std::string& names, std::string& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, std::filesystem::path& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, int& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, std::uint32_t& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, double& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, std::optional<std::uint32_t>& value,
                  const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, std::optional<double>& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, std::vector<std::string>& value, const std::string& what);
Option add_option(CLI::App& verb, const std::string& names, std::vector<std::filesystem::path>& value,
                  const std::string& what);
Option add_flag(CLI::App& verb, const std::string& names, bool& value, const std::string& what);

/// Of these words alone the option takes one. Help and completion show them.
void only_one_of(Option option, const std::vector<std::string>& words);

/// `work` is done once all the arguments of the verb are read.
void when_called(CLI::App& verb, std::function<void()> work);

}  // namespace rackproof
