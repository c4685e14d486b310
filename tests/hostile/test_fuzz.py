"""A thousand mutated files, some with one odd value, and every case that once failed; ten thousand by ``fuzz.py`` itself."""

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
import fuzz, each_value, by_hand
for main, *words in (
    (fuzz.main_fuzz, "--cases", "75", "--no-keep"), (each_value.main, "--every", "37", "--no-keep"), (by_hand.main, "--every", "90")
):
    sys.argv[1:] = words
    print("exit code", main(), "\\n====", flush=True)
"""


@pytest.fixture(scope="module")
def said():
    """What each of the three has printed."""
    # In a process of its own: it forks, and this one may have threads.
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE), *filter(None, [os.environ.get("PYTHONPATH")])])}
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, cwd=HERE.parents[1], env=env, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return [part.lstrip("\n") for part in ran.stdout.split("====")]


def test_mutated_files_get_one_clear_error_or_work(said):
    assert "exit code 0" in said[0] and said[0].count("75 cases, 0 wrong") == 14, said[0]


def test_each_value_may_be_an_odd_one(said):
    assert "exit code 0" in said[1] and said[1].count(" files, 0 wrong") == 7, said[1]


def test_some_of_those_thought_up_by_hand(said):
    assert "exit code 0" in said[2] and re.match(r"2\d cases, 0 wrong\n", said[2]), said[2]
