# What leaves the build folder: the program with its manual page and its completion, the core as a CMake package, and
# a Debian package of both. The version stands in project() and nowhere else.
include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

# ---- the core: find_package(rackproof), target rackproof::dsp -------------------------------------------------------
add_library(rackproof::dsp ALIAS rackproof_dsp)
set_target_properties(rackproof_dsp PROPERTIES EXPORT_NAME dsp)
target_compile_features(rackproof_dsp PUBLIC cxx_std_20)
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

# ---- the program, and what it says of itself as manual page and completion ------------------------------------------
if(TARGET rackproof)
  install(TARGETS rackproof RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
  if(NOT CMAKE_CROSSCOMPILING)
    set(manual ${CMAKE_CURRENT_BINARY_DIR}/rackproof.1)
    set(completion ${CMAKE_CURRENT_BINARY_DIR}/rackproof.bash)
    add_custom_command(OUTPUT ${manual} ${completion} DEPENDS rackproof VERBATIM
                       COMMAND rackproof help --format man > ${manual}
                       COMMAND rackproof help --format bash > ${completion})
    add_custom_target(rackproof_manual ALL DEPENDS ${manual} ${completion})
    install(FILES ${manual} DESTINATION ${CMAKE_INSTALL_MANDIR}/man1)
    install(FILES ${completion} DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions RENAME rackproof)
  endif()
endif()
install(FILES README.md CHANGELOG.md DESTINATION ${CMAKE_INSTALL_DOCDIR})
install(FILES LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR} RENAME copyright)
install(DIRECTORY audio_fixtures/ DESTINATION ${CMAKE_INSTALL_DOCDIR}/examples FILES_MATCHING PATTERN "*.toml")

# ---- a Debian package -----------------------------------------------------------------------------------------------
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_CONTACT "rackproof contributors <contributors@rackproof.invalid>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "${PROJECT_DESCRIPTION}")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION sound)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS man-db)
set(CPACK_STRIP_FILES ON)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_VERBATIM_VARIABLES ON)
include(CPack)
