"""Kinds of input that ``fuzz.py`` mutates: valid ones, how they are mutated, and who takes them."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import subprocess
import sys
import tempfile
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
    mutate_plan,
    mutate_state,
    mutate_xml,
)
from PIL import Image

import robotlab.budget
import robotlab.cli.commands
import robotlab.environment
import robotlab.face_off
import robotlab.neural
import robotlab.report
import robotlab.tour
from robotlab.budget import check_robot
from robotlab.cli import main
from robotlab.color import Band, ColorDetector, Shape
from robotlab.course.builder import build, learner_notebook
from robotlab.data import check_dataset, open_dataset, read_results
from robotlab.errors import printable
from robotlab.face_off import threshold
from robotlab.gather import gather
from robotlab.greenhouse import WALKS
from robotlab.image.file import load, size_of
from robotlab.loop import GroundTruthDetector, Run, simulate
from robotlab.loop.replay import replay_html
from robotlab.metrics import evaluate
from robotlab.neural import NeuralDetector
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import NumpyEngine
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import Layer, first_weights
from robotlab.neural.training_loop import History, Kept, _restored, _save_state
from robotlab.neural.validation import scale_caution
from robotlab.practice.progress import Progress
from robotlab.sweep import SweepTable, read_plan
from robotlab.sweep.part_runner import parts_of, run_part
from robotlab.sweep.report import sweep_page

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
        Layer("c", "upsample", ("b",), 4),
        Layer("d", "add", ("a", "c"), 4),
        Layer("features", "concat", ("d", "a"), 8),
    )
    facts = {
        "pictures": 9,
        "truths": 20,
        "seed": 0,
        "training": "frozen_backbone",
        "recordings": ["a"],
        "picture_px": [64, 48],
        "side_px": {"p05": 4.0, "p50": 8.0, "p95": 20.0},
        "validation_split": "recording b",
        "validation_pictures": 2,
        "validation": {"pictures": 2, "recordings": ["b"]},
        "validation_AP": 0.5,
        "best_score": 0.4,
        "best_f1": 0.7,
    }
    few = {
        "pictures": 9,
        "training": "fine_tuning",
        "recordings": ["a"],
        "validation_split": "none",
        "validation_AP50": 0.5,
        "best_score": 1,
    }
    found = []
    for hidden, known in ((0, facts), (3, few)):
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


def color_detectors() -> list[bytes]:
    """Two saved color detectors, with and without shapes."""
    band = Band((170, 8), (90, 255), (60, 250))
    found = []
    for shapes, balance in (({}, None), ({"post": Shape(12, (0.2, 3), 0.4, 0.5)}, (1.0, 0.9, 1.1))):
        detector = ColorDetector({"post": band}, shapes=shapes, balance=balance)
        found.append(detector.save(Path(tempfile.mkdtemp()) / "a.json").read_bytes())
    return found


def use_color_detector(path: Path) -> None:
    detector = ColorDetector.load(path)
    assert printable("".join(detector.classes)) == "".join(detector.classes), "unprintable class names"
    detector.detect(images_array())


PROGRESS = {"version": 1, "tasks": {"iou": {"state": "tried", "tries": 2, "nudges": 1}}}


def use_progress(path: Path) -> None:
    """A damaged file is set aside, never lost, and the learner goes on."""
    content = path.read_bytes()
    progress = Progress(path)
    progress.record("iou")
    note = progress.take_note()
    assert printable(note) == note, "unprintable note"
    beside = list(path.parent.glob("progress.damaged-*"))
    assert path.exists() != bool(beside) and (note or path.exists()), "set aside without a word"
    for file in beside or [path]:
        assert file.read_bytes() == content, "the learner's file was changed"
        file.unlink()


SOURCE = """# %% [markdown]
# # Hello

# %%
1 + 1

# %% tags=["verify"]
print("hello")
"""


def notebooks() -> list[bytes]:
    source = Path(tempfile.mkdtemp()) / "00_hello.py"
    source.write_text(SOURCE)
    return [learner_notebook(source).encode()]


def use_notebook(path: Path) -> None:
    """A worked notebook that is compared with its source."""
    source = path.parent / "source"
    if not source.exists():
        raise FileNotFoundError(source)
    for line in build(source, path.parent, path.parent, check=True):
        assert line.isprintable(), "a difference that is not one printable line"


STEPS = 9
LAYERS = (Layer("a", "conv", ("picture",), 2, stride=4), *head_layers(1)[:0])


def engine() -> NumpyEngine:
    return NumpyEngine(LAYERS, first_weights(LAYERS), WorkerPool(1))


def states() -> list[bytes]:
    """The state of a small training."""
    path, made = Path(tempfile.mkdtemp()) / "state", engine()
    history = History([1, 3], [0.5, 0.25], [3], [0.1], [0.2])
    _save_state(path, made, {"steps": STEPS}, 3, 1.5, history, Kept(made.average(), 0.15, 3))
    return [path.read_bytes()]


def use_state(path: Path) -> None:
    made = engine()
    step, spent_s, history, kept = _restored(path, made, {"steps": STEPS})
    assert type(step) is int and 0 <= step <= STEPS and 0 <= spent_s < np.inf, "a state with a strange step"
    assert type(kept.step) is int and 0 <= kept.step <= step, "weights kept at a strange step"
    assert type(kept.best_validation) is float and -1 <= kept.best_validation <= 1, "a strange score"
    for values in (history.steps, history.losses, history.judged_steps, history.judged_AP, history.judged_AP50):
        assert np.isfinite(np.array(values, float)).all(), "a state with a strange history"
    for arrays in (kept.weights, made.average(), made.state()):
        assert all(np.isfinite(value).all() for value in arrays.values()), "a state with strange weights"


def robots() -> list[bytes]:
    return [Path(robotlab.budget.__file__).with_name("example_robot.json").read_bytes()]


def use_robot(path: Path) -> None:
    text = check_robot(path).text()
    assert "nan" not in text.split() and "inf" not in text.split(), "a figure is not a number"


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


PLANS = (
    (
        "name = 'a'\nduration_s = 1\n[fixed]\nwalk = 'straight'\nedge_noise_px = 0.5\n[vary]\nturn_gain = [0.5, 2.0]\n"
        "latency_s = { from = 0.05, to = 0.5, steps = 3 }\nseed = [0, 1]\n[rendered]\nchosen = 1\n"
    ),
    (
        "design = 'sobol'\nsamples = 8\ndesign_seed = 3\n[vary]\nhfov_deg = { from = 40, to = 90 }\nframe_hz = [5, 10]\n"
        "detector = ['mine', 'color']\nlighting = ['daylight', 'warm']\n[detectors.mine]\nmiss_rate = 0.1\n"
        "[detectors.color]\nsmallest_px = 9\n[detectors.color.warm]\nmiss_rate = 0.9\n"
    ),
    "runs = 'rendered'\nduration_s = 1\n[vary]\ndetector = ['color', 'mine']\nseed = [0, 1]\n[detectors.mine]\nfile = 'model.onnx'\n",
)


def use_plan(path: Path) -> None:
    """A plan that is taken can be cut into parts, and a few of its fast runs come through the table onto the page."""
    plan = read_plan(path)
    assert printable(plan.name) == plan.name, "unprintable name"
    parts, rows = parts_of(plan), plan.rows()
    assert sorted(n for p in parts if p["rendered"] == plan.rendered for n in p["numbers"]) == list(range(len(rows)))
    found = []
    for part in parts[:3]:
        if not part["rendered"]:
            numbers = part["numbers"][:3]
            found += run_part({**part, "numbers": numbers, "rows": [rows[n] for n in numbers], "duration_s": 0.5})
    if not found:
        return
    table = SweepTable.of([{**rows[row["run"]], **row} for row in found])
    SweepTable.load(table.save(path.parent / "out" / "table.csv"))
    if hashlib.sha256(path.read_bytes()).digest()[0] < 25:  # a page takes longer than all the rest
        sweep_page(plan, table, {})


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
        *((robotlab.face_off, name) for name in ("timed_detections", "face_off", "simulate_walk", "threshold")),
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
    "color": Kind("color.json", color_detectors, mutate_json, use_color_detector),
    "progress": Kind("progress.json", lambda: [json.dumps(PROGRESS).encode()], mutate_json, use_progress),
    "notebook": Kind("00_hello.ipynb", notebooks, mutate_json, use_notebook),
    "state": Kind("state", states, mutate_state, use_state),
    "robot": Kind("robot.json", robots, mutate_json, use_robot),
    "plan": Kind("plan.toml", lambda: [text.encode() for text in PLANS], mutate_plan, use_plan, True),
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


def folder_for(kind: str) -> Path:
    """A data set, a model and results, for one kind to be put in."""
    home = folder_of(Path(tempfile.mkdtemp()) / "set")
    if kind in ("results", "model", "options"):
        for name, content in BESIDE.items():
            (home / name).write_bytes(content)
    if kind == "notebook":
        (home / "source").mkdir()
        (home / "source" / "00_hello.py").write_text(SOURCE)
    if kind == "options":
        (home / "model.onnx").write_bytes(models()[0])
    return home
