"""A training as it runs, or replayed: loss, held-out metrics, and what one picture's boxes do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import traitlets
from matplotlib.figure import Figure

from robotlab.boxes import check_boxes
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.image import check_picture, encode
from robotlab.metrics import match_detections
from robotlab.report.plots import COLORS, LINES, new_figure
from robotlab.widgets.kit import Widget, browser_code

if TYPE_CHECKING:
    from robotlab.data import DataSet, LabeledImage
    from robotlab.neural import NeuralDetector
    from robotlab.neural.training_loop import History

# Vermilion and blue first: on the course's classes, post and bucket, they are the nearest to the things' own colors.
CLASS_COLORS = (COLORS[1], COLORS[0], *COLORS[2:])
# Size of the labels beside boxes, px of a picture 320 px wide; a letter is about so wide (measured).
LABEL_PX, LETTER = 9.5, 0.58
# A box is a true positive from this IoU with a truth of its class on (Everingham et al., IJCV 88:303-338, 2010).
FOUND_FROM = 0.5


class TrainingMonitor(Widget):
    """Loss, held-out average precision and one held-out picture, stage by stage.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        A picture that is not learned from.
    boxes : (N, 4) ndarray
        What is on it: corners, px.
    labels : (N,) ndarray of int
        Classes of `boxes`, places in `classes`.
    classes : sequence of str
        Class names.
    alt : str
        What it shows, in words.
    ignored : (K, 4) ndarray, optional
        Where a box counts neither way: crowds, truths marked to be ignored.
    min_score : float, 0 to 1
        Boxes with a lower score are not drawn.
    log : mapping, optional
        A training to replay, as :attr:`log` of an earlier monitor gives it.

    Raises
    ------
    InputError
        If there is no class, no text alternative, or a label without a class.

    Notes
    -----
    Live: show the monitor first, then ``fit(..., training="fine_tuning",
    watch=monitor.watch)`` in the next cell.  Each evaluation becomes a stage;
    the slider follows the newest until it is moved.  All is drawn in the
    browser, so slider and play button work while the kernel is busy training.

    Examples
    --------
    >>> monitor = TrainingMonitor(np.zeros((48, 64, 3), np.uint8), [[8, 8, 24, 24]], [0], ["post"], alt="One post.")
    >>> monitor.add_stage(0, 0.25, 0.5, Detections([[8, 8, 24, 22]], [0.9], [0], ["post"]))
    >>> monitor
    Training, stage by stage: One post. Now: Step 0. Held out: AP50 0.50, AP 0.25. In this picture 1 TP, 0 FP, 0 FN.
    """

    _esm = browser_code("training_monitor")

    size_px: traitlets.List = traitlets.List().tag(sync=True)
    background = traitlets.Bytes().tag(sync=True)
    classes: traitlets.List = traitlets.List().tag(sync=True)
    colors: traitlets.List = traitlets.List().tag(sync=True)
    truths: traitlets.List = traitlets.List().tag(sync=True)
    losses: traitlets.List = traitlets.List().tag(sync=True)
    stages: traitlets.List = traitlets.List().tag(sync=True)

    def __init__(
        self,
        picture: np.ndarray,
        boxes: np.ndarray,
        labels: Sequence[int] | np.ndarray,
        classes: Sequence[str],
        *,
        alt: str,
        ignored: np.ndarray | Sequence[Sequence[float]] = (),
        min_score: float = 0.3,
        log: Mapping[str, Any] | None = None,
    ) -> None:
        height, width = check_picture(picture).shape[:2]
        boxes, labels = check_boxes(boxes, "boxes"), np.asarray(labels, int).reshape(-1)
        if not classes or not alt.strip():
            raise InputError("a monitor must have class names and a text alternative, one is empty; pass both")
        if len(labels) != len(boxes) or (len(labels) and not (labels.min() >= 0 and labels.max() < len(classes))):
            raise InputError(
                f"each box must have a label from 0 to {len(classes) - 1}, got {labels.tolist()} for {len(boxes)} boxes; check them"
            )
        if not 0 <= min_score <= 1:
            raise InputError(f"min_score must be from 0 to 1, got {min_score}; 0.3 is usual")
        self._picture, self._min_score = picture, float(min_score)
        self._ignored = check_boxes(np.reshape(ignored, (-1, 4)), "ignored")
        super().__init__(
            size_px=[width, height],
            background=encode(picture, "png", effort=1),
            alt=alt,
            classes=list(classes),
            colors=[CLASS_COLORS[n % len(CLASS_COLORS)] for n in range(len(classes))],
            truths=[{"box": box.tolist(), "label": int(label)} for box, label in zip(boxes, labels, strict=True)],
            **({} if log is None else _checked(log, len(classes))),
        )

    @classmethod
    def of(cls, data: DataSet, entry: LabeledImage, **options: Any) -> TrainingMonitor:
        """A monitor on one labeled picture of a data set.

        Parameters
        ----------
        data : DataSet
            Where the picture is from.
        entry : LabeledImage
            Which one.
        **options
            ``alt``, and ``min_score`` and ``log`` if wanted.

        Returns
        -------
        TrainingMonitor
            With the picture's ground truth; what counts for nothing is left out.
        """
        boxes, labels = entry.boxes[entry.counted], entry.labels[entry.counted]
        return cls(data.load(entry), boxes, labels, data.classes, ignored=entry.boxes[~entry.counted], **options)

    def watch(self, history: History, detector: NeuralDetector | None) -> None:
        """Take in how a training goes; what ``watch`` of :func:`robotlab.neural.fit` calls.

        Parameters
        ----------
        history : History
            Steps, losses and evaluations so far.
        detector : Detector or None
            The detector as it is now, when it has just been judged.
        """
        if not history.steps:  # A training begins; what was seen of another is over.
            self.stages = []
        self.losses = [[step, float(loss)] for step, loss in zip(history.steps, history.losses, strict=True)]
        if detector is not None:
            judged = (history.judged_steps[-1], history.judged_AP[-1], history.judged_AP50[-1])
            self.add_stage(*judged, detector.detect(self._picture))

    def add_stage(self, step: int, AP: float, AP50: float, found: Detections) -> None:
        """Add one stage.

        Parameters
        ----------
        step : int
            After so many steps.
        AP, AP50 : float
            On the held-out pictures.
        found : Detections
            In the monitor's picture.
        """
        found = found.pick(found.scores >= self._min_score)
        text = f"Step {step}. {self._loss_words(step)}Held out: AP50 {AP50:.2f}, AP {AP:.2f}. "
        boxes = [
            {"box": [round(float(edge), 1) for edge in box], "label": int(label), "score": round(float(score), 3)}
            for box, label, score in zip(found.boxes, found.labels, found.scores, strict=True)
        ]
        numbers = {"step": int(step), "AP": float(AP), "AP50": float(AP50)}
        stage = {**numbers, "boxes": self._labeled(boxes), "text": text + self._found_words(found)}
        # A new list: a changed one would not be sent.
        self.stages = [*self.stages, stage]

    @property
    def log(self) -> dict[str, Any]:
        """What was recorded, as plain numbers and words, to keep as JSON and to replay."""
        return {"losses": list(self.losses), "stages": list(self.stages)}

    def _labeled(self, boxes: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """The boxes, each with its words and the place of their lower left corner, so that no words cover others."""
        wide, tall = self.size_px
        size = LABEL_PX * wide / 320
        taken: list[tuple[float, float, float]] = []
        labeled = []
        for one in boxes:
            words = f"{self.classes[one['label']]} {one['score']:.2f}"
            long = LETTER * size * len(words)
            x0, y0, _, y1 = one["box"]
            x = float(np.clip(x0, 1, max(1, wide - long)))
            places = (y0 - 0.3 * size, y1 + size, y0 - 1.5 * size, y1 + 2.2 * size)
            spots = [min(max(y, size), tall - 2) for y in places]
            free = [
                y
                for y in spots
                if all(abs(y - v) >= 1.1 * size or x >= u + far or u >= x + long for u, v, far in taken)
            ]
            y = (free or spots)[0]
            taken.append((x, y, long))
            labeled.append({**one, "words": words, "at": [round(x, 1), round(y, 1)]})
        return labeled

    def _loss_words(self, step: int) -> str:
        before = [loss for at, loss in self.losses if at <= step]
        return f"Loss {before[-1]:.2f}. " if before else ""

    def _found_words(self, found: Detections) -> str:
        true = np.array([truth["box"] for truth in self.truths], float).reshape(-1, 4)
        labels = np.array([truth["label"] for truth in self.truths], int)
        hits, uncounted = 0, 0
        for label in range(len(self.classes)):
            here, own = found.labels == label, true[labels == label]
            crowd = np.arange(len(own) + len(self._ignored)) >= len(own)
            matched = match_detections(
                found.boxes[here], found.scores[here], np.concatenate([own, self._ignored]), FOUND_FROM, crowd
            )
            hits, uncounted = hits + int(matched.hits.sum()), uncounted + int(matched.ignored.sum())
        words = f"In this picture {hits} TP, {len(found) - hits - uncounted} FP, {len(true) - hits} FN"
        return f"{words}; {uncounted} more on what does not count." if uncounted else f"{words}."

    def draw(self, stage: int = -1) -> Figure:
        """The picture and the curves of one stage, as a still.

        Parameters
        ----------
        stage : int
            Which; -1 is the newest.

        Returns
        -------
        matplotlib.figure.Figure
            What the browser shows.

        Raises
        ------
        InputError
            If there is no such stage.
        """
        if not -len(self.stages) <= stage < len(self.stages):
            raise InputError(
                f"stage must be one of the {len(self.stages)} recorded, got {stage}; train first, or name another"
            )
        now = self.stages[stage]
        figure, _ = new_figure(1, 1, 5.4, 5.2)
        figure.clear()
        grid = figure.add_gridspec(2, 2, height_ratios=[2.6, 1])
        seen, above, below = (figure.add_subplot(part) for part in (grid[0, :], grid[1, 0], grid[1, 1]))
        wide, tall = self.size_px
        seen.imshow(self._picture, extent=(0, wide, tall, 0))
        for truth in self.truths:
            _outline(seen, truth["box"], "white", 1.2, (0, (2, 2)))
        for one in now["boxes"]:
            _outline(seen, one["box"], "white", 3.2, "-")
            _outline(seen, one["box"], self.colors[one["label"]], 1.7, "-")
        for one in now["boxes"]:
            plate = {"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 0.5}
            seen.text(one["at"][0], one["at"][1], one["words"], color=self.colors[one["label"]], fontsize=9, bbox=plate)
        seen.set(
            xlim=(0, wide), ylim=(tall, 0), xticks=[], yticks=[], title=f"step {now['step']}; dashed: ground truth"
        )
        if self.losses:
            above.plot(*zip(*self.losses, strict=True), color=COLORS[0])
        above.set(ylabel="loss", xlabel="step", ylim=(0, None))
        for name, style, color in (("AP50", LINES[0], COLORS[1]), ("AP", LINES[1], COLORS[2])):
            line = [(one["step"], one[name]) for one in self.stages]
            below.plot(*zip(*line, strict=True), style, color=color, marker="o", markersize=3.5)
            # The names lie apart, also where both lines end at one height.
            close = name == "AP" and self.stages[-1]["AP50"] - line[-1][1] < 0.18
            below.annotate(
                name, line[-1], xytext=(5, -7 if close else 0), textcoords="offset points", color=color, va="center"
            )
        # A little more than 1, so that a line at 1 is seen whole.
        below.set(ylabel="held out", xlabel="step", ylim=(0, 1.05), yticks=(0, 0.5, 1))
        last = max([1, *(one["step"] for one in self.stages), *(step for step, _ in self.losses)])
        for ax in (above, below):
            ax.set_xlim(-0.02 * last, 1.16 * last)
            ax.axvline(now["step"], color="#555555", linewidth=1, linestyle=":")
            ax.spines[["top", "right"]].set_visible(False)
        return figure

    def __repr__(self) -> str:
        now = self.stages[-1]["text"] if self.stages else "nothing recorded yet."
        return f"Training, stage by stage: {self.alt} Now: {now}"


def _outline(ax: Any, box: Sequence[float], color: str, width: float, dashes: Any) -> None:
    x0, y0, x1, y1 = box
    ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=color, linewidth=width, linestyle=dashes)


def _checked(log: Mapping[str, Any], class_count: int) -> dict[str, list]:
    """The lists of a log, after a look at what the browser will read."""
    try:
        losses = [[int(step), float(loss)] for step, loss in log["losses"]]
        stages = [{**one, "boxes": [_checked_box(box) for box in one["boxes"]]} for one in log["stages"]]
        for one in stages:
            for name, kind in (("step", int), ("AP", float), ("AP50", float), ("text", str)):
                one[name] = kind(one[name])
    except (KeyError, TypeError, ValueError):
        raise InputError(
            "log must be what a monitor's log gives, it is not; keep monitor.log as JSON and pass that"
        ) from None
    boxes = [box for one in stages for box in one["boxes"]]
    if any(len(b["box"]) != 4 or len(b["at"]) != 2 or not 0 <= b["label"] < class_count for b in boxes):
        raise InputError(
            f"log must hold boxes of 4 numbers and labels of these {class_count} classes, it does not; was it kept for other classes?"
        )
    return {"losses": losses, "stages": stages}


def _checked_box(box: Mapping[str, Any]) -> dict[str, Any]:
    places = {name: [float(number) for number in box[name]] for name in ("box", "at")}
    return {**places, "label": int(box["label"]), "score": float(box["score"]), "words": str(box["words"])}
