"""End every command that writes at some moment: by a signal, a full disk, or an error at one step of writing.

    python tests/hostile/interrupt.py --runs 200      # of each command; --command judge for one

Each run is a forked child.  Afterward every output must be there whole or not at all, one that was there before
must still be there, no input may have changed, nothing else may be left, and the user gets one line.  What is only
ever appended to may end early, after a whole record: the log of a drive, and what gather, sweep and mark have done so
far; given once more, these three must end with the bytes of a run that nothing has ended.  Labels that the store has
said to be saved must be there.  Needs a POSIX system.
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
import zipfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np
from kinds import models
from PIL import Image

import robotlab.cli.drive
import robotlab.cli.parser
import robotlab.face_off
import robotlab.packs.class_pack
import robotlab.packs.offline_pack
import robotlab.report
import robotlab.sweep.report
import robotlab.tour
from robotlab.color import Band, ColorDetector
from robotlab.data import Sample, open_dataset, write_dataset, write_voc
from robotlab.greenhouse import WALKS
from robotlab.image import load, save
from robotlab.label import LabeledBox, LabelStore, PictureLabels
from robotlab.loop import read_log, simulate
from robotlab.neural import NeuralDetector
from robotlab.neural.state_file import read_state

SECONDS = 120
LONG = {
    "fine-tune": "fit SET -o OUT/m.onnx --training fine-tuning --epochs 1 --engine numpy --resume OUT/state --hold-out b",
    "pack_robot": "pack robot -o OUT/robot.zip --with MODEL --robot HOME/robot.json --wheels pins:5,6,13,19 --target post",
    "robot_drive": (
        "drive --camera rendered --wheels emulated --size 160x120 --time 0.5 --rate 50 --delay 0 -o OUT/d.html "
        "--log OUT/d.jsonl --record-pictures --quiet"
    ),
}
COMMANDS = {
    "fit": ["fit", "SET", "-o", "OUT/m.onnx"],
    "fine-tune": LONG["fine-tune"].split(),
    "judge": ["judge", "SET", "--with", "MODEL", "--html", "OUT/r.html", "--save-results", "OUT/r.json"],
    "compare": ["compare", "SET", "--with", "MODEL", "--walks", "none", "-o", "OUT/c.html"],
    "drive": ["drive", "--with", "MODEL", "-o", "OUT/d.html", "--log", "OUT/d.jsonl"],
    "tour": ["tour", "-o", "OUT"],
    "checkup": ["checkup", "SET", "--json"],
    "environment": ["checkup"],
    "build": ["build"],
    "write": ["write", "SET", "OUT/copy"],
    "write_voc": ["write_voc", "SET", "OUT/voc"],
    "gather": ["gather", "HOME/photos", "OUT/gathered", "--recording", "bench", "--show", "OUT/left.png", "--quiet"],
    "label": ["label", "OUT/labeled"],
    "split": ["split", "HOME/one", "--in-time", "OUT/split"],
    "export": ["export", "SET", "-o", "OUT/labels.csv"],
    "export_set": ["export", "SET", "-o", "OUT/copy", "--as", "coco"],
    "plan": ["plan", "SET", "--object-height", "0.3", "--target", "post", "-o", "OUT/plan.html"],
    "checkup_html": ["checkup", "SET", "--html", "OUT/r.html", "--film", "OUT/film.gif", "--quick", "--quiet"],
    "robot": ["checkup", "--robot", "HOME/robot.json"],
    "measure": ["measure", "field-of-view", "--picture", "HOME/sheet.png", "--distance", "0.5"],
    "parts": ["parts", "--parts", "HOME/parts.toml", "-o", "OUT/parts.html"],
    "sweep": ["sweep", "HOME/plan.toml", "-o", "OUT/swept", "--jobs", "1", "--quiet"],
    "mark": ["mark", "HOME/class", "-o", "OUT/marks", "--jobs", "1", "--seed", "3", "--trusted", "--quiet"],
    "pack": ["pack", "class", "-o", "OUT/class.zip"],
    "pack_folder": ["pack", "class", "-o", "OUT/pack"],
    "pack_robot": LONG["pack_robot"].split(),
    "robot_drive": LONG["robot_drive"].split(),
}
# What goes on where it was ended, when it is given once more: its folder, and the files that must then be the same.
GOES_ON = {"gather": ("gathered", "*"), "sweep": ("swept", "table.csv"), "mark": ("marks", "*.*s*")}
# Outputs that must be new: an old one would only be refused.
NEW = {
    "write_voc": "voc",
    "split": "split",
    "export_set": "copy",
    "checkup_html": "film.gif",
    "pack": "class.zip",
    "pack_folder": "pack",
    "pack_robot": "robot.zip",
    "gather": "left.png",
}
SOURCE = """# %% [markdown]
# # Hello

# %% tags=["still"] picture="line" alt="A line."
import matplotlib.pyplot as plt
_ = plt.figure(figsize=(2, 1)).gca().plot([1, 2])
"""
# Steps of writing, by Python's audit events, at which an error is raised.
STEPS = {"tempfile.mkstemp", "tempfile.mkdtemp", "os.rename", "os.chmod", "os.mkdir", "os.truncate"}


SWEEP = "duration_s = 2\n[vary]\nturn_gain = [1.0, 2.0, 3.0]\nseed = [0, 1]\n"
PARTS = "[cameras.E]\nhfov_deg = 70\nframe_hz = 30\n[boards.S]\nclock_ghz = 2\nflops_per_cycle = 8\n"
ANSWER = "import math\ndef field_of_view(s, f):\n    return 2 * math.atan2(s / 2, f)"


def prepare(home: Path) -> None:
    """A small data set and a small model, and what else the commands take."""
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
    write_dataset(home / "one", (replace(sample, recording="a") for sample in samples), ["post", "crate"])
    (home / "model.onnx").write_bytes(models()[0])
    for n in range(4):  # the last one like the one before: left out
        save(home / "photos" / f"{n}.jpg", samples[min(n, 2)].picture.repeat(2, 0).repeat(2, 1))
    sheet = np.full((240, 320, 3), 60, np.uint8)
    sheet[69:171, 88:232] = 215
    save(home / "sheet.png", sheet + rng.integers(0, 9, sheet.shape, dtype=np.uint8))
    (home / "plan.toml").write_text(SWEEP)
    (home / "parts.toml").write_text(PARTS)
    shutil.copy(Path(robotlab.__file__).parent / "budget" / "example_robot.json", home / "robot.json")
    about = {"metadata": {"robotlab": {"source": "02_what_the_camera_sees.py 0"}}, "nbformat": 4}
    cell = {"cell_type": "code", "source": ANSWER, "metadata": {}, "outputs": []}
    (home / "class").mkdir()
    for name in ("Ada", "Ben"):
        (home / "class" / f"{name}.ipynb").write_text(json.dumps(about | {"cells": [cell]}))
    # What the children have in common is made once.
    simulate(band_detector(), WALKS["weave"], duration_s=0.1)
    # A checkout with one small lesson, whose outputs lie where those of the other commands do.
    (home / "checkout" / "instructor" / "source").mkdir(parents=True)
    (home / "checkout" / "instructor" / "source" / "00_hello.py").write_text(SOURCE)
    (home / "checkout" / "lessons").symlink_to(home / "out" / "lessons")
    (home / "checkout" / "instructor" / "worked").symlink_to(home / "out" / "worked")


def band_detector() -> ColorDetector:
    return ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})


def use(instead: dict[tuple[ModuleType, str], Any]) -> None:
    """Put something shorter in place of a module's name; an error where there is no such name."""
    for (module, name), short in instead.items():
        mock.patch.object(module, name, short).start()


def fetch_nothing() -> None:
    """Packs are small, and their wheels come from here."""
    use(
        {
            (robotlab.packs.class_pack, "lesson_files"): lambda root: {
                f"lessons/{n}.md": b"# Hello\n" * 99 for n in range(9)
            },
            (robotlab.packs.class_pack, "library_files"): lambda root: {},
            (robotlab.packs.offline_pack, "fetch_wheels"): lambda folder, *_: (folder / "a.whl").write_bytes(
                b"wheel" * 999
            ),
        }
    )


def shorten(home: Path) -> None:
    """In the child: what would take long is done on less."""
    fetch_nothing()
    small = NeuralDetector.load(home / "model.onnx")
    instead = {
        (robotlab.cli.drive, "driving_detector"): lambda options: (band_detector(), 0.3),
        (robotlab.face_off, "simulate_walk"): lambda detector, walk, settings, seed, who, progress, log=None: simulate(
            detector, WALKS["weave"], settings=settings, duration_s=0.4, log=log
        ),
        (robotlab.tour, "fit"): lambda *_, **__: small,
        (robotlab.tour, "threshold"): lambda *_: 0.5,
        (robotlab.tour, "face_off"): lambda *_, **__: SimpleNamespace(sentences=lambda: ["Nothing was compared."]),
        (robotlab.tour, "ColorDetector"): SimpleNamespace(from_dataset=lambda *_: None),
    }
    for name in ("lightings_part", "data_part", "camera_part", "steering_part", "face_off_part", "walks_part"):
        instead[robotlab.tour, name] = lambda *_, **__: None
    use(instead)


def run(words: list[str]) -> int:
    """The command, as the console script runs it; or writing a data set, or labels, which a program does."""
    if words[0] != "label" and not words[0].startswith("write"):
        sys.argv = ["robotlab", *words]
        robotlab.cli.parser.run()
    try:
        if words[0] == "label":
            label(words[1])
        else:
            data = open_dataset(words[1])
            write_dataset(words[2], data, replace=True) if words[0] == "write" else write_voc(words[2], data)
    except OSError as error:
        print(error, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return 0


def label(folder: str) -> None:
    """Give each picture one box more, and say when that is saved."""
    store = LabelStore(folder)
    for count, id in enumerate(store.ids, 1):
        labels = store.labels(id)
        store.put(id, PictureLabels((*labels.boxes, LabeledBox((1, 1, 9, 9), min(store.classes))), labeled=True))
        os.write(1, b"saved %d\n" % count)
    store.close()


def child(words: list[str], home: Path, how: str, number: int, out: int) -> None:
    """In the fork: run the command, with the fault prepared."""
    code = 130
    # The signal may also come between the command's end and the child's own.
    with contextlib.suppress(OSError, KeyboardInterrupt, SystemExit):
        code = exit_code_of(words, home, how, number, out)
        sys.stdout.flush(), sys.stderr.flush()
    os._exit(code)


def exit_code_of(words: list[str], home: Path, how: str, number: int, out: int) -> int:
    """The exit code of the command, with the fault prepared."""
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
        return run(words)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0 if end.code is None else 71
    except KeyboardInterrupt:  # before the command began, or after it
        return 130
    except BaseException:
        traceback.print_exc()
        return 70


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
        elif path.suffix in (".png", ".jpg"):
            load(path)
        elif path.suffix == ".gif":
            with Image.open(path) as film:
                assert film.n_frames == 8, "pictures are missing"
        elif path.suffix == ".csv":
            assert path.read_bytes().endswith(b"\n"), "cut short"
        elif path.suffix == ".zip":
            with zipfile.ZipFile(path) as archive:
                assert archive.testzip() is None and archive.namelist()
        elif path.name == "split":
            entries = open_dataset(path)
            [load(entry.path) for entry in entries]
            assert len(entries.recordings) == 2, "recordings are missing"
        elif path.name == "pack":
            assert (path / "README.md").stat().st_size and len(list((path / "lessons").iterdir())) == 9, (
                "files are missing"
            )
        elif path.name.endswith("-pictures"):
            return "; ".join(filter(None, map(wrong_with, path.iterdir()))) or None
        elif path.name in folders_of(GOES_ON):
            left = [str(one.relative_to(path)) for one in path.rglob("*.part")]
            assert not left, f"{left} left behind"
            if (path / "annotations.json").exists():
                [load(entry.path) for entry in open_dataset(path, unlabeled=True)]
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


def folders_of(commands: dict[str, tuple[str, str]]) -> set[str]:
    return {folder for folder, _ in commands.values()}


def outcome(name: str, out: Path) -> dict[str, bytes]:
    """The files that must be the same once a command that goes on has come to its end."""
    folder, pattern = GOES_ON[name]
    return {str(path.relative_to(out)): path.read_bytes() for path in (out / folder).rglob(pattern) if path.is_file()}


def once(name: str, home: Path, how: str, number: int | float, old: bool) -> tuple[bool, str | None]:
    """One run: whether it came to its end undisturbed, and what is wrong."""
    out = home / "out"
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(home / f"whole {name}", out) if old else out.mkdir()
    if name == "build" and not old:
        (out / "lessons").mkdir(), (out / "worked").mkdir()
    make_room(name, out)
    if name == "label":
        shutil.copytree(home / "set", out / "labeled", dirs_exist_ok=True)
    (out / "state").unlink(missing_ok=True)
    there = set(out.rglob("*"))
    inputs = inputs_of(home)
    words = [
        word.replace("SET", "HOME/set")
        .replace("MODEL", "HOME/model.onnx")
        .replace("OUT", "HOME/out")
        .replace("HOME", str(home))
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
    if inputs_of(home) != inputs:
        faults.append("an input has changed")
    if name == "label":
        saved = text.count(b"saved ")
        faults += [f"{saved} saved, on the disk {n}" for n in [twice_labeled(out / "labeled")] if n < saved]
    allowed = {"full disk": (0, 2), "error": (0, 2), "interrupt": (0, 130)}.get(
        how, (0, 2, 128 + getattr(signal, how, 0))
    )
    # While a kernel works, its client takes SIGTERM like Ctrl-C.
    if code not in allowed and not (name == "build" and code == 130):
        faults.append(f"exit code {code}")
    if b"Traceback" in text:
        faults.append(text[-1500:].decode("utf-8", "replace"))
    if name in GOES_ON and how != "none":
        make_room(name, out)
        again = os.fork()
        if again == 0:
            child(words, home, "none", 0, os.open(os.devnull, os.O_WRONLY))
        if os.waitpid(again, 0)[1] or outcome(name, out) != outcome(name, home / f"whole {name}"):
            faults.append("given once more it does not end as undisturbed")
    return code == 0, "; ".join(faults) or None


def make_room(name: str, out: Path) -> None:
    """Remove an old output that would only be refused."""
    if name in NEW and (out / NEW[name]).is_dir():
        shutil.rmtree(out / NEW[name])
    elif name in NEW:
        (out / NEW[name]).unlink(missing_ok=True)


def inputs_of(home: Path) -> dict[Path, bytes]:
    """All files that the commands take."""
    folders = ("set", "one", "photos", "class")
    files = [path for folder in folders for path in (home / folder).rglob("*") if path.is_file()]
    return {path: path.read_bytes() for path in [*files, *home.glob("*.*")] if path.is_file()}


def twice_labeled(folder: Path) -> int:
    """Pictures that have got their second box."""
    return sum(len(entry) == 2 for entry in open_dataset(folder))


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
