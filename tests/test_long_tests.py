"""What the default run leaves out: each long test has a shorter one that shows the same and is run; ``.ci/run`` runs all."""

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections import Counter

import pytest
from docs_walk import ROOT
from some_long import some_long

TESTS = ROOT / "tests"
# Collects every test, as "pytest -m ''" does, and tells each one's name and the words of its long marks.
COLLECT = """
import json, sys, pytest

class Teller:
    def pytest_collection_finish(self, session):
        found = [(one.nodeid, [mark.kwargs for mark in one.iter_markers("long")]) for one in session.items]
        print("\\nFOUND", json.dumps(found))

words = ["--collect-only", "-qq", "-m", "", "-p", "no:cacheprovider", "-p", "no:xdist"]
sys.exit(pytest.main(words, [Teller()]))
"""


def faults(found):
    """What is wrong with the long marks of tests, given as names and the words of each one's long marks."""
    run = Counter(name.partition("[")[0] for name, marks in found if not marks)
    files = {name.partition("::")[0] for name in run}
    said = {
        f"{file}: no test is left in the default run" for name, _ in found if (file := name.split("::")[0]) not in files
    }
    for name, marks in found:
        file, _, test = name.partition("[")[0].partition("::")
        for words in marks:
            short = words.get("short")
            where = f"{file}::{short or test}" if ".py::" not in (short or "") else f"tests/{short}"
            if not run[where]:
                said.add(f"{file}::{test}: {where} is not a test of the default run")
    return sorted(said)


def test_each_long_test_has_a_shorter_one_that_is_run_and_no_file_is_left_out_whole(collected):
    found = [(one.nodeid, [mark.kwargs for mark in one.iter_markers("long")]) for one in collected]
    texts = {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in TESTS.rglob("test_*.py")}
    needed = {file for file, text in texts.items() if re.search(r"mark\.long|some_long\(", text)}
    needed |= {f"tests/{file}" for text in texts.values() for file in re.findall(r'short="([\w/]+\.py)::', text)}
    if not needed <= {name.partition("::")[0] for name, _ in found}:  # Only some files were asked for.
        ran = subprocess.run([sys.executable, "-c", COLLECT], cwd=ROOT, capture_output=True, text=True, check=False)
        assert ran.returncode == 0, ran.stdout + ran.stderr
        found = json.loads(re.search(r"^FOUND (.*)$", ran.stdout, flags=re.MULTILINE)[1])
    assert sum(bool(marks) for _, marks in found) > 50
    assert faults(found) == []


def test_a_long_test_without_a_shorter_one_is_found():
    kept, long, by_name = ("tests/test_a.py::test_kept[1]", []), {}, {"short": "test_kept"}
    assert faults([kept, ("tests/test_a.py::test_kept[2]", [long]), ("tests/test_a.py::test_b", [by_name])]) == []
    assert faults([kept, ("tests/c/test_c.py::test_c", [{"short": "test_a.py::test_kept"}])]) == [
        "tests/c/test_c.py: no test is left in the default run"
    ]
    assert faults([kept, ("tests/test_a.py::TestB::test_b[1]", [long])]) == [
        "tests/test_a.py::TestB::test_b: tests/test_a.py::TestB::test_b is not a test of the default run"
    ]
    assert faults([kept, ("tests/test_a.py::test_b", [{"short": "test_gone"}])]) == [
        "tests/test_a.py::test_b: tests/test_a.py::test_gone is not a test of the default run"
    ]


SUITE = """
import pytest
from some_long import some_long

@pytest.mark.parametrize("n", some_long(range(5), every=3))
def test_some(n):
    pass

@pytest.mark.long(short="test_some")
def test_more():
    pass
"""


@pytest.mark.parametrize(
    ("words", "of_ci", "passed", "left_out"),
    [
        (["-n", "2"], False, 2, "4 long tests were"),
        (["-n", "2"], True, 6, None),
        (["test_suite.py::test_more"], False, 0, "1 long test was"),
        (["-m", "", "test_suite.py::test_more"], False, 1, None),
    ],
)
def test_long_tests_are_left_out_and_said_to_be_unless_ci_or_somebody_asks_for_them(
    words, of_ci, passed, left_out, tmp_path
):
    (tmp_path / "test_suite.py").write_text(SUITE)
    for name in ("conftest.py", "some_long.py"):
        shutil.copy(TESTS / name, tmp_path)
    # As the whole suite is set up, but for plugins that are not loaded here.
    options = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
    markers = "\n    ".join(options["markers"])
    (tmp_path / "pytest.ini").write_text(f"[pytest]\naddopts = {options['addopts']}\nmarkers =\n    {markers}\n")
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    env["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    if of_ci:
        exported = re.search(r"""PYTEST_ADDOPTS='([^']*)'""", (ROOT / ".ci" / "run").read_text(encoding="utf-8"))
        env["PYTEST_ADDOPTS"] = exported[1]
    command = [sys.executable, "-m", "pytest", "-p", "xdist", "-p", "no:cacheprovider", *words]
    ran = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == (0 if passed else 5), ran.stdout + ran.stderr
    assert f"{passed} passed" in ran.stdout or not passed
    said = [line for line in ran.stdout.splitlines() if line.startswith("LEFT OUT")]
    assert len(said) == bool(left_out) and all(left_out in line and 'pytest -m ""' in line for line in said)


def test_the_first_of_each_few_cases_stays():
    marks = [bool(one.marks) for one in some_long("abcdefg", every=3)]
    assert marks == [False, True, True, False, True, True, False]
