"""Commands ended by signals, full disks and failing steps of writing: a few of each; `interrupt.py` makes more."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

INTERRUPT = Path(__file__).with_name("interrupt.py")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="each run is a forked child, which POSIX systems have")
@pytest.mark.slow
@pytest.mark.parametrize(
    ("commands", "runs"),
    [
        # One that writes whole files alone, one that also appends, and labels.
        (("judge", "gather", "label"), 4),
        pytest.param(
            ("judge", "drive", "tour", "write", "write_voc", "gather", "label", "sweep", "pack"),
            12,
            marks=pytest.mark.long(),
        ),
    ],
    ids=["three commands", "nine commands"],
)
def test_ended_commands_leave_whole_outputs_or_none(commands, runs):
    # In a process of its own: it forks, and this one may have threads.
    chosen = [word for name in commands for word in ("--command", name)]
    ran = subprocess.run([sys.executable, INTERRUPT, "--runs", str(runs), *chosen], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stdout.count(f"{runs} runs, ") == ran.stdout.count(" 0 wrong") == len(commands)
