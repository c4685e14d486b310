"""Scripted walks of the guide post, each with a greenhouse to walk in.

A walk is a list of points that the post passes at given times; between them it
goes along a smooth curve.  The trolley starts at the world's origin, facing
along world x.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy  # which imports its parts when they are first used

from robotlab.errors import InputError
from robotlab.greenhouse.scene import Scene, Thing


@dataclass(frozen=True, eq=False)
class Walk:
    """Where the post is at each time, and where it walks.

    Parameters
    ----------
    name : str
        What :data:`WALKS` calls it.
    about : str
        One sentence: what it is a test of.
    times_s : sequence of float
        Rising, from 0.
    points_m : sequence of (float, float)
        Place of the post at each time, world frame, m.
    scene : Scene
        With a guide post at the first point.

    Raises
    ------
    InputError
        If times and points do not fit together.

    Examples
    --------
    >>> walk = WALKS["straight"]
    >>> walk.post_at(0.0)
    (1.2, 0.0)
    """

    name: str
    about: str
    times_s: tuple[float, ...]
    points_m: tuple[tuple[float, float], ...]
    scene: Scene

    def __post_init__(self) -> None:
        times, points = np.asarray(self.times_s, float), np.asarray(self.points_m, float)
        sound = times.ndim == 1 and len(times) > 1 and points.shape == (len(times), 2)
        if not (sound and times[0] == 0 and (np.diff(times) > 0).all() and np.isfinite(points).all()):
            raise InputError(
                f"a walk needs rising times_s from 0 and one finite (x, y) for each, got {times.shape} and {points.shape}; check its points"
            )

    @cached_property
    def _curve(self) -> scipy.interpolate.PchipInterpolator:
        """Shape-preserving cubics: smooth, and never past the points, so that a stop is a stop."""
        return scipy.interpolate.PchipInterpolator(self.times_s, self.points_m)

    @cached_property
    def _pieces(self) -> tuple[list[float], list[list[list[float]]]]:
        """Where each piece of the curve begins, and for x and for y its four coefficients: a moment costs a tenth of the curve's own time."""
        return self._curve.x[:-1].tolist(), self._curve.c.transpose(1, 2, 0).tolist()

    @property
    def duration_s(self) -> float:
        """Length of the walk, s."""
        return float(self.times_s[-1])

    def post_at(self, t_s: float) -> tuple[float, float]:
        """Where the post is.

        Parameters
        ----------
        t_s : float
            Time, s; before the start and after the end the post stands still.

        Returns
        -------
        (float, float)
            x and y, world frame, m.

        Examples
        --------
        >>> x, y = WALKS["straight"].post_at(1e9)
        >>> x > 4
        True
        """
        t = min(max(float(t_s), 0.0), self.duration_s)
        begins, pieces = self._pieces
        at = max(bisect_right(begins, t) - 1, 0)
        s = t - begins[at]
        x, y = (0.0 + d + c * s + b * (s * s) + a * (s * s * s) for a, b, c, d in pieces[at])
        return x, y

    def posts_at(self, times_s: np.ndarray) -> np.ndarray:
        """Where the post is at many times.

        Parameters
        ----------
        times_s : (N,) ndarray
            Times, s, as for :meth:`post_at`.

        Returns
        -------
        (N, 2) ndarray
            x and y, world frame, m.

        Examples
        --------
        >>> WALKS["straight"].posts_at(np.array([0.0, 1e9])).shape
        (2, 2)
        """
        return self._curve(np.clip(times_s, 0.0, self.duration_s))

    def speed_mps(self, t_s: float) -> float:
        """How fast the post moves.

        Parameters
        ----------
        t_s : float
            Time, s.

        Returns
        -------
        float
            m/s.

        Examples
        --------
        >>> 0.2 < WALKS["straight"].speed_mps(5.0) < 0.5
        True
        """
        if not 0 <= t_s <= self.duration_s:
            return 0.0
        return float(np.hypot(*self._curve(float(t_s), 1)))

    def scene_at(self, t_s: float) -> Scene:
        """The greenhouse at one time.

        Parameters
        ----------
        t_s : float
            Time, s.

        Returns
        -------
        Scene
            With the post where it is then.

        Examples
        --------
        >>> WALKS["straight"].scene_at(0.0).posts[0].x_m
        1.2
        """
        return self.scene.with_post_at(*self.post_at(t_s))


def _sampled(duration_s: float, place, steps: int = 25) -> tuple[tuple[float, ...], tuple[tuple[float, float], ...]]:
    times = [round(duration_s * i / (steps - 1), 4) for i in range(steps)]
    return tuple(times), tuple((round(x, 4), round(y, 4)) for x, y in map(place, times))


def _sides(seed: int) -> tuple[Thing, ...]:
    """Clutter along both sides of the aisle, out of the post's way."""
    rng = np.random.default_rng(seed)
    kinds = ("bucket", "plant", "crate", "pot", "plant", "bucket", "pot")
    things = []
    for side in (-1, 1):
        for i, x in enumerate(np.arange(0.9, 11.5, 1.15)):
            kind = kinds[(i + (side > 0) * 3 + seed) % len(kinds)]
            place = round(x + rng.uniform(-0.3, 0.3), 3), round(side * rng.uniform(1.45, 2.1), 3)
            heading = round(rng.uniform(-0.4, 0.4), 3)
            things.append(Thing(kind, *place, heading, seed=int(rng.integers(1000))))
    return tuple(things)


def _walk(
    number: int,
    name: str,
    about: str,
    path: tuple[tuple[float, ...], tuple[tuple[float, float], ...]],
    floor: tuple[str, str],
    things: tuple[Thing, ...] = (),
    bands: int = 0,
) -> Walk:
    """A walk along times and points, whose clutter and textures are drawn from its number."""
    things = (Thing("post", *path[1][0], bands=bands), *things, *_sides(number))
    scene = Scene(things, "daylight", 10 + number, floor, room_m=(-3.0, -3.5, 13.0, 3.5))
    return Walk(name, about, *path, scene)


def _walks() -> dict[str, Walk]:
    straight = _sampled(18.0, lambda t: (1.2 + 0.30 * t, 0.0))
    weave = _sampled(24.0, lambda t: (1.2 + 0.26 * t, 0.75 * math.sin(2 * math.pi * t / 12.0)), 49)
    stops_t = (0.0, 4.0, 7.0, 11.0, 14.5, 18.5, 21.0)
    stops_p = ((1.2, 0.0), (2.6, 0.3), (2.6, 0.3), (4.2, -0.4), (4.2, -0.4), (5.8, 0.0), (5.8, 0.0))
    back_t = (0.0, 5.0, 6.0, 10.0, 11.0, 16.0, 17.0, 20.0)
    back_p = ((1.3, 0.0), (3.1, 0.5), (3.1, 0.5), (1.9, 0.3), (1.9, 0.3), (3.9, -0.6), (3.9, -0.6), (3.0, -0.3))
    around_t = (0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 22.0)
    around_p = ((1.3, 0.1), (2.1, 0.75), (3.0, 0.85), (3.9, 0.2), (4.7, -0.7), (5.6, -0.85), (6.5, -0.2), (7.6, 0.1))
    crates = (
        Thing("crate", 2.55, 0.05, 0.3),
        Thing("crate", 2.75, -0.65, -0.2, seed=5),
        Thing("crate", 5.15, 0.05, 1.2, seed=9),
        Thing("bucket", 4.0, -0.75, seed=3),
        Thing("crate", 4.95, 0.75, 0.1, 1.1, seed=7),
    )
    wrong = (Thing("tray", 3.2, -1.2, 0.4), Thing("drum", 6.5, 1.6), Thing("pole", 4.6, 1.3))
    walks = (
        _walk(1, "straight", "The post goes straight ahead at a steady speed.", straight, ("paving", "soil")),
        _walk(2, "weave", "The post swings from side to side.", weave, ("concrete", "moss"), bands=2),
        _walk(3, "stop_and_go", "The post stops, waits and goes on.", (stops_t, stops_p), ("gravel", "soil")),
        _walk(
            4,
            "reverse",
            "The post turns back toward the trolley, twice.",
            (back_t, back_p),
            ("paving", "gravel"),
            bands=1,
        ),
        _walk(
            5,
            "around_crates",
            "Crates and buckets hide the post for a while.",
            (around_t, around_p),
            ("concrete", "soil"),
            crates,
        ),
        _walk(
            6,
            "wrong_things",
            "An orange tray, a blue drum and a yellow pole stand beside the way.",
            weave,
            ("paving", "moss"),
            wrong,
        ),
    )
    return {walk.name: walk for walk in walks}


WALKS: dict[str, Walk] = _walks()
