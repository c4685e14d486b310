"""Check box sizes against what the network and the camera can use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.data.dataset import DataSet
from robotlab.errors import DataSetError, InputError
from robotlab.neural.network_input import working_size
from robotlab.neural.samples import choose_working
from robotlab.neural.spec import FEATURE_STRIDE

# The network answers once in so many px, and what covers less than one answer is not told from its neighbors.
LEAST_PX = float(FEATURE_STRIDE)


@dataclass(frozen=True, eq=False)
class SizeCheck:
    """Box sizes as the network will see them.

    Parameters
    ----------
    smaller_sides_px : (N,) ndarray
        The smaller side of each box that counts, px of the picture as the
        network sees it.
    too_small : int
        Boxes under the least that it can use.
    least_px : float
        That least.
    distances_m : (M,) ndarray
        Distance of each box of the target by its height, where a camera and a
        height were given.

    Examples
    --------
    >>> SizeCheck(np.array([3.0, 20.0]), 1, 4.0, np.zeros(0)).notes()
    ['1 of 2 boxes is under 4 px as the network sees it: too small to learn from; go closer, or use larger pictures']
    """

    smaller_sides_px: np.ndarray
    too_small: int
    least_px: float
    distances_m: np.ndarray

    def notes(self) -> list[str]:
        """What is worth a look.

        Returns
        -------
        list of str
            Sentences.
        """
        if not self.too_small:
            return []
        are = "is" if self.too_small == 1 else "are"
        return [
            (
                f"{self.too_small} of {len(self.smaller_sides_px)} boxes {are} under {self.least_px:g} px as the network sees "
                f"{'it' if self.too_small == 1 else 'them'}: too small to learn from; go closer, or use larger pictures"
            )
        ]


def box_distances(data: DataSet, camera: Camera, height_m: float, target: str | None = None) -> list[tuple]:
    """How far away each labeled target is, from the height of its box.

    Parameters
    ----------
    data : DataSet
        The data set.
    camera : Camera
        Field of view, height and pitch; its picture is scaled to each
        picture's width.
    height_m : float
        Real height of the target, m.
    target : str, optional
        Its class; the only one when left out.

    Returns
    -------
    list of (LabeledImage, int, float)
        Picture, row of the box, and ground distance, m.  Boxes that touch the
        upper or lower edge are left out: their height is not the object's.

    Raises
    ------
    DataSetError
        If the class is not there, or several could be meant.

    Examples
    --------
    >>> import math
    >>> from pathlib import Path
    >>> from robotlab.data import LabeledImage
    >>> row = LabeledImage(7, Path("a.png"), 320, 240, boxes=[[150, 100, 170, 140]], labels=[0])
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (row,))
    >>> round(box_distances(data, Camera(640, 480, math.radians(90), 0.25), 0.5)[0][2], 6)
    2.0
    """
    if target is None and len(data.classes) != 1:
        raise DataSetError(
            f"target must say which class is meant, there are {', '.join(data.classes) or 'none'}; name one"
        )
    name = data.classes[0] if target is None else target
    if name not in data.classes:
        raise DataSetError(f"target must be among {', '.join(data.classes)}, got {name}; check the spelling")
    label, found = data.classes.index(name), []
    for entry in data:
        seen = Camera(entry.width_px, entry.height_px, camera.hfov_rad, camera.height_m, camera.pitch_rad)
        for row in np.flatnonzero((entry.labels == label) & entry.counted):
            box = entry.boxes[row]
            if box[1] > 0.5 and box[3] < entry.height_px - 0.5:
                try:
                    found.append((entry, int(row), float(seen.distance_m(box, height_m))))
                except InputError:  # a box that this camera cannot see on the ground
                    continue
    return found


def check_sizes(
    data: DataSet, camera: Camera | None = None, height_m: float | None = None, target: str | None = None
) -> SizeCheck:
    """Compare the boxes of a data set with what network and camera can use.

    Parameters
    ----------
    data : DataSet
        With boxes.
    camera, height_m, target
        As in :func:`box_distances`; distances are left out without them.

    Returns
    -------
    SizeCheck
        Sizes as the network sees them, and distances.

    Examples
    --------
    >>> from robotlab.course.resources import shipped
    >>> from robotlab.data import open_dataset
    >>> check_sizes(open_dataset(shipped("datasets/coins"))).too_small
    0
    """
    longest, scale = choose_working(data.need_boxes())
    sides: list[float] = []
    for entry in data:
        counted = entry.boxes[entry.counted]
        factor = working_size(entry.width_px, entry.height_px, longest, scale)[0] / entry.width_px
        sides += ((counted[:, 2:] - counted[:, :2]).min(axis=1) * factor).tolist() if len(counted) else []
    far: list[float] = []
    if camera is not None and height_m is not None:
        far = [row[2] for row in box_distances(data, camera, height_m, target)]
    smaller = np.array(sides)
    return SizeCheck(smaller, int((smaller < LEAST_PX).sum()), LEAST_PX, np.array(far))
