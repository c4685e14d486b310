"""The robot's core: a frame beside ONNX Runtime alone, and what importing and loading cost."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import onnxruntime
from timing import Missing, Timed, side_by_side

from robotlab.data import open_dataset
from robotlab.image import resize
from robotlab.neural import NeuralDetector, fit
from robotlab.neural.sizes import network_input

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


def rows() -> list[dict]:
    """The core's rows of the results table."""
    data = open_dataset(DATASETS / "greenhouse")
    with tempfile.TemporaryDirectory() as folder:
        path = fit(data.only(recordings=data.recordings[:2]), progress=False).save(Path(folder) / "model.onnx")
        picture = data.load(data[100])
        sizes = ((160, 120), (320, 240), (640, 480))
        return [*(frame_row(path, resize(picture, size)) for size in sizes), load_row(path)]


if __name__ == "__main__":
    for row in rows():
        print(json.dumps(row))
