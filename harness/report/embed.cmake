# cmake -DOUT=FILE.cpp "-DFILES=a.css;b.js" -P embed.cmake: a source file with each file's text as a string_view, by the
# file's name with _ for what no name may hold.
set(source "#include \"harness/report/assets.hpp\"\nnamespace rackproof::report::assets {\nusing std::string_view_literals::operator\"\"sv;\n")
foreach(path IN LISTS FILES)
  get_filename_component(name "${path}" NAME)
  string(REGEX REPLACE "[^A-Za-z0-9]" "_" name "${name}")
  file(READ "${path}" text)
  string(APPEND source "extern const std::string_view ${name};\nconst std::string_view ${name} = R\"report_part(${text})report_part\"sv;\n")
endforeach()
file(WRITE "${OUT}" "${source}}  // namespace rackproof::report::assets\n")
