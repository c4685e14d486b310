"""Show a picture to a detector; notice a frozen camera and a trolley that does not turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from robotlab.camera import Camera
from robotlab.checks import number
from robotlab.control.checked_fields import CheckedFields, checked, not_negative, positive
from robotlab.detections import Detections, Detector
from robotlab.errors import InputError, MotionError, PictureError
from robotlab.image import check_picture

# A live camera's noise changes most pixels; a clock drawn over a frozen picture
# changes about one in a hundred (common practice, no source).
_ALIVE = 0.02
# Drivers keep 2 to 8 buffers (common practice, no source): with these many in
# memory, old ones that come round again are known.
_MEMORY = 32
# A long ring, or a stretch of film played again, shows by equality alone: minutes of pictures (common practice, no source).
_EXACTLY = 10_000
# Pictures are compared on a grid of about this many rows.
_ROWS = 48
# The view has moved when this fraction of its blocks has changed by this many gray
# levels: more than noise and a walker far off (common practice, no source).
_MOVED, _GRAY = 0.1, 12.0
# A turn that no view can hide, rad, and the time in which it must show, s.
_STALL_RAD, _STALL_S = 0.6, 1.5
STALLED = (
    f"motors must turn the trolley, {_STALL_RAD:g} rad in {_STALL_S:g} s were commanded and the view has not moved"
)


def _size_px(value: Any, name: str) -> tuple[int, ...] | None:
    if value is None:
        return None
    size = tuple(int(number(n, name, 1)) for n in (value if isinstance(value, (tuple, list)) else ()))
    if len(size) != 2:
        raise MotionError(f"{name} must be width and height, got {value}; for instance (160, 120)")
    return size


@dataclass(frozen=True, kw_only=True)
class PerceptionSettings(CheckedFields):
    """What the camera and the detector take: time and pixels.

    Parameters
    ----------
    frame_hz : float
        Pictures a second.
    delay_s : float
        From the middle of the exposure until the detector may start: exposure,
        transfer, decoding; on a robot the way of the command to the wheels,
        too.  Pictures under way do not hold up each other.
    detector_s : float
        Time the detector needs for one picture.  It does one at a time; what
        arrives meanwhile waits, and only the newest is kept.
    detector_px : (int, int) or None
        The picture is squeezed to this width and height before the detector
        sees it; ``None`` leaves it as it is.
    hfov_rad : float or None
        Replaces the camera's horizontal field of view.

    Raises
    ------
    MotionError
        If a number is out of its range.
    """

    frame_hz: float = positive(10.0)
    delay_s: float = not_negative(0.10)
    detector_s: float = not_negative(0.0)
    detector_px: tuple[int, int] | None = checked(_size_px, None)
    hfov_rad: float | None = positive(None, optional=True)

    @property
    def frame_s(self) -> float:
        """Time between two pictures, s."""
        return 1 / self.frame_hz

    @property
    def latency_s(self) -> float:
        """Age of a picture when its command acts, s: from exposure to wheel.

        What :func:`robotlab.control.latency_from_film_s` measures on a robot.
        """
        return self.delay_s + self.detector_s


class FreezeDetector:
    """Detect a frozen camera: pictures that have been seen before.

    The same picture again, one of the last 10 000, or one that differs from
    one of the last 32 in less than 2 % of its pixels, such as a frozen one
    with a clock drawn over it, is not a sign of life: those are noticed.  A frozen picture to which noise is
    added, or whose brightness changes by as little as one gray level, is not
    noticed: it counts as live.

    Attributes
    ----------
    frozen : int
        How many came one after the other.

    Examples
    --------
    >>> a, b = np.random.default_rng(0).integers(0, 255, (2, 48, 64, 3), np.uint8)
    >>> view = FreezeDetector()
    >>> [view.live(picture) for picture in (a, b, a, b)], view.frozen
    ([True, True, False, False], 2)
    """

    def __init__(self) -> None:
        self._seen: list[np.ndarray] = []
        self._quick = np.zeros((0, 1, 1), np.uint8)
        self._exact: dict[int, None] = {}  # hashes, the oldest first
        self.frozen = 0

    def live(self, picture: np.ndarray) -> bool:
        """Take in a picture.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            All of one size.

        Returns
        -------
        bool
            False for one that has been seen before.
        """
        step = max(1, picture.shape[0] // _ROWS)
        small = picture[::step, ::step].copy()
        quick = small[::4, ::4, 1]
        # A look at few pixels rules most of them out.
        alike = (self._quick != quick).mean(axis=(1, 2)) < 0.5 if self._seen else np.zeros(0, bool)
        exact = hash(small.tobytes())
        if exact in self._exact or any(
            (self._seen[k] != small).any(axis=2).mean() < _ALIVE for k in np.flatnonzero(alike)
        ):
            self.frozen += 1
            return False
        self._exact[exact] = None
        if len(self._exact) > _EXACTLY:
            del self._exact[next(iter(self._exact))]
        self._seen, self.frozen = [*self._seen[1 - _MEMORY :], small], 0
        self._quick = np.stack([old[::4, ::4, 1] for old in self._seen])
        return True


class StallDetector:
    """Notice that the trolley was told to turn, and its view has not moved.

    Examples
    --------
    >>> picture = np.random.default_rng(0).integers(0, 255, (48, 64, 3), np.uint8).repeat(8, 0).repeat(8, 1)
    >>> view = StallDetector()
    >>> [view.stalled(picture, turned_rad=0.5 * t_s, t_s=t_s) for t_s in (0.0, 1.0, 2.0)]
    [False, False, True]
    """

    def __init__(self) -> None:
        self._before: np.ndarray | None = None
        self._turned = self._since = 0.0

    def stalled(self, picture: np.ndarray, turned_rad: float, t_s: float) -> bool:
        """Take in a picture.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            What the camera sees.
        turned_rad : float
            Yaw that the commands so far add up to.
        t_s : float
            Now.

        Returns
        -------
        bool
            True when 0.6 rad and more were commanded in 1.5 s and more, and
            the view stayed.  A view without features, such as a white wall,
            proves nothing.
        """
        turned = abs(turned_rad - self._turned)
        # Slower turns than 0.2 rad/s may be lost in the motors' friction: begin anew.
        if self._before is None or turned < 1e-9 or t_s - self._since > 2 * _STALL_S:
            self._before, self._turned, self._since = picture, turned_rad, t_s
        if turned < _STALL_RAD or t_s - self._since < _STALL_S:
            return False
        before, now = _blocks(self._before), _blocks(picture)
        self._before, self._turned, self._since = picture, turned_rad, t_s
        # Would a turn show at all?
        shift = max(1, now.shape[1] // 4)
        features = (np.abs(now[:, shift:] - now[:, :-shift]) > _GRAY).mean() > 2 * _MOVED
        return bool(features and (np.abs(now - before) > _GRAY).mean() <= _MOVED)


def _blocks(picture: np.ndarray) -> np.ndarray:
    """Mean of each of about 24 rows of square blocks, gray levels."""
    step = max(1, picture.shape[0] // 24)
    rows, columns = picture.shape[0] // step, picture.shape[1] // step
    return picture[: rows * step, : columns * step].reshape(rows, step, columns, -1).mean(axis=(1, 3))


def check_size(picture: np.ndarray | None, size_px: tuple[int, int], name: str) -> np.ndarray:
    """Return a picture of the right size, or say what is wrong.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8 or None
        What came from the camera; None is no picture.
    size_px : (int, int)
        Width and height that it must have.
    name : str
        How the error message calls it.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The picture.

    Raises
    ------
    PictureError
        If it is not a picture, or one of another size.

    Examples
    --------
    >>> check_size(np.zeros((48, 64, 3), np.uint8), (64, 48), "the picture").shape
    (48, 64, 3)
    """
    picture = check_picture(picture, name)
    if picture.shape[1::-1] != tuple(size_px):
        raise PictureError(
            f"{name} must have the camera's size {size_px[0]}x{size_px[1]} px, got {picture.shape[1]}x{picture.shape[0]}; "
            "give Camera the size of the pictures"
        )
    return picture


def show(detector: Detector, picture: np.ndarray) -> Detections:
    """What a detector finds, in the pixels of the picture it is shown.

    Parameters
    ----------
    detector : Detector
        Any detector.
    picture : (H, W, 3) ndarray of uint8
        The detector gets a copy: it may draw on it.

    Returns
    -------
    Detections
        What it found.

    Raises
    ------
    InputError
        If it returns anything else.

    Examples
    --------
    >>> from robotlab.detections import as_detector
    >>> len(show(as_detector(lambda picture: Detections.none(["post"])), np.zeros((4, 4, 3), np.uint8)))
    0
    """
    found = detector.detect(picture.copy())
    if not isinstance(found, Detections):
        raise InputError(
            f"a detector must return Detections, {type(detector).__name__} returned {type(found).__name__}; "
            "end detect with return Detections(boxes, scores, labels, classes)"
        )
    return found


def in_camera_px(found: Detections, camera: Camera, settings: PerceptionSettings) -> Detections:
    """The same boxes in the pixels of the camera's picture.

    Parameters
    ----------
    found : Detections
        In the pixels of the picture that the detector was shown.
    camera : Camera
        What took it.
    settings : PerceptionSettings
        Its ``detector_px`` is the size that the detector was shown.

    Returns
    -------
    Detections
        In the camera's pixels.

    Raises
    ------
    BoxError
        If a box is so far out that its place is not a number any more.

    Examples
    --------
    >>> found = Detections([[10, 20, 30, 40]], [0.9], [0], ["post"])
    >>> in_camera_px(found, Camera(320, 240, 1.0), PerceptionSettings(detector_px=(160, 120))).boxes.tolist()
    [[20.0, 40.0, 60.0, 80.0]]
    """
    if settings.detector_px is None:
        return found
    scale = np.array([camera.width_px / settings.detector_px[0], camera.height_px / settings.detector_px[1]] * 2)
    with np.errstate(over="ignore"):
        boxes = found.boxes * scale
    return Detections(boxes, found.scores, found.labels, found.classes)
