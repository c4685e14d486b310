"""The loop for a real trolley, with a pretended camera and motors, in real time."""

import time

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import SerialLink, SimulatedLink
from robotlab.control.board import Board
from robotlab.control.line_protocol import LinkError
from robotlab.detections import Detections
from robotlab.errors import MotionError, PictureError
from robotlab.loop import Settings, drive, read_log

CAMERA = Camera(64, 48, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=0.3, hold_s=0.2, max_accel_mps2=4.0)
# Where nothing is to be noticed, a slow machine must not look like a fault.
CALM = SETTINGS.but(watchdog_s=5.0, max_mps=0.15)


class Camera50:
    """Fifty pictures a second; `then` is called instead after `count` of them."""

    def __init__(self, count=10**9, then=None):
        self.count, self.then, self.rng, self.picture = count, then, np.random.default_rng(0), None

    def __call__(self):
        time.sleep(0.02)
        self.count -= 1
        if self.count < 0:
            return self.then(self.picture)
        self.picture = self.rng.integers(0, 255, (48, 64, 3), np.uint8)
        return self.picture


def see(picture, x=40.0):
    return Detections([[x, 20, x + 2, 30]], [0.9], [0], ["post"])


def at_rest(link):
    return link.sent[-1][1:] == (0.0, 0.0) and link.wheels() == (0.0, 0.0)


def test_drives_right_toward_a_post_at_the_right_and_stops(tmp_path):
    link = SimulatedLink()
    done = drive(see, Camera50(), CAMERA, CALM, link, 0.6, log=tmp_path / "run.jsonl")
    assert done.reason == "the time was over" and done.state in ("follow", "hold") and done.observations > 5
    lefts, rights = np.array([row[1:] for row in link.sent]).T
    # ISO 8855: to the right is a negative yaw rate, so the left wheel is faster.
    assert lefts.max() > 0.1 and (lefts - rights).max() > 0.02 and (lefts - rights).min() > -0.02
    assert at_rest(link) and done.jitter.steps > 5
    log = read_log(tmp_path / "run.jsonl")
    assert log.complete and log.records[-2]["state"] == done.state


def test_over_the_line_protocol():
    board = Board()
    drive(see, Camera50(), CAMERA, CALM, SerialLink(board), 0.3)
    assert board.ignored == 0 and board.wheels() == (0.0, 0.0)


@pytest.mark.parametrize(
    ("take", "find", "part"),
    [
        (Camera50(10, lambda last: last), see, "camera"),
        (Camera50(10, lambda last: (time.sleep(1.0), last)[1]), see, "camera"),
        (Camera50(), lambda picture: (time.sleep(0.8), see(picture))[1], "detector|camera"),
    ],
    ids=["frozen camera", "camera hangs", "detector hangs"],
)
def test_silence_stops_it(take, find, part):
    import re

    link = SimulatedLink()
    done = drive(find, take, CAMERA, SETTINGS, link, 3.0)
    assert done.state == "fault" and re.match(f"({part}) must answer every 0.3 s", done.reason)
    assert at_rest(link)


def test_motors_stop_while_the_camera_hangs():
    link = SimulatedLink()
    begun = time.monotonic()
    done = drive(see, Camera50(15, lambda last: time.sleep(30)), CAMERA, SETTINGS, link, 20.0)
    # The call comes back although the camera never does.
    assert time.monotonic() - begun < 10 and done.state == "fault"
    assert max(row[1] for row in link.sent) > 0.1 and at_rest(link)


def test_error_in_the_detector_stops_the_motors():
    link, left = SimulatedLink(), [10]

    def break_down(picture):
        left[0] -= 1
        if left[0] < 0:
            raise RuntimeError("the detector broke")
        return see(picture)

    with pytest.raises(RuntimeError, match="the detector broke"):
        drive(break_down, Camera50(), CAMERA, SETTINGS, link, 3.0)
    assert at_rest(link)


def test_lost_link_ends_it():
    class Failing(SimulatedLink):
        def send(self, left_mps, right_mps):
            if len(self.sent) > 10:
                raise LinkError("the board must confirm, it did not; check the cable")
            super().send(left_mps, right_mps)

    done = drive(see, Camera50(), CAMERA, SETTINGS, Failing(), 3.0)
    assert done.state == "fault" and "must confirm" in done.reason


@pytest.mark.parametrize(
    ("take", "settings", "error", "words"),
    [
        (
            Camera50(0, lambda last: np.zeros((40, 64, 3), np.uint8)),
            SETTINGS,
            PictureError,
            "camera's size 64x48 px, got 64x40",
        ),
        (Camera50(0, lambda last: None), SETTINGS, PictureError, "the picture that take"),
        (Camera50(), SETTINGS.but(max_accel_mps2=None), MotionError, "needs an acceleration limit"),
        (Camera50(), SETTINGS.but(law="feed_forward"), MotionError, "does not tell; use law='p' or 'pd'"),
    ],
)
def test_bad_pictures_and_settings_are_refused(take, settings, error, words):
    link = SimulatedLink()
    with pytest.raises(error, match=words):
        drive(see, take, CAMERA, settings, link, 1.0)
    assert link.wheels() == (0.0, 0.0)


def test_the_field_of_view_of_the_settings_is_used():
    # The same pixels, a view half as wide: about half the bearing, so half the yaw rate.
    turns = []
    for hfov in (None, 0.5):
        link = SimulatedLink()
        drive(see, Camera50(), CAMERA, CALM.but(hfov_rad=hfov, drive_gain=0.0), link, 0.4)
        turns.append(max(left - right for _, left, right in link.sent))
    assert turns[1] == pytest.approx(turns[0] * np.arctan(0.29 * np.tan(0.25)) / np.arctan(0.29 * np.tan(0.5)), rel=0.1)
