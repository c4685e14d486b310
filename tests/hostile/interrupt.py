"""End every command that writes at some moment: by a signal, a full disk, or an error at one step of writing.

    python tests/hostile/interrupt.py --runs 200      # of each command; --command judge for one

Each run is a forked child.  Afterwards every output must be there whole or not at all, one that was there before
must still be there, no input may have changed, nothing else may be left, and the user gets one line.  The log of a
drive is only ever appended to, so it may end early, after a whole record.  Needs a POSIX system.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from kinds import models

import robotlab.cli.parser
import robotlab.face_off
import robotlab.report
import robotlab.tour
from robotlab.data import Sample, open_dataset, write_dataset, write_voc
from robotlab.greenhouse import WALKS
from robotlab.image import load
from robotlab.loop import read_log, simulate
from robotlab.neural import NeuralDetector
from robotlab.neural.state_file import read_state

SECONDS = 120
COMMANDS = {
    "fit": ["fit", "SET", "-o", "OUT/m.onnx"],
    "fine-tune": ["fit", "SET", "-o", "OUT/m.onnx", "--training", "fine-tuning", "--epochs", "1", "--engine", "numpy",
                  "--resume", "OUT/state", "--hold-out", "b"],
    "judge": ["judge", "SET", "--with", "MODEL", "--html", "OUT/r.html", "--save-results", "OUT/r.json"],
    "compare": ["compare", "SET", "--with", "MODEL", "--walks", "none", "-o", "OUT/c.html"],
    "drive": ["drive", "--with", "MODEL", "-o", "OUT/d.html", "--log", "OUT/d.jsonl"],
    "tour": ["tour", "-o", "OUT"],
    "checkup": ["checkup", "SET", "--json"],
    "environment": ["checkup"],
    "build": ["build"],
    "write": ["write", "SET", "OUT/copy"],
    "write_voc": ["write_voc", "SET", "OUT/voc"],
}  # fmt: skip
SOURCE = """# %% [markdown]
# # Hello

# %% tags=["still"] picture="line" alt="A line."
import matplotlib.pyplot as plt
_ = plt.figure(figsize=(2, 1)).gca().plot([1, 2])
"""
# Steps of writing, by Python's audit events, at which an error is raised.
STEPS = {"tempfile.mkstemp", "tempfile.mkdtemp", "os.rename", "os.chmod", "os.mkdir", "os.truncate"}


def prepare(home: Path) -> None:
    """A small data set and a small model."""
    home.mkdir(exist_ok=True)
    rng = np.random.default_rng(0)
    samples = []
    for n in range(8):
        picture = rng.integers(60, 120, (48, 64, 3), dtype=np.uint8)
        x, y = int(rng.integers(4, 40)), int(rng.integers(4, 24))
        picture[y : y + 20, x : x + 16] = (230, 110, 30) if n % 2 else (30, 60, 220)
        samples.append(
            Sample(f"{n}.png", picture, [[x, y, x + 16, y + 20]], [0 if n % 2 else 1], recording="aabb"[n // 2])
        )
    write_dataset(home / "set", samples, ["post", "crate"])
    (home / "model.onnx").write_bytes(models()[0])
    # A checkout with one small lesson, whose outputs lie where those of the other commands do.
    (home / "checkout" / "instructor" / "source").mkdir(parents=True)
    (home / "checkout" / "instructor" / "source" / "00_hello.py").write_text(SOURCE)
    (home / "checkout" / "lessons").symlink_to(home / "out" / "lessons")
    (home / "checkout" / "instructor" / "worked").symlink_to(home / "out" / "worked")


def shorten(home: Path) -> None:
    """In the child: what would take long is done on less."""
    robotlab.face_off.simulate_walk = lambda detector, walk, settings, seed, who, progress, log=None: simulate(
        detector, WALKS["weave"], settings=settings, duration_s=0.4, log=log
    )
    small = NeuralDetector.load(home / "model.onnx")
    for name in ("lightings_part", "data_part", "camera_part", "steering_part"):
        setattr(robotlab.tour, name, lambda *_, **__: None)
    robotlab.tour.face_off_part = robotlab.tour.walks_part = lambda *_: None
    robotlab.tour.fit, robotlab.tour.threshold = lambda *_, **__: small, lambda *_: 0.5
    robotlab.tour.face_off = lambda *_, **__: SimpleNamespace(sentences=lambda: ["Nothing was compared."])
    robotlab.tour.ColorDetector = SimpleNamespace(from_dataset=lambda *_: None)


def run(words: list[str]) -> int:
    """The command, as the console script runs it; or writing a data set, which a program does."""
    if not words[0].startswith("write"):
        sys.argv = ["robotlab", *words]
        robotlab.cli.parser.run()
    try:
        data = open_dataset(words[1])
        write_dataset(words[2], data, replace=True) if words[0] == "write" else write_voc(words[2], data)
    except OSError as error:
        print(error, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return 0


def child(words: list[str], home: Path, how: str, number: int, out: int) -> None:
    """In the fork: run the command, with the fault prepared."""
    code = 70
    try:
        os.dup2(out, 1), os.dup2(out, 2)
        # Of their own: those of the parent may think that they are files.
        sys.stdout, sys.stderr = (os.fdopen(n, "w", closefd=False) for n in (1, 2))
        os.chdir(home / "checkout")
        shorten(home)
        if how == "full disk":
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (number, number))
        elif how in ("error", "interrupt"):
            sys.addaudithook(partial(_fail, [number], how))
        robotlab.cli.parser.handle_signals()
        os.write(1, b"ready\n")
        code = run(words)
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0 if end.code is None else 71
    except KeyboardInterrupt:  # before the command began, or after it
        code = 130
    except BaseException:
        traceback.print_exc()
    finally:
        with contextlib.suppress(OSError):
            sys.stdout.flush(), sys.stderr.flush()
        os._exit(code)


def _fail(left: list[int], how: str, event: str, arguments: tuple) -> None:
    writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)
    if not (writes or event in STEPS) or threading.current_thread() is not threading.main_thread():
        return
    left[0] -= 1
    if left[0] == -1:
        raise (
            OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(arguments[0])) if how == "error" else KeyboardInterrupt
        )


def wrong_with(path: Path) -> str | None:
    """What is wrong with one output; None if it is whole."""
    try:
        if path.suffix == ".onnx":
            NeuralDetector.load(path)
        elif path.suffix == ".png":
            load(path)
        elif path.name in ("lessons", "worked", "pictures"):
            return "; ".join(filter(None, map(wrong_with, path.iterdir()))) or None
        elif path.suffix == ".html":
            assert path.read_text("utf-8").rstrip().endswith("</html>"), "cut short"
        elif path.suffix in (".json", ".ipynb"):
            json.loads(path.read_text("utf-8"))
        elif path.suffix == ".jsonl":
            assert not path.stat().st_size or path.read_bytes().count(b"\n") == 0 or read_log(path)
        elif path.name == "state":
            read_state(path)
        elif path.is_dir() and not path.name.startswith("."):
            data = open_dataset(path)
            [load(entry.path) for entry in data.pictures]
            assert len(data) == 8, "pictures are missing"
        else:
            return f"{path.name} is left behind"
    except Exception as error:
        return f"{path.name}: {type(error).__name__}: {error}"
    return None


def once(name: str, home: Path, how: str, number: int | float, old: bool) -> tuple[bool, str | None]:
    """One run: whether it came to its end undisturbed, and what is wrong."""
    out = home / "out"
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(home / f"whole {name}", out) if old else out.mkdir()
    if name == "build" and not old:
        (out / "lessons").mkdir(), (out / "worked").mkdir()
    if name == "write_voc":
        shutil.rmtree(out / "voc", ignore_errors=True)
    (out / "state").unlink(missing_ok=True)
    there = set(out.rglob("*"))
    inputs = {path: path.read_bytes() for path in (home / "set").rglob("*") if path.is_file()}
    words = [
        word.replace("SET", str(home / "set")).replace("MODEL", str(home / "model.onnx")).replace("OUT", str(out))
        for word in COMMANDS[name]
    ]
    said, out_end = os.pipe()  # a file would be cut off by the full disk too
    pid = os.fork()
    if pid == 0:
        child(words, home, how, int(number), out_end)
    os.close(out_end)
    text = os.read(said, 2**16)  # it is ready
    os.set_blocking(said, False)
    status = None
    if how.startswith("SIG"):
        time.sleep(float(number))
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, getattr(signal, how))
    until = time.monotonic() + SECONDS
    while status is None and time.monotonic() < until:
        ended, now = os.waitpid(pid, os.WNOHANG)
        status = now if ended else None
        with contextlib.suppress(BlockingIOError):
            text += os.read(said, 2**20)
        time.sleep(0.003)
    os.close(said)
    if status is None:
        os.kill(pid, signal.SIGKILL), os.waitpid(pid, 0)
        return False, "it hung"
    code = os.waitstatus_to_exitcode(status)
    faults = list(filter(None, map(wrong_with, out.iterdir())))
    faults += [f"{lost.name} is gone" for lost in there - set(out.rglob("*"))]
    if {path: path.read_bytes() for path in (home / "set").rglob("*") if path.is_file()} != inputs:
        faults.append("an input has changed")
    allowed = {"full disk": (0, 2), "error": (0, 2), "interrupt": (0, 130)}.get(
        how, (0, 2, 128 + getattr(signal, how, 0))
    )
    # While a kernel works, its client takes SIGTERM like Ctrl-C.
    if code not in allowed and not (name == "build" and code == 130):
        faults.append(f"exit code {code}")
    if b"Traceback" in text:
        faults.append(text[-1500:].decode("utf-8", "replace"))
    return code == 0, "; ".join(faults) or None


def cases(rng: np.random.Generator, runs: int, took_s: float, largest: int):
    """Each step of writing once with an error and an interrupt (as far as `runs` go), then signals and full disks at random."""
    for step in range(runs // 4):
        yield "error", step
        yield "interrupt", step
    for _ in range(runs - 2 * (runs // 4)):
        if rng.integers(3):
            yield str(rng.choice(["SIGINT", "SIGTERM", "SIGHUP"])), float(rng.uniform(0, 1.05 * took_s))
        else:
            yield "full disk", int(rng.integers(0, max(2, largest)))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=200, help="of each command")
    parser.add_argument("--command", choices=COMMANDS, action="append", help="only this one")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    home = Path(tempfile.mkdtemp())
    prepare(home)
    wrong = []
    for name in options.command or COMMANDS:
        rng = np.random.default_rng([options.seed, *name.encode()])
        (home / f"whole {name}").mkdir()
        began = time.monotonic()
        done, fault = once(name, home, "none", 0, old=False)
        assert done and not fault, f"{name} undisturbed: {fault}"
        took_s = time.monotonic() - began
        shutil.rmtree(home / f"whole {name}")
        shutil.copytree(home / "out", home / f"whole {name}")
        largest = max((path.stat().st_size for path in (home / "out").rglob("*") if path.is_file()), default=0)
        count = finished = bad = 0
        for how, number in cases(rng, options.runs, took_s, largest):
            done, fault = once(name, home, how, number, bool(rng.integers(2)))
            count, finished, bad = count + 1, finished + done, bad + bool(fault)
            if fault:
                wrong.append(f"{name}, {how} {number}: {fault}")
        print(f"{name}: {count} runs, {finished} came to their end, {bad} wrong ({took_s:.1f} s each)", flush=True)
    shutil.rmtree(home)
    print("\n".join(wrong[:30]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
