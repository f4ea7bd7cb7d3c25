"""What `.ci/suite` runs again and what it does not, on a project of three tests that is made for it. Then, in the build
that is named, that whatever knows where the program is also says that it depends on it.

  suite_test.py BUILD

Each test is a script that adds its name to a list. It fails where there is a file `fail`, and ends ctest where there is a
file `end`.
"""
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import unittest

SOURCE = pathlib.Path(__file__).resolve().parents[2]
CMAKE_LISTS = """
cmake_minimum_required(VERSION 3.22)
project(scratch LANGUAGES NONE)
enable_testing()
foreach(name one two three)
  add_test(NAME ${name} COMMAND sh ${CMAKE_BINARY_DIR}/${name} ${CMAKE_SOURCE_DIR})
endforeach()
set_tests_properties(two PROPERTIES REQUIRED_FILES ${CMAKE_BINARY_DIR}/program)
set_tests_properties(three PROPERTIES SKIP_RETURN_CODE 77)
"""


class Suite(unittest.TestCase):
    def setUp(self):
        self.scratch = pathlib.Path(tempfile.mkdtemp())
        self.addCleanup(shutil.rmtree, self.scratch)
        for name in ("CMakePresets.json", ".ci/suite"):
            (self.scratch / name).parent.mkdir(exist_ok=True)
            shutil.copy(SOURCE / name, self.scratch / name)
        self.write("CMakeLists.txt", CMAKE_LISTS)
        self.write("harness/verb.cpp", "1")
        self.write("dsp/block.hpp", "1")
        self.write("rig.toml", "1")
        self.write("build/release/program", "1")
        for name in ("one", "two", "three"):
            self.script(name)
        subprocess.run(["cmake", "--preset", "release", "-Wno-dev"], cwd=self.scratch, check=True, capture_output=True)
        self.assertEqual(self.run_suite(), {"one", "two", "three"})

    def write(self, name, text):
        path = self.scratch / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def script(self, name, more=""):
        self.write(f"build/release/{name}", f"echo {name} >>{self.scratch}/build/ran\n{more}\n"
                   "[ ! -e $1/build/end ] || kill -9 $PPID\n[ ! -e $1/build/fail ]\n")

    def run_suite(self, *words, status=0, **variables):
        """Names of the tests that ran."""
        ran = self.scratch / "build/ran"
        ran.unlink(missing_ok=True)
        done = subprocess.run([".ci/suite", *words], cwd=self.scratch, capture_output=True, text=True, check=False,
                              env={**os.environ, **variables})
        self.said = done.stdout
        self.assertEqual(done.returncode, status, done.stdout + done.stderr)
        return set(ran.read_text().split()) if ran.exists() else set()

    def test_nothing_runs_where_nothing_changed_and_that_is_said(self):
        self.assertEqual(self.run_suite(), set())
        self.assertIn("3 of 3 tests passed before", self.said)
        self.assertIn(".ci/test --all", self.said)

    def test_all_run_where_all_are_asked_for(self):
        self.assertEqual(self.run_suite("--all"), {"one", "two", "three"})
        self.assertNotIn("passed before", self.said)

    def test_a_test_runs_again_where_its_program_changed(self):
        self.script("one", more="true")
        self.assertEqual(self.run_suite(), {"one"})
        self.assertEqual(self.run_suite(), set())

    def test_a_test_runs_again_where_a_program_that_it_runs_changed(self):
        self.write("build/release/program", "2")
        self.assertEqual(self.run_suite(), {"two"})

    def test_all_run_again_where_a_file_that_tests_may_read_changed_came_or_went(self):
        self.write("rig.toml", "2")
        self.assertEqual(self.run_suite(), {"one", "two", "three"})
        self.write("dsp/block.hpp", "2")
        self.assertEqual(self.run_suite(), {"one", "two", "three"})
        self.write("tests/fuzz/corpus/audio/new", "1")
        self.assertEqual(self.run_suite(), {"one", "two", "three"})
        (self.scratch / "rig.toml").unlink()
        self.assertEqual(self.run_suite(), {"one", "two", "three"})
        self.write("build/recordings/song.wav", "1")
        self.assertEqual(self.run_suite(), {"one", "two", "three"})

    def test_a_source_counts_by_the_program_that_is_made_of_it(self):
        self.write("harness/verb.cpp", "2")
        self.assertEqual(self.run_suite(), set())

    def test_all_run_again_where_a_variable_changed_that_tests_look_at(self):
        self.assertEqual(self.run_suite(RACKPROOF_FAULTS="all"), {"one", "two", "three"})

    def test_what_failed_runs_again_and_the_rest_does_not(self):
        self.script("one", more="false || exit 1")
        self.assertEqual(self.run_suite(status=8), {"one"})
        self.assertEqual(self.run_suite(status=8), {"one"})
        self.write("build/fail", "")
        self.assertEqual(self.run_suite("--all", status=8), {"one", "two", "three"})
        (self.scratch / "build/fail").unlink()
        self.script("one")
        self.assertEqual(self.run_suite(), {"one", "two", "three"})

    def test_a_run_of_all_that_was_ended_leaves_none_that_passed(self):
        self.write("build/end", "")
        self.run_suite("--all", status=256 - 9)
        (self.scratch / "build/end").unlink()
        self.assertEqual(self.run_suite(), {"one", "two", "three"})

    def test_what_was_skipped_runs_again(self):
        self.script("three", more="exit 77")
        self.assertEqual(self.run_suite(), {"three"})
        self.assertEqual(self.run_suite(), {"three"})

    def test_a_list_that_cannot_be_read_counts_as_none(self):
        self.write("build/release/passed.json", "{")
        self.assertEqual(self.run_suite(), {"one", "two", "three"})

    def test_another_word_is_refused(self):
        self.assertEqual(self.run_suite("--everything", status=2), set())


class ThisBuild(unittest.TestCase):
    def test_what_knows_the_path_of_the_program_depends_on_it(self):
        build = pathlib.Path(sys.argv[1])
        program = str(build / "rackproof")
        shown = subprocess.run(["ctest", "--show-only=json-v1"], cwd=build, check=True, capture_output=True).stdout
        tests = json.loads(shown)["tests"]
        binaries = {test["command"][0] for test in tests if pathlib.Path(test["command"][0]).parent == build}
        know = {path for path in binaries if program.encode() in pathlib.Path(path).read_bytes()}
        self.assertLessEqual({str(build / name) for name in ("harness_verbs_tests", "harness_live_tests", "faults_sweep")},
                             know)
        for test in tests:
            if test["command"][0] in know:
                required = [one["value"] for one in test["properties"] if one["name"] == "REQUIRED_FILES"]
                self.assertIn(program, sum(required, []), test["name"])


if __name__ == "__main__":
    os.environ.pop("CTEST_PARALLEL_LEVEL", None)
    unittest.main(argv=sys.argv[:1], verbosity=1)
