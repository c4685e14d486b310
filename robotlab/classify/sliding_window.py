"""Sliding-window detection: a classifier asked at every window of the picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.boxes import nms
from robotlab.classify.crops import NOTHING, square_crop
from robotlab.classify.softmax_regression import Classifier
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.image import check_picture

# Sides of the windows, px: each half as large again, so that a thing fills one of
# them to two thirds at least.
SIDES_PX = (40, 60, 90, 135)
# How far a window moves, as a fraction of its side; half of that is the worst miss.
STEP = 0.25


class SlidingWindowDetector:
    """Sliding-window detector: classifies every window and keeps those above a threshold.

    Parameters
    ----------
    classifier : Classifier
        One of its classes must be "nothing".
    sides_px : sequence of int
        Sides of the square windows, px.
    step : float, above 0, at most 1
        How far a window moves, as a fraction of its side.
    min_score : float, 0 to 1
        Confidence threshold.
    iou_limit : float, 0 to 1
        Windows of a class that overlap more are one thing.

    Raises
    ------
    InputError
        If the classifier has no class "nothing", or a number is out of range.

    Notes
    -----
    Its boxes are windows: squares of a few sizes at a few places.  They say
    roughly where a thing is, and nothing about its shape.

    Examples
    --------
    >>> gray = [np.full((20, 20, 3), level, np.uint8) for level in (20, 30, 220, 230)]
    >>> from robotlab.classify.crops import Crops
    >>> told = Classifier.learn(Crops(tuple(gray), np.array([0, 0, 1, 1]), ("post", "nothing")))
    >>> detector = SlidingWindowDetector(told, sides_px=(20,))
    >>> len(detector.windows(60, 40)), detector.classes
    (45, ('post',))
    """

    def __init__(
        self,
        classifier: Classifier,
        sides_px: Sequence[int] = SIDES_PX,
        step: float = STEP,
        min_score: float = 0.5,
        iou_limit: float = 0.3,
    ) -> None:
        if NOTHING not in classifier.classes:
            raise InputError(
                f"a classifier that is slid over a picture needs a class {NOTHING!r}, this one has "
                f"{', '.join(classifier.classes)}; learn from labeled_crops(data, empty=4)"
            )
        if not sides_px or min(sides_px) < 1 or not 0 < step <= 1 or not 0 <= min_score <= 1:
            raise InputError(
                f"sides_px must be 1 px or more, step 0 to 1 and min_score 0 to 1, got {tuple(sides_px)}, {step}, {min_score}; correct them"
            )
        self.classes = tuple(name for name in classifier.classes if name != NOTHING)
        self.min_score, self.iou_limit = min_score, iou_limit
        self._classifier, self._sides, self._step = classifier, tuple(sides_px), step
        self._columns = [classifier.classes.index(name) for name in self.classes]

    def windows(self, width_px: int, height_px: int) -> np.ndarray:
        """All windows of a picture.

        Parameters
        ----------
        width_px, height_px : int
            Size of the picture.

        Returns
        -------
        (N, 4) ndarray
            Corners, px, all inside; none of a side that does not fit.
        """
        boxes = []
        for side in self._sides:
            move = max(1.0, side * self._step)
            for y in np.arange(0, height_px - side + 1e-9, move):
                boxes += [[x, y, x + side, y + side] for x in np.arange(0, width_px - side + 1e-9, move)]
        return np.array(boxes, float).reshape(-1, 4)

    def detect(self, picture: np.ndarray) -> Detections:
        """Classify every window, then non-maximum suppression (NMS).

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        Detections
            Windows, best first.
        """
        check_picture(picture)
        windows = self.windows(picture.shape[1], picture.shape[0])
        crops = [square_crop(picture, box, margin=0) for box in windows]
        probabilities = self._classifier.probabilities(crops)[:, self._columns]
        labels, scores = probabilities.argmax(axis=1), probabilities.max(axis=1)
        confident = np.flatnonzero(scores >= self.min_score)
        kept = confident[nms(windows[confident], scores[confident], self.iou_limit, labels[confident])]
        return Detections(windows[kept], scores[kept], labels[kept], self.classes)
