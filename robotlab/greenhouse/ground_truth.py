"""Ground truth of a rendered picture: boxes, visibility and distances."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from robotlab.greenhouse.outline import outline_of
from robotlab.greenhouse.scene import CLASSES, Thing
from robotlab.greenhouse.view import View


@dataclass(frozen=True, eq=False)
class GroundTruth:
    """Ground truth of one picture.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners of the part that shows, px.
    labels : (N,) ndarray of int
        Index into `classes`.
    visibility : (N,) ndarray
        Fraction of the thing that shows: neither hidden by a nearer thing nor
        outside the picture, 0 to 1.
    distance_m : (N,) ndarray
        Along the ground from under the lens to the middle of the foot, m.
    whole_boxes : (N, 4) ndarray
        Corners of the whole thing, as if nothing hid it and the picture had no
        edge, px.
    things : (N,) ndarray of int
        Index into the scene's things.
    classes : tuple of str
        :data:`robotlab.greenhouse.CLASSES`.
    """

    boxes: np.ndarray
    labels: np.ndarray
    visibility: np.ndarray
    distance_m: np.ndarray
    whole_boxes: np.ndarray
    things: np.ndarray
    classes: tuple[str, ...] = CLASSES

    def __len__(self) -> int:
        return len(self.boxes)


@dataclass(slots=True, eq=False)
class VisiblePixels:
    """Pixels in which each thing is visible, from which the ground truth is computed.

    Parameters
    ----------
    view : View
        What looked.
    order : list of int
        Index of each thing of the stage into the scene's things.
    which : list of int
        Places on the stage of the things that may be seen.
    placed : list of (Thing, float, float)
        Those things, and where they are, body axes, m.
    yaw : float
        Where the camera looks, rad.
    stops : list of int
        Rays of the first thing begin at the first, and end before the second; and so on.
    hits : (M,) ndarray of int
        Rays that would meet their thing, were it alone.
    shown : list of int
        How many of each thing's rays meet it first.
    pixels : (N,) ndarray of int
        Where in the picture those are, one thing after the other, each in order.
    """

    view: View
    order: list[int]
    which: list[int]
    placed: list[tuple[Thing, float, float]]
    yaw: float
    stops: list[int]
    hits: np.ndarray
    shown: list[int]
    pixels: np.ndarray

    def truths(self) -> GroundTruth:
        """Boxes, visibility and distances of all things of :data:`CLASSES` that show, in the scene's order."""
        found, stop = [], 0
        hits = np.diff(self.hits.searchsorted(self.stops)).tolist()
        for i, (thing, cx, cy), meet, shown in zip(self.which, self.placed, hits, self.shown, strict=True):
            start, stop = stop, stop + shown
            if shown and thing.kind in CLASSES:
                outline = outline_of(thing, self.view.camera, cx, cy, thing.heading_rad - self.yaw)
                pixels = self.pixels[start:stop] if shown < meet or outline.box is None else None
                box, whole, share = outline.truth(pixels, self.view.columns, self.view.samples)
                found.append(
                    (self.order[i], CLASSES.index(thing.kind), (*box, *whole, share * shown / meet, math.hypot(cx, cy)))
                )
        found.sort(key=lambda row: row[0])
        numbers = np.array([row[2] for row in found], float).reshape(-1, 10)
        things, labels = np.array([row[:2] for row in found], np.int64).reshape(-1, 2).T.copy()
        return GroundTruth(
            numbers[:, :4].copy(), labels, numbers[:, 8].copy(), numbers[:, 9].copy(), numbers[:, 4:8].copy(), things
        )
