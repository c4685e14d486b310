"""Pictures of a sweep: maps over two axes, small multiples, the Pareto front.

Every picture says from how many runs it is and how sure: the widest 95 %
interval of its cells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from robotlab.control.stability import ultimate_gain
from robotlab.errors import InputError
from robotlab.report.plots import COLORS, MARKERS, new_figure
from robotlab.sweep.table import SweepTable, mean_interval

# Drawn designs have no grid; their map has so many cells each way.
CELLS = 12
LIMIT = "dashed: ultimate gain (theory)"


def _edges(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cell number of each value, and the cells' edges."""
    known = np.unique(values)
    if len(known) <= 40:
        between = (known[1:] + known[:-1]) / 2
        if len(known) == 1:
            return np.zeros(len(values), int), np.array([known[0] - 0.5, known[0] + 0.5])
        ends = [known[0] - (between[0] - known[0]), known[-1] + (known[-1] - between[-1])]
        return np.searchsorted(known, values), np.array([ends[0], *between, ends[1]])
    edges = np.linspace(known[0], known[-1], CELLS + 1)
    return np.clip(np.searchsorted(edges, values, side="right") - 1, 0, CELLS - 1), edges


def cells_of(table: SweepTable, x: str, y: str, value: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Mean and interval of a column over two others.

    Parameters
    ----------
    table : SweepTable
        Rows of one kind, fast or rendered.
    x, y : str
        Columns of numbers that vary.
    value : str
        The column to average.

    Returns
    -------
    (x_edges, y_edges, mean, half) : tuple of ndarray
        (X + 1,), (Y + 1,), (Y, X), (Y, X): half width of the 95 % interval,
        NaN with one run in a cell.

    Raises
    ------
    InputError
        If a column is missing or holds words.

    Examples
    --------
    >>> table = SweepTable({"a": np.array([0.0, 0, 1, 1]), "b": np.array([0.0, 0, 0, 0]), "c": np.array([1.0, 3, 5, 5])})
    >>> cells_of(table, "a", "b", "c")[2].tolist()
    [[2.0, 5.0]]
    """
    for name in (x, y, value):
        if table[name].dtype.kind != "f":
            raise InputError(f"a map needs columns of numbers, {name} holds words; draw one map for each of them")
    column, x_edges = _edges(table[x])
    row, y_edges = _edges(table[y])
    mean = np.full((len(y_edges) - 1, len(x_edges) - 1), math.nan)
    half = mean.copy()
    for i, j in set(zip(row.tolist(), column.tolist(), strict=True)):
        mean[i, j], half[i, j] = mean_interval(table[value][(row == i) & (column == j)])
    return x_edges, y_edges, mean, half


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
    return np.array([ultimate_gain(1 / rates[0], latency, lags[0]) for latency in latencies_s])


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

    Examples
    --------
    >>> figure, axes = new_figure()
    >>> table = SweepTable({"a": np.array([0.0, 0, 1, 1]), "b": np.array([0.0, 1, 0, 1]), "c": np.ones(4)})
    >>> plot_map(axes[0, 0], table, "a", "b", "c").get_xlabel()
    'a'
    """
    x_edges, y_edges, mean, half = cells_of(table, x, y, value)
    low, high = ends or (None, None)
    shown = ax.pcolormesh(x_edges, y_edges, mean, cmap="cividis", vmin=low, vmax=high)
    if ends is None:
        ax.figure.colorbar(shown, ax=ax, label=value)
    if {x, y} == {"turn_gain", "latency_s"}:
        across = x == "latency_s"
        edges = x_edges if across else y_edges
        latencies = np.linspace(edges[0], edges[-1], 60).clip(0)
        limit = gain_limit(table, latencies)
        line = (latencies, limit) if across else (limit, latencies)
        ax.plot(*line, color="white", linewidth=3.2)
        ax.plot(*line, color="#D55E00", linestyle="--")
    ax.set(xlabel=x, ylabel=y, xlim=x_edges[[0, -1]], ylim=y_edges[[0, -1]])
    # The words stand above: a legend would hide cells.
    limit_words = f"\n{LIMIT}" if ax.lines else ""
    ax.set_title(f"{len(table)} runs, {_sureness(half, 'one in each cell')}{limit_words}", fontsize=11)
    return ax


def _sureness(half: np.ndarray, alone: str) -> str:
    return f"± {np.nanmax(half):.2g} at most (95 %)" if np.isfinite(half).any() else alone


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
    figure, axes = new_figure(rows, columns, 7.2, 2.9 * rows)
    ends = np.nanmin(table[value]), np.nanmax(table[value])
    for ax, one in zip(axes.flat, values, strict=False):
        plot_map(ax, table.where(**{by: one}), x, y, value, ends)
        shown = f"{one:g}" if isinstance(one, float) else str(one)
        ax.set_title(f"{by} {shown}\n{ax.get_title().removesuffix(f'{chr(10)}{LIMIT}')}", fontsize=11)
    if axes[0, 0].lines:
        figure.suptitle(LIMIT, fontsize=11)
    for ax in axes.flat[len(values) :]:
        ax.set_visible(False)
    figure.colorbar(axes[0, 0].collections[0], ax=axes, label=value)
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
    for k, name in enumerate(names):
        color, marker = (COLORS[0], MARKERS[0]) if k in front else ("#777777", MARKERS[1])
        half = None if math.isnan(halves[k]) else halves[k]
        ax.errorbar(cost[k], means[k], half, color=color, marker=marker, capsize=3, linestyle="")
        ax.annotate(name, (cost[k], means[k]), xytext=(5, 5), textcoords="offset points", fontsize=9, color=color)
    line = sorted(front, key=lambda k: cost[k])
    ax.step([cost[k] for k in line], [means[k] for k in line], where="post", color=COLORS[0], linewidth=1)
    ax.set(xlabel=labels[0], ylabel=labels[1])
    ax.set_title(f"{sum(map(len, runs))} runs, {_sureness(np.array(halves), 'one run each')}", fontsize=11)
    return ax
