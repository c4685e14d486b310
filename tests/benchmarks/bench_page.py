"""What it costs the loop that people watch its live page: frames a second with none, one and three watchers, and a slow one."""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import ExitStack

import numpy as np
from timing import Timed

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.greenhouse import WALKS, render
from robotlab.loop import Settings, drive
from robotlab.neural import NeuralDetector
from robotlab.robot import LivePage

# Rate lost to one watcher (stated aim).
AIM = 1 / 0.95
SECONDS, REPEATS, SIZE = 3.0, 7, (320, 240)
WATCH = """
import json, sys, time
host, port, path, slow = sys.argv[1], int(sys.argv[2]), sys.argv[3], sys.argv[4] == "slow"
import asyncio
from tornado.httpclient import HTTPRequest
from tornado.websocket import websocket_connect
async def watch():
    line = await websocket_connect(HTTPRequest(f"ws://{host}:{port}{path}live", headers={"Origin": f"http://{host}:{port}"}))
    count = 0
    while True:
        said = await line.read_message()
        if said is None:
            break
        if isinstance(said, bytes):
            count += 1
            if slow:
                time.sleep(3.0)
            await line.write_message(json.dumps({"do": "seen"}))
asyncio.run(watch())
"""


def _loop(detector, watchers: int, slow: bool = False) -> tuple[float, float]:
    """Time of one frame, s, of a loop that runs as fast as it can; and the server's share of one core, which no other work changes much."""
    camera = Camera(*SIZE, 1.0, height_m=0.25)
    scene = WALKS["weave"].scene.with_post_at(2.0, 0.1)
    picture = render(scene, camera, seed=0).picture
    rng = np.random.default_rng(0)
    noisy = [
        np.clip(picture.astype(int) + rng.integers(-9, 10, picture.shape), 0, 255).astype(np.uint8) for _ in range(64)
    ]
    count = 0

    def take():
        nonlocal count
        count += 1
        shown = noisy[count % len(noisy)].copy()
        shown[:, :: 2 + count % 7] ^= count % 251 & 31  # never the same one again
        return shown

    with ExitStack() as stack:
        page = stack.enter_context(LivePage())
        host, port = page.url.split("/")[2].split(":")
        for _ in range(watchers):
            words = [sys.executable, "-c", WATCH, host, port, f"/{page.token}/", "slow" if slow else "quick"]
            process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
            stack.callback(process.wait)
            stack.callback(process.kill)
        until = time.monotonic() + 20
        while len(page.watchers) < watchers and time.monotonic() < until:
            time.sleep(0.05)
        settings = Settings(frame_hz=50, delay_s=0.0, watchdog_s=4.0, max_mps=0.1, search_s=0.0)
        clock = time.pthread_getcpuclockid(page._thread.ident)
        before = time.clock_gettime(clock)
        report = drive(detector, take, camera, settings, SimulatedLink(), SECONDS, show=page.show, lifted=True)
        assert len(page.watchers) == watchers or slow, page.watchers
        return SECONDS / report.pictures, (time.clock_gettime(clock) - before) / SECONDS


def rows() -> list[dict]:
    """Each number of watchers, in turn with none."""
    from robotlab.course.resources import shipped
    from robotlab.data import open_dataset
    from robotlab.neural import fit

    data = open_dataset(shipped("datasets/greenhouse"))
    detector = fit(data.only(recordings=data.recordings[:2]), progress=False)
    assert isinstance(detector, NeuralDetector)
    found = []
    for name, watchers, slow, aim in (
        ("one watcher", 1, False, AIM),
        ("three watchers", 3, False, None),
        ("a watcher who takes 3 s for a picture", 1, True, AIM),
    ):
        runs = [(_loop(detector, watchers, slow), _loop(detector, 0)) for _ in range(REPEATS)]
        pairs = np.array([(watched[0], alone[0]) for watched, alone in runs])
        hz, busy = 1 / np.median(pairs, axis=0), np.median([watched[1] for watched, _ in runs])
        found.append(
            Timed(pairs[:, 0], pairs[:, 1], 1).row(
                f"loop with the detector, 320x240, {name}",
                "the same without a watcher",
                aim,
                note=f"{hz[0]:.0f} against {hz[1]:.0f} frames a second, no camera limits it; the page's thread takes {100 * busy:.1f} % of one core",
            )
        )
    return found
