"""The whole chain once: render, train, judge, steer, follow, report.

About a minute on two cores.  Every figure of the report is computed here and
now; nothing is read from a file but the labeled pictures.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np

from robotlab._progress import progress_bar
from robotlab.camera import Camera, pixels_on_target
from robotlab.color import ColorDetector
from robotlab.control import Motor
from robotlab.course.resources import shipped
from robotlab.data import DataSet, contact_sheet, open_dataset
from robotlab.detections import Detector
from robotlab.errors import DataSetError
from robotlab.face_off import face_off, threshold
from robotlab.greenhouse import LIGHTINGS, WALKS, Scene, Thing, render
from robotlab.image import resize
from robotlab.loop import GroundTruthDetector, Settings, default_camera, simulate
from robotlab.neural import NeuralDetector, fit
from robotlab.report.page import Report
from robotlab.report.plots import COLORS, LINES, new_figure, plot_pictures
from robotlab.report.runs import SAFETY_NOTE, face_off_part, runs_table, walks_part

# Of each recording this many pictures are used, evenly spread: enough to train
# and judge with, few enough for a minute.
TRAINING_PICTURES = 14
JUDGE_PICTURES = 12
# Width of the squeezed picture, px: a quarter of the camera's.
SQUEEZED_PX = 80
NARROW_VIEW_RAD = math.radians(20.0)
# A light trolley: its motors follow in a fiftieth of a second, its gain is high.
BRISK = Settings(motor=Motor(lag_s=0.02), drive_gain=4.0, max_reverse_mps=0.6)
ASIDE = (-1.0, 0.4, 0.0)
FAR_M = 4.5
NEAR_M = 0.6
ASIDE_M = 0.2
POSTS = 12


def evenly_spread(data: DataSet, each: int) -> DataSet:
    """At most so many pictures of each recording, evenly spread.

    Parameters
    ----------
    data : DataSet
        The pictures.
    each : int
        How many of each recording.

    Returns
    -------
    DataSet
        Fewer pictures, in the same order.
    """
    keep: set = set()
    for name in data.recordings:
        entries = [entry for entry in data.pictures if entry.recording == name]
        places = np.unique(np.linspace(0, len(entries) - 1, min(each, len(entries))).round().astype(int))
        keep |= {entries[place].id for place in places}
    return data.only(ids=keep)


def tour(folder: str | os.PathLike, seed: int = 0, progress: bool = True) -> Path:
    """Run the chain and write ``tour.html`` and the trained ``model.onnx``.

    Parameters
    ----------
    folder : path-like
        Where they go; made when missing.
    seed : int
        Of training and of the sensor noise.
    progress : bool
        Show progress bars.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    DataSetError
        If the data set is not there or has no recordings meant for testing.
    """
    begin = time.perf_counter()
    whole = open_dataset(shipped("datasets/greenhouse"))
    uses = whole.rest.get("info", {}).get("uses", {})
    names = {use: [name for name in whole.recordings if uses.get(name) == use] for use in ("train", "test")}
    if not names["train"] or not names["test"]:
        raise DataSetError(
            f"{whole.labels_path}: info.uses must say which recordings are for train and for test, it does not; render it again"
        )
    source = evenly_spread(whole.only(recordings=names["train"]), TRAINING_PICTURES)
    judged = evenly_spread(whole.only(recordings=names["test"]), JUDGE_PICTURES)
    page = Report("One trolley, one post: the whole chain in a minute")
    page.text(
        "A greenhouse trolley with one camera is to follow the grower's guide post among buckets and crates. This page was computed "
        "on your machine just now: pictures were rendered, two detectors were trained, both were judged, steered and set against each other. "
        "The greenhouse is rendered and the trolley simulated; no camera took these pictures."
    )
    stack = ExitStack()
    steps = stack.enter_context(progress_bar(6, "tour", progress, unit="step"))

    def done(words: str) -> None:
        steps.set_postfix_str(words)
        steps.update()

    lightings_part(page)
    done("training")
    color = ColorDetector.from_dataset(source)
    training = time.perf_counter()
    detector = fit(source, seed=seed, progress=progress)
    training = time.perf_counter() - training
    model = detector.save(Path(folder) / "model.onnx")
    detectors: dict[str, Detector] = {"color": color, "detector": detector}
    scores = {name: threshold(one, source) for name, one in detectors.items()}
    data_part(page, source, judged, training, model)
    done("the camera")
    camera_part(page, detector, scores["detector"])
    done("judging and following")
    note = f"trained on {', '.join(source.recordings)}"
    outcome = face_off(judged, detectors, scores, note=note, seed=seed, progress=progress)
    page.heading("Judging: the same pictures for both")
    new = ", ".join(lighting for lighting in judged.lightings if lighting not in source.lightings)
    page.text(
        f"{len(judged)} pictures of recordings that neither has seen. The lightings {new} were not among those trained on."
    )
    face_off_part(page, outcome)
    done("steering")
    steering_part(page)
    page.heading("The face-off: the same walks for both")
    walks_part(page, outcome)
    page.heading("What came out")
    for sentence in outcome.sentences():
        page.text(sentence)
    page.text(SAFETY_NOTE, "caution")
    page.text(f"Computed in {time.perf_counter() - begin:.0f} s. Next: `robotlab open` starts the course at lesson 00.")
    path = page.save(Path(folder) / "tour.html")
    done("report")
    stack.close()
    return path


def lightings_part(page: Report) -> None:
    """The same greenhouse under each lighting.

    Parameters
    ----------
    page : Report
        Where to add it.
    """
    page.heading("The greenhouse and its lightings")
    scene = WALKS["wrong_things"].scene_at(3.0)
    figure, axes = new_figure(1, len(LIGHTINGS), 11.0, 2.1)
    frames = [render(scene.under(lighting), default_camera(), seed=1) for lighting in LIGHTINGS]
    plot_pictures(axes[0], [frame.picture for frame in frames], LIGHTINGS)
    truths = frames[0].truths
    post = truths.boxes[truths.labels == truths.classes.index("post")][0]
    page.figure(
        figure,
        f"One scene under {', '.join(LIGHTINGS)}: the orange post turns yellow under warm light and red under grow lamps.",
        f"The same post, {post[3] - post[1]:.0f} px tall, under five lightings. A detector that knows only its color is in for a surprise.",
        dpi=140,
    )


def data_part(page: Report, source: DataSet, judged: DataSet, training_s: float, model: Path) -> None:
    """What was trained on, and what it took.

    Parameters
    ----------
    page : Report
        Where to add it.
    source, judged : DataSet
        Trained and judged on.
    training_s : float
        Time of training, s.
    model : Path
        The detector's file.
    """
    page.heading("Labeled pictures, and learning from them")
    page.picture(
        contact_sheet(source, 12, 6, 170),
        f"Twelve of the {len(source)} labeled pictures, with boxes around posts, buckets and crates.",
        f"Twelve of the {len(source)} labeled training pictures. Dashed boxes are too small or too hidden to count.",
        kind="jpg",
    )
    page.text(
        f"The color detector took the middle range of hue, saturation and value inside the boxes of each class. The detector kept its "
        f"{model.stat().st_size / 1e6:.1f} MB feature network as shipped and fitted a head on it in {training_s:.0f} s, without any "
        f"deep-learning framework; the file is {model.name}, beside this page. Whole recordings are kept apart: "
        f"{len(judged)} pictures of {len(judged.recordings)} other recordings are for judging."
    )


def _row_of_posts(distance_m: float) -> list[Scene]:
    """Scenes with one post at a distance and a little aside, each in another greenhouse."""
    walks = list(WALKS.values())
    scenes = []
    for i in range(POSTS):
        side = ASIDE_M * (1 + 0.3 * i / POSTS) * (-1) ** i
        scene = walks[i % len(walks)].scene
        others = tuple(thing for thing in scene.things if thing.kind in ("plant", "pot"))
        scenes.append(replace(scene, things=(Thing("post", distance_m, side), *others)))
    return scenes


def _found_fraction(
    detector: Detector, scenes: Sequence[Scene], camera: Camera, score: float, size: tuple[int, int] | None
) -> tuple[float, np.ndarray]:
    """Fraction of scenes in which a post is found where it is, and the last picture."""
    hits = 0
    for i, scene in enumerate(scenes):
        frame = render(scene, camera, seed=i)
        picture = frame.picture if size is None else resize(frame.picture, size)
        ratio = frame.picture.shape[1] / picture.shape[1]
        found = detector.detect(picture).of_class("post")
        found = found.pick(found.scores >= score).best()
        row = np.flatnonzero(frame.truths.labels == frame.truths.classes.index("post"))
        if len(found) and len(row):
            middle = (found.boxes[0, :2] + found.boxes[0, 2:]) / 2 * ratio
            box = frame.truths.whole_boxes[row[0]]
            hits += bool((middle >= box[:2]).all() and (middle <= box[2:]).all())
    return hits / len(scenes), picture


def camera_part(page: Report, detector: NeuralDetector, score: float) -> None:
    """A squeezed picture loses the far post, a narrow view the near one.

    Parameters
    ----------
    page : Report
        Where to add it.
    detector : Detector
        What looks.
    score : float
        From which score on it is believed.
    """
    page.heading("What the camera can see")
    camera = default_camera()
    small = (SQUEEZED_PX, SQUEEZED_PX * camera.height_px // camera.width_px)
    narrow = replace(camera, hfov_rad=NARROW_VIEW_RAD)
    far, near = _row_of_posts(FAR_M), _row_of_posts(NEAR_M)
    rows, shown = [], []
    for words, scenes, distance, view, size in (
        ("far, whole picture", far, FAR_M, camera, None),
        (f"far, squeezed to {small[0]} x {small[1]}", far, FAR_M, camera, small),
        ("far, narrow view", far, FAR_M, narrow, None),
        ("near, narrow view", near, NEAR_M, narrow, None),
        ("near, wide view", near, NEAR_M, camera, None),
    ):
        fraction, picture = _found_fraction(detector, scenes, view, score, size)
        height_px = pixels_on_target(0.5, distance, view.hfov_rad, view.width_px if size is None else size[0])
        rows.append(
            (words, f"{distance:g} m", f"{math.degrees(view.hfov_rad):.0f}°", f"{height_px:.0f}", f"{fraction:.0%}")
        )
        shown.append((picture, words))
    figure, axes = new_figure(1, 5, 12.0, 2.2)
    plot_pictures(axes[0], [picture for picture, _ in shown], [words for _, words in shown])
    alt = "A far post in the whole and in the squeezed picture; a far and a near post in a narrow view, a near one in a wide view."
    words = f"One of the {POSTS} scenes of each row below; the post stands about {100 * ASIDE_M:.0f} cm aside."
    page.figure(figure, alt, words, dpi=140)
    page.table(
        ("post", "distance", "view", "post's height, px", "found by the detector"),
        rows,
        f"{POSTS} posts each, {100 * ASIDE_M:.0f} to {130 * ASIDE_M:.0f} cm aside. Squeezing erases the far post. A narrow view shows "
        "the far one larger, and loses the near one past its edge.",
    )


def steering_part(page: Report) -> None:
    """A wrong sign flees; without an acceleration limit the trolley jumps.

    Parameters
    ----------
    page : Report
        Where to add it.
    """
    page.heading("Steering: a sign, a gain, a ramp")
    page.text(
        "A light, brisk trolley with a detector that never errs, so that only the steering differs. It starts to the left of its way, so "
        "that the post is right of the middle and needs a turn to the right: a negative yaw rate, since yaw counts counter-clockwise "
        "(ISO 8855). Then the post turns back twice."
    )
    ways = {
        "as it should be": BRISK,
        "steering sign flipped": BRISK.but(steering_sign=-1),
        "no acceleration limit": BRISK.but(max_accel_mps2=None),
    }
    detector, walk = GroundTruthDetector(), WALKS["reverse"]
    runs = {
        words: simulate(detector, walk, settings=settings, pictures=False, start=ASIDE)
        for words, settings in ways.items()
    }
    figure, axes = new_figure(1, 3, 11.0, 2.9)
    for i, (words, run) in enumerate(runs.items()):
        look = {"color": COLORS[i], "linestyle": LINES[i], "label": words, "linewidth": 1.3}
        axes[0, 0].plot(run.t_s, np.degrees(np.unwrap(run.true_bearings_rad)), **look)
        axes[0, 1].plot(run.t_s, run.true_distances_m, **look)
        axes[0, 2].plot(run.t_s, run.speeds_mps, **look)
    titles = ("bearing of the post, degrees", "distance to the post, m", "speed, m/s")
    for ax, title in zip(axes[0], titles, strict=True):
        ax.set_title(title, fontsize=9)
        ax.set_xlabel("time, s")
    lines, labels = axes[0, 0].get_legend_handles_labels()
    figure.legend(lines, labels, loc="outside lower center", ncols=3, frameon=False, fontsize=9)
    good, flees, jumps = (run.scores() for run in runs.values())
    page.figure(
        figure,
        "Bearing, distance and speed against time for three trolleys: the one with the flipped sign loses the post, the one without "
        "an acceleration limit has the highest peaks of acceleration.",
        f"With the sign flipped the post is in view for {flees['time_in_view']:.0%} of the time instead of {good['time_in_view']:.0%}: "
        f"the trolley flees. Without an acceleration limit the peak is {jumps['peak_accel_mps2']:.1f} m/s² instead of "
        f"{good['peak_accel_mps2']:.1f}: it jumps.",
        dpi=130,
    )
    runs_table(page, runs)
