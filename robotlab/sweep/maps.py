"""Pictures of a sweep: maps over two axes, small multiples, the Pareto front.

Every picture says from how many runs it is and how sure: the widest 95 %
interval of its cells.  Text of users is drawn as it is, never as formulas.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cbook import pts_to_midstep
from matplotlib.figure import Figure

from robotlab.control.stability import ultimate_gain
from robotlab.errors import InputError
from robotlab.report.plots import COLORS, MARKERS, new_figure
from robotlab.sweep.cells import cells_of, places, steps_grow
from robotlab.sweep.part_runner import latency_ticks
from robotlab.sweep.table import FEWEST_RUNS, SweepTable, mean_interval
from robotlab.sweep.words import words_of

LIMIT = "ultimate gain (theory)"
# Beyond so many frames of latency the limit takes too long; so many points and lines of it at most.
MOST_FRAMES, MOST_POINTS, MOST_LIMITS = 60, 60, 12
# Labels and dots beyond these hide one another.
MOST_NAMES, MOST_DOTS = 12, 200
_ORANGE, _GRAY = COLORS[1], "#777777"

_ultimate_gain = lru_cache(maxsize=8192)(ultimate_gain)


def gain_limit(table: SweepTable, latencies_s: Sequence[float] | np.ndarray) -> np.ndarray:
    """The theory's limit: ultimate gain for each latency, 1/s.

    Parameters
    ----------
    table : SweepTable
        Rows with one frame rate and one motor lag.
    latencies_s : sequence of float
        Latencies.

    Returns
    -------
    (N,) ndarray
        :func:`robotlab.control.stability.ultimate_gain` of each.

    Raises
    ------
    InputError
        If frame rate or lag vary within the table.
    """
    rates, lags = np.unique(table["frame_hz"]), np.unique(table["lag_s"])
    if len(rates) > 1 or len(lags) > 1:
        rule = "one limit needs one frame rate and one motor lag, they vary in these rows; choose rows with where()"
        raise InputError(rule)
    return np.array([_ultimate_gain(1 / rates[0], float(latency), lags[0]) for latency in latencies_s])


def step_s(frame_hz: float) -> float:
    """Step of the simulation, to which a run rounds its latency.

    Parameters
    ----------
    frame_hz : float
        Pictures a second.

    Returns
    -------
    float
        Seconds.

    Examples
    --------
    >>> step_s(10), step_s(100)
    (0.02, 0.01)
    """
    return 1 / frame_hz / latency_ticks(1 / frame_hz, frame_hz)


def _draw_limit(ax: Axes, table: SweepTable, across: bool, edges: np.ndarray, gains: np.ndarray) -> str:
    """Draw the limit at the latencies that were run, from the first edge to the last; say what is drawn."""
    low, high = float(edges[0]), float(edges[-1])
    pairs = sorted(set(zip(table["frame_hz"].tolist(), table["lag_s"].tolist(), strict=True)))
    count = len(pairs)
    pairs = [pairs[k] for k in np.linspace(0, count - 1, min(count, MOST_LIMITS)).round().astype(int)]
    fastest = max(rate for rate, _ in pairs)
    end = min(high, MOST_FRAMES / fastest)
    if end <= low:
        return f"{LIMIT} left out: beyond {MOST_FRAMES} frames of latency"
    until = f", up to {MOST_FRAMES} frames of latency" if end < high else ""
    # Long delays make large matrices: fewer points then.
    points = int(np.clip(720 / (end * fastest + 1), 12, MOST_POINTS))
    step = step_s(fastest)
    ticks = np.arange(math.floor(low / step), math.ceil(end / step) + 1)
    few = len(ticks) <= points
    latencies = ticks * step if few and count == 1 else np.linspace(low, end, points)
    asked = np.unique(table["latency_s"])
    if few and count == 1 and len(asked) == len(edges) - 1 and end == high and np.diff(asked).min(initial=9) < 2 * step:
        # Cells as narrow as the steps: the limit of each one's own runs, over its whole width.
        latencies = np.array([low, *asked, high])
        asked = np.array([asked[0], *asked, asked[-1]])
    else:
        asked = latencies
    limits = []
    for rate, lag in pairs:
        run = np.array([latency_ticks(float(latency), rate) for latency in asked]) * step_s(rate)
        limits.append(gain_limit(table.where(frame_hz=rate, lag_s=lag), run))
    smallest, largest = np.min(limits, axis=0), np.max(limits, axis=0)
    if smallest.min() > gains[-1] or largest.max() < gains[0]:
        return f"{LIMIT} is {'above' if smallest.min() > gains[-1] else 'below'} all gains here{until}"
    for limit in (smallest, largest) if count > 1 else (smallest,):
        for look in ({"color": "white", "linewidth": 3.2}, {"color": _ORANGE, "linestyle": "--"}):
            if across:
                ax.plot(latencies, limit, drawstyle="steps-mid" if few and count == 1 else "default", **look)
            else:
                ax.plot(*(pts_to_midstep(latencies, limit) if few and count == 1 else (latencies, limit))[::-1], **look)
    if count == 1:
        return f"dashed: {LIMIT}{until}"
    fill = ax.fill_between if across else ax.fill_betweenx
    fill(latencies, smallest, largest, color=_ORANGE, alpha=0.3, linewidth=0)
    shown = f"{MOST_LIMITS} of the {count}" if count > MOST_LIMITS else f"the {count}"
    return f"shaded: {LIMIT}, smallest to largest of\n{shown} pairs of frame rate and motor lag here{until}"


def _sureness(half: np.ndarray, counts: np.ndarray) -> str:
    fewest, most = int(counts.min()), int(counts.max())
    span = f"{fewest} to {most}" if fewest < most else "one" if most == 1 else str(most)
    if not np.isfinite(half).any():
        return f"{span} in each cell"
    few = f", {span} in each cell" if fewest < FEWEST_RUNS else ""
    return f"± {np.nanmax(half):.2g} at most (95 %){few}"


def _draw_map(
    ax: Axes, table: SweepTable, x: str, y: str, value: str, ends: tuple[float, float] | None, wide: int
) -> tuple[str, str]:
    """Draw one map; how sure it is, and what is said of its limit."""
    x_edges, y_edges, mean, half = cells_of(table, x, y, value)
    low, high = ends or (None, None)
    shown = ax.pcolormesh(x_edges, y_edges, mean, cmap="cividis", vmin=low, vmax=high)
    if ends is None:
        ax.figure.colorbar(shown, ax=ax, label=textwrap.fill(words_of(value), wide))
    column, row, _, _, grid = places(table, x, y)
    if not grid and len(table) <= MOST_DOTS:
        ax.scatter(table[x], table[y], s=9, color="white", edgecolors="black", linewidths=0.7, clip_on=False, zorder=3)
    for axis, name in ((ax.xaxis, x), (ax.yaxis, y)):
        known = np.unique(table[name])
        growing = grid and steps_grow(known)
        if growing:
            (ax.set_xscale if name == x else ax.set_yscale)("log")
        if growing or (grid and len(known) <= 6 and np.allclose(np.diff(known, 2), 0)):
            axis.set_ticks(known, [f"{one:g}" for one in known])
            axis.set_ticks([], minor=True)
    words = ""
    if {x, y} == {"turn_gain", "latency_s"}:
        across = x == "latency_s"
        edges, gains = (x_edges, y_edges) if across else (y_edges, x_edges)
        words = _draw_limit(ax, table, across, edges, gains)
    ax.set(xlim=x_edges[[0, -1]], ylim=y_edges[[0, -1]])
    ax.set_xlabel(textwrap.fill(words_of(x), wide))
    ax.set_ylabel(textwrap.fill(words_of(y), wide))
    counts = np.unique(row * len(x_edges) + column, return_counts=True)[1]
    return f"{len(table)} runs, {_sureness(half, counts)}", words


def plot_map(
    ax: Axes, table: SweepTable, x: str, y: str, value: str = "time_in_view", ends: tuple[float, float] | None = None
) -> Axes:
    """Mean of a column over two axes, with the theory's limit where it is one of gain.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : SweepTable
        Rows of one kind.
    x, y : str
        Columns along the axes.
    value : str
        The column shown.
    ends : (float, float), optional
        Ends of the color scale, whose bar the caller draws; by default those of
        the values, with a bar.

    Returns
    -------
    Axes
        The same; its title says how many runs and how sure.

    Notes
    -----
    The limit is that of the latency that was run, rounded to the step of the
    simulation.  Where frame rate or motor lag vary, there is one from each: from
    the smallest to the largest is shaded.  Cells of drawn designs are ranges,
    their runs dots.

    Examples
    --------
    >>> figure, axes = new_figure()
    >>> table = SweepTable({"a": np.array([0.0, 0, 1, 1]), "b": np.array([0.0, 1, 0, 1]), "c": np.ones(4)})
    >>> plot_map(axes[0, 0], table, "a", "b", "c").get_xlabel()
    'a'
    """
    sure, limit = _draw_map(ax, table, x, y, value, ends, 46)
    # The words stand above: a legend would hide cells.
    ax.set_title("\n".join(filter(None, (sure, limit))), fontsize=11)
    return ax


def plot_maps(table: SweepTable, x: str, y: str, value: str = "time_in_view", by: str = "frame_hz") -> Figure:
    """Small multiples: one map for each value of a third column, on one color scale.

    Parameters
    ----------
    table : SweepTable
        Rows of one kind.
    x, y, value : str
        As in :func:`plot_map`.
    by : str
        The third column; at most 12 values.

    Returns
    -------
    Figure
        A grid of maps.

    Raises
    ------
    InputError
        If the third column has too many values.

    Examples
    --------
    >>> table = SweepTable({name: np.array([0.0, 0, 1, 1]) for name in ("a", "b", "c", "d")})
    >>> len([ax for ax in plot_maps(table, "a", "b", "c", "d").axes if ax.get_title()])
    2
    """
    values = np.unique(table[by])
    if len(values) > 12:
        raise InputError(
            f"small multiples need at most 12 values of {by}, it has {len(values)}; choose some with where()"
        )
    # As wide as a page of 800 px shows without shrinking the words.
    columns = min(2, len(values))
    rows = -(-len(values) // columns)
    figure, axes = new_figure(rows, columns, 7.2, 3.2 * rows)
    ends = np.nanmin(table[value]), np.nanmax(table[value])
    limits = []
    for ax, one in zip(axes.flat, values.tolist(), strict=False):
        sure, limit = _draw_map(ax, table.where(**{by: one}), x, y, value, ends, 26)
        limits.append(limit)
        # Neighbors share the words of their axes.
        k = len(limits) - 1
        if k % columns:
            ax.set_ylabel("")
        if k + columns < len(values):
            ax.set_xlabel("")
        shown = f"{one:g}" if isinstance(one, float) else str(one)
        ax.set_title(f"{by} {shown}\n{sure.replace('), ', '),' + chr(10))}", fontsize=11, parse_math=False)
    if any(limits):
        figure.suptitle("\n".join(dict.fromkeys(limits)), fontsize=11)
    for ax in axes.flat[len(values) :]:
        ax.set_visible(False)
    figure.colorbar(axes[0, 0].collections[0], ax=axes, label=words_of(value))
    return figure


def pareto_front(cost: Sequence[float], worth: Sequence[float]) -> np.ndarray:
    """Which choices no other beats: none costs as little or less and is worth as much or more.

    Parameters
    ----------
    cost : (N,) array-like
        Less is better.
    worth : (N,) array-like
        More is better.

    Returns
    -------
    (K,) ndarray of int
        Their indices, by rising cost; of equal ones the first.

    Raises
    ------
    InputError
        If the two differ in length or hold NaN.

    Examples
    --------
    >>> pareto_front([1, 2, 3, 3], [0.5, 0.4, 0.9, 0.8]).tolist()
    [0, 2]
    """
    costs, worths = np.asarray(cost, float), np.asarray(worth, float)
    if costs.shape != worths.shape or costs.ndim != 1 or not np.isfinite([costs, worths]).all():
        raise InputError(
            f"cost and worth must be finite numbers, as many of each, got {costs.shape} and {worths.shape}; leave out what is unknown"
        )
    front, best = [], -math.inf
    for index in np.lexsort((np.arange(len(costs)), -worths, costs)).tolist():
        if worths[index] > best:
            front.append(index)
            best = worths[index]
    return np.array(front, int)


def plot_pareto(
    ax: Axes,
    names: Sequence[str],
    cost: Sequence[float],
    runs: Sequence[Sequence[float] | np.ndarray],
    labels: tuple[str, str],
) -> Axes:
    """Cost against following, with intervals, and the front.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    names : sequence of str
        The choices.
    cost : sequence of float
        Of each.
    runs : sequence of sequence of float
        What each run of a choice was worth.
    labels : (str, str)
        Names of the axes.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> figure, axes = new_figure()
    >>> plot_pareto(axes[0, 0], ["a", "b"], [1, 2], [[0.5], [0.9]], ("ms", "in view")).get_title()
    '2 runs, one run each'
    """
    means, halves = zip(*(mean_interval(values) for values in runs), strict=True)
    front = set(pareto_front(cost, means).tolist())
    for k in range(len(names)):
        color, marker = (COLORS[0], MARKERS[0]) if k in front else (_GRAY, MARKERS[1])
        half = None if math.isnan(halves[k]) else halves[k]
        ax.errorbar(cost[k], means[k], half, color=color, marker=marker, capsize=3, linestyle="")
    line = sorted(front, key=lambda k: cost[k])
    ax.step([cost[k] for k in line], [means[k] for k in line], where="post", color=COLORS[0], linewidth=1)
    ax.margins(x=0.12)
    named = [k for k in range(len(names)) if k in front or len(names) <= MOST_NAMES]
    _name_points(ax, [(cost[k], means[k], names[k], COLORS[0] if k in front else _GRAY) for k in named])
    ax.set_xlabel(labels[0], parse_math=False)
    ax.set_ylabel(labels[1], parse_math=False)
    fewest, title = min(map(len, runs)), f"{sum(map(len, runs))} runs"
    if np.isfinite(halves).any():
        # A wide interval is owed to few runs: then say so.
        title += f", ± {np.nanmax(halves):.2g} at most (95 %)" + (
            f", as few as {fewest} each" if fewest < FEWEST_RUNS else ""
        )
    else:
        title += ", one run each"
    ax.set_title(title, fontsize=11)
    return ax


def _name_points(ax: Axes, points: Sequence[tuple[float, float, str, str]]) -> None:
    """Write names beside their points, the upper ones first; what would overlap goes lower."""
    ax.autoscale_view()
    width, height = np.array(ax.figure.bbox.size) * 0.8 * 72 / ax.figure.dpi
    placed = [(*ax.transLimits.transform((x, y)) * (width, height), name, x, y, color) for x, y, name, color in points]
    # Each point keeps its marker free: (left, right, low) of what is there, in points of print.
    taken = [(across - 5, across + 5, up - 5) for across, up, *_ in placed]
    for across, up, name, x, y, color in sorted(placed, key=lambda one: (-one[1], -one[0])):
        left, right, low = across + 6, across + 12 + 5.5 * len(name), up + 4
        while any(left < other[1] and other[0] < right and abs(low - other[2]) < 12 for other in taken):
            low -= 2
        taken.append((left, right, low))
        look: dict[str, Any] = {"arrowprops": {"arrowstyle": "-", "color": color, "linewidth": 0.6, "relpos": (0, 0.5)}}
        ax.annotate(
            name,
            (x, y),
            xytext=(6, low - up),
            textcoords="offset points",
            fontsize=9,
            color=color,
            parse_math=False,
            **(look if low < up - 6 else {}),
        )
