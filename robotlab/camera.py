"""A pinhole camera: what it can see, and how far and where a boxed thing is.

Axes.  The body has x forward, y left, z up and yaw counter-clockwise (ISO 8855);
its origin lies on the ground straight under the camera.  The picture has x to
the right and y down, in px from its top left *corner*, so the middle of the
picture is at ``(width / 2, height / 2)`` and the middle of the first pixel is
at (0.5, 0.5).  A target left of the middle has a positive bearing.

A real wide lens bends straight lines; this model does not, and the widest
published lenses differ from it by a few degrees.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import overload

import numpy as np

from robotlab.checks import positive, view_angle
from robotlab.errors import InputError
from robotlab.optics import focal_px, fov_rad, pixels_on_target

__all__ = ["Camera", "focal_px", "fov_rad", "pixels_on_target", "working_range"]

# Points nearer than this to the plane of the lens have no picture: their
# projection grows without limit.  1 mm is nearer than any lens focuses.
NEAREST_DEPTH_M = 1e-3

# Farther than the Moon no robot looks (a choice, no source); squares of such lengths are still numbers.
FARTHEST_M = 1e9


def working_range(
    camera: Camera, object_height_m: float, smallest_px: float, object_width_m: float | None = None
) -> tuple[float, float]:
    """Nearest and farthest distance at which a thing can be tracked.

    Parameters
    ----------
    camera : Camera
        Field of view, size of the picture, height and pitch.
    object_height_m : float
        Height of the thing, which stands on the ground straight ahead, m.
    smallest_px : float
        Height in px below which the detector loses it.
    object_width_m : float, optional
        Width of the thing, m; counts for the near limit when given.

    Returns
    -------
    near_m, far_m : float
        Ground distances from under the camera, m.  Nearer than `near_m` a part
        of the thing lies outside the picture; farther than `far_m` it is
        smaller than `smallest_px`.  The band is empty when near exceeds far,
        and `near_m` is infinite when the thing never fits.

    Raises
    ------
    InputError
        If a length is not positive, or the distances are not of this Earth.

    Notes
    -----
    With the half height ``e = VFOV / 2`` and the pitch ``p`` (down), the lower
    edge of the picture meets the ground at ``h / tan(p + e)`` and the upper
    edge passes the height H at ``(H - h) / tan(e - p)``; the width fits from
    ``w f / W`` along the axis.  Without pitch the far limit is
    ``f H / smallest_px``; with pitch it is the larger root of a quadratic, where
    :meth:`Camera.height_in_image_px` equals ``smallest_px``.

    Examples
    --------
    >>> camera = Camera(320, 240, math.radians(62.2), height_m=0.25)
    >>> near, far = working_range(camera, object_height_m=0.5, smallest_px=12)
    >>> round(near, 3), round(far, 2)
    (0.553, 11.05)
    """
    height = positive("object_height_m", object_height_m, "m")
    smallest = positive("smallest_px", smallest_px, "px")
    eye, half = camera.height_m, camera.vfov_rad / 2
    farthest = max(height, eye, camera.focal_px * height / smallest)
    if farthest > FARTHEST_M:
        raise InputError(
            f"a thing must be seen from at most {FARTHEST_M:g} m, its size and the field of view make it {farthest:.3g} m; check them"
        )
    # Slopes (down is positive) of the rays through the picture's upper and lower edge.
    upper = math.tan(camera.pitch_rad - half)
    lower = math.tan(camera.pitch_rad + half) if camera.pitch_rad + half < math.pi / 2 else math.inf

    # The foot is in view between where the lower and the upper edge meet the ground,
    # the top between where they meet the height of the top.
    near, far = 0.0, math.inf
    for drop in (eye, eye - height):
        near = max(near, _distance_of_drop(drop, lower if drop > 0 else upper))
        if drop > 0 and upper > 0:
            far = min(far, drop / upper)
        if drop < 0 and lower < 0:
            far = min(far, drop / lower)
    sin, cos = math.sin(camera.pitch_rad), math.cos(camera.pitch_rad)
    if object_width_m is not None:
        fits = positive("object_width_m", object_width_m, "m") * camera.focal_px / camera.width_px
        near = max(near, (fits - min(sin * eye, sin * (eye - height))) / cos)

    # With d the distance, p the pitch and e the eye's height, foot and top are f h d / ((d cos p + e sin p)
    # (d cos p + (e - h) sin p)) px apart: as many as asked for where that is a quadratic's larger root.
    foot, top = sin * eye, sin * (eye - height)
    linear = cos * (foot + top) - camera.focal_px * height / smallest
    root = linear**2 - 4 * cos**2 * foot * top
    # It falls with distance from where the thing passes the lens.
    low = max(0.0, -min(foot, top) / cos) + 10 * NEAREST_DEPTH_M
    last = (math.sqrt(root) - linear) / (2 * cos**2) if root >= 0 else low
    return near, min(far, max(low, last))


def _distance_of_drop(drop: float, slope: float) -> float:
    """Ground distance at which a ray of this slope has dropped this far; 0 when it starts there."""
    if drop == 0 or slope == math.inf:
        return 0.0
    return drop / slope if drop * slope > 0 else math.inf


@dataclass(frozen=True)
class Camera:
    """A pinhole camera with square pixels and its axis in the middle.

    Parameters
    ----------
    width_px, height_px : int
        Size of the picture, px.
    hfov_rad : float
        Horizontal field of view, rad.
    height_m : float
        Height of the lens above the ground, m.
    pitch_rad : float
        How far the camera looks down, rad; positive is down.

    Raises
    ------
    InputError
        If a size is not a whole positive number, an angle is out of range or
        the height is negative.

    Examples
    --------
    >>> camera = Camera(1920, 1080, math.radians(70.42))
    >>> round(camera.focal_px, 2), round(math.degrees(camera.vfov_rad), 3)
    (1360.38, 43.301)
    """

    width_px: int
    height_px: int
    hfov_rad: float
    height_m: float = 0.0
    pitch_rad: float = 0.0

    def __post_init__(self) -> None:
        for name in ("width_px", "height_px"):
            value = getattr(self, name)
            if (
                isinstance(value, bool)
                or not isinstance(value, int | float | np.integer | np.floating)
                or value < 1
                or value % 1
            ):
                raise InputError(
                    f"{name} must be a whole number of 1 px or more, got {value!r}; give the picture's size"
                )
            object.__setattr__(self, name, int(value))
        object.__setattr__(self, "hfov_rad", view_angle("hfov_rad", self.hfov_rad))
        if not (math.isfinite(self.height_m) and self.height_m >= 0):
            raise InputError(f"height_m must be 0 m or more, got {self.height_m}; measure from the ground to the lens")
        if not abs(self.pitch_rad) < math.pi / 2:
            raise InputError(f"pitch_rad must lie between -pi/2 and pi/2, got {self.pitch_rad}; positive looks down")
        object.__setattr__(self, "height_m", float(self.height_m))
        object.__setattr__(self, "pitch_rad", float(self.pitch_rad))

    @functools.cached_property
    def focal_px(self) -> float:
        """Focal length, px."""
        return focal_px(self.width_px, self.hfov_rad)

    @functools.cached_property
    def vfov_rad(self) -> float:
        """Vertical field of view, rad."""
        return fov_rad(self.height_px, self.focal_px)

    def project(self, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where points of the world land in the picture.

        Parameters
        ----------
        points_m : (N, 3) ndarray
            Points in body axes (x forward, y left, z up, origin on the ground
            under the camera), m.

        Returns
        -------
        pixels : (N, 2) ndarray
            x right, y down, px from the top left corner; NaN for points that
            are not in front of the lens.
        depth_m : (N,) ndarray
            Distance along the camera's axis, m; negative is behind.

        Raises
        ------
        InputError
            If the points are not (N, 3) finite numbers.

        Examples
        --------
        >>> camera = Camera(320, 240, math.radians(90), height_m=0.3)
        >>> pixels, depth = camera.project(np.array([[2.0, 1.0, 0.3]]))
        >>> pixels.round(6).tolist(), depth.tolist()
        ([[80.0, 120.0]], [2.0])
        """
        points = np.asarray(points_m, float)
        if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
            raise InputError(
                f"points_m must be (N, 3) finite numbers, got {points.shape}; for one point pass point[None, :]"
            )
        cos, sin = math.cos(self.pitch_rad), math.sin(self.pitch_rad)
        below = self.height_m - points[:, 2]
        depth = cos * points[:, 0] + sin * below
        down = cos * below - sin * points[:, 0]
        safe = np.where(depth > NEAREST_DEPTH_M, depth, np.nan)
        x_px = self.width_px / 2 - self.focal_px * points[:, 1] / safe
        y_px = self.height_px / 2 + self.focal_px * down / safe
        return np.column_stack([x_px, y_px]), depth

    @overload
    def bearing_rad(self, x_px: float, y_px: float | None = None) -> float: ...
    @overload
    def bearing_rad(self, x_px: np.ndarray, y_px: np.ndarray | None = None) -> np.ndarray: ...
    def bearing_rad(self, x_px: float | np.ndarray, y_px: float | np.ndarray | None = None) -> float | np.ndarray:
        """Direction of a column of the picture, seen from above.

        Parameters
        ----------
        x_px : float or ndarray
            Column, px from the left edge.
        y_px : float or ndarray, optional
            Row, px from the top; the middle row when left out.  It matters
            only for a pitched camera.

        Returns
        -------
        float or ndarray
            rad, positive to the left of straight ahead (ISO 8855).

        Notes
        -----
        ``atan((W / 2 - x) / f)`` for a level camera.  A steering command that
        turns toward the target has the *same* sign as this bearing.

        Examples
        --------
        >>> camera = Camera(320, 240, math.radians(90))
        >>> round(math.degrees(camera.bearing_rad(0.0)), 6), camera.bearing_rad(160.0)
        (45.0, 0.0)
        """
        across = (self.width_px / 2 - np.asarray(x_px, float)) / self.focal_px
        down = 0.0 if y_px is None else (np.asarray(y_px, float) - self.height_px / 2) / self.focal_px
        angle = np.arctan2(across, math.cos(self.pitch_rad) - down * math.sin(self.pitch_rad))
        return float(angle) if np.ndim(angle) == 0 else angle

    def height_in_image_px(self, distance_m: float, object_height_m: float) -> float:
        """Height in the picture of a thing that stands straight ahead.

        Parameters
        ----------
        distance_m : float
            Ground distance, m.
        object_height_m : float
            Height of the thing, m.

        Returns
        -------
        float
            px; not clipped by the edges of the picture.

        Raises
        ------
        InputError
            If a length is not positive or the thing reaches behind the lens.

        Examples
        --------
        >>> round(Camera(320, 240, math.radians(90), 0.25).height_in_image_px(2.0, 0.5), 6)
        40.0
        """
        distance = positive("distance_m", distance_m, "m")
        height = positive("object_height_m", object_height_m, "m")
        pixels, depth = self.project(np.array([[distance, 0, 0], [distance, 0, height]]))
        if (depth <= NEAREST_DEPTH_M).any():
            raise InputError(f"the thing must be in front of the lens, at {distance} m it is not; go farther away")
        return float(pixels[0, 1] - pixels[1, 1])

    def distance_m(self, box: np.ndarray, object_height_m: float) -> float:
        """Ground distance of a thing of known height from its box.

        Parameters
        ----------
        box : (4,) ndarray
            Corners ``[x0, y0, x1, y1]``, px.  Where the box is cut by the edge
            of the picture the distance comes out too large.
        object_height_m : float
            Real height, m.

        Returns
        -------
        float
            From the point on the ground under the lens, m.

        Raises
        ------
        InputError
            If the box is not four finite corners with y1 above y0, or the
            height is not positive.

        Notes
        -----
        The slopes of the rays through the box's lower and upper edge are
        ``tan(p + atan((y - H/2) / f))``; their difference is the height over
        the distance ahead.  Dividing by the cosine of the bearing turns the
        distance ahead into the distance along the ground.  For a level camera
        this is ``f H / (y1 - y0)`` in the middle column.

        Examples
        --------
        >>> camera = Camera(320, 240, math.radians(90), height_m=0.25)
        >>> round(camera.distance_m([150, 100, 170, 140], 0.5), 6)
        2.0
        """
        corners = np.asarray(box, float)
        if corners.shape != (4,) or not np.isfinite(corners).all() or not corners[3] > corners[1]:
            raise InputError(
                f"box must be 4 finite corners x0 y0 x1 y1 with y1 > y0, got {np.asarray(box).tolist()}; pass one box"
            )
        height = positive("object_height_m", object_height_m, "m")
        upper, lower = (
            math.tan(self.pitch_rad + math.atan((y - self.height_px / 2) / self.focal_px)) for y in corners[[1, 3]]
        )
        if not lower > upper:
            raise InputError(
                f"both edges of the box must look forward, box {corners.tolist()} does not; pitch the camera less"
            )
        ahead = height / (lower - upper)
        bearing = self.bearing_rad((corners[0] + corners[2]) / 2, (corners[1] + corners[3]) / 2)
        return ahead / math.cos(bearing)
