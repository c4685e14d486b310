"""One picture of a data set with its boxes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.errors import DataSetError

# Of a column that is worked out where it is not given: no instance keeps it.
_LEFT_OUT: Any = None

# DOTA, aerial pictures full of cars, has about 2000 in its fullest (Xia et al., CVPR 2018; from memory).
MOST_BOXES = 2000


@dataclass(frozen=True, eq=False)
class LabeledImage:
    """One picture of a data set with everything its labels say about it.

    Parameters
    ----------
    id : int or str
        The picture's id in the labels file.
    path : Path
        Where the picture lies.
    width_px, height_px : int
        Its size, px.
    recording : str
        The recording it was taken from; pictures of one recording belong
        together on one side of a split.
    lighting : str or None
        The light it was taken in, where known.
    distance_m : float or None
        Distance from the camera to the target, m, where known.
    boxes : (N, 4) ndarray
        Corners ``[x0, y0, x1, y1]``, px, inside the picture.
    labels : (N,) ndarray of int
        Index into the data set's classes.
    areas : (N,) ndarray
        Area as the annotation gives it, px²; the box's own where it does not.
    crowd : (N,) ndarray of bool
        A box around many objects at once (COCO's ``iscrowd``).
    ignore : (N,) ndarray of bool
        An object that nobody has to find, and that is not an error to find.
    visibility : (N,) ndarray
        Visible part of the object, 0 to 1; 1 where unknown.
    distances_m : (N,) ndarray
        Distance from the camera to the object, m; NaN where unknown.
    annotation_ids : (N,) ndarray
        The annotations' ids in the labels file.
    record : mapping
        The picture's record as it stands in the labels file.
    annotations : tuple of mapping
        The annotations' records as they stand there, one for each box.

    Examples
    --------
    >>> entry = LabeledImage(1, Path("a.png"), 8, 6, boxes=np.array([[0, 0, 4, 4.0]]), labels=np.array([0]))
    >>> len(entry), entry.areas.tolist(), entry.recording
    (1, [16.0], 'all')
    """

    id: int | str
    path: Path
    width_px: int
    height_px: int
    recording: str = "all"
    lighting: str | None = None
    distance_m: float | None = None
    boxes: np.ndarray = _LEFT_OUT
    labels: np.ndarray = _LEFT_OUT
    areas: np.ndarray = _LEFT_OUT
    crowd: np.ndarray = _LEFT_OUT
    ignore: np.ndarray = _LEFT_OUT
    visibility: np.ndarray = _LEFT_OUT
    distances_m: np.ndarray = _LEFT_OUT
    annotation_ids: np.ndarray = _LEFT_OUT
    record: Mapping[str, Any] = field(default_factory=dict, repr=False)
    annotations: tuple[Mapping[str, Any], ...] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        boxes = np.zeros((0, 4)) if self.boxes is None else np.asarray(self.boxes, float).reshape(-1, 4)
        n = len(boxes)
        if n > MOST_BOXES:
            raise DataSetError(f"a picture must have at most {MOST_BOXES} boxes, {self.path} has {n}; take some out")
        sides = boxes[:, 2:] - boxes[:, :2]
        usual = {
            "labels": np.zeros(n, np.int64),
            "areas": sides[:, 0] * sides[:, 1],
            "crowd": np.zeros(n, bool),
            "ignore": np.zeros(n, bool),
            "visibility": np.ones(n),
            "distances_m": np.full(n, np.nan),
            "annotation_ids": np.arange(1, n + 1),
        }
        arrays = {"boxes": boxes}
        for name, value in usual.items():
            given = getattr(self, name)
            # Ids may be words; every other column has the type of its usual value.
            kind = None if name == "annotation_ids" else value.dtype
            arrays[name] = value if given is None else np.asarray(given, dtype=kind)
            if arrays[name].shape != (n,):
                raise DataSetError(f"{name} must be ({n},), one for each box, got {arrays[name].shape}; pass one a box")
        for name, value in arrays.items():
            value = value.copy()
            value.flags.writeable = False
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.boxes)

    @property
    def counted(self) -> np.ndarray:
        """Which boxes count, (N,) bool: those that are neither ignored nor a crowd."""
        return ~(self.ignore | self.crowd)

    @property
    def waits_for_labels(self) -> bool:
        """Whether it is unlabeled: its record says ``labeled: false``, and it has no box."""
        return not len(self) and not self.record.get("labeled", True)

    def pick(self, rows: np.ndarray, labels: np.ndarray | None = None) -> LabeledImage:
        """The same picture with some of its boxes.

        Parameters
        ----------
        rows : (K,) ndarray of int
            Which boxes, in which order.
        labels : (K,) ndarray of int, optional
            New labels for them.

        Returns
        -------
        LabeledImage
            With those boxes.

        Examples
        --------
        >>> entry = LabeledImage(1, Path("a.png"), 8, 6, boxes=[[0, 0, 4, 4], [1, 1, 2, 2]], labels=[0, 1])
        >>> entry.pick(np.array([1])).labels.tolist()
        [1]
        """
        rows = np.asarray(rows, dtype=np.int64)
        columns = ("boxes", "labels", "areas", "crowd", "ignore", "visibility", "distances_m", "annotation_ids")
        picked = {name: getattr(self, name)[rows] for name in columns}
        if labels is not None:
            picked["labels"] = labels
        if len(self.annotations) == len(self):
            picked["annotations"] = tuple(self.annotations[row] for row in rows)
        return replace(self, **picked)

    @property
    def name(self) -> str:
        """The picture's file name as the labels file gives it."""
        return str(self.record.get("file_name", self.path.name))
