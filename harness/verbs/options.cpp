#include "harness/verbs/options.hpp"

#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <utility>

namespace rackproof {

Option Option::type_name(const std::string& name) const { return Option(option_->type_name(name)); }
Option Option::required() const { return Option(option_->required()); }
Option Option::take_all() const { return Option(option_->take_all()); }
Option Option::expected(int least, int most) const { return Option(option_->expected(least, most)); }
Option Option::allow_extra_args(bool allowed) const { return Option(option_->allow_extra_args(allowed)); }
Option Option::range(std::uint32_t least, std::uint32_t most) const {
  const CLI::Range range(least, most);
  const auto refused = [=](std::string read) {  // a copy: the check may change what it is given
    if (range(read).empty()) return std::string();
    return fmt::format("read {}; right would be a whole number from {} to {}", read, least, most);
  };
  return Option(option_->check(CLI::Validator(refused, range.get_description())));
}
std::string Option::long_name() const { return "--" + option_->get_lnames().front(); }
std::size_t Option::count() const { return option_->count(); }

Option add_option(CLI::App& verb, const std::string& names, std::string& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, std::filesystem::path& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, int& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, std::uint32_t& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, double& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, std::optional<std::uint32_t>& value,
                  const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, std::optional<double>& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, std::vector<std::string>& value, const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_option(CLI::App& verb, const std::string& names, std::vector<std::filesystem::path>& value,
                  const std::string& what) {
  return Option(verb.add_option(names, value, what));
}
Option add_flag(CLI::App& verb, const std::string& names, bool& value, const std::string& what) {
  return Option(verb.add_flag(names, value, what));
}

void only_one_of(Option option, const std::vector<std::string>& words) {
  option.option_->type_name(fmt::format("{}", fmt::join(words, "|")))->check([words](const std::string& read) {
    if (std::ranges::find(words, read) != words.end()) return std::string();
    return fmt::format("read {}; right would be one of {}", read, fmt::join(words, ", "));
  });
}

void when_called(CLI::App& verb, std::function<void()> work) { verb.callback(std::move(work)); }

}  // namespace rackproof
