"""A thousand mutated files, some with one odd value, and every case that once failed; ten thousand by ``fuzz.py`` itself."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

FUZZ = Path(__file__).with_name("fuzz.py")
BY_HAND = FUZZ.with_name("by_hand.py")
EACH_VALUE = FUZZ.with_name("each_value.py")


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="each case runs in a forked child, which POSIX systems have")
def test_mutated_files_get_one_clear_error_or_work():
    # In a process of its own: it forks, and this one may have threads.
    ran = subprocess.run(
        [sys.executable, FUZZ, "--cases", "75", "--no-keep"], capture_output=True, text=True, cwd=FUZZ.parents[2]
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stdout.count("75 cases, 0 wrong") == 14


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="each case runs in a forked child, which POSIX systems have")
def test_each_value_may_be_an_odd_one():
    ran = subprocess.run(
        [sys.executable, EACH_VALUE, "--every", "37", "--no-keep"], capture_output=True, text=True, cwd=FUZZ.parents[2]
    )
    assert ran.returncode == 0 and ran.stdout.count(" files, 0 wrong") == 7, ran.stdout + ran.stderr


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="each case runs in a forked child, which POSIX systems have")
def test_some_of_those_thought_up_by_hand():
    ran = subprocess.run([sys.executable, BY_HAND, "--every", "90"], capture_output=True, text=True)
    assert ran.returncode == 0 and re.match(r"2\d cases, 0 wrong\n", ran.stdout), ran.stdout + ran.stderr
