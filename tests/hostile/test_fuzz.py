"""Mutated files, some with one odd value, and every case that once failed; ten thousand of each kind by ``fuzz.py`` itself."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="each case runs in a forked child, which POSIX systems have"),
]
# One after another in one process: what they have in common takes three seconds to import.
PROGRAM = """
import sys
sys.modules["rfc3987_syntax"] = None  # as conftest.py does
import fuzz, each_value, by_hand
cases, values, by_hands = sys.argv[1:]
for main, *words in (
    (fuzz.main_fuzz, "--cases", cases, "--no-keep"), (each_value.main, "--every", values, "--no-keep"), (by_hand.main, "--every", by_hands)
):
    sys.argv[1:] = words
    print("exit code", main(), "\\n====", flush=True)
"""


# How many mutated files of each kind, each how many-th file with one odd value, each how many-th case by hand; and how
# many cases by hand that makes, in the form of a pattern.
FEW, MANY = ("8", "370", "600", r"[345]"), ("75", "37", "90", r"2\d")


@pytest.fixture(
    scope="module", params=[pytest.param(FEW, id="few"), pytest.param(MANY, id="many", marks=pytest.mark.long())]
)
def asked(request):
    return request.param


@pytest.fixture(scope="module")
def said(asked):
    """What each of the three has printed."""
    # In a process of its own: it forks, and this one may have threads.
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE), *filter(None, [os.environ.get("PYTHONPATH")])])}
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM, *asked[:3]],
        capture_output=True,
        text=True,
        cwd=HERE.parents[1],
        env=env,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return [part.lstrip("\n") for part in ran.stdout.split("====")]


def test_mutated_files_get_one_clear_error_or_work(said, asked):
    assert "exit code 0" in said[0] and said[0].count(f"{asked[0]} cases, 0 wrong") == 14, said[0]


def test_each_value_may_be_an_odd_one(said):
    assert "exit code 0" in said[1] and said[1].count(" files, 0 wrong") == 7, said[1]


def test_some_of_those_thought_up_by_hand(said, asked):
    assert "exit code 0" in said[2] and re.match(rf"{asked[3]} cases, 0 wrong\n", said[2]), said[2]
