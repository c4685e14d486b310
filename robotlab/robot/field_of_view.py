"""Field of view from a picture of a sheet of paper at a known distance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from robotlab.checks import positive
from robotlab.color.components import connected_components
from robotlab.errors import PictureError
from robotlab.image import check_picture

# ISO 216: A4, m.
A4_M = (0.297, 0.210)
# An edge is found to about this, px, and a sheet is not hung better than this: 3 degrees (common practice, no source).
_EDGE_PX, _TURN_RAD = 0.3, math.radians(3)
# A sheet of fewer px is measured too badly.
_FEWEST_PX = 40
# Gray levels between sheet and wall (common practice, no source).
_LEAST_CONTRAST = 40
# Left and right edge, upper and lower one, may differ by this much, and width from height.
_MOST_SKEW = 0.08


@dataclass(frozen=True)
class FieldOfView:
    """A measured field of view.

    Attributes
    ----------
    hfov_rad, vfov_rad : float
        Horizontal and vertical field of view, rad.
    error_rad : float
        Standard error of `hfov_rad`.
    focal_px : float
        Focal length in px.
    sheet_px : (float, float)
        Width and height of the sheet in the picture, px.
    """

    hfov_rad: float
    vfov_rad: float
    error_rad: float
    focal_px: float
    sheet_px: tuple[float, float]

    def __str__(self) -> str:
        return (
            f"horizontal field of view {math.degrees(self.hfov_rad):.1f} deg, give or take {2 * math.degrees(self.error_rad):.1f} deg (95 %); "
            f"vertical {math.degrees(self.vfov_rad):.1f} deg; the sheet is {self.sheet_px[0]:.1f} x {self.sheet_px[1]:.1f} px"
        )


def measure_field_of_view(
    picture: np.ndarray, distance_m: float, sheet_m: tuple[float, float] = A4_M, distance_error_m: float = 0.005
) -> FieldOfView:
    """Measure the field of view from a white sheet that hangs before the camera.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        A white sheet, upright and flat on a darker wall, facing the camera,
        whole, in the middle, with nothing else as bright.
    distance_m : float
        From the lens to the wall, at right angles to it, m.
    sheet_m : (float, float)
        Width and height of the sheet as it hangs, m; by default A4, long side level.
    distance_error_m : float
        How well the distance is known, m.

    Returns
    -------
    FieldOfView
        With its error: of the distance, of the edges, and of a sheet that
        hangs up to 3 degrees askew.

    Raises
    ------
    PictureError
        If no sheet is seen, it is cut off, too small, or hangs askew.
    InputError
        If a length is not positive.

    Notes
    -----
    Pinhole: a width of w at the distance Z covers f w / Z px, and HFOV =
    2 atan(W / (2 f)) (Hartley and Zisserman, Multiple View Geometry, 2nd ed.
    2004, ch. 6, from memory).  A wide lens that bends lines has no one focal
    length: this is the one of the middle.

    Examples
    --------
    >>> picture = np.full((240, 320, 3), 60, np.uint8)
    >>> picture[78:162, 100:219] = 230
    >>> round(math.degrees(measure_field_of_view(picture, 0.5, (0.238, 0.168)).hfov_rad), 1)
    65.2
    """
    check_picture(picture)
    distance, slack = positive("distance_m", distance_m, "m"), positive("distance_error_m", distance_error_m, "m")
    width_m, height_m = (positive("sheet_m", side, "m") for side in sheet_m)
    height, width = picture.shape[:2]
    # White is bright in all channels.
    white = picture.min(axis=2)
    level = _level(white)
    blobs = connected_components(white > level)
    x0, y0, x1, y1 = blobs.boxes[0].astype(int)
    if x0 == 0 or y0 == 0 or x1 == width or y1 == height:
        raise PictureError(
            "the sheet must be in the picture as a whole, it is cut off; go back a little, or clear bright things away"
        )
    if min(x1 - x0, y1 - y0) < _FEWEST_PX:
        raise PictureError(
            f"the sheet must be {_FEWEST_PX} px and more, it is {x1 - x0} x {y1 - y0}; go nearer, or clear bright things away"
        )
    # Nothing but the sheet, and what is needed of the wall to see its edge.
    white = white[y0 - 1 : y1 + 1, x0 - 1 : x1 + 1].astype(float)
    mask = white > level
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    left, right = _edges(white, mask, level)
    upper, lower = _edges(white.T, mask.T, level)
    at_row, at_column = (rows[0] + rows[-1]) / 2, (columns[0] + columns[-1]) / 2
    wide = (np.polyval(right, at_row) - np.polyval(left, at_row)) * math.cos(math.atan((left[0] + right[0]) / 2))
    high = (np.polyval(lower, at_column) - np.polyval(upper, at_column)) * math.cos(
        math.atan((upper[0] + lower[0]) / 2)
    )
    # Edges that are not parallel, or sides not as the sheet's: seen askew.
    skew = max(
        abs(right[0] - left[0]) * high / wide,
        abs(lower[0] - upper[0]) * wide / high,
        abs(wide / width_m / (high / height_m) - 1),
    )
    if skew > _MOST_SKEW or mask.sum() < 0.9 * wide * high:
        raise PictureError(
            f"the sheet must face the camera and have the sides given, {width_m:g} x {height_m:g} m is seen as {wide:.0f} x {high:.0f} px; "
            "hang it upright at right angles to the view, give its sides as it hangs"
        )
    # Both sides tell the focal length; each is shortened by a turn of the sheet, so the longer tells better.
    weights = np.array([wide, high]) ** 2
    focal = float(np.average([distance * wide / width_m, distance * high / height_m], weights=weights))
    relative = math.hypot(slack / distance, math.sqrt(2) * _EDGE_PX / max(wide, high), 1 - math.cos(_TURN_RAD))
    half = math.atan(width / 2 / focal)
    # d HFOV / d f = -2 sin(half) cos(half) / f.
    error = math.sin(2 * half) * relative
    return FieldOfView(2 * half, 2 * math.atan(height / 2 / focal), error, focal, (float(wide), float(high)))


def _level(white: np.ndarray) -> float:
    """The level halfway between the sheet and the wall, by two means."""
    paper, wall = float(np.percentile(white, 99.8)), float(np.percentile(white, 10))
    for _ in range(5):
        level = (paper + wall) / 2
        if not ((white > level).any() and (white <= level).any()):
            break
        paper, wall = float(np.median(white[white > level])), float(np.median(white[white <= level]))
    if paper - wall < _LEAST_CONTRAST:
        raise PictureError(
            f"the sheet must be brighter than the wall by {_LEAST_CONTRAST} gray levels and more, it is by {max(0.0, paper - wall):.0f}; "
            "take a darker wall, or light the sheet"
        )
    return (paper + wall) / 2


def _edges(white: np.ndarray, mask: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Left and right edge of the sheet as lines, column over row: slope and offset, px."""
    rows = np.flatnonzero(mask.any(axis=1))
    # Without the corners, where the other edges begin.
    rows = rows[len(rows) // 6 : -(len(rows) // 6) or None]
    lines = []
    for backward in (False, True):
        ways = white[rows, ::-1] if backward else white[rows]
        over = ways > level
        first = over.argmax(axis=1)
        first = np.clip(first, 1, None)
        each = np.arange(len(rows))
        before, after = ways[each, first - 1], ways[each, first]
        # Pixel centers lie at halves.
        part = np.where(after > before, (level - before) / np.maximum(after - before, 1e-9), 0.5)
        place = first - 0.5 + part.clip(0, 1)
        place = white.shape[1] - place if backward else place
        good = np.abs(place - np.median(place)) < 0.1 * white.shape[1]
        for _ in range(3):  # lines without what lies far off them
            line = np.polyfit(rows[good] + 0.5, place[good], 1)
            off = np.abs(place - np.polyval(line, rows + 0.5))
            good = off <= max(1.0, 2.5 * float(np.median(off)))
        lines.append(line)
    return lines[0], lines[1]
