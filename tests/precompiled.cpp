// Empty: see precompile() in tests.cmake.
