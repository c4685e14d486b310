"""The one contract of every detector: ``detect(picture) -> Detections``.

The color detector, the trained detector and a learner's own function all keep
it, so judging, the loop and every widget take any of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

import numpy as np

from robotlab.boxes import check_boxes, check_scores
from robotlab.errors import BoxError, InputError


@dataclass(frozen=True, eq=False)
class Detections:
    """What a detector found in one picture.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners ``[x0, y0, x1, y1]``, px.
    scores : (N,) ndarray
        How sure the detector is, higher is surer; usually 0 to 1.
    labels : (N,) ndarray of int
        Index into `classes`.
    classes : sequence of str
        Class names; the background is not among them.

    Raises
    ------
    BoxError
        If shapes disagree, a number is not finite, or a label names no class.

    Examples
    --------
    >>> found = Detections([[0, 0, 4, 9]], [0.9], [0], ["post"])
    >>> len(found), found.classes[found.labels[0]]
    (1, 'post')
    """

    boxes: np.ndarray
    scores: np.ndarray
    labels: np.ndarray
    classes: tuple[str, ...] = field(default=("target",))

    def __post_init__(self) -> None:
        boxes = check_boxes(self.boxes)
        scores = check_scores(self.scores, len(boxes))
        labels = np.asarray(self.labels)
        classes = tuple(str(name) for name in self.classes)
        if labels.shape != (len(boxes),):
            raise BoxError(
                f"labels must be ({len(boxes)},), one for each box, got {labels.shape}; pass one label a box"
            )
        if labels.size and (labels.dtype.kind not in "iu" or labels.min() < 0 or labels.max() >= len(classes)):
            raise BoxError(
                f"labels must be whole numbers from 0 to {len(classes) - 1} ({', '.join(classes)}), "
                f"got {np.unique(labels).tolist()}; a label is the place of the class in classes"
            )
        for name, value in (("boxes", boxes), ("scores", scores), ("labels", labels.astype(np.int64))):
            value = value.copy()
            value.flags.writeable = False
            object.__setattr__(self, name, value)
        object.__setattr__(self, "classes", classes)

    def __len__(self) -> int:
        return len(self.boxes)

    @classmethod
    def none(cls, classes: Sequence[str] = ("target",)) -> Detections:
        """Nothing found.

        Parameters
        ----------
        classes : sequence of str
            Class names.

        Returns
        -------
        Detections
            With no rows.

        Examples
        --------
        >>> len(Detections.none(["post"]))
        0
        """
        return cls(np.zeros((0, 4)), np.zeros(0), np.zeros(0, int), tuple(classes))

    def pick(self, rows: np.ndarray) -> Detections:
        """Some of the rows.

        Parameters
        ----------
        rows : (K,) ndarray of int or (N,) ndarray of bool
            Which rows, in which order.

        Returns
        -------
        Detections
            Those rows.

        Examples
        --------
        >>> found = Detections([[0, 0, 4, 9], [2, 2, 3, 3]], [0.9, 0.2], [0, 0], ["post"])
        >>> len(found.pick(found.scores > 0.5))
        1
        """
        return Detections(self.boxes[rows], self.scores[rows], self.labels[rows], self.classes)

    def of_class(self, name: str) -> Detections:
        """Only the rows of one class.

        Parameters
        ----------
        name : str
            The class.

        Returns
        -------
        Detections
            Those rows.

        Raises
        ------
        InputError
            If the detector knows no such class.

        Examples
        --------
        >>> len(Detections([[0, 0, 4, 9]], [0.9], [0], ["post", "crate"]).of_class("crate"))
        0
        """
        if name not in self.classes:
            raise InputError(f"class must be one of {', '.join(self.classes)}, got {name!r}; choose one of them")
        return self.pick(self.labels == self.classes.index(name))

    def best(self) -> Detections:
        """The one row with the highest score (the first of equals), or none.

        Returns
        -------
        Detections
            With one row, or none when nothing was found.

        Examples
        --------
        >>> found = Detections([[0, 0, 4, 9], [2, 2, 3, 3]], [0.2, 0.9], [0, 0], ["post"])
        >>> found.best().boxes.tolist()
        [[2.0, 2.0, 3.0, 3.0]]
        """
        return self.pick(np.array([int(self.scores.argmax())])) if len(self) else self


@runtime_checkable
class Detector(Protocol):
    """Anything that finds things in a picture."""

    def detect(self, picture: np.ndarray) -> Detections:
        """Find the things of the detector's classes.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        Detections
            Boxes in the pixels of that picture.
        """
        ...


@dataclass(frozen=True)
class FunctionDetector:
    """A plain function as a detector.

    Parameters
    ----------
    function : callable
        Takes a picture, returns :class:`Detections`.

    Examples
    --------
    >>> detector = FunctionDetector(lambda picture: Detections.none())
    >>> len(detector.detect(np.zeros((4, 4, 3), np.uint8)))
    0
    """

    function: Callable[[np.ndarray], Detections]

    def detect(self, picture: np.ndarray) -> Detections:
        """Call the function and check what it returns.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        Detections
            What the function found.

        Raises
        ------
        InputError
            If the function returns anything else.
        """
        found = self.function(picture)
        if not isinstance(found, Detections):
            raise InputError(
                f"a detector must return Detections, {getattr(self.function, '__name__', 'it')} returned "
                f"{type(found).__name__}; end it with return Detections(boxes, scores, labels, classes)"
            )
        return found


def as_detector(thing: Detector | Callable[[np.ndarray], Detections]) -> Detector:
    """A detector from a detector or from a plain function.

    Parameters
    ----------
    thing : Detector or callable
        Has ``find``, or is called with a picture.

    Returns
    -------
    Detector
        With ``find``.

    Raises
    ------
    InputError
        If it is neither.

    Examples
    --------
    >>> len(as_detector(lambda picture: Detections.none()).detect(np.zeros((4, 4, 3), np.uint8)))
    0
    """
    if isinstance(thing, Detector):
        return thing
    if callable(thing):
        return FunctionDetector(thing)
    raise InputError(
        f"a detector must have detect(picture) or be a function, got {type(thing).__name__}; write def detect(picture)"
    )
