# What leaves the build folder beside the core: the program with its manual page and its completion, and a Debian
# package of all. The core's part is dsp/package.cmake.
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
install(DIRECTORY audio_fixtures/ DESTINATION ${CMAKE_INSTALL_DOCDIR}/examples FILES_MATCHING PATTERN "*.toml")
install(FILES harness/live/service/rackproof-live.service DESTINATION ${CMAKE_INSTALL_DOCDIR}/examples)

# ---- a Debian package -----------------------------------------------------------------------------------------------
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_CONTACT "rackproof contributors <contributors@rackproof.invalid>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "${PROJECT_DESCRIPTION}")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION sound)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "man-db, libjack-jackd2-0 | libjack-0.125 | pipewire-jack")
set(CPACK_STRIP_FILES ON)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_VERBATIM_VARIABLES ON)
include(CPack)
