"""Drawings that lessons show where words would do the work of a picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Blue, orange, green and gray of the set by Okabe and Ito, told apart with any color
# vision (Okabe & Ito, Color Universal Design, 2008).
BLUE, ORANGE, GREEN, GRAY = "#0072b2", "#d55e00", "#009e73", "#767676"


def draw_pinhole(ax: Axes, hfov_rad: float) -> Axes:
    """A pinhole camera from above: the rays cross in the lens, and each side has its triangle.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    hfov_rad : float
        Horizontal field of view, rad.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = draw_pinhole(Figure().add_subplot(), math.radians(62.2))
    >>> ax.get_aspect()
    1.0
    """
    tangent, distance_m = math.tan(hfov_rad / 2), 3.0
    half_m, behind_m = distance_m * tangent, 0.35 * distance_m
    half_sensor_m = behind_m * tangent
    ax.fill([0, distance_m, distance_m], [0, 0, half_m], color=ORANGE, alpha=0.18)
    ax.fill([0, -behind_m, -behind_m], [0, 0, -half_sensor_m], color=BLUE, alpha=0.18)
    for side in (-1, 1):
        ax.plot([-behind_m, distance_m], [-side * half_sensor_m, side * half_m], color=GRAY, linewidth=1)
    ax.plot([-1.1 * behind_m, 1.03 * distance_m], [0, 0], "--", color="black", linewidth=1)
    ax.plot([distance_m] * 2, [-half_m, half_m], color=ORANGE, linewidth=4)
    ax.plot([-behind_m] * 2, [-half_sensor_m, half_sensor_m], color=BLUE, linewidth=4)
    ax.plot(0, 0, "o", color="black")
    angles = np.linspace(0, hfov_rad / 2, 20)
    ax.plot(0.3 * distance_m * np.cos(angles), 0.3 * distance_m * np.sin(angles), color="black")
    middle = hfov_rad / 4
    ax.text(0.33 * distance_m * math.cos(middle), 0.33 * distance_m * math.sin(middle), "HFOV / 2", va="center")
    ax.text(0, 0.1 * half_m, "lens", ha="center", va="bottom")
    # Below the triangle, where no ray crosses it.
    below_m = -half_sensor_m - 0.12 * half_m
    ax.annotate("", (-behind_m, below_m), (0, below_m), arrowprops={"arrowstyle": "<->", "color": BLUE})
    ax.text(-0.5 * behind_m, below_m - 0.04 * half_m, "focal length", ha="center", va="top", color=BLUE)
    ax.text(-1.06 * behind_m, -half_sensor_m / 2, "half the\nsensor", ha="right", va="center", color=BLUE)
    ax.text(0.6 * distance_m, -0.05 * half_m, "distance Z", ha="center", va="top", color=ORANGE)
    ax.text(1.03 * distance_m, half_m / 2, "half the\nstrip", ha="left", va="center", color=ORANGE)
    ax.set(aspect="equal", xlim=(-1.75 * behind_m, 1.35 * distance_m))
    ax.set_axis_off()
    return ax


def draw_overlap(ax: Axes, a: Sequence[float], b: Sequence[float]) -> Axes:
    """Two boxes, their intersection hatched and their union shaded.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    a, b : (4,) sequence of float
        Corners x0, y0, x1, y1, px; y grows downward.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = draw_overlap(Figure().add_subplot(), [0, 0, 10, 10], [5, 5, 15, 15])
    >>> bool(ax.yaxis_inverted())
    True
    """
    from matplotlib.patches import Rectangle

    for name, box, color, dashes in (("A", a, BLUE, "-"), ("B", b, ORANGE, "--")):
        place = (box[0], box[1]), box[2] - box[0], box[3] - box[1]
        ax.add_patch(Rectangle(*place, facecolor="#bbbbbb", alpha=0.35, linewidth=0))
        ax.add_patch(Rectangle(*place, fill=False, edgecolor=color, linestyle=dashes, linewidth=2))
        corner = (box[0], box[1]) if name == "A" else (box[2], box[3])
        # Clear of the line, which is 2 points wide.
        align: dict[str, Any] = {"ha": "left", "va": "bottom"} if name == "A" else {"ha": "right", "va": "top"}
        align |= {"xytext": (0, 2 if name == "A" else -3), "textcoords": "offset points"}
        ax.annotate(f" {name} ", corner, color=color, fontweight="bold", **align)
    low, high = np.maximum(a[:2], b[:2]), np.minimum(a[2:], b[2:])
    if (low < high).all():
        ax.add_patch(Rectangle(tuple(low), *(high - low), fill=False, hatch="////", linewidth=0))
    edges = np.array([a, b], float)
    ax.set(xlim=(edges[:, 0].min() - 2, edges[:, 2].max() + 2), aspect="equal", xlabel="x, px", ylabel="y, px")
    ax.set_ylim(edges[:, 3].max() + 2, edges[:, 1].min() - 2)
    return ax
