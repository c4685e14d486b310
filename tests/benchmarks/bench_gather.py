"""Gathering a film: how many times faster than it plays.

A film of 1280 × 720 px at 30 Hz, made here with OpenCV's writer (H.264 and HEVC of telephones decode
about as fast), gathered as ``robotlab gather`` does by itself: two looks a second, hash, sharpness,
JPEG files flushed to the disk.  The ratio is our time over the time the film plays, on two threads.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from timing import Timed

from robotlab.gather import gather
from robotlab.image import write_film

RATE_HZ, SECONDS = 30, 20
AIM = 1 / 5


def _frames() -> Iterator[np.ndarray]:
    """A slow pan over blocks with grain."""
    rng = np.random.default_rng(0)
    wide = rng.integers(30, 220, (18, 150, 3), dtype=np.uint8).repeat(40, 0).repeat(40, 1)
    wide = (wide + rng.normal(0, 6, (720, 6000, 1))).clip(0, 255).astype(np.uint8)
    for n in range(RATE_HZ * SECONDS):
        yield np.ascontiguousarray(wide[:, 7 * n : 7 * n + 1280])


def rows() -> list[dict]:
    """Our time beside the time that the film plays."""
    home = Path(tempfile.mkdtemp())
    try:
        film = write_film(home / "film.mp4", _frames(), RATE_HZ)
        ours = []
        for repeat in range(5):
            began = time.perf_counter()
            report = gather(film, home / f"set{repeat}", "walk", progress=False)
            ours.append(time.perf_counter() - began)
        assert len(report.looks) == 2 * SECONDS, len(report.looks)
        timed = Timed(np.array(ours), np.full(len(ours), float(SECONDS)), 2)
        note = f"{len(report.looks)} looks, {len(report.data)} pictures written"
        return [timed.row("gather a film of 1280×720", "the film's own length", AIM, note)]
    finally:
        shutil.rmtree(home)
