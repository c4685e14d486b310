"""Drawings for the lessons on detectors and on the loop, where words do the work of a picture.

Each draws on the Axes it is given, in px or in its own unit, and returns them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse, FancyArrowPatch, FancyBboxPatch, Rectangle

# Okabe & Ito, "Color Universal Design" (2008), as in all figures of the course.
_BLUE, _ORANGE, _GREEN, _GRAY = "#0072b2", "#d55e00", "#009e73", "#555555"
Point = tuple[float, float]
_INK: dict[str, Any] = {"ha": "center", "va": "center", "fontsize": 10}


def _bare(ax: Axes, width: float, height: float) -> Axes:
    ax.set(xlim=(0, width), ylim=(0, height), aspect="equal")
    ax.set_axis_off()
    return ax


def _box(ax: Axes, x: float, y: float, words: str, color: str, width: float = 2.0, height: float = 0.9) -> None:
    """A rounded box with its center at (x, y)."""
    style = "round,pad=0,rounding_size=0.15"
    place = (x - width / 2, y - height / 2)
    ax.add_patch(FancyBboxPatch(place, width, height, boxstyle=style, facecolor="white", edgecolor=color, linewidth=2))
    ax.text(x, y, words, **(_INK | {"fontsize": 9 if "\n" in words else 10}))


def _arrow(ax: Axes, start: Point, end: Point, words: str = "", bend: float = 0.0, above: float = 0.12) -> None:
    """An arrow, its words above its middle."""
    look: dict[str, Any] = {"arrowstyle": "-|>", "mutation_scale": 14, "color": _GRAY, "linewidth": 1.4}
    ax.add_patch(FancyArrowPatch(start, end, connectionstyle=f"arc3,rad={bend}", **look))
    x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    if words:
        ax.text(x, y + above, words, **(_INK | {"va": "bottom", "fontsize": 9}))


def plot_backbone_and_head(ax: Axes) -> Axes:
    """A detector's two parts: picture, backbone, feature map, head, and what each cell says.

    Parameters
    ----------
    ax : Axes
        Where to draw; twice as wide as tall suits it.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = plot_backbone_and_head(Figure(figsize=(6, 2.6)).subplots())
    >>> "head" in [text.get_text().split(chr(10))[0] for text in ax.texts]
    True
    """
    _bare(ax, 12, 5.0)
    ax.add_patch(Rectangle((0.2, 1.4), 2.4, 1.8, facecolor="#dfe8df", edgecolor=_GRAY))
    ax.add_patch(Rectangle((1.5, 1.7), 0.2, 1.2, facecolor=_ORANGE))
    ax.text(1.4, 3.45, "picture\n320 × 240 × 3", **(_INK | {"va": "bottom"}))
    # Layers that get coarser, as the strides do.
    for k, (height, color) in enumerate(((2.2, "#cfe3f1"), (1.7, "#a8cde6"), (1.2, "#7fb5d9"))):
        ax.add_patch(Rectangle((3.5 + 0.5 * k, 2.3 - height / 2), 0.34, height, facecolor=color, edgecolor=_BLUE))
    ax.text(4.15, 3.45, "backbone\nfrozen at first", **(_INK | {"va": "bottom", "color": _BLUE}))
    for shift in (0.24, 0.12, 0.0):
        ax.add_patch(Rectangle((6.1 + shift, 1.4 + shift), 2.0, 1.5, facecolor="white", edgecolor=_BLUE))
    for k in range(1, 8):
        ax.plot([6.1 + 0.25 * k] * 2, [1.4, 2.9], color="#c5d8e6", linewidth=0.7)
    for k in range(1, 6):
        ax.plot([6.1, 8.1], [1.4 + 0.25 * k] * 2, color="#c5d8e6", linewidth=0.7)
    ax.add_patch(Rectangle((7.1, 2.15), 0.25, 0.25, facecolor=_ORANGE))
    ax.text(7.2, 3.45, "feature map\n96 numbers a cell", **(_INK | {"va": "bottom"}))
    _box(ax, 9.35, 2.3, "head", _GREEN, 1.1, 0.8)
    ax.text(9.35, 1.7, "learns from\nyour labels", **(_INK | {"va": "top", "color": "#006b4f", "fontsize": 9}))
    for start, end in ((2.65, 3.4), (5.0, 6.0), (8.4, 8.75), (9.95, 10.3)):
        _arrow(ax, (start, 2.3), (end, 2.3))
    ax.text(10.4, 2.3, "post\ndx, dy\nlog w\nlog h", **(_INK | {"ha": "left"}))
    ax.text(11.0, 3.45, "each cell\nsays", **(_INK | {"va": "bottom"}))
    ax.text(4.15, 0.75, "one cell = 4 px of the picture", **(_INK | {"fontsize": 9}))
    ax.plot([1.6, 1.6, 7.2, 7.2], [1.65, 0.4, 0.4, 2.1], ":", color=_ORANGE, linewidth=1.2)
    return ax


def plot_precision_and_recall(ax: Axes) -> Axes:
    """Truths and detections as two sets: what they share is TP, and what each has alone FN and FP.

    Parameters
    ----------
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = plot_precision_and_recall(Figure(figsize=(6, 2.6)).subplots())
    >>> sorted(text.get_text().split()[0] for text in ax.texts)[:3]
    ['FN', 'FP', 'TN:']
    """
    _bare(ax, 12, 5.2)
    ax.add_patch(Ellipse((4.4, 2.6), 5.6, 3.2, facecolor=_ORANGE, edgecolor=_ORANGE, alpha=0.18, linewidth=2))
    ax.add_patch(Ellipse((7.6, 2.6), 5.6, 3.2, facecolor=_BLUE, edgecolor=_BLUE, alpha=0.18, linewidth=2))
    for x, color, line in ((4.4, _ORANGE, "--"), (7.6, _BLUE, "-")):
        ax.add_patch(Ellipse((x, 2.6), 5.6, 3.2, fill=False, edgecolor=color, linestyle=line, linewidth=2))
    ax.text(3.4, 4.45, "truths: what is there", **(_INK | {"color": "#a33c00"}))
    ax.text(8.6, 4.45, "detections: what was reported", **(_INK | {"color": "#00588a"}))
    ax.text(6.0, 2.6, "TP\nfound", **(_INK | {"fontsize": 11}))
    ax.text(3.1, 2.6, "FN\nmissed", **(_INK | {"fontsize": 11}))
    ax.text(8.9, 2.6, "FP\nnot there", **(_INK | {"fontsize": 11}))
    ax.text(3.2, 0.5, "recall: TP as a part of the truths", **(_INK | {"color": "#a33c00"}))
    ax.text(9.0, 0.5, "precision: TP as a part of the detections", **(_INK | {"color": "#00588a"}))
    ax.text(11.9, 5.0, "TN: all the rest, uncountable", **(_INK | {"ha": "right", "fontsize": 9, "color": _GRAY}))
    return ax


def plot_delay_and_hold(ax: Axes) -> Axes:
    """Latency and zero-order hold: a bearing, its pictures, and what the wheels act on.

    Parameters
    ----------
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same; x in s, y in degrees.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = plot_delay_and_hold(Figure().subplots())
    >>> [line.get_label() for line in ax.lines][:3]
    ['where the post is', 'pictures', 'what the wheels act on']
    """

    def bearing_deg(t_s: np.ndarray) -> np.ndarray:
        return 10 * np.sin(2 * np.pi * t_s)

    frame_s, delay_s = 0.1, 0.15
    t_s = np.linspace(0, 0.9, 400)
    shots_s = np.arange(0, 0.75, frame_s)
    ax.plot(t_s, bearing_deg(t_s), color=_ORANGE, linewidth=2, label="where the post is")
    ax.plot(shots_s, bearing_deg(shots_s), "o", color="black", markersize=6, label="pictures")
    held = np.append(shots_s, shots_s[-1] + frame_s) + delay_s
    held_deg = bearing_deg(np.append(shots_s, shots_s[-1]))
    ax.step(held, held_deg, where="post", color=_BLUE, linewidth=2, label="what the wheels act on")
    one = shots_s[2]
    high = float(bearing_deg(one))
    style = {"arrowstyle": "<->", "color": _GRAY, "linewidth": 1.2}
    ax.annotate("", (one + delay_s, high), (one, high), arrowprops=style)
    # Below its arrow: above it the curve passes.
    ax.text(one + delay_s / 2, high - 0.9, "latency", ha="center", va="top", fontsize=10)
    ax.annotate("", (one + delay_s + frame_s, high + 2), (one + delay_s, high + 2), arrowprops=style)
    ax.text(one + delay_s + frame_s / 2, high + 2.5, "held", ha="center", va="bottom", fontsize=10)
    ax.axhline(0, color="black", linewidth=0.6)
    ax.set(xlim=(0, 0.9), ylim=(-12, 17), xlabel="time, s", ylabel="bearing, °")
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(frameon=False, fontsize=9, loc="lower left")
    return ax


def plot_ramp(ax: Axes) -> Axes:
    """A ramp: the wanted speed jumps, the commanded one follows step by step.

    Parameters
    ----------
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same; x in s, y in m/s.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> plot_ramp(Figure().subplots()).get_ylabel()
    'speed, m/s'
    """
    step_s, accel_mps2 = 0.1, 1.0
    t_s = np.arange(0, 1.81, step_s)
    wanted = np.where((t_s >= 0.2 - 1e-9) & (t_s < 1.0 - 1e-9), 0.45, 0.0)
    room = accel_mps2 * step_s
    speeds = [0.0]
    for goal in wanted[:-1]:
        speeds.append(speeds[-1] + float(np.clip(goal - speeds[-1], -room, room)))
    ax.step(t_s, wanted, where="post", color=_ORANGE, linestyle="--", linewidth=2, label="wanted")
    ax.step(t_s, speeds, where="post", color=_BLUE, linewidth=2, label="commanded")
    corner, line = 4 * step_s, {"arrowstyle": "-", "color": _GRAY}
    tread = (corner + step_s / 2, speeds[4])
    ax.annotate("one step", tread, (corner + 0.15, 0.06), fontsize=10, arrowprops=line)
    riser = (corner + step_s, speeds[4] + room / 2)
    # In two lines, so that the wanted speed does not cross it.
    ax.annotate("at most\nlimit · step", riser, (corner + 0.15, 0.15), fontsize=10, arrowprops=line)
    ax.annotate("the last step: what is missing", (0.7, 0.43), (0.25, 0.54), fontsize=10, arrowprops=line)
    ax.set(xlim=(0, 1.8), ylim=(0, 0.62), xlabel="time, s", ylabel="speed, m/s")
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(frameon=False, fontsize=10, loc="center right")
    return ax


def plot_lost_target_states(ax: Axes) -> Axes:
    """States of the loop when the target is lost, and what leads from one to the next.

    Parameters
    ----------
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = plot_lost_target_states(Figure(figsize=(6, 3)).subplots())
    >>> [word for word in ("follow", "hold", "slow", "search", "stop") if word in {t.get_text() for t in ax.texts}]
    ['follow', 'hold', 'slow', 'search', 'stop']
    """
    _bare(ax, 14, 5.4)
    places = {"follow": 1.2, "hold": 4.1, "slow": 7.0, "search": 9.9, "stop": 12.8}
    for name, x in places.items():
        _box(ax, x, 2.7, name, {"follow": _GREEN, "stop": _ORANGE}.get(name, _BLUE), 1.6)
    ways = (("follow", "hold", "no post"), ("hold", "slow", "0.4 s"), ("slow", "search", "0.6 s"))
    for start, end, words in (*ways, ("search", "stop", "8 s")):
        _arrow(ax, (places[start] + 0.85, 2.7), (places[end] - 0.85, 2.7), words, above=0.5)
    for name, bend in (("hold", 0.4), ("slow", 0.35), ("search", 0.3)):
        _arrow(ax, (places[name], 2.2), (1.2 + 0.2 * bend, 2.2), bend=-bend)
    ax.text(4.0, 0.35, "the post is seen again", **(_INK | {"fontsize": 10}))
    _arrow(ax, (12.8, 3.2), (1.2, 3.2), bend=0.22)
    ax.text(7.0, 4.85, "only a person starts it again", **(_INK | {"color": "#a33c00"}))
    return ax


def plot_supervisor_states(ax: Axes) -> Axes:
    """The state machine of the stop, :class:`robotlab.control.Supervisor`.

    Parameters
    ----------
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from robotlab.control.supervisor import StopState
    >>> drawn = {t.get_text().split(chr(10))[0] for t in plot_supervisor_states(Figure().subplots()).texts}
    >>> all(state.name in drawn for state in StopState)
    True
    """
    _bare(ax, 14.2, 6.6)
    _box(ax, 2.0, 4.2, "READY\nas commanded,\nalong the ramp", _GREEN, 3.8, 1.6)
    _box(ax, 7.1, 4.2, "BRAKING\n0, along\nthe ramp", _BLUE, 2.2, 1.6)
    _box(ax, 12.4, 4.2, "HALTING\nHALT, again\nand again", _ORANGE, 3.2, 1.6)
    _box(ax, 12.4, 0.9, "HALTED\nHALT", _ORANGE, 3.2, 1.1)
    _arrow(ax, (3.95, 4.2), (5.95, 4.2), "stop, or\ntime is up")
    _arrow(ax, (8.25, 4.2), (10.75, 4.2), "at rest,\nor a fault")
    _arrow(ax, (2.2, 5.0), (11.8, 5.0), bend=-0.12)
    fault = "a fault: camera, detector, loop or link\nis silent, or the clock is wrong"
    ax.text(7.0, 5.75, fault, **(_INK | {"va": "bottom", "fontsize": 9}))
    _arrow(ax, (12.4, 3.35), (12.4, 1.5))
    ax.text(12.2, 2.45, "the board has confirmed", **(_INK | {"ha": "right"}))
    _arrow(ax, (10.75, 0.9), (2.0, 3.35), bend=-0.25)
    ax.text(4.0, 0.75, "restart: only by a person", **(_INK | {"color": "#a33c00"}))
    return ax
