"""Choose the target among the detections (score threshold, gating), and measure its distance.

What the detector found is checked before it is believed: its score, whether a
box can be one at all, and whether it is where the target was just now (inside
the gate).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.control.checked_fields import CheckedFields, not_negative, one_of, positive
from robotlab.detections import Detections
from robotlab.errors import InputError

# A box this near to the edge of the picture is cut by it: half a pixel of
# reading error and one of resizing.
_EDGE_PX = 1.5
# Thinner than this is not a box: no camera resolves it, and its distance would be
# kilometers.
_LEAST_PX = 1e-3
# Nor is one so much larger than the picture: a detector may guess the part
# beyond the edge, but the part inside must be what it saw.
_MOST_PICTURES = 2.0


@dataclass(frozen=True, kw_only=True)
class TargetSettings(CheckedFields):
    """What is followed, and which of its boxes are believed.

    Parameters
    ----------
    target : str
        Class that is followed.
    min_score : float
        Boxes with a lower score are not believed.
    gate : float or None
        Gating: while the target is in observation, the next box must have its middle within
        this fraction of the picture's width from the last one's; ``None`` takes
        the best score anywhere.
    target_height_m, target_width_m : float
        Real size of the target.
    distance_from : {"height", "width", "nearer"}
        Which side of the box measures the distance.  A side that the edge of
        the picture cuts is left out while the other is whole.  ``"nearer"``
        takes the shorter of both distances: whatever hides a part of the post
        makes that side read too far.

    Raises
    ------
    MotionError
        If a number is out of its range or a word is unknown.
    """

    target: str = "post"
    min_score: float = not_negative(0.3)
    gate: float | None = positive(None, optional=True)
    target_height_m: float = positive(0.50)
    target_width_m: float = positive(0.07)
    distance_from: str = one_of("nearer", ("height", "width", "nearer"))


@dataclass(frozen=True)
class Observation:
    """An accepted observation of the target.

    Attributes
    ----------
    box : (4,) ndarray
        Corners, px of the camera's picture.
    score : float
        The detector's score.
    bearing_rad : float
        Positive to the left.
    distance_m : float
        Along the ground.
    t_s : float
        When the picture was taken.
    """

    box: np.ndarray
    score: float
    bearing_rad: float
    distance_m: float
    t_s: float


def distance_from_box(box: np.ndarray, camera: Camera, settings: TargetSettings) -> float:
    """Distance to the target from the size of its box.

    Parameters
    ----------
    box : (4,) ndarray
        Corners, px.
    camera : Camera
        What took the picture.
    settings : TargetSettings
        Size of the target, and which side to use.

    Returns
    -------
    float
        Along the ground, m.  From the height as in
        :meth:`robotlab.camera.Camera.distance_m`; from the width
        ``f W / (width cos^2)`` of the bearing: a round post always turns its
        full width to the camera, and off the middle each degree covers more
        pixels.

    Raises
    ------
    InputError
        If the box has no area.

    Examples
    --------
    >>> camera = Camera(320, 240, math.radians(90), height_m=0.25)
    >>> round(distance_from_box(np.array([155.0, 100, 165, 140]), camera, TargetSettings(distance_from="height")), 6)
    2.0
    """
    x0, y0, x1, y1 = (float(corner) for corner in box)
    if not (x1 > x0 and y1 > y0):
        raise InputError(f"a box must have an area to measure a distance, got {[x0, y0, x1, y1]}; leave such boxes out")
    tall = camera.distance_m(box, settings.target_height_m)
    wide = camera.focal_px * settings.target_width_m / (x1 - x0) / math.cos(camera.bearing_rad((x0 + x1) / 2)) ** 2
    cut_tall = y0 < _EDGE_PX or y1 > camera.height_px - _EDGE_PX
    cut_wide = x0 < _EDGE_PX or x1 > camera.width_px - _EDGE_PX
    if cut_tall != cut_wide:
        return wide if cut_tall else tall
    # A cut side reads too far, so of two cut ones the nearer is nearer to the truth.
    if cut_tall or settings.distance_from == "nearer":
        return min(tall, wide)
    return tall if settings.distance_from == "height" else wide


def choose_box(found: Detections, last: Observation | None, camera: Camera, settings: TargetSettings) -> int | None:
    """Row of the box that is taken for the target.

    Parameters
    ----------
    found : Detections
        In the pixels of the camera's picture.
    last : Observation or None
        The last one that was believed, while it is fresh: the gate is around it.
    camera : Camera
        What took the picture.
    settings : TargetSettings
        What is believed.

    Returns
    -------
    int or None
        The believed box of the highest score; ``None`` if there is none.

    Raises
    ------
    InputError
        If the detector does not know the class of the target.

    Examples
    --------
    >>> found = Detections([[9, 9, 20, 60], [50, 9, 60, 60]], [0.4, 0.8], [0, 0], ["post"])
    >>> choose_box(found, None, Camera(320, 240, 1.0), TargetSettings())
    1
    """
    if settings.target not in found.classes:
        raise InputError(
            f"the detector must know the class {settings.target!r}, it knows {', '.join(found.classes)}; set target to one of them"
        )
    believed = (
        (found.labels == found.classes.index(settings.target))
        & (found.scores >= settings.min_score)
        & _possible(found.boxes, camera)
    )
    if settings.gate is not None and last is not None:
        off = (found.boxes[:, :2] + found.boxes[:, 2:] - last.box[:2] - last.box[2:]) / 2
        believed &= np.hypot(off[:, 0], off[:, 1]) <= settings.gate * camera.width_px
    return int(np.where(believed, found.scores, -np.inf).argmax()) if believed.any() else None


def _possible(boxes: np.ndarray, camera: Camera) -> np.ndarray:
    """(N,) whether each box lies in the picture, at least in part, and has a size that something in it can have."""
    size = np.array([camera.width_px, camera.height_px])
    with np.errstate(over="ignore"):
        sides = boxes[:, 2:] - boxes[:, :2]
    fits = (sides >= _LEAST_PX) & (sides <= _MOST_PICTURES * size)
    return (fits & (boxes[:, 2:] > 0) & (boxes[:, :2] < size)).all(axis=1)
