"""Report pages of evaluations: one detector, or several side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from robotlab.data import DataSet
from robotlab.data.drawing import PALETTE, draw_boxes
from robotlab.detections import Detections
from robotlab.errors import some
from robotlab.metrics import Evaluation
from robotlab.metrics.error_analysis import ERROR_KINDS
from robotlab.metrics.text import interval, step_label
from robotlab.report.page import Report
from robotlab.report.plots import new_figure, plot_groups, plot_precision_recall, plot_recall_by_size

# Color of what is really there: the ink of the page, so that it is not a class's color.
_TRUTH = (255, 255, 255)


def shown_ap(value: float | None) -> float | None:
    """COCO's -1, nothing was there to be found, as a dash.

    Parameters
    ----------
    value : float or None
        An average precision.

    Returns
    -------
    float or None
        For a cell of a table.

    Examples
    --------
    >>> shown_ap(0.5), shown_ap(-1)
    (0.5, None)
    """
    return None if value is None or value < 0 else value


def threshold_words(evaluations: Iterable[Evaluation]) -> str:
    """The confidence threshold that counts are at, in words.

    Parameters
    ----------
    evaluations : iterable of Evaluation
        All with a threshold of the same origin.

    Returns
    -------
    str
        Says so where it was chosen on the pictures that are judged.
    """
    if all(one.best_f1_here for one in evaluations):
        return "confidence threshold with the best F1 on these pictures (optimistic)"
    return "confidence threshold of each detector"


def numbers_table(page: Report, evaluations: Mapping[str, Evaluation]) -> None:
    """The main metrics, one row a detector.

    Parameters
    ----------
    page : Report
        Where to add it.
    evaluations : mapping of str to Evaluation
        By detector.
    """
    rows = []
    for name, j in evaluations.items():
        at = j.at
        bounds = j.intervals["AP50"]
        spread = f"{bounds[0]:.2f} to {bounds[1]:.2f}" if bounds else None
        counts = (at["precision"], at["recall"], j.score, at["FP"], at["FN"])
        rows.append((name, shown_ap(j.AP), shown_ap(j.AP50), spread, *counts))
    header = ("detector", "AP", "AP50", "AP50, 95 %", "precision", "recall", "threshold")
    page.table(
        (*header, "false positives", "false negatives"),
        rows,
        "AP is the mean over IoU .50 to .95 (COCO's 101 points), AP50 at IoU .50. Precision, recall and counts are at the "
        f"{threshold_words(evaluations.values())}. About the interval: {next(iter(evaluations.values())).intervals['note']}.",
    )


def confusion_table(page: Report, evaluation: Evaluation) -> None:
    """The confusion matrix.

    Parameters
    ----------
    page : Report
        Where to add it.
    evaluation : Evaluation
        Of one detector.
    """
    names = (*evaluation.classes, "background")
    page.table(
        ("confusion matrix", *evaluation.classes, "not found"),
        [(name, *row) for name, row in zip(names, evaluation.confusion.tolist(), strict=True)],
        "Rows: what it is; columns: what it was taken for. A box of a wrong class on an object that was found as well is in the last row.",
    )


def group_table(page: Report, evaluations: Mapping[str, Evaluation], groups: str, word: str) -> None:
    """AP and AP50 of each group, two columns a detector.

    Parameters
    ----------
    page : Report
        Where to add it.
    evaluations : mapping of str to Evaluation
        By detector.
    groups : {"per_class", "per_lighting", "per_recording"}
        What is grouped.
    word : str
        Heading of the first column.
    """
    tables = [getattr(j, groups) for j in evaluations.values()]
    names = list(dict.fromkeys(name for table in tables for name in table))
    header = [word, "objects"] + [f"{number}, {name}" for name in evaluations for number in ("AP", "AP50")]
    rows = []
    for name in names:
        row: list[object] = [name, next((t[name]["truths"] for t in tables if name in t), None)]
        for table in tables:
            row += [shown_ap(table.get(name, {}).get("AP")), shown_ap(table.get(name, {}).get("AP50"))]
        rows.append(row)
    page.table(header, rows)


def size_table(page: Report, evaluation: Evaluation) -> None:
    """Recall by size, in the steps that :meth:`~robotlab.metrics.Evaluation.text` and the figure have.

    Parameters
    ----------
    page : Report
        Where to add it.
    evaluation : Evaluation
        Of one detector.
    """
    rows = [
        (step_label(row, "px"), row["truths"], row["recall"], interval(row["recall_interval"]))
        for row in evaluation.recall_by_size
        if row["truths"]
    ]
    caption = f"Size is the root of the area of the box; recall at the {threshold_words([evaluation])}."
    page.table(("size, px", "objects", "recall", "95 %"), rows, caption)


def curves_figure(page: Report, evaluations: Mapping[str, Evaluation]) -> None:
    """Precision-recall, and recall by size.

    Parameters
    ----------
    page : Report
        Where to add it.
    evaluations : mapping of str to Evaluation
        By detector.
    """
    figure, axes = new_figure(1, 2, 9.0, 3.4)
    plot_precision_recall(axes[0, 0], evaluations)
    plot_recall_by_size(axes[0, 1], evaluations)
    words = "; ".join(f"{name}: AP50 {j.AP50:.2f}" for name, j in evaluations.items())
    page.figure(
        figure,
        f"Left, precision-recall curve at IoU .5 ({words}); right, recall against size of the box.",
        "Left: the marker is the confidence threshold with the best F1 on these pictures. Right: small means far; bars are Wilson's 95 % intervals.",
    )


def groups_figure(page: Report, evaluations: Mapping[str, Evaluation]) -> None:
    """AP50 in each lighting, where it is known.

    Parameters
    ----------
    page : Report
        Where to add it.
    evaluations : mapping of str to Evaluation
        By detector.
    """
    lightings = [name for j in evaluations.values() for name in j.per_lighting]
    if len(set(lightings)) < 2:
        return
    figure, axes = new_figure(1, 1, 7.0, 2.8)
    plot_groups(axes[0, 0], evaluations, "per_lighting")
    words = "; ".join(
        f"{name}: " + ", ".join(f"{lighting} {row['AP50']:.2f}" for lighting, row in j.per_lighting.items())
        for name, j in evaluations.items()
    )
    page.figure(figure, f"AP50 in each lighting. {words}.", "AP50 in each lighting.")


def picture_of(data: DataSet, entry, found: Detections, score: float | None) -> np.ndarray:
    """A picture with the ground truth (white, dashed) and what was found.

    Parameters
    ----------
    data : DataSet
        Where the picture is from.
    entry : LabeledImage
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
    page: Report,
    data: DataSet,
    found: Mapping[str, Sequence[Detections]],
    evaluations: Mapping[str, Evaluation],
    count: int = 4,
) -> None:
    """A few pictures, evenly spread, with what each detector found.

    Parameters
    ----------
    page : Report
        Where to add them.
    data : DataSet
        The pictures.
    found : mapping of str to sequence of Detections
        By detector, one for each picture.
    evaluations : mapping of str to Evaluation
        By detector; their score of use decides what is drawn.
    count : int
        How many.
    """
    places: Sequence[int] = range(len(data))
    if len(data) > count:
        places = np.unique(np.linspace(0, len(data) - 1, count + 2).round().astype(int)[1:-1]).tolist()
    order = f"Left to right: {', '.join(found)}. " if len(found) > 1 else ""
    page.begin_row()
    for place in places:
        entry = data.pictures[place]
        drawn = [picture_of(data, entry, found[name][place], evaluations[name].score) for name in found]
        gap = np.full((drawn[0].shape[0], 8, 3), 255, np.uint8)
        row = np.hstack([part for picture in drawn for part in (picture, gap)][:-1])
        believed = {name: found[name][place].scores >= (evaluations[name].score or 2) for name in found}
        counts = ", ".join(f"{name} found {used.sum()}" for name, used in believed.items())
        lighting = f", {entry.lighting}" if entry.lighting else ""
        truths = int(entry.counted.sum())
        page.picture(
            row,
            f"{entry.name}: {truths} ground-truth boxes; {counts}.",
            f"{entry.name} ({entry.recording}{lighting}). {order}Dashed white: ground truth.",
            kind="jpg",
        )
    page.end_row()


def evaluation_page(data: DataSet, found: Sequence[Detections], evaluation: Evaluation, name: str, note: str) -> Report:
    """The report of one detector.

    Parameters
    ----------
    data : DataSet
        What it was judged on.
    found : sequence of Detections
        One for each picture.
    evaluation : Evaluation
        From :func:`robotlab.metrics.evaluate`.
    name : str
        The detector.
    note : str
        Where it came from.

    Returns
    -------
    Report
        Save it with :meth:`~robotlab.report.page.Report.save`.
    """
    page = Report(f"{name} evaluated on {len(data)} pictures")
    page.text(f"{name}: {note}. Data: {data.folder.name}, recordings {some(data.recordings)}.")
    page.heading("The numbers")
    numbers_table(page, {name: evaluation})
    group_table(page, {name: evaluation}, "per_class", "class")
    curves_figure(page, {name: evaluation})
    if evaluation.per_lighting:
        page.heading("By lighting")
        group_table(page, {name: evaluation}, "per_lighting", "lighting")
        groups_figure(page, {name: evaluation})
    page.heading("Size, recording, kinds of error")
    size_table(page, evaluation)
    group_table(page, {name: evaluation}, "per_recording", "recording")
    at = evaluation.at
    rows = [("true positives (TP)", at["TP"]), ("false positives (FP)", at["FP"])]
    rows += [(f"FP: {kind}", evaluation.errors[kind]) for kind in ERROR_KINDS[1:]]
    caption = f"At the {threshold_words([evaluation])}, IoU .5. The four kinds add up to the false positives."
    page.table(("detections and misses", "count"), [*rows, ("false negatives (FN)", at["FN"])], caption)
    confusion_table(page, evaluation)
    page.heading("Pictures")
    pictures_part(page, data, {name: found}, {name: evaluation}, 6)
    return page
