#pragma once
/// Tables of numbers that come in as lines of text: a target, a way's response, a microphone's correction.
/// Claim    any text is a table whose numbers are finite, in range, and ascend where they are to, or an InputError with
///          file, line, column, what was read and what would be right. Time and memory grow with its bytes alone.
/// Format   a line of numbers each, parted by semicolons, tabs, commas or blanks: the first of these that stands in the
///          line parts it. A point is the decimal mark. A line that is empty, or begins with # * ; % // or a quote
///          without naming a column, is a remark; so is what stands behind a #. Line ends of any system, a byte order
///          mark, columns beyond those asked for, and quotes around a cell count for nothing.
#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace rackproof::rig {

struct NumberColumn {
  std::string_view name;   ///< "frequency_hz": as the head of the table may name it
  double low, high;        ///< both in
  std::string_view right;  ///< "a frequency in Hz, above 0"
  bool ascends = false;    ///< each greater than the one before
};

enum class TableHead {
  required,  ///< the first line names the columns, in any order
  optional   ///< without one the columns stand in the order asked for; words ahead of the first number are passed over
};

struct NumberTable {
  std::vector<std::vector<double>> columns;  ///< in the order asked for, all as long
  std::vector<std::uint32_t> lines;          ///< where each row stands, from 1
  std::size_t rows() const { return lines.size(); }
};

/// Throws InputError; fewer than `least_rows` rows are one too.
NumberTable parse_number_table(std::string_view text, const std::filesystem::path& file,
                               std::span<const NumberColumn> columns, TableHead head, std::size_t least_rows);

/// No table is as large; give it to `read_plain_file`.
inline constexpr std::size_t kMaxTableBytes = std::size_t{4} << 20;

}  // namespace rackproof::rig
