"""What each command of :mod:`robotlab.cli` does.

Every function takes the parsed options and returns the exit code; bad input is
raised as :class:`~robotlab.errors.InputError` and becomes one line and code 2.
Results go to standard output, progress to standard error.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from robotlab.cli.shared import Options, driving_detector, say, show
from robotlab.color import ColorDetector
from robotlab.course.resources import shipped
from robotlab.data import DataSet, open_dataset, read_results, write_results
from robotlab.detections import Detector
from robotlab.errors import InputError, ModelError, some
from robotlab.files import check_output
from robotlab.loop import Settings

if TYPE_CHECKING:
    from robotlab.neural import NeuralDetector


def _open(options: Options, pictures: bool = True) -> DataSet:
    """The whole data set, with the chosen classes."""
    data = open_dataset(options.data, pictures)
    return data.of_classes(options.classes) if options.classes else data


def _chosen(data: DataSet, recordings: tuple[str, ...] | None) -> DataSet:
    """The labeled pictures of some recordings; says how many are not labeled yet."""
    chosen = data.only(recordings=recordings) if recordings else data
    waiting = len(chosen) - len(chosen.labeled)
    if waiting:
        say(
            f"note: {waiting} of {len(chosen)} pictures are not labeled yet and left out; label them with 'robotlab label'"
        )
    return chosen.labeled


def _leak_caution(trained: Collection[str], judged: DataSet) -> str:
    """The caution where a detector is judged on recordings it learned from."""
    learned = set(trained)
    both = [name for name in judged.recordings if name in learned]
    return f"; caution, data leakage: it also learned from {some(both)}, so the metrics are optimistic" if both else ""


def _cautions(detector: NeuralDetector, judged: DataSet) -> str:
    """Why the metrics of a detector on these pictures may say little."""
    from robotlab.neural.validation import scale_caution, size_caution

    trained, chosen = set(detector.facts.get("recordings", [])), set(_validation(detector.facts))
    words = _leak_caution(trained, judged)
    both = [name for name in judged.recordings if name in chosen and name not in trained]
    if both:
        words += f"; caution: {some(both)} is its validation set and chose its threshold, so the metrics are a little optimistic"
    cautions = filter(None, (scale_caution(detector, judged), size_caution(detector, judged)))
    return words + "".join(f"; {caution}" for caution in cautions)


def _validation(facts: Mapping[str, Any]) -> list[str]:
    """Recordings that were only used to choose."""
    return facts.get("validation", {}).get("recordings", [])


def _files_of(data: DataSet, *more: str | None) -> list[str | Path]:
    """Everything that is read, so that no output replaces it."""
    return [data.labels_path, *(entry.path for entry in data.pictures), *filter(None, more)]


def _rest(data: DataSet, judged: DataSet, learn: tuple[str, ...] | None) -> tuple[DataSet, str]:
    """What a detector learns from, and a sentence that says so."""
    if learn:
        return data.only(recordings=learn), f"learned from {some(learn)}" + _leak_caution(learn, judged)
    here = set(judged.recordings)
    others = [name for name in data.recordings if name not in here]
    if others:
        return data.only(recordings=others), f"learned from {some(others)}"
    return (
        data,
        "caution, data leakage: learned from the very pictures it is judged on, so the metrics are optimistic; give --recordings or --learn",
    )


def _detector(
    who: str, data: DataSet, judged: DataSet, learn: tuple[str, ...] | None, progress: bool
) -> tuple[Detector, str, str]:
    """Detector, its name, and how it came to be."""
    if who == "color":
        source, note = _rest(data, judged, learn)
        return ColorDetector.from_dataset(source, progress=progress), "color", note
    if learn:
        raise InputError("--learn goes with the color detector, a model file has learned already; leave it out")
    from robotlab.neural import NeuralDetector

    if not who.lower().endswith(".onnx"):
        raise ModelError(f"--with must be the word color or an .onnx file, got {who!r}; make one with robotlab fit")
    detector = NeuralDetector.load(who, classes=judged.classes)
    facts = detector.facts
    note = f"trained on {facts.get('pictures', '?')} pictures, {str(facts.get('training', '?')).replace('_', '-')}"
    return detector, Path(who).name, note + _cautions(detector, judged)


def fit(options: Options) -> int:
    """Train a detector and write its file."""
    from robotlab.neural import fit as train

    path = Path(options.output)
    if path.suffix.lower() != ".onnx":
        raise ModelError(f"a model's name must end in .onnx, got {path.name!r}; rename it")
    wrong = [f"--{name}" for name in ("epochs", "resume", "engine", "start") if getattr(options, name) is not None]
    if wrong and options.training == "frozen-backbone":
        raise InputError(
            f"{' and '.join(wrong)} go with --training fine-tuning, with a frozen backbone only a head is fitted; leave them out or add --training fine-tuning"
        )
    if options.training == "fine-tuning" and options.head is not None:
        raise InputError("--head goes with --training frozen-backbone, fine-tuning has a head of its own; leave it out")
    everything = _open(options)
    check_output(path, "model", _files_of(everything, options.resume))
    if options.resume:
        check_output(options.resume, "training state", _files_of(everything, options.output))
    wanted = options.recordings
    if wanted and options.hold_out:
        wanted = tuple(dict.fromkeys(wanted + options.hold_out))
    data = _chosen(everything, wanted)
    detector = train(
        data,
        training=options.training.replace("-", "_"),
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
    show(f"{path}: {', '.join(detector.classes)}; {path.stat().st_size / 1e6:.2f} MB")
    show(f"trained on {facts['pictures']} pictures of {some(facts['recordings'])}")
    if facts["validation_pictures"]:
        show(f"score that maximizes F1 on the validation set ({facts['validation_split']}): {facts['best_score']:.2f}")
    show(f"next: {_what_next(options, path, facts, everything)}")
    return 0


def _what_next(options: Options, path: Path, facts: Mapping[str, Any], data: DataSet) -> str:
    """How to judge the new model on recordings that are really apart, or that there are none."""
    command = f"robotlab judge {quote(options.data)} --with {quote(str(path))}"
    if options.classes:
        command += f" --classes {quote(','.join(options.classes))}"
    trained, chosen = set(facts["recordings"]), _validation(facts)
    seen = trained.union(chosen)
    apart = [name for name in data.recordings if name not in seen]
    if apart:
        return f"{command} --recordings {quote(','.join(apart))}"
    kept = [name for name in chosen if name not in trained]
    if kept:
        return f"{command} --recordings {quote(','.join(kept))}  (the validation set: it chose the threshold, so the metrics are a little optimistic)"
    words = "no recording here is left for a test, all were trained on: judge on a new one"
    return words + (f", or fit again with --hold-out {quote(data.recordings[-1])}" if len(data.recordings) > 1 else "")


def evaluate(options: Options) -> int:
    """Score a detector or a results file."""
    from robotlab.face_off import timed_detections
    from robotlab.metrics import evaluate as score
    from robotlab.metrics import read_results_table

    # Found boxes are scored without looking at a picture; a report shows some.
    data = _open(options, pictures=not options.results or bool(options.html))
    judged = _chosen(data, options.recordings)
    files = _files_of(data, options.who if options.who != "color" else None, options.results)
    if options.save_results:
        check_output(options.save_results, "results file", [*files, *filter(None, [options.html])])
    if options.html:
        check_output(options.html, "report", [*files, *filter(None, [options.save_results])])
    milliseconds = None
    if options.results:
        for name, value in (("--learn", options.learn), ("--save-results", options.save_results)):
            if value:
                raise InputError(f"{name} goes with --with, a results file holds what was found already; leave it out")
        detections, name, note = read_results(options.results, judged), Path(options.results).name, "read from the file"
        # The table keeps the file's own x, y, width, height: exact to the last bit.
        evaluation = score(judged, read_results_table(judged, options.results), name)
    else:
        detector, name, note = _detector(options.who, data, judged, options.learn, not options.quiet)
        if "caution" in note and not options.quiet:
            say(f"{name}: {note}")  # before the work too
        found = timed_detections(detector, judged, name, not options.quiet)
        detections, milliseconds = list(found.detections), float(sorted(found.milliseconds)[len(judged) // 2])
        evaluation = score(judged, detections, name)
    if options.save_results:
        say(f"results: {write_results(options.save_results, judged, detections)}")
    if options.html:
        from robotlab.report import evaluation_page

        say(f"report: {evaluation_page(judged, detections, evaluation, name, note).save(options.html)}")
    if options.json:
        value = evaluation.to_json()
        value |= {"note": note, "milliseconds_median": milliseconds}
        show(json.dumps(value, indent=1, allow_nan=False))
    else:
        show(f"{name} ({note})")
        show(evaluation.text())
        if milliseconds is not None:
            show(f"time of one picture, median: {milliseconds:.1f} ms")
    return 0


def compare(options: Options) -> int:
    """Color detector and detector through the same pictures and walks."""
    from robotlab.face_off import USUAL_WALKS, face_off, threshold
    from robotlab.neural import NeuralDetector
    from robotlab.neural import fit as train
    from robotlab.report import face_off_page, face_off_text

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
    check_output(options.output, "report", _files_of(data, options.who))
    detectors: dict[str, Detector] = {"color": ColorDetector.from_dataset(source, progress=not options.quiet)}
    if options.who:
        detector = NeuralDetector.load(options.who, classes=judged.classes)
        detectors["detector"] = detector
        note += f" (color); the detector is {Path(options.who).name}" + _cautions(detector, judged)
    else:
        detectors["detector"] = train(source, seed=options.seed, progress=not options.quiet)
    scores = {name: threshold(detector, source) for name, detector in detectors.items()}
    outcome = face_off(judged, detectors, scores, walks, note, options.seed, progress=not options.quiet)
    path = face_off_page(outcome).save(options.output)
    words = f"{face_off_text(outcome)}\n\nDetectors: {note}."
    show(json.dumps(outcome.to_json(), indent=1, allow_nan=False) if options.json else words)
    (say if options.json else show)(f"report: {path}")
    return 0


def tour(options: Options) -> int:
    """The whole chain once."""
    from robotlab.tour import tour as run

    check_output(Path(options.output) / "model.onnx", "model")
    check_output(Path(options.output) / "tour.html", "report")
    path = run(options.output, seed=options.seed, progress=not options.quiet)
    show(f"report: {path.resolve()}")
    show("next: open it in a browser, then start the course with robotlab open")
    return 0


def simulate_walk(options: Options) -> int:
    """One walk in the rendered greenhouse."""
    from robotlab.face_off import simulate_walk as follow
    from robotlab.report import drive_page
    from robotlab.report.page import text_table

    check_output(options.output, "report", filter(None, [options.log, options.who]))
    if options.log:
        check_output(options.log, "run log", [options.output])
    detector, score = driving_detector(options)
    run = follow(
        detector, options.walk, Settings(min_score=score), options.seed, options.who, not options.quiet, log=options.log
    )
    show(text_table(("score of the run", options.who), run.scores().items()))
    show(f"replay: {drive_page(run, options.who).save(options.output)}")
    return 0


def build(options: Options) -> int:
    """Notebooks from their source."""
    from robotlab.course.builder import main

    return main(["--check"] if options.check else [])


def open_course(options: Options) -> int:
    """JupyterLab at the first lesson, in this environment."""
    from robotlab.environment import FIRST_LESSON, READ_ONLY, is_writable

    first = shipped(FIRST_LESSON)
    if not is_writable(first.parent):
        raise InputError(f"{first.parent} cannot be written: {READ_ONLY}")
    from robotlab.cli.jupyter import start_jupyterlab

    return start_jupyterlab(first.parents[1], f"lessons/{first.name}", options.port, options.no_browser)


COMMANDS = {"open": open_course, "tour": tour, "fit": fit, "judge": evaluate, "compare": compare, "build": build}
