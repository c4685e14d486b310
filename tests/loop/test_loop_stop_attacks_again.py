"""Attacks on the loop from all sides at once, over a board in memory: it ends, it says why, and nothing moves after a fault."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from test_loop_stops import CAMERA, Noted, live, see

from robotlab.control import SerialLink
from robotlab.control.board import Board
from robotlab.control.line_protocol import SEQUENCES
from robotlab.errors import InputError, MotionError
from robotlab.loop import Settings, drive

SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=0.6, hold_s=0.2, max_accel_mps2=2.0, max_mps=0.3)
# One step of the ramp, and what a wheel's share of a turn adds to it, m/s.
STEP_MPS = 0.2


class Stream:
    """The line to a board; what is said and answered on it can be changed on the way, and the speeds are noted."""

    def __init__(self, down=lambda line, n: [line], up=lambda line, n: [line]):
        self.board, self._down, self._up, self._lines, self.count = Board(max_accel_mps2=4.0), down, up, [], 0
        self.speeds = []

    def write(self, line):
        self.count += 1
        for one in self._down(line, self.count):
            self.board.write(one)
            self.speeds.append((time.monotonic(), self.board.wheels()[0]))
        self._lines += [one for said in iter(self.board.readline, b"") for one in self._up(said, self.count)]
        return len(line)

    def readline(self):
        if not self._lines:
            time.sleep(0.01)
            return b""
        line = self._lines.pop(0)
        return line() if callable(line) else line


def driven(stream, seconds=1.2, settings=SETTINGS, **more):
    link = SerialLink(stream)
    done = drive(see, live, CAMERA, settings, link, seconds, **more)
    jumps = np.diff([0.0, *(speed for _, speed in stream.speeds)])
    assert jumps.max() < STEP_MPS, "a wheel was told to jump"
    ended = time.monotonic()
    time.sleep(0.1)
    assert not [row for row in stream.speeds if row[0] > ended], "something was sent after the drive"
    return done, link


def moved(stream):
    return any(speed > 0.05 for _, speed in stream.speeds)


def late(line, n):
    """Every answer comes after half of the time that it may take."""
    return [lambda: (time.sleep(0.03), line)[1]]


class Held:
    """Answers that come one line later than asked."""

    def __init__(self):
        self.last = []

    def __call__(self, line, n):
        before, self.last = self.last, [line]
        return before


@pytest.mark.parametrize(
    ("down", "up", "works"),
    [
        pytest.param(lambda line, n: [line, line], lambda line, n: [line], True, id="lines come twice"),
        pytest.param(lambda line, n: [line], lambda line, n: [line, line, line], True, id="answers come three times"),
        pytest.param(lambda line, n: [line[:7], line[7:]], lambda line, n: [line[:4], line], True, id="partial lines"),
        pytest.param(lambda line, n: [line], late, True, id="late answers"),
        pytest.param(lambda line, n: [line] * (n % 5 > 0), lambda line, n: [line], True, id="every fifth line is lost"),
        pytest.param(
            lambda line, n: [line], lambda line, n: [line] * (n % 5 > 0), True, id="every fifth answer is lost"
        ),
        pytest.param(
            lambda line, n: [b"\xff" * 99 + b"\n", line], lambda line, n: [b"\0" * 99, line], True, id="noise"
        ),
        pytest.param(lambda line, n: [line], Held(), False, id="every answer is the one before"),
        pytest.param(lambda line, n: [line], lambda line, n: [line.swapcase()], False, id="answers in small letters"),
        pytest.param(lambda line, n: [line], lambda line, n: [None], False, id="answers that are nothing"),
        pytest.param(lambda line, n: [line], lambda line, n: ["OK"], False, id="answers that are text"),
        pytest.param(lambda line, n: [line] * (n < 20), lambda line, n: [line], False, id="unplugged in the ramp"),
        pytest.param(lambda line, n: [line], lambda line, n: [line] * (n < 20), False, id="deaf on one side"),
    ],
)
def test_a_line_that_goes_wrong(down, up, works):
    stream = Stream(down, up)
    done, _ = driven(stream)
    if works:
        assert done.reason == "the time was over" and done.halt_confirmed and moved(stream), done.reason
    else:
        assert done.state == "fault" and ("link" in done.reason or "confirm" in done.reason), done.reason
    end = time.monotonic() + 3
    while stream.board.wheels() != (0.0, 0.0) and time.monotonic() < end:
        time.sleep(0.02)
    assert stream.board.wheels() == (0.0, 0.0)


@pytest.mark.parametrize("at", [15, 25])
def test_a_board_that_reboots_begins_at_zero(at):
    """It forgets its count and its speed; what is told next is 0, and then along the ramp."""

    def down(line, n):
        if n == at:
            stream.board = Board(max_accel_mps2=4.0)
        return [line]

    stream = Stream(down)
    done, _ = driven(stream)
    assert done.halt_confirmed and 0.0 in [speed for _, speed in stream.speeds[at - 1 : at + 12]]


def test_numbers_of_lines_that_begin_anew():
    stream = Stream()
    link = SerialLink(stream)
    link._next = SEQUENCES - 20
    done = drive(see, live, CAMERA, SETTINGS, link, 0.8)
    assert done.reason == "the time was over" and link._next < 1000 and moved(stream)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 2.0, -2.0])
def test_a_monotonic_clock_that_jumps(jump_s, monkeypatch):
    """It must not, and did not; were it to, nothing may hang and nothing may speed up in one step."""
    real, since = time.monotonic, time.monotonic() + 0.4
    monkeypatch.setattr(time, "monotonic", lambda: real() + (jump_s if real() > since else 0.0))
    done, stream = [], Stream()
    stream.board = Board(clock=real, max_accel_mps2=4.0)

    def run():
        with suppress(MotionError):
            done.append(drive(see, live, CAMERA, SETTINGS, SerialLink(stream), 1.0))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    end = real() + 20
    while thread.is_alive() and real() < end:
        time.sleep(0.05)
    assert done, "drive() has not returned"
    assert done[0].halt_confirmed
    # And the thread that sends has not slept until a time of the old clock. A jump ahead while a line is
    # written is the same to it as a line that hung that long; a jump back is not.
    assert jump_s > 0 or "hung" not in done[0].reason, done[0].reason
    speeds = [speed for _, speed in stream.speeds]
    assert np.diff([0.0, *speeds]).max() < STEP_MPS
    end = real() + 3
    while stream.board.wheels() != (0.0, 0.0) and real() < end:
        time.sleep(0.02)
    assert stream.board.wheels() == (0.0, 0.0)


@pytest.mark.skipif(sys.platform != "linux", reason="children are ended on Linux")
def test_a_viewer_that_forks_leaves_no_second_driver(tmp_path):
    def show(seen):
        if seen.index == 2:
            child = os.fork()
            if child:
                (tmp_path / "child").write_text(str(child))

    stream = Stream()
    done, _ = driven(stream, 0.6, show=show)
    child = int((tmp_path / "child").read_text())
    assert done.reason == "the time was over"
    end = time.monotonic() + 10
    while time.monotonic() < end:
        try:
            if os.waitpid(child, os.WNOHANG)[0]:
                return
        except ChildProcessError:
            return
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    pytest.fail("the child lives on")


class Hold:
    timeout_s, ended = 0.4, ""

    def begin(self, tell):
        tell(lambda stop, t, _: stop.control.press(t, t))


class FailsToBegin(Hold):
    def begin(self, tell):
        super().begin(tell)
        raise OSError("no such button")


class FailsToEnd(Hold):
    @property
    def ended(self):
        raise OSError("no such button")


@pytest.mark.parametrize("hold", [FailsToBegin(), FailsToEnd()])
def test_a_control_that_fails_stops_it(hold):
    link = Noted()
    with pytest.raises(OSError, match="no such button"):
        drive(see, live, CAMERA, SETTINGS, link, 0.6, hold=hold)
    assert link.told[-1][1] == "HALT"


@pytest.mark.parametrize("timeout_s", [float("nan"), 0.0, -1.0, 1e9, "0.4", None])
def test_a_control_with_a_time_without_sense_is_refused(timeout_s):
    hold, link = Hold(), Noted()
    hold.timeout_s = timeout_s
    with pytest.raises((InputError, TypeError)):
        drive(see, live, CAMERA, SETTINGS, link, 0.3, hold=hold)
    assert not [row for row in link.told if row[1] not in ("HALT", 0.0)]


@pytest.mark.parametrize("seconds", [float("nan"), float("inf"), 0.0, -1.0, "soon", None])
def test_a_time_without_sense_is_refused(seconds):
    link = Noted()
    with pytest.raises(InputError):
        drive(see, live, CAMERA, SETTINGS, link, seconds)
    assert not link.told


def test_a_drive_within_a_drive_is_refused():
    link = Noted()

    def show(seen):
        drive(see, live, CAMERA, SETTINGS, link, 0.2)

    with pytest.raises(MotionError, match="must have one owner"):
        drive(see, live, CAMERA, SETTINGS, link, 5.0, show=show)
    assert link.told[-1][1] == "HALT"


def test_a_port_closed_by_somebody_else_ends_it():
    class Closed(Stream):
        shut = False

        def write(self, line):
            if self.shut:
                raise ValueError("write to closed file")
            return super().write(line)

    stream = Closed()
    timer = threading.Timer(0.4, lambda: setattr(stream, "shut", True))
    timer.start()
    done, _ = driven(stream, 5.0)
    assert done.state == "fault" and not done.halt_confirmed and "HALT must be confirmed" in done.reason


@pytest.mark.parametrize("which", range(3))
def test_a_thread_that_cannot_start_moves_nothing(which, monkeypatch):
    """Viewer, camera, ramp: the machine has no thread left for one of them."""
    link, start, begun = Noted(), threading.Thread.start, []

    def limited(thread):
        begun.append(thread.name)
        if len(begun) == which + 1:
            raise RuntimeError("can't start new thread")
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", limited)
    with pytest.raises(RuntimeError, match="can't start"):
        drive(see, live, CAMERA, SETTINGS, link, 0.5, show=lambda seen: None)
    assert not [row for row in link.told if row[1] not in ("HALT", 0.0)]
    monkeypatch.undo()
    assert drive(see, live, CAMERA, SETTINGS, link, 0.3).reason == "the time was over"


def test_a_disk_that_hangs_does_not_keep_the_recorder(tmp_path, monkeypatch):
    import robotlab.robot.recording as recording

    leave = threading.Event()
    monkeypatch.setattr(recording, "write_whole", lambda *_: leave.wait())
    monkeypatch.setattr(recording, "_PATIENCE_S", 0.2)
    with recording.PictureRecorder(Path(tmp_path) / "p") as recorder:
        done = drive(see, live, CAMERA, SETTINGS, Noted(), 0.6, show=recorder.show)
    leave.set()
    assert done.reason == "the time was over" and "it hangs" in recorder.error
