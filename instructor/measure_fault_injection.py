"""Faults in the real loop, over a pseudo-terminal: ``python instructor/measure_fault_injection.py``.

Each run is a program of its own that follows with ``robotlab.loop.drive``
over a pseudo-terminal.  The motor board is another program, which keeps its
own time, writes down every command that it obeys, and works out how far its
wheels go: with the last command, and along its own ramp after HALT or when
nothing came for 250 ms.  At a random moment something breaks.  What is
compared with the stopping distance is the way from the moment when the last good picture
was taken to the end.  Then the simulated loop goes through its faults.

Writes ``robotlab/course/measurements/fault_injection.json``, and its table into the
guide.  About ten minutes; ``--moments 1 --out FILE --real-loop-alone`` is the quick look that
the tests take, ``--guide`` writes the table again and measures nothing.
"""

import argparse
import json
import multiprocessing
import os
import platform
import random
import signal
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from fault_injection import FAULTS, SETTINGS, board, drive_it

from robotlab.course import measured, shipped
from robotlab.files import write_json, write_whole
from robotlab.greenhouse import Scene, Walk
from robotlab.loop import FAULTS as SIMULATED
from robotlab.loop import GroundTruthDetector, Run, Settings, default_camera, fault_campaign, worst_stopping_distance_m
from robotlab.loop.decide import STATES

FORK = multiprocessing.get_context("fork")
# The fault comes while the trolley speeds up or drives at its limit, s.
EARLIEST_S, LATEST_S = 0.3, 1.6
# Longer than any stop takes, s.
AFTER_S = 2.6
SIGNALS = {
    "killed": [(0.0, signal.SIGKILL)],
    "terminated": [(0.0, signal.SIGTERM)],
    "terminal closes": [(0.0, signal.SIGHUP)],
    "Ctrl-C": [(0.0, signal.SIGINT)],
    "Ctrl-C three times": [(0.0, signal.SIGINT), (0.05, signal.SIGINT), (0.1, signal.SIGINT)],
    "suspended for 2 s": [(0.0, signal.SIGSTOP), (2.0, signal.SIGCONT)],
    "suspended for 0.4 s": [(0.0, signal.SIGSTOP), (0.4, signal.SIGCONT)],
    "suspended again and again": [(0.3 * k, kind) for k, kind in enumerate([signal.SIGSTOP, signal.SIGCONT] * 3)],
}


def one(fault: str, at_s: float) -> dict:
    """One run: what the board got and how far it went."""
    near, far = os.openpty()
    name, begin = os.ttyname(far), FORK.Value("d", 0.0)
    told, tell = FORK.Pipe(duplex=False)
    said, say = FORK.Pipe(duplex=False)
    done = FORK.Event()
    wheels = FORK.Process(target=board, args=(near, far, fault, at_s, begin, done, tell))
    program = FORK.Process(target=drive_it, args=(name, fault, at_s, AFTER_S, begin, say))
    wheels.start()
    os.close(near)
    program.start()
    os.close(far)
    tell.close(), say.close()
    while program.is_alive() and not begin.value:
        time.sleep(0.01)
    if fault in SIGNALS:
        start = begin.value + at_s
        for after, kind in SIGNALS[fault]:
            time.sleep(max(0.0, start + after - time.monotonic()))
            try:
                os.kill(program.pid, kind)
            except ProcessLookupError:
                break
    word = {"state": "none", "returned": None, "good": []}
    # Two minutes are longer than any run takes.
    patience = time.monotonic() + 120.0
    while said.poll(0.05) or (program.is_alive() and time.monotonic() < patience):
        if said.poll(0.0):
            news = said.recv()
            if "good" in news:
                word["good"].append(news["good"])
            else:
                word |= news
    program.join(5.0)
    if program.is_alive():
        os.kill(program.pid, signal.SIGKILL)
        program.join()
    ended = time.monotonic()
    time.sleep(0.3)
    done.set()
    heard = told.recv()
    wheels.join()
    # Good pictures are those taken before the fault; where the loop may go on, all of them.
    break_s = begin.value + at_s
    good = [t for t in word["good"] if t < break_s or FAULTS[fault]] or [begin.value]
    way = heard["way"]

    def gone(t_s):
        return next((way_m for t, way_m in reversed(way) if t <= t_s), 0.0)

    blind = [gone(later + SETTINGS.delay_s + SETTINGS.frame_s) - gone(taken) for taken, later in pairwise(good)]
    blind.append(way[-1][1] - gone(good[-1]) if way else 0.0)
    end = word["returned"] or ended
    moving = [line for line in heard["lines"] if line[0] > end + 1e-4 and line[1] == "GO" and any(line[2:])]
    return {
        "fault": fault,
        "at_s": at_s,
        "way_m": max(blind),
        "moving": len(moving),
        "state": word["state"],
        "reason": word.get("reason", ""),
        "fastest": max((abs(v) for line in heard["lines"] if line[1] == "GO" for v in line[2:]), default=0.0) / 1000,
        "at_rest": heard["at_rest"],
        "stale": heard["stale"],
        "lines": len(heard["lines"]),
    }


def table(runs: list[dict], bound_m: float) -> list[dict]:
    rows = []
    for fault in FAULTS:
        mine = [run for run in runs if run["fault"] == fault]
        if mine:
            worst = max(run["way_m"] for run in mine)
            states = sorted({run["state"] for run in mine})
            rows.append(
                {
                    "fault": fault,
                    "runs": len(mine),
                    "worst_m": round(worst, 3),
                    "stopping_m": round(bound_m, 3),
                    "worst_share": round(worst / bound_m, 3),
                    "moving_commands_after_end": sum(run["moving"] for run in mine),
                    "state": ", ".join(states),
                }
            )
    return rows


def risen(run: Run) -> int:
    """Commands after a fault that are faster than the ones before: after it wheels only slow down."""
    speeds = np.abs(run.commands_mps)
    return int(((np.diff(speeds, axis=0) > 1e-6).any(axis=1) & (run.states[:-1] == STATES.index("fault"))).sum())


def simulated(moments: int) -> list[dict]:
    """The simulated loop through its own faults, at as many moments."""
    far = Walk(
        "hurry", "The post runs ahead.", (0.0, 20.0), ((2.0, 0.0), (16.0, 0.0)), Scene(room_m=(-3.0, -3.0, 40.0, 3.0))
    )
    rng, rows = random.Random(0), []
    reports = [
        report
        for _ in range(moments)
        for report in fault_campaign(
            GroundTruthDetector(),
            far,
            default_camera(64, 48),
            Settings(max_reverse_mps=0.0),
            at_s=rng.uniform(1.0, 4.0),
            after_s=5.0,
        )
    ]
    for name, _, _ in SIMULATED:
        mine = [report for report in reports if report.name == name]
        worst = max(max(report.blind_m, report.driven_m) if report.must_rest else report.blind_m for report in mine)
        bound_m = worst_stopping_distance_m(mine[0].run.settings)
        rows.append(
            {
                "fault": name,
                "runs": len(mine),
                "worst_m": round(worst, 3),
                "stopping_m": round(bound_m, 3),
                "worst_share": round(worst / bound_m, 3),
                "moving_commands_after_end": sum(risen(report.run) for report in mine),
                "state": ", ".join(sorted({report.state for report in mine})),
            }
        )
    return rows


def guide_table(measurement: dict) -> str:
    """The measurement as the tables of the guide."""
    lines = []
    for title, rows in (("the real loop", measurement["runs"]), ("the simulated loop", measurement["simulated"])):
        lines += [
            f"| fault in {title} | runs | longest | of the stopping distance | commands after the end |",
            "|---" * 5 + "|",
        ]
        lines += [
            f"| {row['fault']} | {row['runs']} | {row['worst_m']:.2f} m | {100 * row['worst_share']:.0f} % | {row['moving_commands_after_end']} |"
            for row in sorted(rows, key=lambda row: -row["worst_share"])
        ]
        lines.append("")
    return "\n".join(lines)


def put_into_guide(first: str, second: str, table: str) -> None:
    """Put a table between two marks of the guide."""
    path = shipped("instructor/guide.md")
    before, _, rest = path.read_text(encoding="utf-8").partition(first)
    write_whole(path, f"{before}{first}\n\n{table}\n{second}{rest.partition(second)[2]}")


def write_guide() -> None:
    """The measurement's tables in the guide."""
    first, second = "<!-- fault injection, written by measure_fault_injection.py -->", "<!-- end of fault injection -->"
    put_into_guide(first, second, guide_table(measured("fault_injection")))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--moments", type=int, default=25, help="random moments for each fault")
    parser.add_argument("--at-once", type=int, default=14, help="runs at the same time: they mostly wait")
    parser.add_argument("--only", help="only faults with this word")
    parser.add_argument("--out", help="where the table goes")
    parser.add_argument("--real-loop-alone", action="store_true", help="leave the simulated loop out; with --out")
    parser.add_argument("--guide", action="store_true", help="only write the guide's table again")
    options = parser.parse_args()
    if options.guide:
        write_guide()
        return 0
    if options.real_loop_alone and not options.out:
        parser.error("--real-loop-alone needs --out: the shipped measurement holds both loops")
    rng = random.Random(1)
    plan = [(fault, rng.uniform(EARLIEST_S, LATEST_S)) for _ in range(options.moments) for fault in FAULTS]
    plan = [(fault, at_s) for fault, at_s in plan if not options.only or options.only in fault]
    bound_m, runs, begun = worst_stopping_distance_m(SETTINGS), [], time.monotonic()
    with ProcessPoolExecutor(options.at_once, FORK) as pool:
        for count, run in enumerate(pool.map(one, *zip(*plan, strict=True)), 1):
            runs.append(run)
            if run["way_m"] > bound_m or run["moving"] or not run["at_rest"]:
                print("BROKEN", json.dumps(run), flush=True)
            if count % 100 == 0:
                print(f"{count} of {len(plan)} runs, {time.monotonic() - begun:.0f} s", flush=True)
    rows = table(runs, bound_m)
    for row in rows:
        stale = sum(run["stale"] for run in runs if run["fault"] == row["fault"])
        why = next(run["reason"] for run in runs if run["fault"] == row["fault"])
        print(
            f"{row['fault']:<34} {row['runs']:4d} {row['worst_m']:6.3f} m {row['worst_share']:6.1%}  {row['moving_commands_after_end']} {stale}  {row['state']}: {why[:110] if options.moments == 1 else ''}"
        )
    out = options.out or shipped("robotlab/course/resources.py").parent / "measurements" / "fault_injection.json"
    machine = f"{processor()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    write_json(
        out,
        {
            "machine": machine,
            "seconds": round(time.monotonic() - begun),
            "runs": rows,
            "simulated": [] if options.real_loop_alone else simulated(max(1, options.moments)),
        },
    )
    if not options.out:
        write_guide()
    broken = [run for run in runs if run["way_m"] > bound_m or run["moving"] or not run["at_rest"]]
    print(f"{len(runs)} runs, bound_m {bound_m:.3f} m, broken in {len(broken)}")
    return bool(broken)


def processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        return next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.processor() or platform.machine()


if __name__ == "__main__":
    sys.exit(main())
