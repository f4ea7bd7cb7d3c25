# The core, installed: as a CMake package (find_package(rackproof), target rackproof::dsp) and for pkg-config. The
# version stands in project() and nowhere else.
include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

target_include_directories(rackproof_dsp INTERFACE $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}/rackproof>)
set(RACKPROOF_CMAKEDIR ${CMAKE_INSTALL_LIBDIR}/cmake/rackproof)
install(TARGETS rackproof_dsp EXPORT rackproof ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR})
install(DIRECTORY ${CMAKE_CURRENT_LIST_DIR}/ DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/rackproof/dsp
        FILES_MATCHING PATTERN "*.hpp" PATTERN "chain.cpp")  # which firmware builds for its own machine
install(EXPORT rackproof NAMESPACE rackproof:: FILE rackproof-targets.cmake DESTINATION ${RACKPROOF_CMAKEDIR})
file(CONFIGURE OUTPUT ${CMAKE_CURRENT_BINARY_DIR}/rackproof-config.cmake @ONLY
     CONTENT "include(\${CMAKE_CURRENT_LIST_DIR}/rackproof-targets.cmake)\n")
write_basic_package_version_file(${CMAKE_CURRENT_BINARY_DIR}/rackproof-config-version.cmake
                                 COMPATIBILITY SameMinorVersion)
install(FILES ${CMAKE_CURRENT_BINARY_DIR}/rackproof-config.cmake
              ${CMAKE_CURRENT_BINARY_DIR}/rackproof-config-version.cmake DESTINATION ${RACKPROOF_CMAKEDIR})

# For builds without CMake. Its folder's place tells where the rest is, so that the whole can be moved.
set(RACKPROOF_PKGCONFIGDIR ${CMAKE_INSTALL_LIBDIR}/pkgconfig)
set(pc_prefix ${CMAKE_INSTALL_PREFIX})
if(NOT IS_ABSOLUTE ${CMAKE_INSTALL_LIBDIR})
  file(RELATIVE_PATH pc_prefix /prefix/${RACKPROOF_PKGCONFIGDIR} /prefix)
  string(REGEX REPLACE "/$" "" pc_prefix "\${pcfiledir}/${pc_prefix}")
endif()
foreach(folder LIBDIR INCLUDEDIR)
  set(pc_${folder} "\${prefix}/${CMAKE_INSTALL_${folder}}")
  if(IS_ABSOLUTE ${CMAKE_INSTALL_${folder}})
    set(pc_${folder} ${CMAKE_INSTALL_${folder}})
  endif()
endforeach()
file(CONFIGURE OUTPUT ${CMAKE_CURRENT_BINARY_DIR}/rackproof.pc @ONLY CONTENT [[
prefix=@pc_prefix@
libdir=@pc_LIBDIR@
includedir=@pc_INCLUDEDIR@/rackproof

Name: rackproof
Description: @PROJECT_DESCRIPTION@
Version: @PROJECT_VERSION@
# The language is the caller's to choose: C++20 or later. Without fused products the samples are those that were proven.
Cflags: -I${includedir} -ffp-contract=off
Libs: -L${libdir} -lrackproof_dsp
]])
install(FILES ${CMAKE_CURRENT_BINARY_DIR}/rackproof.pc DESTINATION ${RACKPROOF_PKGCONFIGDIR})
install(FILES LICENSE DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/doc/rackproof RENAME copyright)
