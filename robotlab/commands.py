"""What each command of :mod:`robotlab.cli` does.

Every function takes the parsed options and returns the exit code; bad input is
raised as :class:`~robotlab.errors.InputError` and becomes one line and code 2.
Results go to standard output, progress to standard error.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from robotlab.color import ColorTracker
from robotlab.course.places import shipped
from robotlab.dataset import DataSet, open_dataset, read_results, write_results
from robotlab.errors import InputError, ModelError
from robotlab.follow import Settings
from robotlab.trackers import Tracker


def _say(text: str) -> None:
    print(text, file=sys.stderr)


def _open(options: argparse.Namespace, pictures: bool = True) -> DataSet:
    """The whole data set, with the chosen classes."""
    data = open_dataset(options.data, pictures)
    return data.of_classes(options.classes) if options.classes else data


def _chosen(data: DataSet, recordings: tuple[str, ...] | None) -> DataSet:
    return data.only(recordings=recordings) if recordings else data


def _flatters(learned: Sequence[str], judged: DataSet) -> str:
    """The caution where a tracker is judged on recordings it learned from."""
    both = sorted(set(learned) & set(judged.recordings))
    return f"; caution: {', '.join(both)} is also judged, so the figures flatter" if both else ""


def _rest(data: DataSet, judged: DataSet, learn: tuple[str, ...] | None) -> tuple[DataSet, str]:
    """What a tracker learns from, and a sentence that says so."""
    if learn:
        return data.only(recordings=learn), f"learned from {', '.join(learn)}" + _flatters(learn, judged)
    others = [name for name in data.recordings if name not in judged.recordings]
    if others:
        return data.only(recordings=others), f"learned from {', '.join(others)}"
    return data, "learned from the very pictures it is judged on, so the figures flatter; give --recordings or --learn"


def _tracker(who: str, data: DataSet, judged: DataSet, learn: tuple[str, ...] | None) -> tuple[Tracker, str, str]:
    """Tracker, its name, and how it came to be."""
    if who == "color":
        source, note = _rest(data, judged, learn)
        return ColorTracker.from_dataset(source), "color", note
    if learn:
        raise InputError("--learn goes with the color tracker, a model file has learned already; leave it out")
    from robotlab.detector import Detector

    if not who.lower().endswith(".onnx"):
        raise ModelError(f"--with must be the word color or an .onnx file, got {who!r}; make one with robotlab fit")
    detector = Detector.load(who, classes=judged.classes)
    facts = detector.facts
    note = f"trained on {facts.get('pictures', '?')} pictures, stage {facts.get('stage', '?')}"
    return detector, Path(who).name, note + _flatters(facts.get("recordings", ()), judged)


def fit(options: argparse.Namespace) -> int:
    """Train a detector and write its file."""
    from robotlab.detector import fit as train

    path = Path(options.output)
    if path.suffix.lower() != ".onnx":
        raise ModelError(f"a model's name must end in .onnx, got {path.name!r}; rename it")
    of_full = {"--epochs": options.epochs, "--resume": options.resume, "--engine": options.engine, "--start": options.start}
    wrong = [name for name, value in of_full.items() if value is not None] if options.stage == "head" else []
    if wrong:
        raise InputError(f"{' and '.join(wrong)} go with --stage full, this is the head fit; leave them out or add --stage full")
    if options.stage == "full" and options.head is not None:
        raise InputError("--head goes with --stage head, full training has a head of its own; leave it out")
    data = _open(options)
    wanted = options.recordings
    if wanted and options.hold_out:
        wanted = tuple(dict.fromkeys(wanted + options.hold_out))
    data = _chosen(data, wanted)
    detector = train(
        data,
        stage=options.stage,
        engine=options.engine or "auto",
        seed=options.seed,
        hold_out=options.hold_out,
        head=options.head or "linear",
        epochs=options.epochs,
        start=options.start or "shipped",
        progress=not options.quiet,
        state_path=options.resume,
    )
    detector.save(path)
    facts = detector.facts
    print(f"{path}: {', '.join(detector.classes)}; {path.stat().st_size / 1e6:.2f} MB")
    print(f"trained on {facts['pictures']} pictures of {', '.join(facts['recordings'])}")
    if facts.get("best_score") is not None:
        print(f"score that maximizes F1 on held-out pictures: {facts['best_score']:.2f}")
    others = [name for name in _open(options).recordings if name not in facts["recordings"]]
    some = f" --recordings {','.join(others)}" if others else ""
    print(f"next: robotlab judge {options.data} --with {path}{some}" + ("" if others else ", on pictures kept apart"))
    return 0


def judge(options: argparse.Namespace) -> int:
    """Score a tracker or a results file."""
    from robotlab.face_off import find_all
    from robotlab.scoring import judge as score
    from robotlab.scoring import read_results_table

    # Found boxes are scored without looking at a picture; a report shows some.
    data = _open(options, pictures=not options.results or bool(options.html))
    judged = _chosen(data, options.recordings)
    milliseconds = None
    if options.results:
        for name, value in (("--learn", options.learn), ("--save-results", options.save_results)):
            if value:
                raise InputError(f"{name} goes with --with, a results file holds what was found already; leave it out")
        detections, name, note = read_results(options.results, judged), Path(options.results).name, "read from the file"
        # The table keeps the file's own x, y, width, height: exact to the last bit.
        judgement = score(judged, read_results_table(judged, options.results), name)
    else:
        tracker, name, note = _tracker(options.who, data, judged, options.learn)
        found = find_all(tracker, judged, name, not options.quiet)
        detections, milliseconds = list(found.detections), float(sorted(found.milliseconds)[len(judged) // 2])
        judgement = score(judged, detections, name)
    if options.save_results:
        _say(f"results: {write_results(options.save_results, judged, detections)}")
    if options.html:
        from robotlab.pages import judgement_page

        _say(f"report: {judgement_page(judged, detections, judgement, name, note).save(options.html)}")
    if options.json:
        value = judgement.to_json()
        value |= {"note": note, "milliseconds_median": milliseconds}
        print(json.dumps(value, indent=1, allow_nan=False))
    else:
        print(f"{name} ({note})")
        print(judgement.text())
        if milliseconds is not None:
            print(f"time of one picture, median: {milliseconds:.1f} ms")
    return 0


def compare(options: argparse.Namespace) -> int:
    """Color tracker and detector through the same pictures and walks."""
    from robotlab.detector import Detector
    from robotlab.detector import fit as train
    from robotlab.face_off import USUAL_WALKS, face_off, threshold
    from robotlab.pages import face_off_page, face_off_text

    data = _open(options)
    judged = _chosen(data, options.recordings)
    source, note = _rest(data, judged, options.learn)
    target_known = Settings().target in judged.classes
    walks = options.walks if options.walks is not None else USUAL_WALKS if target_known else ()
    if walks == ("none",):
        walks = ()
    if walks and not target_known:
        raise InputError(
            f"on the walks a {Settings().target} is followed, the classes here are {', '.join(judged.classes)}; "
            "leave --walks out to compare on pictures alone"
        )
    trackers: dict[str, Tracker] = {"color": ColorTracker.from_dataset(source)}
    if options.model:
        trackers["detector"] = Detector.load(options.model, classes=judged.classes)
        learned = trackers["detector"].facts.get("recordings", ())
        note += f" (color); the detector is {Path(options.model).name}" + _flatters(learned, judged)
    else:
        trackers["detector"] = train(source, seed=options.seed, progress=not options.quiet)
    scores = {name: threshold(tracker, source) for name, tracker in trackers.items()}
    outcome = face_off(judged, trackers, scores, walks, note, options.seed, progress=not options.quiet)
    path = face_off_page(outcome).save(options.output)
    print(json.dumps(outcome.to_json(), indent=1, allow_nan=False) if options.json else face_off_text(outcome))
    (_say if options.json else print)(f"report: {path}")
    return 0


def tour(options: argparse.Namespace) -> int:
    """The whole chain once."""
    from robotlab.tour import tour as run

    path = run(options.output, seed=options.seed, progress=not options.quiet)
    print(f"report: {path.resolve()}")
    print("next: open it in a browser, then start the course with robotlab open")
    return 0


def checkup(options: argparse.Namespace) -> int:
    """The environment, or a data set."""
    if options.data:
        from robotlab.dataset import checkup as check

        report = check(options.data)
    else:
        from robotlab.environment import checkup as check

        report = check()
    print(json.dumps(report.to_dict(), indent=1) if options.json else report.text())
    return 0 if report.ok else 1


def drive(options: argparse.Namespace) -> int:
    """One walk in the rendered greenhouse."""
    from robotlab.detector import Detector
    from robotlab.face_off import drive as follow
    from robotlab.face_off import threshold
    from robotlab.pages import drive_page
    from robotlab.report import text_table

    if options.who == "color":
        source = open_dataset(shipped("datasets/greenhouse"))
        tracker: Tracker = ColorTracker.from_dataset(source)
        score = threshold(tracker, source)
    else:
        tracker = Detector.load(options.who)
        score = float(tracker.facts.get("best_score") or Settings().min_score)
    run = follow(tracker, options.walk, Settings(min_score=score), options.seed, options.who, not options.quiet, log=options.log)
    print(text_table(("score of the run", options.who), run.scores().items()))
    print(f"replay: {drive_page(run, options.who).save(options.output)}")
    return 0


def build(options: argparse.Namespace) -> int:
    """Notebooks from their source."""
    from robotlab.course.builder import main

    return main(["--check"] if options.check else [])


def open_course(options: argparse.Namespace) -> int:
    """JupyterLab at the first lesson, in this environment."""
    import os

    if importlib.util.find_spec("jupyterlab") is None:
        raise ModuleNotFoundError("robotlab open starts JupyterLab", name="jupyterlab")
    first = shipped("lessons/00_start_here.ipynb")
    root = first.parents[1]
    words = [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={root}",
        f"--LabApp.default_url=/lab/tree/lessons/{first.name}",
        f"--ServerApp.port={options.port}",
        # Nothing is sent anywhere: no look for updates, no news, no list of extensions from the package index.
        "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
        "--LabApp.news_url=None",
        "--LabApp.extension_manager=readonly",
    ]
    if options.no_browser:
        words.append("--no-browser")
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        # In a container one often is root, and Jupyter then wants to be asked twice.
        words.append("--allow-root")
    _say(f"starting JupyterLab in {root}; stop it with Ctrl+C")
    sys.stdout.flush()
    # Replace this process, so that Ctrl+C reaches JupyterLab alone.
    if os.name == "posix":
        os.execv(words[0], words)
    import subprocess

    return subprocess.call(words)


COMMANDS = {
    "open": open_course,
    "tour": tour,
    "checkup": checkup,
    "fit": fit,
    "judge": judge,
    "compare": compare,
    "drive": drive,
    "build": build,
}
