"""Motor link, watchdog and the ramp thread."""

import os
import sys
import threading
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotlab.control import DifferentialDrive, MotorLink, RampThread, SerialLink, SimulatedLink, Watchdog
from robotlab.control.board import Board
from robotlab.control.line_protocol import BOARD_TIMEOUT_S, LinkError, crc16, frame, unframe
from robotlab.control.safety import StopKind
from robotlab.errors import MotionError


class Clock:
    """A clock that stands until it is set."""

    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


class TestProtocol:
    def test_crc_check_value(self):
        # Catalog of parametrized CRC algorithms, CRC-16/IBM-3740: check value of
        # the digits 1 to 9 is 0x29B1 (from memory).
        assert crc16(b"123456789") == 0x29B1

    @given(st.integers(0, 65535), st.integers(-3000, 3000), st.integers(-3000, 3000))
    def test_round_trip(self, seq, left, right):
        assert unframe(frame("GO", seq, left, right)) == ["GO", str(seq), str(left), str(right)]

    @given(st.integers(0, 15), st.integers(1, 255))
    def test_any_single_damaged_byte_is_caught(self, place, change):
        line = bytearray(frame("GO", 12, 250, -250))
        line[place] ^= change
        if line[place] in b"\r\n":
            return
        with pytest.raises(LinkError):
            unframe(bytes(line))

    @given(st.binary(max_size=200))
    def test_board_survives_noise(self, noise):
        board = Board()
        board.write(noise)
        board.write(b"\n")
        board.write(frame("GO", 0, 0, 0) + frame("GO", 1, 100, 100))
        assert board.wheels() == (0.1, 0.1)
        assert len(board._in) <= 64

    def test_lines_may_come_in_pieces(self):
        board, line = Board(), frame("GO", 2, 0, 0) + frame("GO", 3, 120, 130)
        for place in range(len(line)):
            board.write(line[place : place + 1])
        assert board.wheels() == (0.12, 0.13)
        assert [unframe(board.readline()) for _ in range(2)] == [["OK", "2"], ["OK", "3"]]


class TestSerialLink:
    def test_is_a_motor_link(self):
        assert isinstance(SerialLink(Board()), MotorLink)
        assert isinstance(SimulatedLink(), MotorLink)

    def test_send_and_stop(self):
        clock = Clock()
        board = Board(clock=clock, max_accel_mps2=1.0)
        link = SerialLink(board)
        link.send(0.2504, -0.1)
        assert board.wheels() == (0.25, -0.1)
        link.stop()
        clock.now += 0.1
        assert board.wheels() == pytest.approx((0.15, 0.0))
        clock.now += 0.151
        assert board.wheels() == (0.0, 0.0)

    def test_board_halts_along_its_ramp_when_lines_stop_coming(self):
        clock = Clock()
        board = Board(clock=clock, max_accel_mps2=1.0)
        SerialLink(board).send(0.3, 0.3)
        clock.now += BOARD_TIMEOUT_S
        assert board.wheels() == (0.3, 0.3)
        clock.now += 0.1
        assert board.wheels() == pytest.approx((0.2, 0.2))
        clock.now += 0.201
        assert board.wheels() == (0.0, 0.0)

    def test_a_board_that_halted_by_itself_wants_a_zero_first(self):
        # What a computer sends that slept meanwhile is old.
        clock = Clock()
        board = Board(clock=clock)
        link = SerialLink(board)
        link.send(0.3, 0.3)
        clock.now += 5.0
        with pytest.raises(LinkError, match="answered halted"):
            link.send(0.3, 0.3)
        assert board.wheels() == (0.0, 0.0)
        link.send(0.0, 0.0)
        link.send(0.02, 0.02)
        assert board.wheels() == (0.02, 0.02)

    def test_refused_command_names_the_reason(self):
        with pytest.raises(LinkError, match="answered fast"):
            SerialLink(Board(max_mps=0.5)).send(0.6, 0.0)

    @pytest.mark.parametrize("speed", [float("nan"), float("inf"), 2.5, "fast"])
    def test_bad_speed_is_not_sent(self, speed):
        board = Board()
        with pytest.raises(MotionError, match="left_mps must be"):
            SerialLink(board).send(speed, 0.0)
        assert board.readline() == b""

    def test_silent_board(self):
        class Silent(Board):
            def readline(self):
                return b""

        with pytest.raises(LinkError, match="must confirm within 0.02 s"):
            SerialLink(Silent(), reply_s=0.02).send(0.1, 0.1)

    @pytest.mark.parametrize("part", ["write", "readline"])
    def test_a_cable_pulled_out(self, part):
        board = Board()

        def gone(*_):
            raise OSError("device disconnected")

        setattr(board, part, gone)
        with pytest.raises(LinkError, match="failed .device disconnected.; check cable"):
            SerialLink(board).send(0.1, 0.1)

    @pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
    @pytest.mark.filterwarnings("ignore:This process .* is multi-threaded")
    def test_a_forked_child_drives_nothing(self):
        link = SerialLink(Board())
        child = os.fork()
        if not child:
            try:
                link.send(0.1, 0.1)
                os._exit(0)
            except LinkError as error:
                os._exit(7 if "by the program that opened it" in str(error) else 1)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7

    def test_after_a_lost_answer_what_was_not_read_is_dropped(self):
        class Port(Board):
            dropped = 0

            def readline(self):
                return b""

            def reset_output_buffer(self):
                self.dropped += 1

        port = Port()
        link = SerialLink(port, reply_s=0.01)
        for _ in range(3):
            with pytest.raises(LinkError, match="must confirm"):
                link.send(0.1, 0.1)
        assert port.dropped == 2

    def test_bytes_that_drip_do_not_hold_a_port_up(self):
        from robotlab.control.link import _Port

        class Drips:
            in_waiting, write, close, reset_output_buffer = 1, None, None, None

            def read(self, count):
                time.sleep(0.005)
                return b"x"

        begun = time.monotonic()
        assert _Port(Drips(), 0.05).readline() == b"" and time.monotonic() - begun < 5

    def test_late_and_damaged_answers_are_passed_by(self):
        board = Board()
        board._out = frame("OK", 65000) + b"OK 0*00\n" + b"\xff\xfe\n"
        link = SerialLink(board)
        link.send(0.1, 0.1)
        assert board.wheels() == (0.1, 0.1)

    def test_without_pyserial(self, monkeypatch):
        monkeypatch.setitem(sys.modules, "serial", None)
        with pytest.raises(LinkError, match=r"pyserial.*pip install .*robot"):
            SerialLink.open("/dev/null")

    def test_no_such_port(self):
        pytest.importorskip("serial", reason="pyserial is an extra: pip install 'robotlab[robot]'")
        with pytest.raises(LinkError, match="cannot be opened"):
            SerialLink.open("/dev/no-such-port")

    @pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
    def test_over_a_pseudo_terminal(self):
        pytest.importorskip("serial", reason="pyserial is an extra: pip install 'robotlab[robot]'")
        ours, theirs = os.openpty()
        board, done = Board(), threading.Event()

        def serve():
            while not done.is_set():
                try:
                    board.write(os.read(ours, 64))
                except OSError:
                    return  # the other end was closed
                while answer := board.readline():
                    os.write(ours, answer)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        link = SerialLink.open(os.ttyname(theirs), reply_s=2.0)
        try:
            for speed in (0.1, 0.2, -0.3):
                link.send(speed, speed)
                assert board.wheels() == (speed, speed)
            with pytest.raises(LinkError, match="cannot be opened .*xclusive"):
                SerialLink.open(os.ttyname(theirs))
            link.stop()
            time.sleep(0.35)
            assert board.wheels() == (0.0, 0.0)
        finally:
            done.set()
            link.close()
            os.close(theirs)
            thread.join(timeout=2)
            os.close(ours)


class TestWatchdog:
    def test_each_part_trips_and_stays_tripped(self):
        for part in ("camera", "detector", "link"):
            clock = Clock()
            watchdog = Watchdog({"camera": 0.3, "detector": 0.3, "link": 0.3}, clock=clock)
            for _ in range(20):
                clock.now += 0.05
                for other in ("camera", "detector", "link"):
                    if other != part:
                        watchdog.feed(other)
                watchdog.check()
            assert watchdog.fault.part == part
            watchdog.feed(part)
            clock.now += 0.05
            assert watchdog.check().part == part  # a sign of life must not restart anything
            watchdog.reset()
            assert watchdog.check() is None

    def test_trips_neither_early_nor_late(self):
        clock = Clock()
        watchdog = Watchdog({"camera": 0.3}, clock=clock)
        clock.now += 0.3
        assert watchdog.check() is None
        clock.now += 0.001
        assert "silent for 0.301 s" in watchdog.check().message

    @pytest.mark.parametrize("jump", [-0.01, 5.0, float("nan")])
    def test_clock_jumps(self, jump):
        clock = Clock()
        watchdog = Watchdog({"camera": 60.0}, max_gap_s=1.0, clock=clock)
        clock.now += jump
        assert watchdog.check().part == "clock"

    @pytest.mark.parametrize(
        ("rate", "trips"), [(1.0, False), (0.9, False), (1.1, False), (0.0, True), (0.5, True), (2.0, True)]
    )
    def test_two_clocks_are_held_against_each_other(self, rate, trips):
        first, second = Clock(), Clock()
        watchdog = Watchdog({"camera": 60.0}, max_gap_s=1.0, clock=first, steady=second)
        seconds = 0
        while watchdog.check() is None and seconds < 50:
            first.now += 0.05 * rate
            second.now += 0.05
            seconds += 0.05
        assert (watchdog.fault is not None) is trips
        if trips:
            assert watchdog.fault.part == "clock" and "came 0." in watchdog.fault.message and seconds <= 1.0 + 1e-9
            watchdog.reset()
            assert watchdog.check() is None

    def test_a_hold_up_between_two_readings_is_no_wrong_clock(self):
        # Both clocks are right; the program stood still for .9 s between reading them.
        true = Clock()

        def held_up():
            now = true.now
            true.now += 0.9
            return now

        watchdog = Watchdog({"camera": 60.0}, max_gap_s=1.0, clock=true, steady=held_up)
        for _ in range(9):
            assert watchdog.check() is None or watchdog.fault.message.startswith("two checks")

    def test_of_two_silent_parts_the_first_given_is_named(self):
        # A dead camera silences the detector as well.
        clock = Clock()
        watchdog = Watchdog({"camera": 0.3, "detector": 0.3}, clock=clock)
        clock.now += 0.5
        assert watchdog.check().part == "camera"

    def test_unknown_part(self):
        with pytest.raises(MotionError, match="part must be one of camera, got 'lidar'"):
            Watchdog({"camera": 1}).feed("lidar")

    def test_stop_categories(self):
        # IEC 60204-1 (secondary source): 1 releases after braking, 2 holds.
        assert (StopKind.RELEASE.category, StopKind.HOLD.category) == (1, 2)


class Recorder(SimulatedLink):
    """A link that can fail after some sends."""

    fail_after = 10**9
    stops = 0

    def send(self, left_mps, right_mps):
        if len(self.sent) >= self.fail_after:
            raise LinkError("the board must confirm, it did not; check the cable")
        super().send(left_mps, right_mps)

    def stop(self):
        self.stops += 1
        super().stop()


def _lefts(link):
    return [left for _, left, _ in link.sent]


def until(happened, *, meanwhile=lambda: None, patience_s=20.0):
    """Wait until something has happened, which an idle computer needs a fraction of a second for."""
    end = time.monotonic() + patience_s
    while not happened():
        assert time.monotonic() < end, "it did not happen"
        meanwhile()
        time.sleep(0.002)


class TestRampThread:
    def test_ramps_up_and_down_within_the_limit(self):
        link = Recorder()
        with RampThread(link, DifferentialDrive(), max_accel_mps2=2.0, rate_hz=200) as thread:
            until(lambda: 0.2 in _lefts(link), meanwhile=lambda: thread.command(0.2, 0.0))
            jitter = thread.jitter()
        speeds = _lefts(link)
        assert max(speeds) == pytest.approx(0.2)
        assert speeds[-1] == 0.0 and link.stops == 1
        steps = np.diff(speeds) / (2.0 / 200)
        # A step that was left out is made up for only where the trolley slows down.
        assert max(steps) <= 1 + 1e-9 and np.allclose(steps, np.round(steps))
        assert jitter.steps > 5 and 0 <= jitter.mean_s <= jitter.worst_s

    def test_jerk_is_limited_in_the_thread(self):
        link = Recorder()
        with RampThread(link, DifferentialDrive(), max_accel_mps2=2.0, max_jerk_mps3=10.0, rate_hz=100) as thread:
            until(lambda: max(_lefts(link), default=0) > 0.2, meanwhile=lambda: thread.command(0.3, 0.0))
        # The last step finds the trolley at rest: HALT.
        assert thread.jitter().steps == len(link.sent)
        speeds = np.array(_lefts(link))
        # While it speeds up no step is made up for, so each is one of the ramp.
        rising = np.concatenate([[0.0, 0.0], speeds[: int(speeds.argmax()) + 1]])
        assert speeds.max() > 0.2 and speeds[-1] == 0.0
        assert np.diff(rising).max() <= 2.0 / 100 + 1e-9
        assert np.abs(np.diff(rising, 2)).max() <= 10.0 / 100**2 + 1e-9

    def test_a_thread_held_up_makes_up_for_its_steps_where_it_slows_down_only(self):
        slow = threading.Event()

        class Slow(Recorder):
            def send(self, left_mps, right_mps):
                if slow.is_set():
                    time.sleep(0.05)
                super().send(left_mps, right_mps)

        link = Slow()
        with RampThread(link, DifferentialDrive(), max_accel_mps2=1.0, rate_hz=100, command_hold_s=60) as thread:
            slow.set()
            thread.command(0.5, 0.0)
            time.sleep(0.4)
            up = _lefts(link)
            slow.clear()
            time.sleep(0.5)
            slow.set()
            thread.command(0.0, 0.0)
            before = len(link.sent)
            time.sleep(0.4)
            down = _lefts(link)[before:]
            missed = thread.jitter().missed
        assert missed > 5
        assert np.diff([0.0, *up]).max() <= 0.01 + 1e-9
        assert min(np.diff(down)) < -0.03

    def test_error_of_any_kind_is_kept(self):
        class Quits(Recorder):
            def send(self, left_mps, right_mps):
                raise SystemExit(5)

        link = Quits()
        with RampThread(link, DifferentialDrive(), max_accel_mps2=1.0, rate_hz=100) as thread:
            until(lambda: thread.error)
            assert isinstance(thread.error, SystemExit)
        assert link.stops == 1

    def test_leaving_by_an_error_still_stops(self):
        link = Recorder()
        with (
            pytest.raises(RuntimeError, match="detector"),
            RampThread(link, DifferentialDrive(), max_accel_mps2=2.0, rate_hz=200) as thread,
        ):
            thread.command(0.2, 0.5)
            time.sleep(0.1)
            raise RuntimeError("the detector broke")
        assert link.sent[-1][1:] == (0.0, 0.0) and link.stops == 1

    def test_silence_means_stop(self):
        link = Recorder()
        with RampThread(link, DifferentialDrive(), max_accel_mps2=5.0, rate_hz=200, command_hold_s=0.1) as thread:
            until(lambda: max(_lefts(link), default=0) > 0.1, meanwhile=lambda: thread.command(0.2, 0.0))
            until(lambda: _lefts(link)[-1] == 0.0)
            time.sleep(0.1)
            assert _lefts(link)[-1] == 0.0

    def test_watchdog_ends_it(self):
        link = Recorder()
        limits_s = {"camera": 0.1, "link": 1.0}
        with RampThread(link, DifferentialDrive(), max_accel_mps2=5.0, rate_hz=200, limits_s=limits_s) as thread:
            thread.command(0.2, 0.0)
            until(lambda: thread.error)
            with pytest.raises(MotionError, match="camera must answer every 0.1 s"):
                thread.command(0.2, 0.0)
        assert link.stops == 1 and _lefts(link)[-1] == 0.0

    def test_broken_link_is_reported(self):
        link = Recorder()
        link.fail_after = 5
        with RampThread(link, DifferentialDrive(), max_accel_mps2=5.0, rate_hz=200) as thread:
            thread.command(0.2, 0.0)
            until(lambda: thread.error)
            assert isinstance(thread.error, LinkError)
        assert link.stops == 1

    def test_it_starts_once_and_owns_its_link(self):
        link = Recorder()
        with (
            RampThread(link, DifferentialDrive(), max_accel_mps2=1.0) as thread,
            pytest.raises(MotionError, match="must have one owner"),
            RampThread(link, DifferentialDrive(), max_accel_mps2=1.0),
        ):
            pass
        with pytest.raises(MotionError, match="must be started once"), thread:
            pass
        with RampThread(link, DifferentialDrive(), max_accel_mps2=1.0):
            pass

    def test_it_stops_although_the_clock_gives_nothing_any_more(self):
        link, broken = Recorder(), []
        with (
            pytest.raises(RuntimeError, match="mine"),
            RampThread(
                link,
                DifferentialDrive(),
                max_accel_mps2=2.0,
                rate_hz=5,
                clock=lambda: None if broken else time.monotonic(),
            ) as thread,
        ):
            until(lambda: max(_lefts(link), default=0) > 0.2, meanwhile=lambda: thread.command(0.5, 0.0))
            broken.append(1)
            raise RuntimeError("mine")
        assert link.stops == 1 and _lefts(link)[-1] == 0.0

    def test_after_a_silence_of_the_link_it_begins_at_zero(self):
        class Sleeps(Recorder):
            slept = False

            def send(self, left_mps, right_mps):
                if left_mps > 0.3 and not self.slept:
                    self.slept = True
                    time.sleep(0.5)
                    raise LinkError("no answer")
                super().send(left_mps, right_mps)

        link = Sleeps()
        with RampThread(
            link, DifferentialDrive(), max_accel_mps2=2.0, rate_hz=50, command_hold_s=9.0, limits_s={"link": 5.0}
        ) as thread:
            thread.command(0.5, 0.0)
            time.sleep(1.2)
        gaps = [(later[0] - sooner[0], later[1]) for sooner, later in zip(link.sent, link.sent[1:], strict=False)]
        assert [left for gap, left in gaps if gap > BOARD_TIMEOUT_S][0] == 0.0

    def test_bad_commands_are_refused(self):
        with (
            RampThread(Recorder(), DifferentialDrive(), max_accel_mps2=1.0) as thread,
            pytest.raises(MotionError, match="yaw_radps must be"),
        ):
            thread.command(0.1, float("nan"))
