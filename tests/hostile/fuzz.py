"""Mutate valid files and options, and give them to the doors: each must give one clear error, or work.

    python tests/hostile/fuzz.py --cases 10000        # of each kind; --kind labels for one

Cases run in forked children with limits on time and memory, in which no
other program may be started and nothing written.  A case that fails is kept in
``tests/hostile/cases``, and from then on runs with the tests.  Needs a POSIX
system.  The mutations are seeded: the same seed and number make the same file.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np
from mutations import (
    OPTIONS,
    mutate_bytes,
    mutate_image,
    mutate_json,
    mutate_lines,
    mutate_model,
    mutate_options,
    mutate_xml,
)
from PIL import Image

import robotlab.cli.commands
import robotlab.environment
import robotlab.face_off
import robotlab.neural
import robotlab.report
import robotlab.tour
from robotlab.cli import main
from robotlab.data import check_dataset, open_dataset, read_results
from robotlab.errors import InputError, printable
from robotlab.face_off import threshold
from robotlab.gather import gather
from robotlab.greenhouse import WALKS
from robotlab.image.file import load, size_of
from robotlab.loop import GroundTruthDetector, Run, simulate
from robotlab.loop.replay import replay_html
from robotlab.metrics import evaluate
from robotlab.neural import NeuralDetector
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import Layer, first_weights
from robotlab.neural.validation import scale_caution

CASES = Path(__file__).with_name("cases")
# Beyond what the process has when it forks, and more than any case may take.
MEMORY_BYTES = 2**30
SECONDS = 20
CASES_A_CHILD = 100
# Resident memory of the largest child so far, kB (on Linux), its parent's share included.
LARGEST_KB = [0]
# Audit events that a case must not cause (Python's table of audit events).
FORBIDDEN = {
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.fork",
    "os.forkpty",
    "pickle.find_class",
    "socket.connect",
}


# --- what is mutated, and what must hold ----------------------------------------------

LABELS = {
    "images": [
        {
            "id": n,
            "file_name": f"{n}.png",
            "width": 16,
            "height": 12,
            "recording": "ab"[n % 2],
            "lighting": "dusk",
            "distance_m": 1.5,
        }
        for n in (1, 2)
    ],
    "annotations": [
        {
            "id": n,
            "image_id": 1 + n % 2,
            "category_id": 3,
            "bbox": [1, 2, 4, 3],
            "area": 12,
            "iscrowd": 0,
            "visibility": 0.5,
        }
        for n in range(4)
    ],
    "categories": [{"id": 3, "name": "post"}, {"id": 5, "name": "crate"}],
    "info": {"year": 2024},
}
RESULTS = [{"image_id": 1 + n % 2, "category_id": 3, "bbox": [1, 2, 4, 3 + n], "score": n / 5} for n in range(5)]
VOC = (
    "<annotation><folder>walk</folder><filename>1.png</filename><size><width>16</width><height>12</height><depth>3</depth></size>"
    "<object><name>post</name><difficult>0</difficult><bndbox><xmin>4</xmin><ymin>3</ymin><xmax>9</xmax><ymax>5</ymax></bndbox></object>"
    "<object><name>crate</name><bndbox><xmin>1</xmin><ymin>1</ymin><xmax>3.5</xmax><ymax>2</ymax></bndbox></object></annotation>"
)

# What our own files hold beside VOC's tags.
VOC_WITH_NOTES = VOC.replace(
    "</object></annotation>",
    '<robotlab>{"id": 4, "category_id": 7, "bbox": [0.2, 0, 3, 2.1], "ignore": 0, "visibility": 0.5}</robotlab></object>'
    '<robotlab>{"image": {"id": 9, "recording": "walk", "distance_m": 1.5}, "place": 0, "categories": '
    '[{"id": 7, "name": "crate"}, {"id": 3, "name": "post"}]}</robotlab></annotation>',
)


def images() -> list[bytes]:
    picture = Image.fromarray(np.random.default_rng(0).integers(0, 256, (12, 16, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x0112] = 6
    found = []
    for kind, options in (
        ("PNG", {}),
        ("JPEG", {"exif": exif}),
        ("BMP", {}),
        ("WEBP", {}),
        ("PNG", {"exif": exif}),
        ("JPEG", {"progressive": True}),
    ):
        out = io.BytesIO()
        picture.save(out, kind, **options)
        found.append(out.getvalue())
    for mode in ("L", "P", "RGBA", "1", "I;16"):
        out = io.BytesIO()
        (
            Image.fromarray(np.arange(192, dtype=np.uint16).reshape(12, 16))
            if mode == "I;16"
            else picture.convert(mode)
        ).save(out, "PNG")
        found.append(out.getvalue())
    return found


def folder_of(home: Path) -> Path:
    """A data set to be spoiled."""
    home.mkdir(parents=True)
    for n in (1, 2):
        (home / f"{n}.png").write_bytes(images()[0])
    return home


def use_labels(path: Path) -> None:
    text = check_dataset(path).text()
    assert printable(text, keep="\n") == text, "unprintable text in the report"
    open_dataset(path).need_boxes()


def use_voc(path: Path) -> None:
    text = check_dataset(path.parent).text()
    assert printable(text, keep="\n") == text, "unprintable text in the report"
    open_dataset(path.parent)


def use_results(path: Path) -> None:
    data = open_dataset(path.with_name("annotations.json"))
    evaluate(data, read_results(path, data)).text()


def use_image(path: Path) -> None:
    width, height = size_of(path)
    picture = load(path)
    assert picture.shape == (height, width, 3) and picture.dtype == np.uint8, "size_of and load disagree"


def models() -> list[bytes]:
    """Small networks with every operator that ours have, and metadata of both generations."""
    layers = (
        Layer("a", "conv", ("picture",), 4, stride=4),
        Layer("b", "conv", ("a",), 4, stride=2, dilation=2),
        Layer("c", "double", ("b",), 4),
        Layer("d", "add", ("a", "c"), 4),
        Layer("features", "concat", ("d", "a"), 8),
    )
    facts = {
        "pictures": 9, "truths": 20, "seed": 0, "training": "frozen_backbone", "recordings": ["a"], "picture_px": [64, 48],
        "side_px": {"p05": 4.0, "p50": 8.0, "p95": 20.0}, "validation_split": "recording b", "validation_pictures": 2,
        "validation": {"pictures": 2, "recordings": ["b"]}, "validation_AP": 0.5, "best_score": 0.4, "best_f1": 0.7,
    }  # fmt: skip
    old = {
        "pictures": 9,
        "stage": "full",
        "recordings": ["a"],
        "held_out": "none",
        "held_out_AP50": 0.5,
        "best_score": 1,
    }
    found = []
    for hidden, known in ((0, facts), (3, old)):
        whole = layers + head_layers(2, hidden)
        made = NeuralDetector.build(whole, first_weights(whole), ["post", "crate"], known, 640, 1.5)
        found.append(made.save(Path(tempfile.mkdtemp()) / "a.onnx").read_bytes())
    return found


def use_model(path: Path) -> None:
    detector = NeuralDetector.load(path)
    assert printable("".join(detector.classes)) == "".join(detector.classes), "unprintable class names"
    detector.detect(images_array())
    data = open_dataset(path.with_name("annotations.json"))
    threshold(detector, data), scale_caution(detector, data)
    facts = detector.facts
    text = f"{', '.join(facts.get('recordings', []))} {', '.join(facts.get('validation', {}).get('recordings', []))}"
    assert printable(text) == text, "unprintable names of recordings"


def images_array() -> np.ndarray:
    return np.random.default_rng(0).integers(0, 256, (48, 64, 3), dtype=np.uint8)


def logs() -> list[bytes]:
    """The log of a short simulated walk."""
    log = Path(tempfile.mkdtemp()) / "a.jsonl"
    simulate(GroundTruthDetector(), WALKS["weave"], duration_s=0.6, pictures=False, log=log)
    return [log.read_bytes()]


def use_log(path: Path) -> None:
    run = Run.load(path)
    run.scores()
    assert "<script>alert(1)" not in replay_html(run), "foreign text became a script"


def films() -> list[bytes]:
    """Short films of both kinds that OpenCV writes, made in a process of their own: it has threads, and this one forks."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[2]); from gather_films import views; from robotlab.image import write_film\n"
        "for name in ('a.avi', 'b.mp4'): write_film(f'{sys.argv[1]}/{name}', views(8, (64, 48)), 10)"
    )
    home = Path(tempfile.mkdtemp())
    subprocess.run([sys.executable, "-c", code, home, Path(__file__).parents[1] / "gather"], check=True)
    return [(home / name).read_bytes() for name in ("a.avi", "b.mp4")]


def use_film(path: Path) -> None:
    report = gather(
        path, path.parent / "out" / hashlib.sha256(path.read_bytes()).hexdigest(), "walk", every=1, progress=False
    )
    text = report.text()
    assert printable(text, keep="\n") == text, "unprintable text in the report"
    assert check_dataset(report.data).ok and report.data[0].record["scale"] <= 1


class Worked(Exception):
    """The command has begun its work."""


def _work(*_: object, **__: object) -> None:
    raise Worked


def use_options(path: Path) -> None:
    """Everything up to the work itself, which a case does not need."""
    home = path.parent
    paths = {"SET": home, "OUT": home / "out", "MODEL": home / "model.onnx", "RESULTS": home / "results.json"}
    words = json.loads(path.read_text())
    for name, real in paths.items():
        words = [word.replace(name, str(real)) for word in words]
    before = _inputs(home)
    shown, error = io.StringIO(), io.StringIO()
    code = None
    heavy = [
        (robotlab.neural, "fit"),
        *((robotlab.face_off, name) for name in ("detect_all", "face_off", "simulate_walk", "threshold")),
        (robotlab.tour, "tour"),
        (robotlab.environment, "check_environment"),
        # The greenhouse is opened for a drive by color.
        *([(robotlab.cli.commands, "open_dataset")] if words[:1] == ["drive"] else []),
    ]
    with contextlib.ExitStack() as replaced:
        for place, name in heavy:
            replaced.enter_context(mock.patch.object(place, name, _work))
        replaced.enter_context(mock.patch.dict(robotlab.cli.commands.COMMANDS, open=_work, build=_work))
        replaced.enter_context(contextlib.redirect_stdout(shown))
        replaced.enter_context(contextlib.redirect_stderr(error))
        try:
            code = main(words)
        except Worked:
            pass
        except SystemExit as end:  # argparse, with its usage before the error
            code = 0 if not end.code else None if "usage:" in error.getvalue() else 99
    assert code in (None, 0, 1, 2), f"exit code {code}"
    assert code != 2 or error.getvalue().count("\n") == 1 + error.getvalue().count("\nresults: "), error.getvalue()[
        -500:
    ]
    assert _inputs(home) == before, "an input was changed, is gone, or is new"


def _inputs(home: Path) -> dict[Path, bytes]:
    return {file: file.read_bytes() for file in home.rglob("*") if file.is_file() and home / "out" not in file.parents}


@dataclass(frozen=True)
class Kind:
    """What is mutated, how, and who takes it."""

    name: str
    valid: Callable[[], list[bytes]]
    mutate: Callable[[np.random.Generator, bytes], bytes]
    use: Callable[[Path], None]
    writes: bool = False


KINDS = {
    "image": Kind("a.png", images, mutate_image, use_image),
    "labels": Kind("annotations.json", lambda: [json.dumps(LABELS).encode()], mutate_json, use_labels),
    "results": Kind("results.json", lambda: [json.dumps(RESULTS).encode()], mutate_json, use_results),
    "voc": Kind("a.xml", lambda: [VOC.encode(), VOC_WITH_NOTES.encode()], mutate_xml, use_voc),
    "model": Kind("model.onnx", models, mutate_model, use_model),
    "log": Kind("a.jsonl", logs, mutate_lines, use_log),
    "film": Kind("a.avi", films, mutate_bytes, use_film, True),
    "options": Kind(
        "words.json", lambda: [json.dumps(line).encode() for line in OPTIONS], mutate_options, use_options, True
    ),
}
# Files that stand beside the one that is mutated.
BESIDE: dict[str, bytes] = {
    "annotations.json": json.dumps(LABELS).encode(),
    "results.json": json.dumps(RESULTS).encode(),
}


def in_children(kind: Kind, contents: list[bytes], home: Path) -> list[str | None]:
    """What is wrong with how each file was taken; None where nothing is.  One child takes many, until one ends it."""
    said: list[str | None] = []
    while len(said) < len(contents):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            _take_all(kind, contents[len(said) :], home, writing)
        os.close(writing)
        late = False
        with os.fdopen(reading, "rb") as lines:
            try:
                signal.setitimer(signal.ITIMER_REAL, SECONDS)
                for line in lines:
                    said.append(json.loads(line))
                    signal.setitimer(signal.ITIMER_REAL, SECONDS)
            except TimeoutError:
                late = True
                os.kill(child, signal.SIGKILL)
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
        _, status, used = os.wait4(child, 0)
        LARGEST_KB[0] = max(LARGEST_KB[0], used.ru_maxrss)
        if len(said) < len(contents):
            said.append(f"took more than {SECONDS} s" if late else f"ended by status {status}")
    return said


def _take_all(kind: Kind, contents: list[bytes], home: Path, writing: int) -> None:
    """In the child: take one file after the other, and say what is wrong with each."""
    pages = int(Path("/proc/self/statm").read_text().split()[0]) if Path("/proc/self/statm").exists() else 2**20
    limit = pages * resource.getpagesize() + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    (home / "out").mkdir(exist_ok=True)
    os.chdir(home / "out")
    printed = tempfile.TemporaryFile()  # noqa: SIM115
    os.dup2(printed.fileno(), 1), os.dup2(printed.fileno(), 2)
    watching: list[Kind] = []
    sys.addaudithook(lambda event, arguments: _guard(event, arguments, kind) if watching else None)
    for content in contents:
        (home / kind.name).write_bytes(content)
        watching.append(kind)
        said = _take_one(kind, home / kind.name)
        watching.clear()
        if printed.tell():
            said = said or f"printed {printed.tell()} bytes"
            printed.seek(0), printed.truncate()
        os.write(writing, json.dumps(said).encode() + b"\n")
    os._exit(0)


def _take_one(kind: Kind, path: Path) -> str | None:
    try:
        kind.use(path)
    except InputError as error:
        if not str(error).isprintable() and printable(str(error)) != str(error):
            return "an error that is not one printable line"
        if len(str(error)) > 3000:
            return f"an error of {len(str(error))} characters"
    except BaseException:
        return traceback.format_exc()[-3000:]
    return None


def _guard(event: str, arguments: tuple, kind: Kind) -> None:
    if event in FORBIDDEN:
        raise RuntimeError(f"{event} {arguments}")
    if (
        event == "open"
        and isinstance(arguments[2], int)
        and not kind.writes
        and arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
    ):
        raise RuntimeError(f"written: {arguments[0]}")


def _late(*_: object) -> None:
    raise TimeoutError


def folder_for(kind: str) -> Path:
    """A data set, a model and results, for one kind to be put in."""
    home = folder_of(Path(tempfile.mkdtemp()) / "set")
    if kind in ("results", "model", "options"):
        for name, content in BESIDE.items():
            (home / name).write_bytes(content)
    if kind == "options":
        (home / "model.onnx").write_bytes(models()[0])
    return home


def fuzz(kind: str, cases: int, seed: int, keep: bool) -> list[str]:
    """What went wrong in so many cases of a kind."""
    valid, mutate, wrong = KINDS[kind].valid(), KINDS[kind].mutate, []
    home = folder_for(kind)
    try:
        said = in_children(KINDS[kind], valid, home)
        assert not any(said), f"a valid file of kind {kind} must pass: {said}"
        for first in range(0, cases, CASES_A_CHILD):
            numbers = range(first, min(cases, first + CASES_A_CHILD))
            contents = [
                mutate(np.random.default_rng([seed, n, *kind.encode()]), valid[n % len(valid)]) for n in numbers
            ]
            for number, content, said in zip(numbers, contents, in_children(KINDS[kind], contents, home), strict=True):
                if said is None:
                    continue
                wrong.append(f"{kind}, seed {seed}, case {number}: {said}")
                if keep:
                    CASES.mkdir(exist_ok=True)
                    name = f"{kind}-{hashlib.sha256(content).hexdigest()[:12]}{Path(KINDS[kind].name).suffix}"
                    (CASES / name).write_bytes(content)
    finally:
        shutil.rmtree(home.parent)
    return wrong


def replay() -> list[str]:
    """What goes wrong with the cases that once failed."""
    wrong = []
    for path in sorted(CASES.glob("*-*.*")):
        kind = path.name.split("-")[0]
        home = folder_for(kind)
        (said,) = in_children(KINDS[kind], [path.read_bytes()], home)
        shutil.rmtree(home.parent)
        wrong += [f"{path.name}: {said}"] if said else []
    return wrong


def main_fuzz() -> int:
    """Replay the kept cases, then make new ones."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=10_000, help="of each kind")
    parser.add_argument("--kind", choices=KINDS, action="append", help="only this kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--no-keep", action="store_true", help="do not keep the cases that fail")
    options = parser.parse_args()
    signal.signal(signal.SIGALRM, _late)
    wrong = replay()
    for kind in options.kind or KINDS:
        began, before = time.monotonic(), len(wrong)
        wrong += fuzz(kind, options.cases, options.seed, not options.no_keep)
        took = f"{time.monotonic() - began:.0f} s, largest child {LARGEST_KB[0] / 1000:.0f} MB"
        print(f"{kind}: {options.cases} cases, {len(wrong) - before} wrong ({took})", flush=True)
        LARGEST_KB[0] = 0
    print("\n\n".join(wrong[:20]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main_fuzz())
