"""Kill a sweep at random moments until it has been killed 50 times, then let it end: the table must be the same.

    python tests/sweep/kill_sweep.py --kills 50

Each time the command and its workers are ended together, by SIGKILL or SIGINT in turn.
Needs a POSIX system.  A few minutes.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PLAN = (
    "duration_s = 4\n[fixed]\ndetector = 'ground_truth'\n[vary]\nturn_gain = { from = 0.5, to = 6, steps = 6 }\n"
    "latency_s = { from = 0.05, to = 0.5, steps = 10 }\nframe_hz = [5, 10, 20]\nseed = [0, 1, 2, 3]\n[rendered]\nchosen = 6\n"
)


def command(folder: Path, output: str) -> subprocess.Popen:
    """Start the command in a process group of its own."""
    line = [sys.executable, "-m", "robotlab", "sweep", "plan.toml", "-o", output, "--jobs", "2", "--quiet"]
    quiet = subprocess.DEVNULL
    return subprocess.Popen(line, cwd=folder, start_new_session=True, stdout=quiet, stderr=subprocess.PIPE)


def main() -> int:
    """Kill, go on, compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    rng, kills, rounds, wrong = random.Random(options.seed), 0, 0, []
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home)
        (folder / "plan.toml").write_text(PLAN)
        began = time.monotonic()
        command(folder, "whole").communicate()
        usual_s = time.monotonic() - began
        whole = (folder / "whole" / "table.csv").read_bytes()
        while kills < options.kills:
            output = f"killed{rounds}"
            rounds += 1
            while True:
                child = command(folder, output)
                try:
                    child.communicate(timeout=rng.uniform(0.1, 0.8) * usual_s if kills < options.kills else None)
                    break
                except subprocess.TimeoutExpired:
                    number = signal.SIGKILL if kills % 3 else signal.SIGINT
                    os.killpg(child.pid, number)
                    kills += 1
                    said = child.communicate()[1].decode()
                    if number == signal.SIGINT and (child.returncode not in (0, 130, -2) or "Traceback" in said):
                        wrong.append(f"kill {kills}, exit code {child.returncode}: {said[-2000:]}")
            if child.returncode or (folder / output / "table.csv").read_bytes() != whole:
                wrong.append(f"{output}: exit code {child.returncode}, or another table")
            if list((folder / output).glob("*.part")):
                print(f"{output}: a half-written file was left beside")
    print(f"{kills} kills in {rounds} sweeps of {usual_s:.1f} s, {len(wrong)} wrong", *wrong, sep="\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
