"""Look first where the target was, and at the whole picture only when needed."""

from __future__ import annotations

import numpy as np

from robotlab.color.cleanup import reach_px
from robotlab.color.tracker import ColorTracker
from robotlab.errors import InputError
from robotlab.picture import check_picture
from robotlab.trackers import Detections

# Room on each side of the predicted box, in widths and heights of the target
# and in px: a target that is near crosses more pixels a frame (common
# practice, no source).
_ROOM = 1.0
_ROOM_PX = 8


class RegionTracker:
    """A color tracker that remembers where its targets were.

    Parameters
    ----------
    tracker : ColorTracker
        One that gives the largest blob of each class (``all_blobs=False``).
    recheck_every : int
        After this many frames in a row without, the whole picture is looked
        at anyway; 1 does so each time.

    Raises
    ------
    InputError
        If the tracker gives all blobs, or the number is below 1.

    Notes
    -----
    The region is the last box, moved on by its last movement, with its own
    width and height (and 8 px) of room on each side.  What is promised:

    1. When the blob that ``tracker.find`` would give for the whole picture
       lies inside the region, this gives the same box and score, to the last
       bit.  A blob inside is a blob of the whole picture; one that is cut by
       the region's edge may be a piece of a larger one, so as soon as such a
       piece is as large as the answer, the whole picture decides.  (With
       ``join_gap``: as soon as there is any such piece, or the answer is so
       near the edge that one beyond could join it.)
    2. When nothing in the region fits, the whole picture decides.
    3. What the region cannot show is a *larger* blob wholly outside it.  Then
       this stays with the target it followed, and ``find`` would jump to the
       other.  ``recheck_every`` bounds for how long; it is a choice, not an
       error.

    Examples
    --------
    >>> from robotlab.color import Band
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> tracker = RegionTracker(ColorTracker(Band(hue=(5, 18), saturation=(150, 255))))
    >>> for _ in range(2):
    ...     found = tracker.find(picture)
    >>> tracker.looked_at["target"], found.boxes.tolist()
    ((12, 0, 58, 60), [[30.0, 20.0, 40.0, 50.0]])
    """

    # A third of a second at 30 frames a second (common practice, no source).
    def __init__(self, tracker: ColorTracker, recheck_every: int = 10) -> None:
        if not isinstance(tracker, ColorTracker) or tracker.all_blobs:
            raise InputError("a region needs a ColorTracker that gives the largest blob of each class, got another; pass all_blobs=False")
        if isinstance(recheck_every, bool) or not isinstance(recheck_every, (int, np.integer)) or recheck_every < 1:
            raise InputError(f"recheck_every must be a whole number, 1 or more, got {recheck_every!r}; 1 looks at the whole picture each time")
        self.tracker = tracker
        self.classes = tracker.classes
        self.recheck_every = int(recheck_every)
        self.forget()

    def forget(self) -> None:
        """Start anew: the next picture is looked at as a whole."""
        self._boxes: dict[str, list[np.ndarray]] = {}
        self._since: dict[str, int] = {}
        self._size: tuple[int, ...] | None = None
        # What was looked at in the last frame, by class: a region's edges
        # (left, top, right, bottom), or None for the whole picture.
        self.looked_at: dict[str, tuple[int, int, int, int] | None] = {}

    def find(self, picture: np.ndarray) -> Detections:
        """Find the targets in the next picture.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        Detections
            As from the color tracker, see Notes of the class.

        Raises
        ------
        PictureError
            If the picture is wrong.
        """
        check_picture(picture)
        if picture.shape != self._size:
            self.forget()
            self._size = picture.shape
        gains = self.tracker.gains(picture)
        boxes, scores, labels = [], [], []
        for name in self.tracker.bands:
            box, score = self._find_one(picture, name, gains)
            if box is not None:
                boxes.append(box)
                scores.append(score)
                labels.append(self.classes.index(name))
        order = np.argsort(-np.array(scores), kind="stable")
        return Detections(np.array(boxes).reshape(-1, 4), scores, np.array(labels, int), self.classes).pick(order)

    def _find_one(self, picture: np.ndarray, name: str, gains: np.ndarray | None) -> tuple[np.ndarray | None, float]:
        region = self._region(name, picture.shape)
        answer = None if region is None else self._in_region(picture, name, gains, region)
        if answer is None:
            region = None
            blobs, scores = self.tracker.fitting(name, *self.tracker.pieces(picture, name, None, gains))
            answer = (blobs.boxes[0], scores[0]) if len(blobs) else (None, 0.0)
        self.looked_at[name] = region
        self._since[name] = 0 if region is None else self._since[name] + 1
        self._boxes[name] = [] if answer[0] is None else [*self._boxes.get(name, []), answer[0]][-2:]
        return answer

    def _in_region(self, picture, name, gains, region) -> tuple[np.ndarray, float] | None:
        """The answer, if the region alone can give it."""
        pieces, depths = self.tracker.pieces(picture, name, region, gains)
        gap = self.tracker.shapes[name].join_gap
        cut = _over_edge(pieces.boxes, region, picture.shape)
        if gap and cut.any():
            return None
        blobs, scores = self.tracker.fitting(name, pieces.pick(~cut), depths[~cut])
        if not len(blobs) or (pieces.areas[cut] >= blobs.areas[0]).any():
            return None
        box = blobs.boxes[0]
        # A piece that would join could stand this far off.
        reach = gap * (box[2] - box[0]) * np.array([0, -1, 0, 1])
        if gap and _over_edge((box + reach)[None], region, picture.shape)[0]:
            return None
        return box, scores[0]

    def _region(self, name: str, shape: tuple[int, ...]) -> tuple[int, int, int, int] | None:
        """Where to look, or None for everywhere."""
        boxes = self._boxes.get(name, [])
        if not boxes or self._since[name] + 1 >= self.recheck_every:
            return None
        box = boxes[-1]
        moved = (box - boxes[0]).reshape(2, 2).mean(axis=0)
        sides = box[2:] - box[:2]
        room = sides * _ROOM + _ROOM_PX + reach_px(self.tracker.open_px, self.tracker.close_px)
        room[1] += self.tracker.shapes[name].join_gap * sides[0]
        limit = np.array([shape[1], shape[0]])
        # The movement may be an accident, so the place of the last box stays in.
        low = np.clip(np.floor(box[:2] + np.minimum(moved, 0) - room), 0, limit).astype(int)
        high = np.clip(np.ceil(box[2:] + np.maximum(moved, 0) + room), 0, limit).astype(int)
        return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _over_edge(boxes: np.ndarray, region: tuple[int, int, int, int], shape: tuple[int, ...]) -> np.ndarray:
    """Which boxes reach an edge of the region that is not the picture's."""
    left, top, right, bottom = region
    height, width = shape[:2]
    return (
        ((boxes[:, 0] <= left) & (left > 0))
        | ((boxes[:, 1] <= top) & (top > 0))
        | ((boxes[:, 2] >= right) & (right < width))
        | ((boxes[:, 3] >= bottom) & (bottom < height))
    )
