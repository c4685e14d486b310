"""A confidence threshold that moves along the precision-recall curve, over test pictures."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from robotlab.data import DataSet, LabeledImage
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError
from robotlab.metrics import Curve, Matching, average_precision, match_detections
from robotlab.widgets.kit import KeptFigure, label_axes
from robotlab.widgets.slider_picture import Choice, Slider, SliderPicture

# In 1/100 inch, so in px at 100 dots an inch; text stays readable when a
# window of 800 px halves it (tried).
_SIZE_PX = (690, 520)
_FONT_PT = 12
# Left, bottom, width, height, px: the pictures get all the width there is.
_CURVE_PX, _SCORES_PX = (62, 290, 246, 204), (392, 290, 284, 204)
_STRIP_PX = (4, 42, 682, 165)
_GAP_PX = 8
# Pictures side by side: more would be too small for far boxes (tried).
MOST_PICTURES = 3
# Colors of Okabe & Ito (2008), told apart with any color vision; and by their dashes in gray.
_KINDS: dict[str, tuple[str, Any]] = {
    "TP": ("#56B4E9", "-"),
    "FP": ("#E69F00", (0, (4, 2))),
    "FN": ("#FFFFFF", (0, (1, 1.5))),
}
_NAMES = ("true positive (TP)", "false positive (FP)", "false negative (FN)")
_BINS = 20
# The option that takes all classes together.
_ALL = "all classes"
# A bin that holds nothing lies below the axis, whose steps are factors of ten.
_LEAST_COUNT = 0.7


@dataclass(frozen=True, eq=False)
class _Matched:
    """All detections of the chosen classes at one IoU limit, and the matching of those in the strip."""

    curve: Curve
    strip: tuple[list[tuple[np.ndarray, np.ndarray, Matching, np.ndarray]], ...]  # By picture, then by class.


class ThresholdCurve(SliderPicture):
    """Sliders for the confidence threshold and the IoU limit, and a list of classes, over the curve, the scores and a strip of pictures.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.
    detections : sequence of Detections
        One for each picture, low scores included.
    ids : sequence of int or str, optional
        The pictures of the strip, up to three; by default three evenly spread.
    score : float, optional
        Where the threshold starts; by default at the best F1.

    Raises
    ------
    DataSetError
        If there are more or fewer detections than pictures, a class that the
        data set does not have, or no picture of that id.
    InputError
        If nothing was found at all, or too many pictures are named.

    Notes
    -----
    True positives (TP), false positives (FP) and false negatives (FN) are counted as :func:`robotlab.metrics.evaluate_coco`
    counts them: at an IoU of .5 the numbers are the same.  Things in a crowd
    count neither way and are not drawn.

    Examples
    --------
    >>> from robotlab.course import shipped
    >>> from robotlab.data import open_dataset
    >>> data = open_dataset(shipped("datasets/coins")).only(ids=[1, 2])
    >>> found = [Detections(one.boxes[:1], [0.8], one.labels[:1], data.classes) for one in data]
    >>> ThresholdCurve(data, found).text.split(";")[0]
    'confidence threshold 0.80, IoU threshold 0.50: 2 TP, 0 FP, 10 FN'
    """

    def __init__(
        self,
        data: DataSet,
        detections: Sequence[Detections],
        ids: Sequence[int | str] | None = None,
        score: float | None = None,
    ) -> None:
        detections = list(detections)
        if len(detections) != len(data):
            raise DataSetError(
                f"detections must be {len(data)}, one for each picture, got {len(detections)}; pass one a picture"
            )
        foreign = {name for found in detections for name in found.classes} - set(data.classes)
        if foreign:
            raise DataSetError(
                f"classes must be among {', '.join(data.classes)}, got {', '.join(sorted(foreign))}; judge on the data they are of"
            )
        scores = np.concatenate([found.scores for found in detections])
        if not len(scores):
            raise InputError(
                "there must be a detection to put a threshold to, got none at all; use a detector that finds something"
            )
        if ids is None:
            places = np.unique(np.linspace(0, len(data) - 1, MOST_PICTURES + 2).round().astype(int)[1:-1])
            ids = [data[place].id for place in places]
        ids = list(ids)
        if not 1 <= len(ids) <= MOST_PICTURES:
            raise InputError(f"ids must name 1 to {MOST_PICTURES} pictures, got {len(ids)}; name fewer")
        shown = {entry.id: entry for entry in data.only(ids=ids)}
        entries = [shown[id] for id in ids]
        self._data, self._detections, self._entries = data, detections, entries
        # Kept, since a slider comes back to it.
        self._at = functools.cache(self._match)
        # Scores are probabilities in most detectors; others get a slider of their own range.
        low, high = float(scores.min()), float(scores.max())
        if low >= 0 and high <= 1:
            low, high = 0.0, 1.0
        elif low == high:
            high = low + 1
        self._panel = _Panel([data.load(entry) for entry in entries], entries, (low, high))
        if score is None:
            best = self._at(_ALL, 0.5).curve.best()
            score = float(best["score"] or 0) if best else low
        step = (high - low) / 100
        # Rounded down, so that the detection with that very score is used.
        start = low + np.floor((min(max(score, low), high) - low) / step + 1e-9) * step
        sliders: dict[str, Any] = {
            "score": Slider(low, round(high, 6), round(float(start), 6), round(step, 6), "confidence threshold"),
            "iou_limit": Slider(0.1, 0.9, 0.5, 0.05, "IoU threshold"),
        }
        if len(data.classes) > 1:
            sliders["kind"] = Choice((_ALL, *data.classes), "class")
        super().__init__(
            self._show,
            alt="Above, left, the precision-recall curve, a point on it at the confidence threshold; right, how many true and how many false "
            f"positives have which score, the threshold a vertical line. Below, {len(entries)} test pictures with boxes: true positives "
            "solid, false positives dashed, false negatives dotted.",
            **sliders,
        )

    def _match(self, kind: str, limit: float) -> _Matched:
        """Everything matched at one IoU limit."""
        classes = self._data.classes
        labels = range(len(classes)) if kind == _ALL else (classes.index(kind),)
        scores, hits, truths = [np.zeros(0)], [np.zeros(0, bool)], 0
        matched: dict[int | str, list] = {entry.id: [] for entry in self._entries}
        for entry, found in zip(self._data, self._detections, strict=True):
            # The detections' own order of classes may be another one.
            own = np.array([self._data.classes.index(name) for name in found.classes], int)[found.labels]
            for label in labels:
                here, there = own == label, entry.labels == label
                crowd = entry.crowd[there]
                became = match_detections(found.boxes[here], found.scores[here], entry.boxes[there], limit, crowd)
                counts = ~became.ignored
                scores.append(found.scores[here][counts])
                hits.append(became.truth[counts] >= 0)
                truths += int((~crowd).sum())
                if entry.id in matched:
                    matched[entry.id].append((found.boxes[here], found.scores[here], became, entry.boxes[there]))
        score, hit = np.concatenate(scores), np.concatenate(hits)
        order = np.argsort(-score, kind="stable")
        # One for each place in the strip: a picture may be named twice.
        strip = tuple(matched[entry.id] for entry in self._entries)
        return _Matched(Curve(score[order], hit[order], truths), strip)

    def _show(self, score: float, iou_limit: float, kind: str = _ALL) -> tuple[np.ndarray, str]:
        limit = round(float(iou_limit), 2)
        judged = self._at(kind, limit)
        at = judged.curve.at(float(score))
        text = "" if kind == _ALL else f"{kind}: "
        text += f"confidence threshold {score:.2f}, IoU threshold {limit:.2f}: {at['TP']} TP, {at['FP']} FP, {at['FN']} FN; "
        rates = [f"{name} {at[name]:.2f}" for name in ("precision", "recall", "F1") if at[name] is not None]
        text += ", ".join(rates) or "nothing to find"
        if judged.curve.truths:
            text += f"; AP of this curve {average_precision(judged.curve.hit, judged.curve.truths):.2f}"
        return self._panel.draw((kind, limit), judged, float(score), at), text


def sorted_out(
    boxes: np.ndarray, scores: np.ndarray, became: Matching, truths: np.ndarray, score: float
) -> dict[str, np.ndarray]:
    """Sort the boxes of one picture into TP, FP and FN when only detections of at least `score` are used.

    Parameters
    ----------
    boxes : (D, 4) ndarray
        Found corners, px.
    scores : (D,) ndarray
        Confidence of each.
    became : Matching
        From :func:`robotlab.metrics.match_detections` on all detections: those of lower
        score choose later, so leaving them out changes nothing for the others.
    truths : (G, 4) ndarray
        True corners, px.
    score : float
        The threshold.

    Returns
    -------
    dict of str to (N, 4) ndarray
        ``TP``, ``FP``, ``FN``.

    Examples
    --------
    >>> boxes, scores, truths = np.array([[0, 0, 9, 9], [50, 0, 59, 9]]), np.array([0.8, 0.3]), np.array([[0, 0, 9, 10.0]])
    >>> kinds = sorted_out(boxes, scores, match_detections(boxes, scores, truths), truths, 0.5)
    >>> {name: len(rows) for name, rows in kinds.items()}
    {'TP': 1, 'FP': 0, 'FN': 0}
    """
    used = (scores >= score) & ~became.ignored
    late = (scores < score) & (became.truth >= 0)
    return {
        "TP": boxes[used & (became.truth >= 0)],
        "FP": boxes[used & (became.truth < 0)],
        "FN": truths[np.concatenate([became.false_negatives, became.truth[late]])],
    }


class _Panel:
    """One kept figure: what the threshold cannot change is drawn once for each IoU limit."""

    def __init__(self, pictures: list[np.ndarray], entries: list[LabeledImage], reach: tuple[float, float]) -> None:
        figure = Figure(figsize=(_SIZE_PX[0] / 100, _SIZE_PX[1] / 100), dpi=100)
        self._curve_ax, self._score_ax = (figure.add_axes(_share(place)) for place in (_CURVE_PX, _SCORES_PX))
        ax = self._curve_ax
        self._line = ax.plot([], [], color="#0072B2", drawstyle="steps-post", linewidth=1.8)[0]
        self._point = ax.plot([], [], "o", color="#D55E00", markersize=10, markeredgecolor="black")[0]
        ax.set(xlim=(0, 1.02), ylim=(0, 1.04), xticks=[0, 0.5, 1], yticks=[0, 0.5, 1])
        label_axes(ax, "recall", "precision", _FONT_PT)
        ax = self._score_ax
        self._edges = np.linspace(*reach, _BINS + 1)
        self._steps = [
            ax.stairs(np.ones(_BINS), self._edges, color=color, linestyle=dashes, linewidth=1.8, label=name)
            for name, color, dashes in (("TP", "#0072B2", "-"), ("FP", "#D55E00", "--"))
        ]
        self._cut = ax.axvline(0.0, color="black", linewidth=1.6)
        ax.set(yscale="log", xlim=reach)
        label_axes(ax, "score", "detections", _FONT_PT)
        # Above the lines: within, the line of the threshold would cross it.
        above: dict[str, Any] = {"loc": "lower right", "bbox_to_anchor": (1, 0.97), "borderaxespad": 0, "ncols": 2}
        ax.legend(frameon=False, fontsize=_FONT_PT - 1, **above)
        self._pictures = []
        left, bottom, strip, tall = _STRIP_PX
        wide = (strip - _GAP_PX * (len(pictures) - 1)) / len(pictures)
        for place, (picture, entry) in enumerate(zip(pictures, entries)):
            ax = figure.add_axes(_share((left + place * (wide + _GAP_PX), bottom, wide, tall)))
            # The edges of the picture, not the middles of its pixels, as boxes have it.
            ax.imshow(picture, extent=(0, picture.shape[1], picture.shape[0], 0))
            ax.set_title(f"{entry.recording}, picture {entry.id}", fontsize=_FONT_PT - 1)
            ax.set_axis_off()
            self._pictures.append({name: _outlines(ax, *style) for name, style in _KINDS.items()})
        boxes = [lines for kinds in self._pictures for both in kinds.values() for lines in both]
        self._figure = KeptFigure(figure, [self._point, self._cut, *boxes])
        keys = [Line2D([], [], color=color, linestyle=dashes, linewidth=2) for color, dashes in _KINDS.values()]
        look = {"fontsize": _FONT_PT - 1, "facecolor": "#444444", "labelcolor": "white", "edgecolor": "none"}
        figure.legend(keys, _NAMES, loc="lower center", ncols=3, **look)

    def draw(self, key: tuple[str, float], judged: _Matched, score: float, at: dict) -> np.ndarray:
        rates = at["recall"], at["precision"]
        # With nothing found there is no precision and no point; an empty list of places draws none.
        self._point.set_data(*(([], []) if None in rates else ([rates[0]], [rates[1]])))
        self._cut.set_xdata([score, score])
        for kinds, parts in zip(self._pictures, judged.strip):
            by_class = [sorted_out(*part, score) for part in parts]
            for name in kinds:
                boxes = np.concatenate([part[name] for part in by_class])
                # A false negative is drawn a little outside, so that a box beside it can be seen.
                grown = boxes + (np.array([-2, -2, 2, 2]) if name == "FN" else 0)
                for lines in kinds[name]:
                    lines.set_segments([[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)] for x0, y0, x1, y1 in grown])
        return self._figure.draw(key, lambda: self._draw_still(judged.curve))

    def _draw_still(self, curve: Curve) -> None:
        recall = curve.recall if curve.truths else np.zeros(len(curve.score))
        self._line.set_data(recall, curve.precision)
        most = 1
        for steps, flag in zip(self._steps, (curve.hit, ~curve.hit)):
            counts = np.histogram(curve.score[flag], self._edges)[0]
            most = max(most, counts.max())
            steps.set_data(np.maximum(counts, _LEAST_COUNT / 10), baseline=_LEAST_COUNT / 10)
        self._score_ax.set_ylim(_LEAST_COUNT, most * 2)


def _outlines(ax, color: str, dashes) -> list[LineCollection]:
    # Black under the color shows on any ground.
    styles: tuple[dict[str, Any], ...] = (
        {"colors": "black", "linewidths": 3.2},
        {"colors": color, "linestyles": [dashes], "linewidths": 1.6},
    )
    return [ax.add_collection(LineCollection([], **style)) for style in styles]


def _share(place_px: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """A rectangle in px as fractions of the figure, as matplotlib wants it."""
    (left, bottom, wide, tall), (width, height) = place_px, _SIZE_PX
    return left / width, bottom / height, wide / width, tall / height
