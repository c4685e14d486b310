"""What stands in the greenhouse: things, and whole scenes of them.

World frame: x and y on the ground in m, z up, angles counter-clockwise.  The
aisle runs along x; y = 0 is its middle.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, fields, replace

from robotlab.errors import InputError
from robotlab.greenhouse.lighting import lighting_named
from robotlab.greenhouse.textures import FLOORS

CLASSES: tuple[str, ...] = ("post", "bucket", "crate")


@dataclass(frozen=True)
class Kind:
    """Shape and usual color of one kind of thing.

    Parameters
    ----------
    shape : {"round", "box", "plant"}
        A truncated cone, a box, or a flat sprite that turns to the camera.
    size_m : (float, float, float)
        For a round thing its lower and upper radius and its height; for a box
        its length, width and height; for a plant its width, 0 and height, m.
    color : (int, int, int)
        sRGB bytes in daylight.
    open_top : bool
        Whether one can look into it.
    """

    shape: str
    size_m: tuple[float, float, float]
    color: tuple[int, int, int]
    open_top: bool = False


# Sizes: the post as the job states it, the rest common garden goods (common
# practice, no source).  Colors chosen by eye.
KINDS: dict[str, Kind] = {
    "post": Kind("round", (0.036, 0.034, 0.50), (232, 92, 18)),
    "bucket": Kind("round", (0.105, 0.140, 0.27), (28, 84, 178), open_top=True),
    "crate": Kind("box", (0.50, 0.34, 0.27), (232, 186, 38), open_top=True),
    # Wrong things of the same colors.
    "tray": Kind("box", (0.56, 0.36, 0.06), (232, 98, 22), open_top=True),
    "drum": Kind("round", (0.24, 0.24, 0.75), (26, 78, 170)),
    "pole": Kind("round", (0.022, 0.022, 1.40), (232, 190, 40)),
    # Clutter.
    "pot": Kind("round", (0.075, 0.110, 0.20), (178, 96, 62), open_top=True),
    "plant": Kind("plant", (0.70, 0.0, 0.70), (84, 134, 48)),
}


@dataclass(frozen=True)
class Thing:
    """One thing on the ground.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    x_m, y_m : float
        Middle of its foot, world frame, m.
    heading_rad : float
        Direction of its length, counter-clockwise from world x, rad.
    scale : float
        Factor on its size.
    color : (int, int, int), optional
        sRGB bytes in daylight; the kind's own when left out.
    bands : int
        Number of white bands around a post.
    seed : int
        Picks its scuffs, or which plant it is.

    Raises
    ------
    InputError
        If the kind is unknown or a number is out of range.

    Examples
    --------
    >>> Thing("post", 2.0, 0.5).height_m
    0.5
    """

    kind: str
    x_m: float
    y_m: float
    heading_rad: float = 0.0
    scale: float = 1.0
    color: tuple[int, int, int] | None = None
    bands: int = 0
    seed: int = 0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(f"kind must be one of {', '.join(KINDS)}, got {self.kind!r}; choose one of them")
        numbers = (self.x_m, self.y_m, self.heading_rad, self.scale)
        if not all(math.isfinite(value) for value in numbers) or not self.scale > 0:
            raise InputError(f"a thing needs finite x_m, y_m, heading_rad and a scale > 0, got {numbers}; check them")

    def __getstate__(self) -> dict:
        # Only what it is made of goes to another process, where hashes differ.
        return {item.name: self.__dict__[item.name] for item in fields(self)}

    def __hash__(self) -> int:
        return self._hash

    @functools.cached_property
    def _hash(self) -> int:
        # Kept, since a scene's things are hashed for every frame.
        return hash((self.kind, self.x_m, self.y_m, self.heading_rad, self.scale, self.color, self.bands, self.seed))

    @functools.cached_property
    def shape(self) -> str:
        """``"round"``, ``"box"`` or ``"plant"``."""
        return KINDS[self.kind].shape

    @functools.cached_property
    def size_m(self) -> tuple[float, float, float]:
        """As :class:`Kind` has it, times the scale, m."""
        a, b, c = KINDS[self.kind].size_m
        return a * self.scale, b * self.scale, c * self.scale

    @functools.cached_property
    def height_m(self) -> float:
        """Height, m."""
        return self.size_m[2]

    @functools.cached_property
    def reach_m(self) -> float:
        """Radius of a circle around its foot, m."""
        a, b, _ = self.size_m
        return {"round": max(a, b), "box": math.hypot(a, b) / 2, "plant": a / 2}[self.shape]

    @functools.cached_property
    def at_origin(self) -> Thing:
        """The same thing at x = y = 0: all that does not depend on its place."""
        return replace(self, x_m=0.0, y_m=0.0)

    def moved_to(self, x_m: float, y_m: float) -> Thing:
        """The same thing at another place.

        Parameters
        ----------
        x_m, y_m : float
            New place, world frame, m.

        Returns
        -------
        Thing
            Equal to a new one there; what it knows of its size it still knows.

        Raises
        ------
        InputError
            If a number is not finite.

        Examples
        --------
        >>> Thing("post", 2.0, 0.5).moved_to(3.0, 1.0) == Thing("post", 3.0, 1.0)
        True
        """
        x_m, y_m = float(x_m), float(y_m)
        if not (math.isfinite(x_m) and math.isfinite(y_m)):
            raise InputError(f"a thing needs a finite x_m and y_m, got {x_m} and {y_m}; check them")
        moved = object.__new__(Thing)
        # All but the place is checked and known already; a frame of a walk moves a post.
        moved.__dict__.update(self.__dict__, x_m=x_m, y_m=y_m, at_origin=self.at_origin)
        moved.__dict__.pop("_hash", None)
        return moved


class Stock(tuple):
    """Things with a hash that is computed once, since every frame asks for it."""

    @functools.cached_property
    def _hash(self) -> int:
        return tuple.__hash__(self)

    def __hash__(self) -> int:
        return self._hash


@dataclass(frozen=True)
class Scene:
    """A greenhouse with things in it, in one lighting.

    Parameters
    ----------
    things : tuple of Thing
        In any order.
    lighting : str
        One of :data:`robotlab.greenhouse.LIGHTINGS`.
    seed : int
        Picks the textures and the direction of the sun.
    floor : (str, str)
        Covering of the path and of the ground beside it.
    path_half_m : float
        Half the width of the path, m.
    room_m : (float, float, float, float)
        Walls: least x, least y, most x, most y, m.
    plants_m : float
        Height of the row of plants along the walls, m; 0 for none.

    Raises
    ------
    InputError
        If the lighting or a floor is unknown.

    Examples
    --------
    >>> Scene((Thing("post", 2.0, 0.0),), "dusk").posts[0].x_m
    2.0
    """

    things: tuple[Thing, ...] = ()
    lighting: str = "daylight"
    seed: int = 0
    floor: tuple[str, str] = ("paving", "soil")
    path_half_m: float = 1.1
    room_m: tuple[float, float, float, float] = (-3.0, -3.5, 11.0, 3.5)
    plants_m: float = 1.4

    def __post_init__(self) -> None:
        lighting_named(self.lighting)
        object.__setattr__(self, "things", tuple(self.things))
        for name in self.floor:
            if name not in FLOORS:
                raise InputError(f"floor must name two of {', '.join(FLOORS)}, got {self.floor}; choose two of them")
        x0, y0, x1, y1 = self.room_m
        if not (x0 < x1 and y0 < y1):
            raise InputError(f"room_m must be least x, least y, most x, most y, got {self.room_m}; put them in order")

    def __getstate__(self) -> dict:
        return {item.name: self.__dict__[item.name] for item in fields(self)}

    @property
    def posts(self) -> tuple[Thing, ...]:
        """The guide posts."""
        return tuple(thing for thing in self.things if thing.kind == "post")

    @functools.cached_property
    def stock(self) -> Stock:
        """The things, each post at the origin: what stays the same along a walk."""
        return Stock(thing.at_origin if thing.kind == "post" else thing for thing in self.things)

    def with_post_at(self, x_m: float, y_m: float) -> Scene:
        """The same scene with its first guide post moved.

        Parameters
        ----------
        x_m, y_m : float
            New place, world frame, m.

        Returns
        -------
        Scene
            A post is added when there was none.

        Examples
        --------
        >>> Scene((Thing("post", 2.0, 0.0),)).with_post_at(3.0, 1.0).posts[0].y_m
        1.0
        """
        for i, thing in enumerate(self.things):
            if thing.kind == "post":
                scene = object.__new__(Scene)
                # All else is checked already and stays: a walk makes a scene for each frame.
                scene.__dict__.update(self.__dict__, stock=self.stock)
                scene.__dict__["things"] = (*self.things[:i], thing.moved_to(x_m, y_m), *self.things[i + 1 :])
                return scene
        return replace(self, things=(*self.things, Thing("post", float(x_m), float(y_m))))

    def under(self, lighting: str) -> Scene:
        """The same scene in another lighting.

        Parameters
        ----------
        lighting : str
            One of :data:`robotlab.greenhouse.LIGHTINGS`.

        Returns
        -------
        Scene
            All else unchanged.

        Examples
        --------
        >>> Scene().under("grow").lighting
        'grow'
        """
        return replace(self, lighting=lighting)
