"""Showing a picture to a tracker, and taking no more on trust than needed."""

from __future__ import annotations

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import InputError, PictureError
from robotlab.follow.settings import Settings
from robotlab.picture import check_picture
from robotlab.trackers import Detections, Tracker


def check_size(picture: np.ndarray, size_px: tuple[int, int], name: str) -> np.ndarray:
    """Return a picture of the right size, or say what is wrong.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        What came from the camera.
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
        If it is no picture, or one of another size.

    Examples
    --------
    >>> check_size(np.zeros((48, 64, 3), np.uint8), (64, 48), "the picture").shape
    (48, 64, 3)
    """
    check_picture(picture, name)
    if picture.shape[1::-1] != tuple(size_px):
        raise PictureError(
            f"{name} must have the camera's size {size_px[0]}x{size_px[1]} px, got {picture.shape[1]}x{picture.shape[0]}; "
            "give Camera the size of the pictures"
        )
    return picture


def show(tracker: Tracker, picture: np.ndarray) -> Detections:
    """What a tracker finds, in the pixels of the picture it is shown.

    Parameters
    ----------
    tracker : Tracker
        Any tracker.
    picture : (H, W, 3) ndarray of uint8
        The tracker gets a copy: it may draw on it.

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
    >>> from robotlab.trackers import as_tracker
    >>> len(show(as_tracker(lambda picture: Detections.none(["post"])), np.zeros((4, 4, 3), np.uint8)))
    0
    """
    found = tracker.find(picture.copy())
    if not isinstance(found, Detections):
        raise InputError(
            f"a tracker must return Detections, {type(tracker).__name__} returned {type(found).__name__}; "
            "end find with return Detections(boxes, scores, labels, classes)"
        )
    return found


def in_camera_px(found: Detections, camera: Camera, settings: Settings) -> Detections:
    """The same boxes in the pixels of the camera's picture.

    Parameters
    ----------
    found : Detections
        In the pixels of the picture that the tracker was shown.
    camera : Camera
        What took it.
    settings : Settings
        Its ``tracker_px`` is the size that the tracker was shown.

    Returns
    -------
    Detections
        In the camera's pixels.

    Raises
    ------
    BoxError
        If a box is so far out that its place is no number any more.

    Examples
    --------
    >>> found = Detections([[10, 20, 30, 40]], [0.9], [0], ["post"])
    >>> in_camera_px(found, Camera(320, 240, 1.0), Settings(tracker_px=(160, 120))).boxes.tolist()
    [[20.0, 40.0, 60.0, 80.0]]
    """
    if settings.tracker_px is None:
        return found
    scale = np.array([camera.width_px / settings.tracker_px[0], camera.height_px / settings.tracker_px[1]] * 2)
    with np.errstate(over="ignore"):
        boxes = found.boxes * scale
    return Detections(boxes, found.scores, found.labels, found.classes)
