"""Two boxes to drag: their intersection, their union, and their IoU."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import traitlets

from robotlab.boxes import area, check_boxes, clip, intersection, iou
from robotlab.errors import InputError
from robotlab.image import check_picture, encode
from robotlab.widgets.kit import AnsweringWidget, browser_code

# A sheet of pixels that can be counted, and is as wide as a notebook.
SHEET_PX = (40, 24)


class TwoBoxes(AnsweringWidget):
    """Two boxes on a sheet of pixels or on a picture, with their IoU in words.

    Parameters
    ----------
    first, second : (4,) array-like
        Corners ``[x0, y0, x1, y1]`` where the boxes start, whole px.
    picture : (H, W, 3) ndarray of uint8, optional
        The background; a sheet of 40 × 24 pixels when left out.
    measure : callable, optional
        A function of two boxes (each an array of 4 corners), such as a
        learner's own: the text then also says what it gives.

    Raises
    ------
    InputError
        If a box is wrong or not inside of the sheet.

    Notes
    -----
    Drag the inside of a box to move it, a corner to change it; where both
    boxes are under the pointer, the smaller one is taken.  With a box in
    focus, arrow keys move it by 1 px and, with Shift, move its lower right
    corner.  ``boxes`` has both as they stand.

    Examples
    --------
    >>> TwoBoxes([0, 0, 10, 10], [5, 5, 15, 15]).text
    'A 10 × 10 = 100 px²; B 10 × 10 = 100 px²; intersection 5 × 5 = 25 px²; union 100 + 100 − 25 = 175 px²; IoU 25 / 175 = 0.143'
    """

    _esm = browser_code("two_boxes")

    size_px: traitlets.List = traitlets.List().tag(sync=True)
    background = traitlets.Bytes().tag(sync=True)

    def __init__(
        self,
        first: np.ndarray,
        second: np.ndarray,
        picture: np.ndarray | None = None,
        measure: Callable[[np.ndarray, np.ndarray], float] | None = None,
    ) -> None:
        boxes = np.rint(np.concatenate([check_boxes([first], "first"), check_boxes([second], "second")]))
        size = SHEET_PX if picture is None else check_picture(picture).shape[1::-1]
        if (clip(boxes, *size) != boxes).any() or area(boxes).min() < 1:
            raise InputError(
                f"both boxes must lie inside {size[0]} × {size[1]} px and have an area, got {boxes.tolist()}; move them"
            )
        self._measure = measure
        super().__init__(
            {"boxes": boxes.tolist()},
            size_px=list(size),
            background=b"" if picture is None else encode(picture, "png", effort=1),
            alt="Two boxes to drag, A with a solid and B with a dashed outline; their intersection is hatched. The line below has the numbers.",
        )

    @property
    def boxes(self) -> np.ndarray:
        """Both boxes as they stand: (2, 4) corners, px."""
        return np.array(self.asked["boxes"], float)

    def _said(self, boxes: np.ndarray) -> tuple[str, bool]:
        """The IoU in words, and whether the caller's own measure failed."""
        a, b = boxes
        areas, shared = area(boxes), float(intersection(a[None], b[None])[0, 0])
        sides = [f"{x1 - x0:.0f} × {y1 - y0:.0f}" for x0, y0, x1, y1 in boxes]
        together = areas.sum() - shared
        inner = ""
        if shared > 0:
            wide, tall = np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2])
            inner = f"{wide:.0f} × {tall:.0f} = "
        text = (
            f"A {sides[0]} = {areas[0]:.0f} px²; B {sides[1]} = {areas[1]:.0f} px²; intersection {inner}{shared:.0f} px²; "
            f"union {areas[0]:.0f} + {areas[1]:.0f} − {shared:.0f} = {together:.0f} px²; "
            f"IoU {shared:.0f} / {together:.0f} = {iou(a[None], b[None])[0, 0]:.3f}"
        )
        if self._measure is None:
            return text, False
        try:
            own = self._measure(a.copy(), b.copy())
            if not isinstance(own, (int, float, np.number)):
                return f"{text}. Your function gives no number yet: {str(own)[:60]}", True
            return f"{text}. Your function gives {float(own):.3f}", False
        except Exception as error:  # The learner's own function: whatever it raises belongs on the page.
            return f"{text}. Your function stops: {type(error).__name__}: {error}", True

    def _seen(self, asked: dict[str, Any]) -> dict[str, Any]:
        text, failed = self._said(np.array(asked["boxes"], float))
        return {"text": text, "failed": failed}

    def __repr__(self) -> str:
        return f"Two boxes to drag. Now: {self.text}"
