"""Whoever looks on while a robot drives holds up nobody: slow, hanging, failing."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.detections import Detections
from robotlab.loop import Settings, drive
from robotlab.loop.viewers import Viewer

CAMERA = Camera(64, 48, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=0.8, hold_s=0.2, max_mps=0.3, max_accel_mps2=2.0)
POST = Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])


def live():
    time.sleep(0.02)
    return np.random.default_rng().integers(0, 255, (48, 64, 3), np.uint8)


def driven(show, seconds):
    link = SimulatedLink()
    return drive(lambda picture: POST, live, CAMERA, SETTINGS, link, seconds, show=show), link


def test_one_that_is_slow_gets_the_newest_and_slows_nothing_down():
    seen, late = [], []

    def show(one):
        late.append(time.monotonic() - one.decided_s)
        seen.append(one.index)
        time.sleep(0.2)

    report, _ = driven(show, 1.0)
    assert report.reason == "the time was over" and report.pictures > 2 * len(seen)
    # Never one that has waited for long behind others.
    assert seen == sorted(set(seen)) and max(late) < 0.4


def test_one_that_hangs_stops_the_robot_and_the_drive_returns():
    report = []
    leave = threading.Event()
    thread = threading.Thread(target=lambda: report.append(driven(lambda _: leave.wait(), 60.0)), daemon=True)
    thread.start()
    thread.join(30)
    leave.set()
    assert report, "drive() has not returned"
    (said, link) = report[0]
    assert said.state == "fault" and said.reason.startswith("show() must return") and said.halt_confirmed
    assert any(left for _, left, _ in link.sent) and link.wheels() == (0.0, 0.0)


def fails(_):
    raise KeyError("the screen has gone")


def test_what_it_raises_is_raised_by_the_drive():
    with pytest.raises(KeyError, match="the screen has gone"):
        driven(fails, 60.0)


def test_what_the_last_picture_raises_is_not_lost():
    with pytest.raises(KeyError, match="the screen has gone"), Viewer(fails) as viewer:
        viewer.look(SimpleNamespace(index=0))
