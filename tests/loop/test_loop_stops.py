"""Stopped means stopped: attacks on the real loop that made it drive on, or again; each failed once."""

import fcntl
import json
import math
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.control.line_protocol import LinkError
from robotlab.detections import Detections
from robotlab.errors import MotionError, PictureError
from robotlab.greenhouse import WALKS, Scene, Walk
from robotlab.loop import (
    FAULTS,
    Follower,
    GroundTruthDetector,
    Settings,
    default_camera,
    drive,
    read_log,
    simulate,
    worst_stopping_distance_m,
)
from robotlab.loop.campaigns import blind_distance_m
from robotlab.loop.fault_model import FaultModel
from robotlab.loop.perception import FreezeDetector, StallDetector

ROOT = Path(__file__).parents[2]
CAMERA = Camera(64, 48, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=0.4, hold_s=0.2, max_accel_mps2=4.0, max_reverse_mps=0.0)
# Where nothing is to be noticed, a slow machine must not look like a fault.
CALM = SETTINGS.but(watchdog_s=5.0, max_mps=0.15)


def see(picture):
    return Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])


def live():
    time.sleep(0.02)
    return np.random.default_rng().integers(0, 255, (48, 64, 3), np.uint8)


def after(seconds, works, then):
    begun = []

    def part(*arguments):
        begun.append(time.monotonic())
        return (works if begun[-1] - begun[0] < seconds else then)(*arguments)

    return part


class Noted(SimulatedLink):
    """Notes what it is told when it is told, and may hang in the middle."""

    def __init__(self, hang=None, refuse=None):
        super().__init__()
        self.hang, self.refuse, self.told = hang, refuse, []

    def _may_break(self):
        if self.hang is not None:
            self.hang()
        if self.refuse is not None:
            self.refuse()

    def send(self, left_mps, right_mps):
        self._may_break()
        self.told.append((time.monotonic(), left_mps, right_mps))
        super().send(left_mps, right_mps)

    def stop(self):
        self._may_break()
        self.told.append((time.monotonic(), "HALT"))
        super().stop()


class TestAfterTheEnd:
    def test_a_link_that_hung_and_comes_back_gets_nothing_but_halt(self):
        back = threading.Event()
        link = Noted(hang=after(0.6, lambda: None, lambda: back.wait(30)))
        done = drive(see, live, CAMERA, SETTINGS, link, 20.0)
        assert not done.halt_confirmed and "it hung for" in done.reason and "cut the power" in done.reason
        with pytest.raises(MotionError, match="must have one owner"):
            drive(see, live, CAMERA, SETTINGS, link, 1.0)
        before = len(link.told)
        back.set()
        time.sleep(0.5)
        later = link.told[before:]
        assert later and all(row[1] == "HALT" for row in later), later

    def test_a_halt_that_is_not_confirmed_is_sent_again(self):
        class Late(Noted):
            tries = 0

            def stop(self):
                self.tries += 1
                if self.tries < 6:
                    raise LinkError("the board must confirm, it did not")
                super().stop()

        link = Late()
        done = drive(see, live, CAMERA, CALM, link, 0.3)
        assert done.halt_confirmed and done.reason == "the time was over" and link.tries == 6

    def test_one_never_confirmed_is_said_in_words(self):
        class Deaf(Noted):
            def stop(self):
                self.told.append((time.monotonic(), "HALT"))
                raise LinkError("no answer")

        link = Deaf()
        done = drive(see, live, CAMERA, SETTINGS, link, 0.4)
        assert (
            not done.halt_confirmed
            and done.state == "fault"
            and "HALT must be confirmed" in done.reason
            and "cut the power" in done.reason
        )
        assert sum(row[1] == "HALT" for row in link.told) > 5
        with pytest.raises(ZeroDivisionError) as error:
            drive(lambda picture: 1 / 0, live, CAMERA, SETTINGS, Deaf(), 5.0)
        assert "HALT must be confirmed" in error.value.__notes__[0]

    @pytest.mark.parametrize("fault", ["camera", "detector"])
    def test_after_a_fault_no_motion_is_sent(self, fault):
        link, broke = Noted(), []

        def broken(*_):
            broke.append(time.monotonic())
            raise RuntimeError("broken")

        take, find = (after(0.5, live, broken), see) if fault == "camera" else (live, after(0.5, see, broken))
        with pytest.raises(RuntimeError):
            drive(find, take, CAMERA, SETTINGS, link, 20.0)
        assert max(row[1] for row in link.told if row[1] != "HALT") > 0.3
        # The two threads may meet in the middle of one step.
        assert sum(row[1] not in ("HALT", 0.0) for row in link.told if row[0] > broke[0] + 0.05) <= 1


def test_an_error_of_the_link_without_words_is_named():
    def interrupt():
        raise KeyboardInterrupt

    done = drive(see, live, CAMERA, SETTINGS, Noted(refuse=after(0.3, lambda: None, interrupt)), 20.0)
    assert (
        done.state == "fault"
        and done.reason.startswith("KeyboardInterrupt; HALT must be confirmed")
        and not done.halt_confirmed
    )


class Wordless(Exception):
    def __str__(self):
        raise ValueError("not even this")


@pytest.mark.parametrize("part", ["send", "stop", "detector", "clock"])
def test_an_error_that_cannot_be_written_keeps_no_halt_back(part):
    def broken(*_):
        raise Wordless

    link = Noted(refuse=after(0.3, lambda: None, broken) if part == "send" else None)
    if part == "stop":
        link.stop = broken
    find = after(0.3, see, broken) if part == "detector" else see
    clock = after(0.3, time.monotonic, broken) if part == "clock" else time.monotonic
    if part in ("detector", "clock"):
        with pytest.raises(Wordless):
            drive(find, live, CAMERA, SETTINGS, link, 0.6, clock=clock)
        assert link.told[-1][1] == "HALT"
    else:
        done = drive(find, live, CAMERA, SETTINGS, link, 0.6, clock=clock)
        assert done.state == "fault" and not done.halt_confirmed and "it was not (Wordless)" in done.reason


class TestOneOwner:
    def test_a_second_drive_on_a_link_is_refused(self):
        link, seen = SimulatedLink(), []

        def second(picture):
            if not seen:
                with pytest.raises(MotionError, match="must have one owner"):
                    drive(see, live, CAMERA, SETTINGS, link, 1.0)
                seen.append(1)
            return see(picture)

        assert drive(second, live, CAMERA, CALM, link, 0.5).reason == "the time was over" and seen
        assert drive(see, live, CAMERA, CALM, link, 0.2).reason == "the time was over"


class TestTimesOfPictures:
    def stamped(self, then):
        held = []

        def take():
            picture = live()
            stamp = time.monotonic() - 0.001
            held.append((picture, stamp))
            return then(held) if stamp - held[0][1] > 0.5 else (picture, stamp)

        return take

    @pytest.mark.parametrize(
        "then",
        [
            lambda held: (held[-1][0], held[-1][1] - 1.5),
            lambda held: (held[-1][0], held[-1][1] + 1.5),
            lambda held: (held[-1][0], math.nan),
            lambda held: (live(), held[3][1]),
            lambda held: held[len(held) % 2 + 2],
        ],
        ids=["driver's queue", "future", "no number", "an old time", "recycled buffers"],
    )
    def test_what_is_not_of_now_counts_as_none(self, then):
        link = Noted()
        done = drive(see, self.stamped(then), CAMERA, SETTINGS, link, 3.0)
        assert (
            done.state == "fault"
            and done.reason.startswith("camera must answer")
            and ("too old" in done.reason or "old ones again" in done.reason)
        )
        assert link.told[-1][1] == "HALT"

    def test_pictures_of_now_are_driven_with(self):
        done = drive(see, self.stamped(lambda held: held[-1]), CAMERA, CALM, SimulatedLink(), 0.7)
        assert done.reason == "the time was over" and done.observations > 5

    def test_a_tuple_of_something_else_is_refused(self):
        with pytest.raises(PictureError, match="must return a picture or .picture, time., got 3"):
            drive(see, lambda: (1, 2, 3), CAMERA, SETTINGS, SimulatedLink(), 1.0)

    @pytest.mark.parametrize("stamp", ["noon", 1j, 10**400])
    def test_a_time_that_is_none_is_refused(self, stamp):
        with pytest.raises(PictureError, match="the time of a picture must be a number"):
            drive(see, lambda: (live(), stamp), CAMERA, SETTINGS, SimulatedLink(), 1.0)

    @pytest.mark.parametrize("now", [-0.5, math.nan])
    def test_the_follower_stops_at_an_observation_from_the_future(self, now):
        follower = Follower(default_camera(), Settings())
        follower.observe(Detections([[155, 80, 165, 120]], [0.9], [0], ["post"]), 0.0)
        assert follower.velocity(0.1).state == "follow"
        assert follower.velocity(now).state == "stop" and follower.velocity(0.2).state == "stop"


class TestViews:
    @pytest.mark.parametrize("size", [(48, 64), (240, 320), (480, 640)])
    def test_an_overlay_does_not_make_a_frozen_picture_live(self, size):
        rng = np.random.default_rng(0)
        picture, view = rng.integers(0, 255, (*size, 3), np.uint8), FreezeDetector()
        assert view.live(picture)
        for _ in range(3):
            drawn = picture.copy()
            drawn[: size[0] // 16, : size[1] // 5] = rng.integers(0, 255, 3)
            assert not view.live(drawn)
        noisy = np.clip(picture.astype(int) + rng.integers(-2, 3, picture.shape), 0, 255).astype(np.uint8)
        assert view.live(noisy) and view.frozen == 0

    @pytest.mark.parametrize("length", [2, 40, 500])
    def test_a_ring_of_old_pictures_is_noticed_however_long(self, length):
        """Forty old pictures, round and round, with fresh times: the robot drove on blindly."""
        ring, view = np.random.default_rng(0).integers(0, 255, (length, 48, 64, 3), np.uint8), FreezeDetector()
        assert all(view.live(picture) for picture in ring)
        assert not any(view.live(picture) for picture in ring) and view.frozen == length

    def test_a_rendered_greenhouse_is_live(self):
        run = simulate(GroundTruthDetector(), WALKS["straight"], default_camera(80, 60), duration_s=3)
        assert run.state_at(-1) == "follow"

    def test_a_view_that_turns_is_no_stall(self):
        wide = np.random.default_rng(0).integers(0, 255, (12, 60, 3), np.uint8).repeat(4, 0).repeat(4, 1)
        view = StallDetector()
        assert not any(view.stalled(wide[:, 5 * k : 5 * k + 64], 0.15 * k, 0.1 * k) for k in range(30))
        assert not any(
            StallDetector().stalled(np.full((48, 64, 3), 90, np.uint8), 0.15 * k, 0.1 * k) for k in range(30)
        )

    def test_motors_that_do_not_turn_end_it(self):
        rng = np.random.default_rng(0)
        base = rng.integers(20, 235, (12, 16, 3)).repeat(4, 0).repeat(4, 1)

        def take():
            time.sleep(0.02)
            return (base + rng.integers(-5, 6, base.shape)).astype(np.uint8)

        def aside(picture):
            return Detections([[58, 20, 60, 30]], [0.9], [0], ["post"])

        done = drive(aside, take, CAMERA, CALM, SimulatedLink(), 20.0)
        assert done.state == "fault" and "motors must turn the trolley, 0.6 rad in 1.5 s" in done.reason
        assert drive(aside, take, CAMERA, CALM, SimulatedLink(), 2.5, lifted=True).reason == "the time was over"


class TestWhatIsLeft:
    def test_a_log_is_never_overwritten(self, tmp_path):
        path = tmp_path / "run.jsonl"
        path.write_text("mine")
        done = [drive(see, live, CAMERA, CALM, SimulatedLink(), 0.2, log=path) for _ in range(2)]
        assert path.read_text() == "mine" and [report.log.name for report in done] == ["run-2.jsonl", "run-3.jsonl"]
        assert all(read_log(report.log).complete for report in done)

    @pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="children are found on Linux only")
    @pytest.mark.parametrize("how", ["forks", "starts a program", "forks and hangs"])
    def test_a_detector_leaves_no_child(self, how, tmp_path):
        program = f"""
import os, subprocess, sys, time
sys.path.insert(0, {str(Path(__file__).parent)!r})
from test_loop_stops import CALM, CAMERA, SimulatedLink, drive, live, see
def find(picture, begun=[]):
    begun.append(1)
    if len(begun) == 5:
        if {how!r} == "starts a program":
            subprocess.Popen(["sleep", "60"])
        elif os.fork() == 0 and {how!r} == "forks and hangs":
            time.sleep(60)
    return see(picture)
done = drive(find, live, CAMERA, CALM, SimulatedLink(), 0.6)
print(done.children, "processes" in done.reason, flush=True)
os.system("ps --ppid %d -o args= | grep -v ps" % os.getpid())
"""
        out = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", program], capture_output=True, text=True, timeout=60
        )
        assert out.stdout == "1 True\n", out


def test_the_loop_that_hangs_is_a_fault(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    reader, link = os.open(path, os.O_RDWR), SimulatedLink()
    fcntl.fcntl(reader, fcntl.F_SETPIPE_SZ, 4096)

    def late():
        # The disk takes nothing for a second and a half.
        time.sleep(2.0)
        while not done:
            os.read(reader, 4096)

    done = []
    thread = threading.Thread(target=late, daemon=True)
    thread.start()
    report = drive(see, live, CAMERA, SETTINGS, link, 4.0, log=path)
    done.append(1)
    os.write(reader, b"x")
    thread.join()
    os.close(reader)
    assert report.state == "fault" and "loop must answer" in report.reason
    # It stood until the disk came back, and then as well.
    assert all(row[1:] == (0.0, 0.0) for row in link.sent if row[0] > link.sent[0][0] + 2.0)


FAST = Walk("fast", "The post runs off.", (0.0, 20.0), ((2.0, 0.0), (14.0, 0.0)), Scene(room_m=(-3.0, -3.0, 40.0, 3.0)))


@pytest.mark.parametrize(
    "name", ["frozen with a clock", "old pictures in turn", "pictures of a queue", "clock jumps once"]
)
def test_the_simulated_loop_counts_the_same_things(name):
    make, must_rest = next((make, must) for each, make, must in FAULTS if each == name)
    run = simulate(GroundTruthDetector(), FAST, default_camera(64, 48), duration_s=8, faults=make(3.0), strict=False)
    assert run.state_at(-1) == "fault" and must_rest and abs(run.speeds_mps[-1]) < 1e-6
    assert blind_distance_m(run) <= worst_stopping_distance_m(run.settings)


class MotorsDead(FaultModel):
    """The board answers, but from 3 s on the motors do not turn."""

    def motors(self, t_s, left_mps, right_mps):
        return (0.0, 0.0) if t_s >= 3 else (left_mps, right_mps)


def test_dead_motors_are_noticed_in_the_simulated_loop():
    run = simulate(GroundTruthDetector(), WALKS["weave"], default_camera(64, 48), duration_s=20, faults=MotorsDead())
    assert run.state_at(-1) == "fault" and any("motors must turn" in event["text"] for event in run.events)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_every_fault_over_a_pseudo_terminal(tmp_path):
    """Each fault once; ``python instructor/measure_fault_injection.py`` tries 25 moments of each.

    The simulated loop goes through its own faults in ``test_loop_faults.py``.
    """
    pytest.importorskip("serial", reason="pyserial is an extra: pip install 'robotlab[robot]'")
    out = tmp_path / "table.json"
    command = [
        sys.executable,
        str(ROOT / "instructor" / "measure_fault_injection.py"),
        "--moments",
        "1",
        "--at-once",
        "16",
        "--real-loop-alone",
        "--out",
        str(out),
    ]
    ran = subprocess.run(
        command,
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
    )
    assert ran.returncode == 0, ran.stdout[-3000:] + ran.stderr[-2000:]
    rows = json.loads(out.read_text())["runs"]
    assert len(rows) >= 40 and all(row["worst_share"] <= 1 and row["moving_commands_after_end"] == 0 for row in rows)
