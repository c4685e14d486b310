"""The two programs of a run with a fault: the motor board, and the trolley's program."""

import contextlib
import ctypes
import fcntl
import math
import os
import random
import resource
import select
import signal
import subprocess
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from robotlab.camera import Camera
from robotlab.control import Motor, SerialLink
from robotlab.control.line_protocol import BOARD_TIMEOUT_S, LinkError, frame, unframe
from robotlab.detections import Detections
from robotlab.loop import Settings, drive

CAMERA = Camera(64, 48, 1.0, height_m=0.25)
# The board measures its commands, so no motor lags behind them.
SETTINGS = Settings(frame_hz=20.0, delay_s=0.05, max_reverse_mps=0.0, motor=Motor(lag_s=0.0))
EDGE_S = 0.005

# Whether the loop may go on: then every picture is a good one.
FAULTS = {
    # the program
    "suspended for 2 s": False,
    "suspended for 0.4 s": True,
    "suspended again and again": True,
    "killed": False,
    "terminated": False,
    "terminal closes": False,
    "Ctrl-C": False,
    "Ctrl-C three times": False,
    "interpreter lock held for 1 s": True,
    "40 busy threads": True,
    "log disk full": False,
    "log disk stalls": False,
    # the board and its cable
    "board deaf": False,
    "board deaf for 0.6 s": True,
    "board answers NO": False,
    "board answers NO for 0.6 s": True,
    "board restarts": True,
    "link hangs": False,
    "link hangs for 2 s": False,
    "link hangs for 4 s": False,
    "answers 80 ms late": True,
    "answers 300 ms late": False,
    "answers shifted by one": False,
    "answers lost": False,
    "answers damaged": False,
    "echo": True,
    "half lines": False,
    "noise before answers": True,
    "bytes drip": False,
    "flood of old answers": True,
    "unplugged": False,
    "lines damaged, 30 %": True,
    # the camera
    "camera hangs": False,
    "camera hangs for 0.8 s": False,
    "camera raises": False,
    "frozen": False,
    "frozen with a clock": False,
    "two old pictures in turn": False,
    "eight buffers round and round": False,
    "driver's queue of 1.5 s": False,
    "old times again": False,
    "times in the future": False,
    "times of NaN": False,
    "times stand still": False,
    "black": False,
    "no picture": False,
    "wrong size": False,
    "four channels": False,
    "one picture in 2 s": False,
    # the detector
    "detector hangs": False,
    "detector raises": False,
    "detector exits": False,
    "detector gives nothing": False,
    "detector finds nothing": False,
    "detector takes 0.8 s": False,
    "detector forks": True,
    "detector leaves a child": True,
    "100 000 boxes": True,
    "boxes of NaN": False,
    "box fills the picture": False,
    "boxes beyond the picture": False,
    # clocks and motors
    "clock jumps forward": False,
    "clock jumps back": False,
    "clock jumps forward once": True,
    "clock jumps back once": True,
    "clock gives NaN": False,
    "clock stands still": False,
    "clock half as fast": False,
    "motors do not turn": True,
}


class Way:
    """What the wheels have done: independent of the library's own model of a board."""

    def __init__(self, t_s):
        self.t, self.v, self.heard, self.halting, self.gone = t_s, 0.0, -1e9, True, 0.0
        self.trace = [(t_s, 0.0)]

    def to(self, t_s):
        if not self.halting:
            end = max(self.t, min(t_s, self.heard + BOARD_TIMEOUT_S))
            self.gone += abs(self.v) * (end - self.t)
            self.t, self.halting = end, t_s > self.heard + BOARD_TIMEOUT_S
        if self.halting and t_s > self.t:
            run = min(t_s - self.t, abs(self.v) / SETTINGS.max_accel_mps2)
            self.gone += abs(self.v) * run - SETTINGS.max_accel_mps2 * run**2 / 2
            self.v -= math.copysign(SETTINGS.max_accel_mps2 * run, self.v)
        self.t = max(self.t, t_s)
        self.trace.append((self.t, self.gone))

    def command(self, t_s, word, values):
        self.to(t_s)
        self.heard, self.halting = t_s, word == "HALT"
        if word == "GO":
            self.v = sum(values) / 2000


def board(near, far, fault, at_s, begin, done, tell):
    """Keep the board's time, obey, answer, and tell at the end what came and how far the wheels went."""
    with contextlib.suppress(OSError):
        os.nice(-10)  # firmware is not held up by other programs
    way, lines, rest, late, last, rng = Way(time.monotonic()), [], b"", [], b"", random.Random(at_s)
    plugged, parent, stale = True, os.getppid(), 0
    # As a serial line does, it drops what nobody reads; to wait for room would be for ever once the program is gone.
    os.set_blocking(near, False)

    def answer(text):
        with contextlib.suppress(OSError):
            os.write(near, text)

    while not done.is_set() and os.getppid() == parent:
        now = time.monotonic()
        way.to(now)
        since = now - begin.value - at_s if begin.value else -1.0
        broken = since >= 0
        for due, text in [row for row in late if row[0] <= now]:
            answer(text)
            late.remove((due, text))
        if not plugged:
            time.sleep(EDGE_S)
            continue
        if broken and fault == "unplugged":
            os.close(near), os.close(far)
            plugged = False
            continue
        if broken and (
            fault == "link hangs"
            or fault == "link hangs for 2 s"
            and since < 2
            or fault == "link hangs for 4 s"
            and since < 4
        ):
            time.sleep(EDGE_S)
            continue
        if broken and fault == "bytes drip":
            answer(b"x")
            time.sleep(0.05)
        if not select.select([near], [], [], EDGE_S)[0]:
            continue
        try:
            got = os.read(near, 4096)
        except OSError:
            time.sleep(EDGE_S)
            continue
        now = time.monotonic()
        if broken and fault == "half lines":
            got = got[: len(got) // 2]
        *whole, rest = (rest + got).split(b"\n")
        for line in whole:
            if broken and fault == "lines damaged, 30 %" and rng.random() < 0.3:
                line = bytes([line[0] ^ 1]) + line[1:]
            try:
                word, seq, *values = unframe(line)
                values = [int(value) for value in values]
            except (LinkError, ValueError):
                continue
            way.to(now)
            slept = way.halting and lines and lines[-1][1] != "HALT"
            if broken and (
                fault in ("board deaf", "bytes drip")
                or fault == "board deaf for 0.6 s"
                and since < 0.6
                or fault == "board restarts"
                and since < 0.5
            ):
                continue
            if broken and (fault == "board answers NO" or fault == "board answers NO for 0.6 s" and since < 0.6):
                answer(frame("NO", seq, "busy"))
                continue
            # Halted by itself: it begins with a GO at 0, as the line protocol says.
            if slept and word == "GO" and any(values):
                stale += 1
                answer(frame("NO", seq, "halted"))
                continue
            lines.append((now, word, *values))
            way.command(now, word, values)
            text = frame("OK", seq)
            if not broken or fault not in ANSWERS:
                answer(text)
            elif fault == "answers 80 ms late":
                late.append((now + 0.08, text))
            elif fault == "answers 300 ms late":
                late.append((now + 0.3, text))
            elif fault == "answers shifted by one":
                answer(last or b"\n")
            elif fault == "answers damaged":
                answer(text[:-2] + b"?\n")
            elif fault == "echo":
                answer(line + b"\n" + text)
            elif fault == "noise before answers":
                answer(rng.randbytes(20) + b"\n" + text)
            elif fault == "flood of old answers":
                answer(frame("OK", 60000) * 200 + text)
            last = text
    way.to(time.monotonic() + 3.0)
    # Way after each line and each few milliseconds; every tenth is enough.
    tell.send({"lines": lines, "way": way.trace[::2] + way.trace[-1:], "at_rest": abs(way.v) < 1e-6, "stale": stale})


ANSWERS = {
    "answers 80 ms late",
    "answers 300 ms late",
    "answers shifted by one",
    "answers lost",
    "answers damaged",
    "echo",
    "noise before answers",
    "flood of old answers",
}


class Program:
    """The trolley's own program: camera, detector and clock, one of which breaks."""

    def __init__(self, fault, at_s, begin, say):
        self.fault, self.at, self.begin, self.say = fault, at_s, begin, say
        self.rng = np.random.default_rng()
        self.base = np.kron(self.rng.integers(0, 255, (12, 16, 3)), np.ones((4, 4, 1), int)).astype(np.uint8)
        self.held, self.due, self.once, self.log, self.jumped = [], 0.0, True, None, False

    def broken(self, fault=None):
        return time.monotonic() - self.begin.value >= self.at and (fault is None or fault == self.fault)

    def first(self, fault):
        """The first time only."""
        fits = self.once and self.broken(fault)
        self.once = self.once and not fits
        return fits

    def picture(self):
        if self.fault == "motors do not turn":
            return np.clip(self.base.astype(int) + self.rng.integers(-6, 7, self.base.shape), 0, 255).astype(np.uint8)
        return self.rng.integers(0, 255, (48, 64, 3), np.uint8)

    def take(self):
        f = self.fault
        self.due = max(self.due + SETTINGS.frame_s, time.monotonic())
        stamp = self.due
        time.sleep(max(0.0, self.due + SETTINGS.delay_s - time.monotonic()))
        if not self.broken():
            picture = self.picture()
            self.held = [*self.held[-39:], (picture, stamp)]
            self.say.send({"good": stamp})
            return picture, stamp
        picture = self.picture()
        if self.first("40 busy threads"):
            for _ in range(40):
                threading.Thread(target=spin, args=(time.monotonic() + 2.0,), daemon=True).start()
        if self.first("log disk full"):
            resource.setrlimit(resource.RLIMIT_FSIZE, (Path(self.log).stat().st_size + 10, resource.RLIM_INFINITY))
        if self.first("log disk stalls"):
            with open(self.fifo, "wb", buffering=0) as pipe:
                os.set_blocking(pipe.fileno(), False)
                while pipe.write(b"x" * 64):
                    pass  # until it is full
        if f == "camera hangs" or self.first("camera hangs for 0.8 s"):
            time.sleep(60.0 if f == "camera hangs" else 0.8)
        if f == "one picture in 2 s":
            time.sleep(2.0)
            stamp = time.monotonic() - SETTINGS.delay_s
        if f == "camera raises":
            raise OSError("the camera was pulled out")
        if f in ("frozen", "frozen with a clock"):
            picture = self.held[-1][0].copy()
            if f == "frozen with a clock":
                picture[0:3, 0:12] = self.rng.integers(0, 255, (3, 12, 3))
        if f in ("two old pictures in turn", "eight buffers round and round"):
            ring = self.held[-2 if f.startswith("two") else -8 :]
            self.held.append(ring[0])
            picture = ring[0][0]
        if f == "driver's queue of 1.5 s":
            stamp -= 1.5
        if f == "old times again":
            picture, stamp = self.picture(), self.held[-2][1]
        if f == "times stand still":
            stamp = self.held[-1][1]
        if f == "times in the future":
            stamp += 5.0
        if f == "times of NaN":
            stamp = math.nan
        picture = {
            "black": np.zeros_like(picture),
            "no picture": None,
            "wrong size": picture[:40],
            "four channels": picture[..., [0, 1, 2, 0]],
        }.get(f, picture)
        if FAULTS[f]:
            self.say.send({"good": stamp})
        return picture, stamp

    def detect(self, picture):
        f, box = self.fault, [31, 20, 33, 30] if self.fault != "motors do not turn" else [58, 20, 60, 30]
        if self.broken():
            if self.first("interpreter lock held for 1 s"):
                ctypes.PyDLL(None).usleep(999_999)
            if f == "detector hangs" or f == "detector takes 0.8 s":
                time.sleep(60.0 if f == "detector hangs" else 0.8)
            if f == "detector raises":
                raise RuntimeError("the detector broke")
            if f == "detector exits":
                raise SystemExit(3)
            if f == "detector gives nothing":
                return None
            if f == "detector finds nothing":
                return Detections.none(["post"])
            if f == "detector forks":
                os.fork()
            if self.first("detector leaves a child"):
                subprocess.Popen(["sleep", "60"])
            if f == "100 000 boxes":
                return Detections(
                    np.tile([31.0, 20, 33, 30], (100_000, 1)), np.full(100_000, 0.9), np.zeros(100_000, int), ["post"]
                )
            box = {
                "boxes of NaN": [math.nan] * 4,
                "box fills the picture": [0, 0, 64, 48],
                "boxes beyond the picture": [-500, -500, -400, -400],
            }.get(f, box)
        return Detections([box], [0.9], [0], ["post"])

    def clock(self):
        t, f = time.monotonic(), self.fault
        if not f.startswith("clock") or not self.broken():
            return t
        since = t - self.begin.value - self.at
        if f.endswith("once"):
            fits, self.jumped = not self.jumped, True
            return t + (5.0 if "forward" in f else -5.0) if fits else t
        return {
            "clock jumps forward": t + 5,
            "clock jumps back": t - 5,
            "clock gives NaN": math.nan,
            "clock stands still": t - since,
            "clock half as fast": t - since / 2,
        }[f]


def spin(until):
    while time.monotonic() < until:
        pass


def drive_it(port, fault, at_s, after_s, begin, say):
    """Follow over the port, then stay a while: nothing may be sent by what was left behind."""
    os.setsid()
    # A program in the background may have been started deaf to Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    # Whoever started this may have been told to outlive its terminal (nohup), which is handed on.
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    folder = tempfile.TemporaryDirectory()
    program = Program(fault, at_s, begin, say)
    if fault.startswith("log disk"):
        program.log = os.path.join(folder.name, "run.jsonl")
    if fault == "log disk stalls":
        program.fifo = program.log
        os.mkfifo(program.fifo)
        reader = os.open(program.fifo, os.O_RDWR)
        fcntl.fcntl(reader, fcntl.F_SETPIPE_SZ, 4096)

        def drain():
            while time.monotonic() < begin.value + at_s + 1.5 or not begin.value:
                # Read along until the fault, and again in the end.
                if not program.broken() and begin.value:
                    select.select([reader], [], [], 0.01)[0] and os.read(reader, 512)
                time.sleep(0.002)
            while True:
                os.read(reader, 4096)

        threading.Thread(target=drain, daemon=True).start()
    link = SerialLink.open(port)
    try:
        begin.value = time.monotonic()
        report = drive(
            program.detect, program.take, CAMERA, SETTINGS, link, at_s + after_s, log=program.log, clock=program.clock
        )
        word = {"state": report.state, "reason": report.reason}
    except BaseException as error:
        word = {"state": type(error).__name__, "reason": str(error)}
    if fault in ("detector forks", "detector leaves a child"):
        left = [word for task in Path("/proc/self/task").glob("*/children") for word in task.read_text().split()]
        word["state"] += " with children" * bool(left)
    say.send(word | {"returned": time.monotonic()})
    time.sleep(0.6 if "4 s" not in fault else 2.5)
    folder.cleanup()
    os._exit(0)
