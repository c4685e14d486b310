"""More attacks on the stop, each of which moved a wheel, or said that none moved, before it was mended."""

import fcntl
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress

import numpy as np
import pytest
from test_loop_stops import CAMERA, SETTINGS, Noted, live, see

from robotlab.control import Motor, RampThread, SerialLink, Supervisor
from robotlab.control.differential_drive import DifferentialDrive
from robotlab.errors import InputError, MotionError
from robotlab.loop import Settings, default_camera, drive, read_log
from robotlab.loop.limits import check_real_limits
from robotlab.loop.log import RunLog


def moving(told, since=0.0):
    return [row for row in told if row[0] > since and row[1] not in ("HALT", 0.0)]


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="no clock that counts sleep on this system")
def test_a_machine_that_slept_does_not_drive_on(monkeypatch):
    """The lid is closed and opened again: time.monotonic stood still meanwhile (CLOCK_MONOTONIC of Linux)."""
    link, slept, read = Noted(), [], time.clock_gettime

    def opened():
        slept.append(time.monotonic())

    monkeypatch.setattr(
        time, "clock_gettime", lambda kind: read(kind) + (600.0 if slept and kind == time.CLOCK_BOOTTIME else 0.0)
    )
    timer = threading.Timer(0.7, opened)
    timer.start()
    done = drive(see, live, CAMERA, SETTINGS, link, 2.0)
    assert done.state == "fault" and "apart" in done.reason, done.reason
    assert moving(link.told) and len(moving(link.told, slept[0] + 0.05)) <= 1


class TestLinksThatDoNotDoWhatALinkDoes:
    def test_one_that_cannot_stop_is_not_driven(self):
        class Bare:
            sent = 0

            def send(self, left_mps, right_mps):
                self.sent += 1

        link = Bare()
        with pytest.raises(MotionError, match=r"must have send.* and stop\(\), Bare has not"):
            drive(see, live, CAMERA, SETTINGS, link, 0.5)
        assert not link.sent

    def test_a_halt_only_promised_or_refused_is_not_confirmed(self):
        class Promises(Noted):
            async def stop(self):
                self.told.append((time.monotonic(), "HALT"))

        class Refuses(Noted):
            def stop(self):
                return False

        class RefusesInNumPy(Noted):
            def stop(self):
                return np.any([False])

        for link in (Promises(), Refuses(), RefusesInNumPy()):
            done = drive(see, live, CAMERA, SETTINGS, link, 0.3)
            assert not done.halt_confirmed and "must return when the board has confirmed" in done.reason

    def test_two_links_over_one_stream_have_one_owner(self):
        from robotlab.control.board import Board

        board = Board()
        with (
            RampThread(SerialLink(board), DifferentialDrive(), max_accel_mps2=1.0),
            pytest.raises(MotionError, match="must have one owner"),
            RampThread(SerialLink(board), DifferentialDrive(), max_accel_mps2=1.0),
        ):
            pass

    def test_one_whose_thread_could_not_start_is_free_again(self, monkeypatch):
        link = Noted()
        thread = RampThread(link, DifferentialDrive(), max_accel_mps2=1.0)
        monkeypatch.setattr(
            thread._thread, "start", lambda: (_ for _ in ()).throw(RuntimeError("can't start new thread"))
        )
        with pytest.raises(RuntimeError), thread:
            pass
        with RampThread(link, DifferentialDrive(), max_accel_mps2=1.0):
            pass


def test_ctrl_c_brakes_before_the_log_is_written(tmp_path):
    """A disk that takes nothing: the last word for the log waited before the motors were told."""
    path, link, pressed, done = tmp_path / "pipe", Noted(), [], []
    os.mkfifo(path)
    reader = os.open(path, os.O_RDWR | os.O_NONBLOCK)
    fcntl.fcntl(reader, fcntl.F_SETPIPE_SZ, 4096)

    def person():
        end = time.monotonic() + 0.8
        while time.monotonic() < end:
            drain()
            time.sleep(0.005)
        with open(path, "wb", buffering=0) as pipe:
            os.set_blocking(pipe.fileno(), False)
            while pipe.write(b"x" * 64):
                pass  # until it is full
        pressed.append(time.monotonic())
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(1.5)
        while not done:
            drain()
            time.sleep(0.005)

    def drain():
        with suppress(BlockingIOError):
            os.read(reader, 4096)

    thread = threading.Thread(target=person, daemon=True)
    thread.start()
    with pytest.raises(KeyboardInterrupt):
        drive(see, live, CAMERA, SETTINGS.but(watchdog_s=0.9, hold_s=0.4), link, 5.0, log=path)
    done.append(1)
    thread.join()
    os.close(reader)
    fast = [left for t, left, *_ in moving(link.told, pressed[0] + 0.1)]
    # 0.6 m/s at 4 m/s^2 is gone after 0.15 s.
    assert all(left <= 0.3 for left in fast) and not moving(link.told, pressed[0] + 0.3), fast


def test_missed_steps_are_no_leave_to_speed_up():
    """A jerk limit still speeds up for a while when it is told to brake; nine missed steps did so at once."""
    stop, step = Supervisor(0.0, max_accel_mps2=0.8, max_jerk_mps3=1.0, period_s=0.02, command_hold_s=9.0), 0.8 * 0.02
    stop.command(0.0, 0.6, 0.0)
    for k in range(30):
        stop.step(0.02 * k)
        stop.confirmed(0.02 * k)
    before = stop.speeds[0]
    stop.stop()
    assert stop.step(0.02 * 30 + 0.14, steps=8)[0] <= before + step + 1e-9


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"max_mps": 0.1, "max_reverse_mps": 5.0}, "stopping distance .* at 1 m/s"),
        ({"max_yaw_accel_radps2": 1e6}, "max_yaw_accel_radps2 must be at most"),
        ({"max_yaw_radps": 0.3, "search_radps": 0.8}, "search_radps must be at most max_yaw_radps"),
        ({"law": "pd", "derivative_gain": 50.0}, "derivative_gain must be at most 0.5"),
        # It stood for an hour, saw something and started by itself.
        ({"slow_s": 3600.0, "search_s": 0.0}, "stays stopped. must be at most 30 s"),
    ],
)
def test_settings_that_no_real_robot_gets(changes, words):
    with pytest.raises(MotionError, match=words):
        check_real_limits(Settings(**changes), default_camera())


def test_a_derivative_gain_from_one_on_grows_with_any_delay():
    """The change of the bearing comes back times derivative_gain, once each delay: |derivative_gain| < 1 (neutral delay equation)."""
    from robotlab.control.steering import PDTurn

    def last(derivative_gain, delay=3, frame_s=0.1):
        law, bearing, turns = PDTurn(1e-9, derivative_gain), [0.0, 0.1], [0.0] * delay
        law.step(0.0, frame_s)
        for _ in range(200):
            turns.append(law.step(bearing[-1], frame_s))
            bearing.append(bearing[-1] - frame_s * turns[-1 - delay])
        return abs(bearing[-1] - bearing[-2])

    assert last(0.5) < 1e-9 and last(1.1) > 0.1


def test_a_camera_slower_than_stated_is_not_driven_with_a_gain_for_the_stated_rate():
    """A gain for 50 pictures a second was accepted, and 10 came, of which it makes a growing oscillation."""

    def slow():
        time.sleep(0.08)
        return live()

    link, settings = Noted(), SETTINGS.but(watchdog_s=0.6, max_mps=0.15, motor=Motor(lag_s=0.0))
    high = settings.but(turn_gain=0.99 * settings.safe_gain)
    done = drive(see, slow, CAMERA, high, link, 6.0)
    assert done.state == "fault" and "turn_gain must be at most" in done.reason, done.reason
    assert "measured instead of 50" in done.reason
    assert 10 <= done.pictures <= 14


class TestClocksThatWait:
    def test_one_that_never_returns(self):
        back, left, begun = threading.Event(), [], time.monotonic()

        def clock():
            if time.monotonic() > begun + 0.4:
                left.append(back.wait(12.0))
            return time.monotonic()

        link = Noted()
        done = drive(see, live, CAMERA, SETTINGS, link, 20.0, clock=clock)
        assert not left and link.told[-1][1] == "HALT" and "clock must come back" in done.reason, done.reason
        back.set()

    def test_one_that_is_slow(self):
        calls, begun = [], time.monotonic()

        def clock():
            if time.monotonic() > begun + 0.4:
                calls.append(1)
                time.sleep(1.5)
            return time.monotonic()

        link = Noted()
        done = drive(see, live, CAMERA, SETTINGS, link, 20.0, clock=clock)
        assert link.told[-1][1] == "HALT" and done.state == "fault" and len(calls) < 6, (done.reason, calls)

    def test_a_lock_that_is_never_free_does_not_keep_halt_back(self, monkeypatch):
        monkeypatch.setattr("robotlab.control.ramp_thread._GRACE_S", 0.2)
        link, back = Noted(), threading.Event()
        with RampThread(link, DifferentialDrive(), max_accel_mps2=1.0) as thread:
            holder = threading.Thread(target=lambda: thread.tell(lambda *_: back.wait(20.0)), daemon=True)
            holder.start()
            time.sleep(0.1)
            thread.close()
            assert link.told[-1][1] == "HALT" and not back.is_set() and holder.is_alive()
            back.set()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux gives orphans to a program that asks for them")
def test_a_double_fork_leaves_no_grandchild():
    """It may hold the lock of the serial port: the next drive was refused."""
    orphans = []

    def forks(picture):
        if not orphans:
            told = subprocess.run(["sh", "-c", "sleep 60 >/dev/null 2>&1 & echo $!"], capture_output=True, check=True)
            orphans.append(int(told.stdout))
        return see(picture)

    mine = subprocess.Popen(["sleep", "60"])
    try:
        done = drive(forks, live, CAMERA, SETTINGS, Noted(), 0.5)
        assert done.children == 1 and not os.path.exists(f"/proc/{orphans[0]}"), done.reason
        assert mine.poll() is None
    finally:
        mine.kill()
        mine.wait()


class TestLogsThatAreNoFiles:
    def test_a_pipe_that_nobody_reads(self, tmp_path):
        os.mkfifo(tmp_path / "pipe")
        # Whatever happens, the test does not wait for good.
        reader = threading.Timer(5.0, lambda: open(tmp_path / "pipe", "rb").close())
        reader.daemon = True
        reader.start()
        with pytest.raises(InputError, match="must have a reader"):
            drive(see, live, CAMERA, SETTINGS, Noted(), 0.2, log=tmp_path / "pipe")
        reader.cancel()

    def test_a_path_with_a_zero(self):
        link = Noted()
        with pytest.raises(InputError, match="path of a run log must be one that a file can have"):
            drive(see, live, CAMERA, SETTINGS, link, 0.2, log="run\0.jsonl")
        assert not moving(link.told)

    def test_a_full_pipe_is_tried_again_and_never_waited_for(self, tmp_path):
        """Ctrl+C just before a write that waits was not seen until the pipe was read."""
        path = tmp_path / "pipe"
        os.mkfifo(path)
        reader = os.open(path, os.O_RDWR | os.O_NONBLOCK)
        log = RunLog(path)
        assert not os.get_blocking(log._file.fileno())
        while log._file.write(b"x" * 4096):
            pass
        got = []
        timer = threading.Timer(0.1, lambda: got.append(os.read(reader, 2**20)))
        timer.start()
        log.write({"kind": "end"})
        timer.join()
        log.close()
        assert set(got[0]) == {ord("x")} and os.read(reader, 2**20) == b'{"kind":"end"}\n'
        os.close(reader)

    def test_a_reader_that_goes_away_is_said(self, tmp_path):
        path = tmp_path / "pipe"
        os.mkfifo(path)
        reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        log = RunLog(path)
        log.write({"kind": "event"})
        os.close(reader)
        with pytest.raises(InputError, match="must have a reader, that of .* has gone; start one"):
            log.write({"kind": "event"})
        with pytest.raises(InputError, match=r"broke off earlier \(its reader has gone\); start a new one"):
            log.write({"kind": "end"})
        log.close()

    def test_ctrl_c_after_a_whole_record_breaks_no_log(self, tmp_path, monkeypatch):
        log = RunLog(tmp_path / "run.jsonl", sync_s=0.0)
        with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
            patched.setattr(os, "fsync", lambda file: signal.raise_signal(signal.SIGINT))
            log.write({"kind": "event"})
        log.write({"kind": "end"})
        log.close()
        assert read_log(tmp_path / "run.jsonl").complete

    def test_ctrl_c_within_a_record_leaves_no_record_after_half_a_one(self, tmp_path):
        path = tmp_path / "pipe"
        os.mkfifo(path)
        reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        fcntl.fcntl(reader, fcntl.F_SETPIPE_SZ, 4096)
        log = RunLog(path)
        log.write({"kind": "event"})
        timer = threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT))
        timer.start()
        with pytest.raises(KeyboardInterrupt):
            log.write({"kind": "event", "text": "x" * 20000})
        got = os.read(reader, 65536)
        with pytest.raises(InputError, match="broke off earlier .interrupted"):
            log.write({"kind": "end"})
        log.close()
        os.close(reader)
        (tmp_path / "copy").write_bytes(got)
        assert len(got) > 100 and read_log(tmp_path / "copy").records == ({"kind": "event"},)
