"""Figures of evaluations: each draws on the Axes it is given and returns them.

Detectors keep their color and their marker in every figure, so a figure can
also be read in gray.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

# matplotlib is imported by what draws: the box labeler takes colors from here, and appears half as late.
if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from robotlab.design_sheet import DesignSheet
    from robotlab.metrics import Evaluation

# Okabe & Ito, "Color Universal Design" (2008): told apart with any color vision.
COLORS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", "--", "-.", ":", "-", "--")


def new_figure(
    rows: int = 1, columns: int = 1, width_in: float = 7.0, height_in: float = 3.4
) -> tuple[Figure, np.ndarray]:
    """A figure of its own, apart from pyplot's list of open figures.

    Parameters
    ----------
    rows, columns : int
        Grid of Axes.
    width_in, height_in : float
        Size of the whole figure, inch.

    Returns
    -------
    figure : matplotlib.figure.Figure
        The figure.
    axes : (rows, columns) ndarray of Axes
        Its Axes.

    Examples
    --------
    >>> figure, axes = new_figure(1, 2)
    >>> axes.shape
    (1, 2)
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False)
    for ax in axes.flat:
        ax.spines[["top", "right"]].set_visible(False)
    return figure, axes


def plot_precision_recall(ax: Axes, evaluations: Mapping[str, Evaluation]) -> Axes:
    """Precision against recall at IoU .5, one line a detector.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    evaluations : mapping of str to Evaluation
        By detector; the threshold with the best F1 is marked.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> from robotlab.metrics import evaluate
    >>> from robotlab.detections import Detections
    >>> entry = LabeledImage(7, Path("a.png"), 64, 48, lighting="dusk", boxes=[[0, 0, 10, 10]], labels=[0])
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> evaluation = evaluate(data, [Detections([[0, 0, 10, 10]], [0.9], [0], ["post"])])
    >>> figure, axes = new_figure()
    >>> plot_precision_recall(axes[0, 0], {"color": evaluation}).get_title()
    'all classes'
    """
    for i, (name, evaluation) in enumerate(evaluations.items()):
        curve = evaluation.curve()
        if curve.truths and len(curve.score):
            look: dict[str, Any] = {"color": COLORS[i % 6], "label": name, "drawstyle": "steps-post"}
            ax.plot(curve.recall, curve.precision, LINES[i % 6], **look)
            best = curve.best()
            if best is not None and best["precision"] is not None:
                ax.plot(best["recall"], best["precision"], MARKERS[i % 6], color=COLORS[i % 6])
    ax.set(xlim=(0, 1.02), ylim=(0, 1.04))
    ax.set(xlabel="recall: found of all there is", ylabel="precision: true of all found")
    ax.set_title("all classes", fontsize=10)
    if ax.get_legend_handles_labels()[0]:
        ax.legend(frameon=False, fontsize=9)
    return ax


def plot_groups(ax: Axes, evaluations: Mapping[str, Evaluation], groups: str = "per_lighting") -> Axes:
    """AP50 of each detector, group by group.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    evaluations : mapping of str to Evaluation
        By detector.
    groups : {"per_lighting", "per_recording", "per_class"}
        What the pictures are grouped by.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> from robotlab.metrics import evaluate
    >>> from robotlab.detections import Detections
    >>> entry = LabeledImage(7, Path("a.png"), 64, 48, lighting="dusk", boxes=[[0, 0, 10, 10]], labels=[0])
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> evaluation = evaluate(data, [Detections([[0, 0, 10, 10]], [0.9], [0], ["post"])])
    >>> figure, axes = new_figure()
    >>> [text.get_text() for text in plot_groups(axes[0, 0], {"color": evaluation}).get_xticklabels()]
    ['dusk']
    """
    tables = {name: getattr(evaluation, groups) for name, evaluation in evaluations.items()}
    names = list(dict.fromkeys(group for table in tables.values() for group in table))
    for i, (name, table) in enumerate(tables.items()):
        shift, color = (i - (len(tables) - 1) / 2) * 0.16, COLORS[i % 6]
        places = [(k + shift, table[group]["AP50"]) for k, group in enumerate(names) if group in table]
        places = [(x, y) for x, y in places if y is not None and y >= 0]
        ax.plot(*zip(*places, strict=True), MARKERS[i % 6], color=color, label=name) if places else None
        ax.vlines([x for x, _ in places], 0, [y for _, y in places], color=color, linewidth=1, linestyle=LINES[i % 6])
    slant: dict[str, Any] = {"rotation": 0, "ha": "center"} if len(names) < 7 else {"rotation": 30, "ha": "right"}
    ax.set_xticks(range(len(names)), names, **slant)
    ax.set(xlim=(-0.6, len(names) - 0.4), ylim=(0, 1.04), ylabel="AP50")
    ax.legend(frameon=False, fontsize=9, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=len(tables), borderaxespad=0)
    return ax


def plot_recall_by_size(ax: Axes, evaluations: Mapping[str, Evaluation]) -> Axes:
    """Recall against size of the box, with Wilson's 95 % intervals.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    evaluations : mapping of str to Evaluation
        By detector.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> from robotlab.metrics import evaluate
    >>> from robotlab.detections import Detections
    >>> entry = LabeledImage(7, Path("a.png"), 64, 48, lighting="dusk", boxes=[[0, 0, 10, 10]], labels=[0])
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> evaluation = evaluate(data, [Detections([[0, 0, 10, 10]], [0.9], [0], ["post"])])
    >>> figure, axes = new_figure()
    >>> [text.get_text() for text in plot_recall_by_size(axes[0, 0], {"color": evaluation}).get_xticklabels()]
    ['8–12']
    """
    names: list[str] = []
    tables = {name: evaluation.recall_by_size for name, evaluation in evaluations.items()}
    # Sizes that occur in no picture would only squeeze the others.
    seen = [k for rows in tables.values() for k, row in enumerate(rows) if row["truths"]]
    first, last = min(seen, default=0), max(seen, default=-1) + 1
    for i, (name, rows) in enumerate(tables.items()):
        rows = rows[first:last]
        names = [f"{row['from_px']:g}–{row['to_px']:g}" if row["to_px"] else f"{row['from_px']:g}+" for row in rows]
        here = [(k, row) for k, row in enumerate(rows) if row["recall"] is not None]
        x = np.array([k for k, _ in here]) + (i - (len(tables) - 1) / 2) * 0.12
        y = np.array([row["recall"] for _, row in here])
        spread = np.array([row["recall_interval"] for _, row in here]).reshape(-1, 2)
        below_above = np.clip(np.vstack([y - spread[:, 0], spread[:, 1] - y]), 0, None)
        look: dict[str, Any] = {
            "fmt": MARKERS[i % 6] + LINES[i % 6],
            "color": COLORS[i % 6],
            "capsize": 2,
            "linewidth": 1,
        }
        ax.errorbar(x, y, below_above, label=name, **look)
    ax.set_xticks(range(len(names)), names, fontsize=9, rotation=30)
    ax.set(ylim=(0, 1.04), xlabel="side of the box (root of its area), px", ylabel="recall")
    ax.legend(frameon=False, fontsize=9, loc="lower right")
    return ax


def plot_bands(ax: Axes, sheets: Mapping[str, DesignSheet]) -> Axes:
    """Working ranges of design sheets along the distance, predicted and measured.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    sheets : mapping of str to DesignSheet
        By robot.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from robotlab.design_sheet import Robot, predict
    >>> from robotlab.loop import default_camera
    >>> figure, axes = new_figure()
    >>> ax = plot_bands(axes[0, 0], {"mine": predict(Robot(default_camera(), smallest_px=20))})
    >>> [text.get_text() for text in ax.get_yticklabels()]
    ['mine']
    """
    band: dict[str, Any] = {"color": COLORS[5], "linewidth": 12, "solid_capstyle": "butt"}
    line: dict[str, Any] = {"color": "black", "markersize": 18, "markeredgewidth": 2, "linewidth": 1}
    for k, sheet in enumerate(sheets.values()):
        labels = ("predicted", "measured", "distance kept", "needed to stop") if k == 0 else (None,) * 4
        near, far = sheet["near"], sheet["far"]
        if near.predicted < far.predicted:
            ax.plot([near.predicted, far.predicted], [k, k], label=labels[0], **band)
        found = [row.measured for row in (near, far) if row.measured is not None]
        if found:
            ax.plot(found, [k] * len(found), "|-", label=labels[1], **line)
        kept = sheet.robot.settings.following_distance_m
        ax.plot(kept, k, "D", color=COLORS[1], label=labels[2])
        # From the distance kept toward the target: how far it still drives when the target is lost at top speed.
        way = [kept, kept - sheet["stop"].predicted]
        ax.plot(way, [k + 0.25] * 2, ":", color=COLORS[1], linewidth=2.5, label=labels[3])
    ax.set_yticks(range(len(sheets)), list(sheets))
    ax.set(ylim=(len(sheets) - 0.5, -0.6), xlabel="distance to the target, m")
    ax.set_xlim(left=min(0.0, ax.get_xlim()[0]))
    ax.legend(frameon=False, fontsize=9, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, borderaxespad=0)
    return ax


def plot_pictures(axes: Sequence[Axes], pictures: Sequence[np.ndarray], titles: Sequence[str]) -> Sequence[Axes]:
    """Pictures side by side, their pixels as squares.

    Parameters
    ----------
    axes : sequence of Axes
        One for each picture.
    pictures : sequence of (H, W, 3) ndarray of uint8
        Red-green-blue.
    titles : sequence of str
        Above each.

    Returns
    -------
    sequence of Axes
        The same.

    Examples
    --------
    >>> figure, axes = new_figure()
    >>> plot_pictures(axes[0], [np.zeros((4, 6, 3), np.uint8)], ["night"])[0].get_title()
    'night'
    """
    for ax, picture, title in zip(axes, pictures, titles, strict=True):
        ax.imshow(picture, interpolation="nearest")
        ax.set_title(title, fontsize=9)
        ax.set_axis_off()
    return axes
