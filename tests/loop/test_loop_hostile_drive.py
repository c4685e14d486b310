"""The loop for a real trolley against parts that break, lie, hang and die; in real time.

Whatever a part does, the motors are told to stop within the stopping distance, the
call comes back with a clear word or the part's own error, and the log can be
read.
"""

import math
import os
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.control.line_protocol import LinkError
from robotlab.detections import Detections
from robotlab.errors import InputError, MotionError, PictureError
from robotlab.loop import Settings, drive, read_log, worst_stopping_distance_m

CAMERA = Camera(64, 48, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=0.3, hold_s=0.2, max_accel_mps2=4.0)
# Where nothing is to be noticed, a slow machine must not look like a fault.
CALM = SETTINGS.but(watchdog_s=5.0, max_mps=0.15)
FULL = 0.5  # A moment after which the trolley drives at its limit, s.


def see(picture):
    return Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])


class Part:
    """Works until a given time after its first call, and then does something else."""

    def __init__(self, works, then, after_s=FULL):
        self.works, self.then, self.after, self.begun, self.broke = works, then, after_s, None, None

    def __call__(self, *arguments):
        now = time.monotonic()
        self.begun = self.begun or now
        if now - self.begun < self.after:
            return self.works(*arguments)
        self.broke = self.broke or now
        return self.then(*arguments)


def live():
    time.sleep(0.02)
    return np.random.default_rng().integers(0, 255, (48, 64, 3), np.uint8)


def held():
    time.sleep(0.02)
    return np.full((48, 64, 3), 7, np.uint8)


def paced(value):
    """A camera that gives this instead of a picture."""

    def take():
        time.sleep(0.02)
        return value

    return take


class Wheels(SimulatedLink):
    """A link that may break, too."""

    def __init__(self, send=None, stop=None):
        super().__init__()
        self._broken_send, self._broken_stop, self.stops = send, stop, 0

    def send(self, left_mps, right_mps):
        if self._broken_send is not None:
            self._broken_send()
        super().send(left_mps, right_mps)

    def stop(self):
        self.stops += 1
        if self._broken_stop is not None:
            self._broken_stop()
        super().stop()


def way_since(link, t_s):
    """Way of the last commands from a time on, each holding until the next, m."""
    rows = np.array([(t, (left + right) / 2) for t, left, right in link.sent])
    if not len(rows):
        return 0.0
    ends = np.append(rows[1:, 0], rows[-1, 0])
    return float(np.sum(np.abs(rows[:, 1]) * np.clip(ends - np.maximum(rows[:, 0], t_s), 0, None)))


def raises(error):
    def part(*_):
        raise error

    return part


def mutating(picture):
    picture[:, :, 0] = np.random.default_rng().integers(0, 255, picture.shape[:2])
    return see(picture)


FOREVER = threading.Event()  # is never set
FAULTS = {
    # name: (what take does, what the detector does, what the word must hold)
    "camera hangs": (lambda: FOREVER.wait(60), None, "camera must answer"),
    "camera freezes": (held, None, "same picture"),
    "camera is black": (paced(np.zeros((48, 64, 3), np.uint8)), None, "same picture"),
    "camera freezes and waits for nothing": (lambda: np.zeros((48, 64, 3), np.uint8), None, "same picture"),
    "detector hangs": (None, lambda picture: FOREVER.wait(60), "detector must answer|camera must answer"),
    "detector is slow": (
        None,
        lambda picture: (time.sleep(0.8), see(picture))[1],
        "detector must answer|camera must answer",
    ),
    "camera freezes while the detector draws on its picture": (held, mutating, "same picture"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_silence_ends_it_within_the_stopping_distance(name, tmp_path):
    broken_take, broken_find, words = FAULTS[name]
    for count in range(3):
        take, find = Part(live, broken_take or live), Part(see, broken_find or see)
        link = Wheels()
        done = drive(find, take, CAMERA, SETTINGS, link, 20.0, log=tmp_path / f"run{count}.jsonl")
        # A machine so busy that the loop itself was held up has ended it for that reason, and shown nothing else.
        if "two checks must be" not in done.reason:
            break
    assert done.state == "fault" and any(word in done.reason for word in words.split("|")), done.reason
    assert link.sent[-1][1:] == (0.0, 0.0) and link.stops >= 1
    assert max(left for _, left, _ in link.sent) > 0.3
    # Half as much again: this machine's threads are late as they like.
    assert way_since(link, min(part.broke for part in (take, find) if part.broke)) < 1.5 * worst_stopping_distance_m(
        SETTINGS
    )
    log = read_log(tmp_path / f"run{count}.jsonl")
    assert log.complete and log.records[-2]["text"] == done.reason


@pytest.mark.parametrize(
    ("take", "find", "error", "words"),
    [
        (paced(None), None, PictureError, "the picture that take"),
        (paced(np.zeros((0, 0, 3), np.uint8)), None, PictureError, "the picture that take"),
        (paced(np.zeros((48, 64, 3))), None, PictureError, "the picture that take"),
        (paced(np.zeros((48, 64), np.uint8)), None, PictureError, "the picture that take"),
        (paced(np.zeros((48, 64, 4), np.uint8)), None, PictureError, "the picture that take"),
        (paced(np.zeros((64, 48, 3), np.uint8)), None, PictureError, "camera's size 64x48 px, got 48x64"),
        (raises(OSError("no such camera")), None, OSError, "no such camera"),
        (None, raises(ZeroDivisionError("mine")), ZeroDivisionError, "mine"),
        (None, raises(KeyboardInterrupt("inside")), KeyboardInterrupt, "inside"),
        (None, raises(SystemExit(3)), SystemExit, "3"),
        (None, lambda picture: None, InputError, "must return Detections, .* NoneType"),
        (None, lambda picture: [[1, 2, 3, 4]], InputError, "must return Detections, .* list"),
        (None, lambda picture: Detections([[1, 2, math.nan, 4]], [1.0], [0], ["post"]), InputError, "must be finite"),
        (None, lambda picture: Detections([[1, 2, 3, 4]], [math.inf], [0], ["post"]), InputError, "scores"),
        (
            None,
            lambda picture: Detections([[1, 2, 3, 4]], [1.0], [0], ["cat"]),
            InputError,
            "must know the class 'post'",
        ),
        (None, lambda picture: Detections([[9, 2, 3, 4]], [1.0], [0], ["post"]), InputError, "x0 <= x1"),
    ],
)
def test_errors_are_raised_with_the_motors_stopped(take, find, error, words, tmp_path):
    link = Wheels()
    with pytest.raises(error, match=words):
        drive(
            Part(see, find or see, 0.2),
            Part(live, take or live, 0.2),
            CAMERA,
            SETTINGS,
            link,
            20.0,
            log=tmp_path / "run.jsonl",
        )
    assert link.sent[-1][1:] == (0.0, 0.0) and link.stops >= 1
    last = read_log(tmp_path / "run.jsonl").records[-1]
    assert last["what"] == "fault" and error.__name__ in last["text"] or issubclass(error, InputError)


def test_a_detector_object_is_held_to_the_contract_as_well():
    class Wrong:
        def detect(self, picture):
            return {"boxes": []}

    with pytest.raises(InputError, match="must return Detections, Wrong returned dict"):
        drive(Wrong(), live, CAMERA, SETTINGS, Wheels(), 5.0)


@pytest.mark.parametrize(
    "boxes", [[[-500, -500, -400, -300]], [[70, 5, 90, 40]], [[0, 0, 1e-9, 40]], [[-1e308, 0, 1e308, 40]]]
)
def test_boxes_that_cannot_be_the_target_are_not_driven_to(boxes):
    link = Wheels()
    done = drive(lambda picture: Detections(boxes, [0.9], [0], ["post"]), live, CAMERA, CALM, link, 0.4)
    assert done.observations == 0 and done.reason == "the time was over"
    assert all(row[1:] == (0.0, 0.0) for row in link.sent)


def test_a_camera_that_fills_one_buffer_is_no_frozen_camera():
    buffer = np.zeros((48, 64, 3), np.uint8)

    def take():
        buffer[:] = live()
        return buffer

    done = drive(see, take, CAMERA, CALM, Wheels(), 0.8)
    assert done.reason == "the time was over" and done.observations > 5


class TestLink:
    def test_one_lost_line_is_no_lost_link(self):
        times = [0]

        def now_and_then():
            times[0] += 1
            if times[0] % 4 == 0:
                raise LinkError("the board must confirm, it did not")

        done = drive(see, live, CAMERA, CALM, Wheels(now_and_then), 0.8)
        assert done.reason == "the time was over" and done.state in ("follow", "hold")

    @pytest.mark.parametrize("error", [LinkError("gone"), TypeError("a mistake in it"), SystemExit(4)])
    def test_a_broken_link_is_told_to_stop(self, error):
        link = Wheels(Part(lambda: None, raises(error)))
        done = drive(see, live, CAMERA, SETTINGS, link, 20.0)
        assert done.state == "fault" and str(error) in done.reason and link.stops >= 1

    def test_a_link_that_hangs_does_not_hang_the_call(self):
        link = Wheels(Part(lambda: None, lambda: FOREVER.wait(60)), lambda: FOREVER.wait(60))
        done = drive(see, live, CAMERA, SETTINGS, link, 20.0)
        assert done.state == "fault" and "hung" in done.reason and "cut the power" in done.reason and link.stops >= 1

    def test_a_stop_that_hangs_or_fails_is_reported(self):
        for stop, words in (
            (lambda: FOREVER.wait(60), "cut the power"),
            (raises(LinkError("no answer to HALT")), "no answer to HALT"),
        ):
            done = drive(see, live, CAMERA, SETTINGS, Wheels(None, stop), 0.4)
            assert done.state == "fault" and words in done.reason

    def test_a_slow_link_does_not_lengthen_the_stop(self):
        soft = SETTINGS.but(max_accel_mps2=0.8)
        link = Wheels(lambda: time.sleep(0.1))
        take = Part(live, lambda: FOREVER.wait(60), 2.0)
        drive(see, take, CAMERA, soft, link, 20.0)
        rows = np.array([(t, (left + right) / 2) for t, left, right in link.sent])
        assert rows[:, 1].max() > 0.3
        # Steps of five times the period: five times as far, if they were taken as one.
        assert way_since(link, take.broke) < 1.5 * worst_stopping_distance_m(soft)


class TestClock:
    @pytest.mark.parametrize(
        "then",
        [
            lambda t, broke, last: t + 5,
            lambda t, broke, last: t - 5,
            lambda t, broke, last: last + t - broke - 0.05,
            lambda t, broke, last: 12345.0,
            lambda t, broke, last: broke + 0.5 * (t - broke),
            lambda t, broke, last: broke + 3 * (t - broke),
        ],
        ids=["forward", "back", "back a little", "stands still", "half as fast", "three times as fast"],
    )
    def test_a_wrong_clock_is_noticed(self, then):
        """It breaks when it is first read after FULL, so that it goes back however late that is; `last` is what it gave before."""
        start, last, broke = time.monotonic(), 0.0, None

        def wrong():
            nonlocal last, broke
            t = time.monotonic() - start
            if t >= FULL:
                broke = broke or t
                return 100 + then(t, broke, last)
            last = t
            return 100 + t

        link = Wheels()
        done = drive(see, live, CAMERA, SETTINGS, link, 20.0, clock=wrong)
        assert done.state == "fault" and ("clock" in done.reason or "two checks" in done.reason)
        assert way_since(link, start + FULL) < 1.5 * worst_stopping_distance_m(SETTINGS)

    @pytest.mark.parametrize("value", [math.nan, None, "noon"])
    def test_a_clock_that_gives_no_number(self, value):
        link = Wheels()
        with pytest.raises(MotionError, match="the clock's time must be"):
            drive(see, live, CAMERA, SETTINGS, link, 20.0, clock=Part(time.monotonic, lambda: value, 0.2))
        assert link.sent[-1][1:] == (0.0, 0.0)


PROGRAM = """
import sys, time
import numpy as np
from robotlab.camera import Camera
from robotlab.loop import Settings, drive
from robotlab.control import SimulatedLink
from robotlab.detections import Detections

class Told(SimulatedLink):
    def send(self, left, right):
        super().send(left, right)
        if left > 0.1:
            print("fast", flush=True)
    def stop(self):
        super().stop()
        print("stopped after", self.sent[-2][1], flush=True)

rng = np.random.default_rng(0)
def take():
    time.sleep(0.02)
    return rng.integers(0, 255, (48, 64, 3), np.uint8)
def see(picture):
    if sys.argv[2] == "hang" and time.monotonic() - begun > 0.3:
        time.sleep(60)
    return Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])
begun = time.monotonic()
settings = Settings(frame_hz=50, delay_s=0.0, watchdog_s=5.0, hold_s=1.0, max_mps=0.15, max_accel_mps2=4.0)
drive(see, take, Camera(64, 48, 1.0, height_m=0.25), settings, Told(), 60.0, log=sys.argv[1])
"""


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signals on this system")
@pytest.mark.parametrize(
    ("kinds", "way"), [(("SIGINT", "SIGINT"), "live"), (("SIGTERM",), "hang"), (("SIGHUP", "SIGTERM"), "live")]
)
def test_signals_stop_the_motors(kinds, way, tmp_path):
    path = tmp_path / "run.jsonl"
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(path), way], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        assert process.stdout.readline() == "fast\n"
        for kind in kinds:
            os.kill(process.pid, getattr(signal, kind))
            time.sleep(0.03)
        lines = process.communicate(timeout=60)[0].splitlines()
    finally:
        process.kill()
    # Ramped down to 0, then let go of, once.
    assert [line for line in lines if line != "fast"] == ["stopped after 0.0"]
    assert process.returncode in (-signal.SIGINT, 130, 1, 128 + signal.SIGTERM, 128 + signal.SIGHUP)
    assert "Interrupt" in read_log(path).records[-1]["text"] or "SystemExit" in read_log(path).records[-1]["text"]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_a_killed_drive_leaves_a_log_up_to_its_last_record(tmp_path):
    path = tmp_path / "run.jsonl"
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(path), "live"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        assert process.stdout.readline() == "fast\n"
        process.kill()
        process.wait()
    finally:
        process.stdout.close()
    log = read_log(path)
    assert not log.complete and log.records[0]["kind"] == "start" and len(log.records) > 2


def test_outside_the_main_thread_no_signal_is_touched():
    before, done = signal.getsignal(signal.SIGTERM), []
    thread = threading.Thread(target=lambda: done.append(drive(see, live, CAMERA, CALM, Wheels(), 0.3)))
    thread.start()
    thread.join()
    assert done[0].reason == "the time was over" and signal.getsignal(signal.SIGTERM) == before


def test_signals_are_handed_back():
    before = signal.getsignal(signal.SIGTERM)
    drive(see, live, CAMERA, CALM, Wheels(), 0.1)
    assert signal.getsignal(signal.SIGTERM) == before
