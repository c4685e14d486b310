"""Report pages: one tracker judged, or two compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from robotlab.dataset import DataSet
from robotlab.dataset.sheet import PALETTE, draw_boxes
from robotlab.design_sheet import DesignSheet
from robotlab.face_off import FaceOff, walk_named, walk_sentence
from robotlab.follow import Run, replay_html, replay_pair_html
from robotlab.plots import new_figure, plot_bands, plot_groups, plot_precision_recall, plot_recall_by_size
from robotlab.report import Report, text_table
from robotlab.scoring import Judgement
from robotlab.trackers import Detections

MOVING = (
    "Before a real trolley drives: wheels off the ground first, a hand on the power switch, a clear floor, slow limits, people and "
    "pets out of reach. A stop by software is not a safety function (IEC 60204-1, ISO 13850); follow the maker's data sheet and "
    "local rules."
)
# What each score of a run is called on a page.
RUN_WORDS = {
    "time_in_view": "post in view, share of time",
    "time_following": "following, share of time",
    "bearing_error_rad": "bearing error, rms, rad",
    "distance_error_m": "distance error, rms, m",
    "closest_m": "nearest to the post, m",
    "end_distance_m": "distance at the end, m",
    "losses": "losses",
    "recoveries": "recoveries",
    "contacts": "contacts",
    "peak_accel_mps2": "peak acceleration, m/s²",
    "peak_jerk_mps3": "peak jerk, m/s³",
    "energy_j": "energy at the wheels, J",
    "way_m": "way driven, m",
}

# Colour of what is really there: the ink of the page, so that it is no class's colour.
_TRUTH = (255, 255, 255)


def _shown(value: float | None) -> float | None:
    """COCO's -1, nothing was there to be found, as a dash."""
    return None if value is None or value < 0 else value


def numbers_table(page: Report, judgements: Mapping[str, Judgement]) -> None:
    """The main numbers, one row a tracker.

    Parameters
    ----------
    page : Report
        Where to add it.
    judgements : mapping of str to Judgement
        By tracker.
    """
    rows = []
    for name, j in judgements.items():
        at = j.at
        bounds = j.intervals["AP50"]
        rows.append(
            (name, _shown(j.AP), _shown(j.AP50), f"{bounds[0]:.2f} to {bounds[1]:.2f}" if bounds else None,
             at["precision"], at["recall"], j.score, j.errors.get("background"), j.errors.get("missed"))
        )
    page.table(
        ("tracker", "AP", "AP50", "AP50, 95 %", "precision", "recall", "at score", "false alarms", "missed"),
        rows,
        "AP is the mean over IoU .50 to .95 (COCO's 101 points), AP50 at IoU .50. Precision, recall and counts are at "
        f"the score with the best F1. About the interval: {next(iter(judgements.values())).intervals['note']}.",
    )


def group_table(page: Report, judgements: Mapping[str, Judgement], groups: str, word: str) -> None:
    """AP and AP50 of each group, two columns a tracker.

    Parameters
    ----------
    page : Report
        Where to add it.
    judgements : mapping of str to Judgement
        By tracker.
    groups : {"per_class", "per_lamp", "per_size", "per_recording"}
        What is grouped.
    word : str
        Heading of the first column.
    """
    tables = [getattr(j, groups) for j in judgements.values()]
    names = list(dict.fromkeys(name for table in tables for name in table))
    header = [word, "truths"] + [f"{number}, {name}" for name in judgements for number in ("AP", "AP50")]
    rows = []
    for name in names:
        row: list[object] = [name, next((t[name]["truths"] for t in tables if name in t), None)]
        for table in tables:
            row += [_shown(table.get(name, {}).get("AP")), _shown(table.get(name, {}).get("AP50"))]
        rows.append(row)
    page.table(header, rows)


def curves_figure(page: Report, judgements: Mapping[str, Judgement]) -> None:
    """Precision-recall, and recall by size.

    Parameters
    ----------
    page : Report
        Where to add it.
    judgements : mapping of str to Judgement
        By tracker.
    """
    figure, axes = new_figure(1, 2, 9.0, 3.4)
    plot_precision_recall(axes[0, 0], judgements)
    plot_recall_by_size(axes[0, 1], judgements)
    words = "; ".join(f"{name}: AP50 {j.AP50:.2f}" for name, j in judgements.items())
    page.figure(
        figure,
        f"Left, precision against recall at IoU .5 ({words}); right, recall against size of the box.",
        "Left: the marker is the threshold with the best F1. Right: small means far; bars are Wilson's 95 % intervals.",
    )


def groups_figure(page: Report, judgements: Mapping[str, Judgement]) -> None:
    """AP50 lamp by lamp, where lamps are known.

    Parameters
    ----------
    page : Report
        Where to add it.
    judgements : mapping of str to Judgement
        By tracker.
    """
    lamps = [name for j in judgements.values() for name in j.per_lamp]
    if len(set(lamps)) < 2:
        return
    figure, axes = new_figure(1, 1, 7.0, 2.8)
    plot_groups(axes[0, 0], judgements, "per_lamp")
    words = "; ".join(
        f"{name}: " + ", ".join(f"{lamp} {row['AP50']:.2f}" for lamp, row in j.per_lamp.items()) for name, j in judgements.items()
    )
    page.figure(figure, f"AP50 under each lamp. {words}.", "AP50 under each lamp.")


def picture_of(data: DataSet, entry, found: Detections, score: float | None) -> np.ndarray:
    """A picture with what is there (white, dashed) and what was found.

    Parameters
    ----------
    data : DataSet
        Where the picture is from.
    entry : Entry
        Which picture.
    found : Detections
        What was found in it.
    score : float or None
        Lower scores are left out.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The drawn picture.
    """
    picture = draw_boxes(data.load(entry), entry.boxes, [_TRUTH] * len(entry), 1, np.ones(len(entry), bool))
    found = found.pick(found.scores >= (np.inf if score is None else score))
    return draw_boxes(picture, found.boxes, [PALETTE[label % len(PALETTE)] for label in found.labels], 2)


def pictures_part(
    page: Report, data: DataSet, found: Mapping[str, Sequence[Detections]], judgements: Mapping[str, Judgement], count: int = 4
) -> None:
    """A few pictures, evenly spread, with what each tracker found.

    Parameters
    ----------
    page : Report
        Where to add them.
    data : DataSet
        The pictures.
    found : mapping of str to sequence of Detections
        By tracker, one for each picture.
    judgements : mapping of str to Judgement
        By tracker; their score of use decides what is drawn.
    count : int
        How many.
    """
    places = np.unique(np.linspace(0, len(data) - 1, count + 2).round().astype(int)[1:-1]) if len(data) > count else range(len(data))
    order = f"Left to right: {', '.join(found)}. " if len(found) > 1 else ""
    page.begin_row()
    for place in places:
        entry = data.pictures[place]
        drawn = [picture_of(data, entry, found[name][place], judgements[name].score) for name in found]
        gap = np.full((drawn[0].shape[0], 8, 3), 255, np.uint8)
        row = np.hstack([part for picture in drawn for part in (picture, gap)][:-1])
        counts = ", ".join(f"{name} found {int((found[name][place].scores >= (judgements[name].score or 2)).sum())}" for name in found)
        lamp = f", {entry.lamp}" if entry.lamp else ""
        truths = len(entry) - int((entry.ignore | entry.crowd).sum())
        page.picture(
            row, f"{entry.name}: {truths} things to find; {counts}.",
            f"{entry.name} ({entry.recording}{lamp}). {order}Dashed white: what is there.",
            kind="jpg",
        )
    page.end_row()


def judgement_page(data: DataSet, found: Sequence[Detections], judgement: Judgement, name: str, note: str) -> Report:
    """The report of one tracker.

    Parameters
    ----------
    data : DataSet
        What it was judged on.
    found : sequence of Detections
        One for each picture.
    judgement : Judgement
        From :func:`robotlab.scoring.judge`.
    name : str
        The tracker.
    note : str
        Where it came from.

    Returns
    -------
    Report
        Save it with :meth:`~robotlab.report.Report.save`.
    """
    page = Report(f"{name} judged on {len(data)} pictures")
    page.text(f"{name}: {note}. Data: {data.folder.name}, recordings {', '.join(data.recordings)}.")
    page.heading("The numbers")
    numbers_table(page, {name: judgement})
    group_table(page, {name: judgement}, "per_class", "class")
    curves_figure(page, {name: judgement})
    if judgement.per_lamp:
        page.heading("Lamp by lamp")
        group_table(page, {name: judgement}, "per_lamp", "lamp")
        groups_figure(page, {name: judgement})
    page.heading("Size, recording, kinds of error")
    group_table(page, {name: judgement}, "per_size", "size")
    group_table(page, {name: judgement}, "per_recording", "recording")
    page.table(("kind of error", "count"), list(judgement.errors.items()), "At the score with the best F1.")
    page.heading("Pictures")
    pictures_part(page, data, {name: found}, {name: judgement}, 6)
    return page


def _runs_cells(runs: Mapping[str, Run]) -> tuple[list[str], list[tuple]]:
    """Names of the runs, and their scores, one row a score."""
    scores = [run.scores() for run in runs.values()]
    return list(runs), [(words, *(score[key] for score in scores)) for key, words in RUN_WORDS.items()]


def runs_table(page: Report, runs: Mapping[str, Run], caption: str = "") -> None:
    """Scores of several runs, one column a run.

    Parameters
    ----------
    page : Report
        Where to add it.
    runs : mapping of str to Run
        By tracker, or by what was changed.
    caption : str
        Below the table.
    """
    names, rows = _runs_cells(runs)
    page.table(("score of the run", *names), rows, caption)


def face_off_text(outcome: FaceOff) -> str:
    """A face-off for the terminal.

    Parameters
    ----------
    outcome : FaceOff
        From :func:`robotlab.face_off.face_off`.

    Returns
    -------
    str
        Tables and conclusions.
    """
    times = outcome.milliseconds()
    rows = [(name, _shown(j.AP), _shown(j.AP50), j.at["precision"], j.at["recall"], times[name]) for name, j in outcome.judgements.items()]
    parts = [text_table(("tracker", "AP", "AP50", "precision", "recall", "ms"), rows)]
    for walk, runs in outcome.runs.items():
        names, rows = _runs_cells(runs)
        parts.append(text_table((f"walk {walk}", *names), rows))
    return "\n\n".join([*parts, *outcome.sentences()])


def face_off_part(page: Report, outcome: FaceOff) -> None:
    """Pictures judged side by side.

    Parameters
    ----------
    page : Report
        Where to add it.
    outcome : FaceOff
        The numbers.
    """
    judgements = outcome.judgements
    numbers_table(page, judgements)
    times = outcome.milliseconds()
    page.text(outcome.comparison.sentence, "note")
    page.text("Median time of one picture: " + ", ".join(f"{name} {ms:.1f} ms" for name, ms in times.items()) + ".")
    curves_figure(page, judgements)
    groups_figure(page, judgements)
    group_table(page, judgements, "per_class", "class")
    found = {name: found.detections for name, found in outcome.found.items()}
    pictures_part(page, outcome.data, found, judgements, 4)


def walks_part(page: Report, outcome: FaceOff) -> None:
    """Walks side by side, each with its replay.

    Parameters
    ----------
    page : Report
        Where to add it.
    outcome : FaceOff
        The runs.
    """
    for walk, runs in outcome.runs.items():
        names = tuple(runs)
        page.text(f"Walk {walk}: {walk_named(walk)[0].about}")
        page.raw(replay_pair_html(runs[names[0]], runs[names[1]], names, f"Walk {walk}"))
        runs_table(page, runs)
        page.text(walk_sentence(walk, runs), "note")


def face_off_page(outcome: FaceOff) -> Report:
    """The report of a face-off.

    Parameters
    ----------
    outcome : FaceOff
        From :func:`robotlab.face_off.face_off`.

    Returns
    -------
    Report
        Save it with :meth:`~robotlab.report.Report.save`.
    """
    page = Report(" against ".join(outcome.judgements))
    page.text(f"Both trackers {outcome.note}. Judged on {len(outcome.data)} pictures: {', '.join(outcome.data.recordings)}.")
    page.heading("The same pictures")
    face_off_part(page, outcome)
    if outcome.runs:
        page.heading("The same walks")
        page.text("Simulated, in the rendered greenhouse: the same walk, the same noise, the same trolley.")
        walks_part(page, outcome)
    return page


def drive_page(run: Run, name: str) -> Report:
    """The report of one run.

    Parameters
    ----------
    run : Run
        The run.
    name : str
        The tracker.

    Returns
    -------
    Report
        With the replay.
    """
    page = Report(f"{name} follows: {run.facts['walk']}, {run.facts['lamp']}")
    page.text("Simulated, in the rendered greenhouse.")
    page.raw(replay_html(run, title=name))
    runs_table(page, {name: run})
    page.text(MOVING, "caution")
    return page


def _sheet_cells(sheet: DesignSheet) -> list[tuple]:
    """One row a figure: predicted, measured, how far apart."""
    rows = []
    for row in sheet.rows:
        gap = row.difference_percent
        apart = None if gap is None else f"{gap:+.1f} %" if abs(gap) >= 0.05 else "0.0 %"
        rows.append((f"{row.name}, {row.unit}", row.predicted, row.measured, apart))
    return rows


def design_sheet_text(sheet: DesignSheet) -> str:
    """A design sheet for the terminal and for a notebook.

    Parameters
    ----------
    sheet : DesignSheet
        From :func:`robotlab.design_sheet.design_sheet`.

    Returns
    -------
    str
        The table and what follows from it.
    """
    table = text_table((sheet.robot.name, "predicted", "measured", "apart"), _sheet_cells(sheet))
    return "\n".join([table, "", *sheet.sentences()])


def design_sheet_part(page: Report, sheet: DesignSheet) -> None:
    """A design sheet on a page that has other things too.

    Parameters
    ----------
    page : Report
        Where to add it.
    sheet : DesignSheet
        Its figures.
    """
    seen = f"Measured with {sheet.tracker}, {sheet.lamp}, in simulation with rendered pictures." if sheet.tracker else "Predicted only."
    page.table(("limit", "predicted", "measured", "apart"), _sheet_cells(sheet), seen)
    figure, axes = new_figure(height_in=2.0)
    plot_bands(axes[0, 0], {sheet.robot.name: sheet})
    near, far = sheet["near"], sheet["far"]
    page.figure(
        figure, f"A bar from {near.predicted:.2f} to {far.predicted:.2f} m, the predicted working band, with the measured ends and the distance kept.",
        "Bar: working band as predicted. Line: as measured. Diamond: the distance kept; dotted, towards the target: the way it still goes when sight is lost at top speed.",
    )  # fmt: skip
    for sentence in sheet.sentences():
        page.text(sentence, "note")


def design_sheet_page(sheet: DesignSheet) -> Report:
    """The report of a design sheet.

    Parameters
    ----------
    sheet : DesignSheet
        From :func:`robotlab.design_sheet.design_sheet`.

    Returns
    -------
    Report
        With its facts, figures, formulas and sources.
    """
    robot, camera, s = sheet.robot, sheet.robot.camera, sheet.robot.settings
    page = Report(f"Design sheet: {robot.name}")
    page.heading("The facts")
    page.table(("fact", "value"), [
        ("picture, px", f"{camera.width_px} × {camera.height_px}"), ("field of view, °", f"{np.degrees(camera.hfov_rad):.1f} × {np.degrees(camera.vfov_rad):.1f}"),
        ("height of the lens, m; looking down, °", f"{camera.height_m:.2f}; {np.degrees(camera.pitch_rad):.1f}"),
        ("target, height × width, m", f"{s.target_height_m:.2f} × {s.target_width_m:.2f}"), ("smallest usable height for the tracker, px", f"{robot.smallest_px:.1f}"),
        ("pictures a second; delay; tracker, s", f"{s.frame_hz:g}; {s.delay_s:.3f}; {s.tracker_s:.3f}"), ("reaction time when sight is lost, s", f"{robot.reaction_s:.3f}"),
        ("top speed, m/s; acceleration, m/s²; motor lag, s", f"{robot.top_mps:.2f}; {s.max_accel:.2f}; {s.motor.lag_s:.2f}"), ("distance kept, m", f"{s.keep_m:.2f}"),
    ])  # fmt: skip
    page.heading("The limits")
    design_sheet_part(page, sheet)
    page.heading("How they were found")
    for row in sheet.rows:
        page.text(f"{row.name[0].upper()}{row.name[1:]}: {row.formula}. Source: {row.source}. Measured: {row.how}.")
    page.text(MOVING + " Measure every limit again on the floor where the robot will run.", "caution")
    return page
