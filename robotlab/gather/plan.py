"""The capture plan: which pictures to take, which are there, which are missing."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera, working_range
from robotlab.checks import positive, whole_between
from robotlab.data.dataset import DataSet
from robotlab.data.values import is_word
from robotlab.errors import InputError, short
from robotlab.gather.sizes import box_distances

# Pictures in all.  The head fit of lesson 07 reached AP50 .90 with 25 greenhouse pictures and .91 with 100; real rooms
# vary more.
PICTURES = 100
# Bands of distance, even in the logarithm: the picture of an object halves as often in each (own choice).
BANDS = 5
# Part of the pictures without the object: empty ones, and ones with look-alikes (own choice).
NEGATIVES = 0.2
SIDES = ("left", "middle", "right")


@dataclass(frozen=True)
class Quota:
    """Pictures of one kind.

    Parameters
    ----------
    group : {"distance", "side", "lighting", "background", "without it"}
        What is varied.
    label : str
        Which kind.
    wanted, there : int
        How many are asked for, and how many there are.
    """

    group: str
    label: str
    wanted: int
    there: int = 0

    @property
    def missing(self) -> int:
        """How many are still to be taken."""
        return max(0, self.wanted - self.there)


@dataclass(frozen=True)
class CapturePlan:
    """Which pictures to take, which are there, which are missing.

    Parameters
    ----------
    camera : Camera
        The camera.
    height_m : float
        Height of the object, m.
    near_m, far_m : float
        The working range, m.
    quotas : tuple of Quota
        By distance, side, lighting, background, and without the object; each
        group counts all pictures in another way.
    unknown : int
        Labeled objects whose distance could not be told, as they touch an edge.

    Examples
    --------
    >>> plan = capture_plan(Camera(640, 480, math.radians(62), 0.25), 0.5)
    >>> print(plan.text().splitlines()[0])
    Working range 0.55 to 22.19 m; 100 pictures wanted, 0 there
    """

    camera: Camera
    height_m: float
    near_m: float
    far_m: float
    quotas: tuple[Quota, ...]
    unknown: int = 0

    def group(self, name: str) -> list[Quota]:
        """The quotas of one group.

        Parameters
        ----------
        name : str
            The group.

        Returns
        -------
        list of Quota
            In order.
        """
        return [quota for quota in self.quotas if quota.group == name]

    @property
    def wanted(self) -> int:
        """Pictures asked for."""
        return sum(quota.wanted for quota in self.group("distance") + self.group("without it"))

    @property
    def there(self) -> int:
        """Pictures that are there and count: no more of a kind than asked for."""
        return sum(min(quota.wanted, quota.there) for quota in self.group("distance") + self.group("without it"))

    def text(self) -> str:
        """The plan as lines to read.

        Returns
        -------
        str
            Several lines.
        """
        lines = [
            f"Working range {self.near_m:.2f} to {self.far_m:.2f} m; {self.wanted} pictures wanted, {self.there} there"
        ]
        for name in dict.fromkeys(quota.group for quota in self.quotas):
            lines.append(f"{name}:")
            for quota in self.group(name):
                bar = "█" * round(20 * min(1, quota.there / max(1, quota.wanted)))
                words = f"{quota.missing} missing" if quota.missing else "enough"
                lines.append(f"  {quota.label:32} {quota.there:4} of {quota.wanted:3}  {words:12} {bar}".rstrip())
        if self.unknown:
            lines.append(
                f"{self.unknown} boxes touch the upper or lower edge of their picture: their distance is not known"
            )
        return "\n".join(lines)


def capture_plan(
    camera: Camera,
    height_m: float,
    *,
    width_m: float | None = None,
    smallest_px: float = 12.0,
    farthest_m: float | None = None,
    pictures: int = PICTURES,
    lightings: Sequence[str] = ("bright", "dim", "lamp"),
    backgrounds: int = 3,
    data: DataSet | None = None,
    target: str | None = None,
) -> CapturePlan:
    """Plan which pictures to take of an object, from what the camera can use.

    Parameters
    ----------
    camera : Camera
        Field of view, size of the picture, height and pitch.
    height_m, width_m : float
        Of the object, m; the width counts for the near limit.
    smallest_px : float
        Height in the picture below which a detector loses it, px.
    farthest_m : float, optional
        Farther than this nobody needs to see it, m, whatever the camera can.
    pictures : int
        In all, 20 to 10000.
    lightings : sequence of str
        Kinds of light to take them in.
    backgrounds : int
        Places; each is a recording of its own.
    data : DataSet, optional
        What is there already: distances come from the heights of the boxes,
        lightings and backgrounds from the records.
    target : str, optional
        The object's class; the only one when left out.

    Returns
    -------
    CapturePlan
        With what is missing.

    Raises
    ------
    InputError
        If the camera cannot see the object anywhere, or a number is wrong.

    Notes
    -----
    Distances are shared out evenly in the logarithm, from the near to the far
    end of :func:`robotlab.camera.working_range`: an object twice as far is half as
    large.  A fifth of the pictures is without the object, half of those with
    objects that look like it; a detector that has seen none of these finds it
    everywhere.

    Examples
    --------
    >>> plan = capture_plan(Camera(640, 480, math.radians(62), 0.25), 0.5, pictures=50)
    >>> [quota.wanted for quota in plan.group("distance")], [quota.wanted for quota in plan.group("without it")]
    ([8, 8, 8, 8, 8], [5, 5])
    """
    whole_between(pictures, "pictures", 20, 10_000)
    whole_between(backgrounds, "backgrounds", 1, 100)
    lightings = tuple(dict.fromkeys(lightings))
    if not lightings or not all(map(is_word, lightings)):
        raise InputError(f"lightings must be printable words, got {short(lightings)}; name one or more")
    height = positive("height_m", height_m, "m")
    near, far = working_range(camera, height, smallest_px, width_m)
    far = far if farthest_m is None else min(far, positive("farthest_m", farthest_m, "m"))
    if not near < far or not math.isfinite(far):
        raise InputError(
            f"the camera must see the object somewhere, its working range is {near:.2f} to {far:.2f} m; tilt it, raise it, or take "
            "a larger picture"
        )
    near = max(near, 0.05)
    edges = near * (far / near) ** np.linspace(0, 1, BANDS + 1)
    without = round(NEGATIVES * pictures)
    known, unknown, empty, alike = _labeled(data, camera, height, target)
    entries = [] if data is None else list(data)
    distances = np.array([row[2] for row in known])
    bands = [
        (f"{low:.2f} to {high:.2f} m", int(((distances >= low) & (distances < high)).sum()))
        for low, high in itertools.pairwise(edges)
    ]
    centers = [(entry.boxes[row, 0] + entry.boxes[row, 2]) / 2 / entry.width_px for entry, row, _ in known]
    sides = [int(min(2, 3 * center)) for center in centers]
    thirds = [(f"in the {name} third", sides.count(place)) for place, name in enumerate(SIDES)]
    lit = [(word, sum(entry.lighting == word for entry in entries)) for word in lightings]
    places = Counter(entry.recording for entry in entries).most_common(backgrounds)
    places += [(f"place {n + 1}", 0) for n in range(len(places), backgrounds)]
    negatives = [("nothing of its kind in view", empty), ("objects that look like it", alike)]
    quotas = [
        *_quotas("distance", pictures - without, bands),
        *_quotas("side", pictures - without, thirds),
        *_quotas("lighting", pictures, lit),
        *_quotas("background", pictures, places),
        *_quotas("without it", without, negatives),
    ]
    return CapturePlan(camera, height, near, far, tuple(quotas), unknown)


def _labeled(
    data: DataSet | None, camera: Camera, height_m: float, target: str | None
) -> tuple[list[tuple], int, int, int]:
    """Objects with their distances, how many have none; pictures with nothing in them, and with other objects alone."""
    if data is None or not data.classes:
        return [], 0, 0, 0
    found = box_distances(data, camera, height_m, target)
    label = data.classes.index(target) if target else 0
    total = sum(int(((entry.labels == label) & entry.counted).sum()) for entry in data)
    # What nobody has looked at yet is not known to be empty; the labeler notes what was.
    bare = [entry for entry in data if not (entry.labels == label).any() and entry.record.get("labeled", True)]
    empty = sum(not len(entry) for entry in bare)
    return found, total - len(found), empty, len(bare) - empty


def _quotas(group: str, total: int, there: list[tuple[str, int]]) -> list[Quota]:
    """A whole number of pictures in as many parts as equal as can be."""
    share, over = divmod(total, len(there))
    return [Quota(group, label, share + (place < over), have) for place, (label, have) in enumerate(there)]
