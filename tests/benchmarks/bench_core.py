"""The robot's core: a frame beside ONNX Runtime alone, the loop, and what installing, importing and loading cost."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import time
from importlib.metadata import distribution
from pathlib import Path

import numpy as np
import onnxruntime
from timing import Missing, Timed, side_by_side

import robotlab
from robotlab.budget import StageTimer
from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.data import open_dataset
from robotlab.image import resize
from robotlab.loop import Settings, drive
from robotlab.neural import NeuralDetector, fit
from robotlab.neural.network_input import network_input

DATASETS = Path(__file__).resolve().parents[2] / "datasets"
# What a driving program imports and loads, in a fresh process each time.
LOAD = """
import json, sys, time
start = time.perf_counter()
from robotlab.camera import Camera
from robotlab.color import ColorDetector
from robotlab.neural import NeuralDetector
from robotlab.loop import Settings, drive
from robotlab.control import SerialLink
imported = time.perf_counter() - start
import numpy as np
NeuralDetector.load(sys.argv[1], threads=1).detect(np.zeros((240, 320, 3), np.uint8))
# The most so far; getrusage would count what the process was forked from.
with open("/proc/self/status") as status:
    peak = next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))
print(json.dumps([imported, peak]))
"""


def frame_row(path: Path, picture: np.ndarray) -> dict:
    """One picture in, boxes out, beside the network alone on a prepared input."""
    detector = NeuralDetector.load(path, threads=1)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    plain = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    x = network_input(picture)[None]
    timed = side_by_side(
        lambda: detector.detect(picture), lambda: plain.run(None, {"picture": x}), repeats=41, threads=1
    )
    height, width = picture.shape[:2]
    return timed.row(f"detector, picture to boxes, {width}x{height}", "ONNX Runtime alone, input prepared", aim=1.1)


def load_row(path: Path) -> dict:
    """Import time of a driving program, and its memory with a detector loaded."""
    if not Path("/proc/self/status").exists():
        raise Missing("Linux's /proc")
    words = [sys.executable, "-c", LOAD, str(path)]
    seen = [json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout) for _ in range(9)]
    seconds, peak_mb = np.array(seen).T
    note = f"{np.median(peak_mb):.0f} MB at most with a detector loaded"
    return Timed(seconds, np.zeros(0), 1).row("import of a driving program", None, note=note, aim_s=0.6)


def loop_row(path: Path, pictures: list[np.ndarray], aim_hz: float) -> dict:
    """Time of one turn of `drive`: a picture read from memory, detected, decided on, with one thread for the detector."""
    height, width = pictures[0].shape[:2]
    timer, detector, taken = StageTimer(), NeuralDetector.load(path, threads=1), []

    def take() -> np.ndarray:
        taken.append(time.perf_counter())
        shown = pictures[len(taken) % len(pictures)].copy()
        shown[:, :: 2 + len(taken) % 7] ^= len(taken) % 251 & 31  # never the same one again
        return shown

    # The camera never waits, so it is not the limit; the board is simulated, nothing turns.
    settings = Settings(frame_hz=20, delay_s=0.0, watchdog_s=1.5, max_mps=0.2)
    busy_s = time.process_time()
    report = drive(
        timer.timed("detect", detector.detect),
        timer.timed("read", take),
        Camera(width, height, 1.0, height_m=0.25),
        settings,
        SimulatedLink(),
        6.0,
    )
    busy_s = (time.process_time() - busy_s) / len(taken)
    turns = np.diff(taken[20:])
    share = timer.stages_s()["detect"] / np.median(turns)
    note = (
        f"{1 / np.median(turns):.0f} pictures/s (p95 {1e3 * np.percentile(turns, 95):.1f} ms), {100 * share:.0f} % of a turn is the detector; "
        f"{1e3 * busy_s:.2f} ms of processor time a turn, all threads; ended: {report.reason}"
    )
    return Timed(turns, np.zeros(0), 1).row(f"turn of the loop, {width}x{height}", None, note=note, aim_s=1 / aim_hz)


def installed_mb() -> dict[str, float]:
    """Size on the disk of the core's packages and all that they ask for, MB (10^6 bytes), without compiled .pyc files."""
    waiting, found = ["numpy", "onnxruntime", "pillow"], {}
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        one = distribution(name)
        files = [Path(str(one.locate_file(file))) for file in one.files or ()]
        found[name] = sum(file.stat().st_size for file in files if file.is_file() and file.suffix != ".pyc") / 1e6
        for need in one.requires or ():
            if "extra" not in need:
                waiting.append(re.split(r"[^\w.-]", need)[0].lower())
    own = Path(robotlab.__file__).parent
    found["robotlab"] = (
        sum(file.stat().st_size for file in own.rglob("*") if file.is_file() and file.suffix != ".pyc") / 1e6
    )
    return found


def size_row() -> dict:
    """What the core takes on the disk: no time, so the row has a note only."""
    found = installed_mb()
    parts = ", ".join(
        f"{name} {size:.0f}" for name, size in sorted(found.items(), key=lambda one: -one[1]) if size >= 1
    )
    note = f"{sum(found.values()):.0f} MB on the disk: {parts}"
    return Timed(np.zeros(1), np.zeros(0), 1).row("core, installed", None, note=note)


def rows() -> list[dict]:
    """The core's rows of the results table."""
    data = open_dataset(DATASETS / "greenhouse")
    with tempfile.TemporaryDirectory() as folder:
        path = fit(data.only(recordings=data.recordings[:2]), progress=False).save(Path(folder) / "model.onnx")
        picture = data.load(data[100])
        sizes = ((160, 120), (320, 240), (640, 480))
        several = [data.load(data[100 + place]) for place in range(40)]
        loops = [
            loop_row(path, [resize(one, size) for one in several], aim_hz)
            for size, aim_hz in (((160, 120), 60.0), ((320, 240), 30.0))
        ]
        return [*(frame_row(path, resize(picture, size)) for size in sizes), *loops, load_row(path), size_row()]


if __name__ == "__main__":
    for row in rows():
        print(json.dumps(row))
