# cmake -DROOT=FOLDER -DOUT=FILE.cpp "-DFILES=dsp/a.hpp;harness/part/b.cpp" -P embed.cmake: a source file with each of the
# files under ROOT as text, by its path.
set(source "#include \"harness/firmware/sources.hpp\"\nnamespace rackproof::firmware {\nnamespace {\nconstexpr SourceFile kFiles[] = {\n")
foreach(path IN LISTS FILES)
  file(READ "${ROOT}/${path}" text)
  string(APPEND source "{\"${path}\", R\"source_text(${text})source_text\"},\n")
endforeach()
string(APPEND source "};\n}  // namespace\nstd::span<const SourceFile> sources() { return kFiles; }\n}  // namespace rackproof::firmware\n")
file(WRITE "${OUT}" "${source}")
