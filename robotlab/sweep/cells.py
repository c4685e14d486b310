"""Cells of a map: the values of a grid, or ranges where a design was drawn."""

from __future__ import annotations

import math

import numpy as np

from robotlab.errors import InputError
from robotlab.sweep.parameters import PARAMETERS
from robotlab.sweep.table import SweepTable, sure_interval

# Grids of more values, and drawn designs, are cut into ranges: at most so many each way.
MOST_VALUES, MOST_RANGES = 40, 12


def steps_grow(known: np.ndarray) -> bool:
    """Whether rising values, like 1, 3, 10, 30, want an axis of logarithms.

    Parameters
    ----------
    known : (N,) ndarray
        Different values, rising.

    Returns
    -------
    bool
        True for positive values over a factor of 5 or more, in uneven steps.

    Examples
    --------
    >>> steps_grow(np.array([1.0, 3, 10, 30])), steps_grow(np.array([1.0, 2, 3, 4]))
    (True, False)
    """
    if len(known) < 3 or known[0] <= 0 or len(known) > MOST_VALUES:
        return False
    steps = np.diff(known)
    return bool(known[-1] >= 5 * known[0] and steps.max() > 3 * steps.min())


def _axis(name: str, values: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Cell number of each value, and the cells' edges; no more than `most` cells."""
    known = np.unique(values)
    if len(known) > most:
        edges = np.linspace(known[0], known[-1], most + 1)
        return np.clip(np.searchsorted(edges, values, side="right") - 1, 0, most - 1), edges
    if len(known) == 1:
        edges = np.array([known[0] - 0.5, known[0] + 0.5])
    else:
        scaled = np.log(known) if steps_grow(known) else known
        between = (scaled[1:] + scaled[:-1]) / 2
        edges = np.array([2 * scaled[0] - between[0], *between, 2 * scaled[-1] - between[-1]])
        edges = np.exp(edges) if steps_grow(known) else edges
    if name in PARAMETERS:
        edges = edges.clip(PARAMETERS[name].low, PARAMETERS[name].high)
    return np.searchsorted(known, values), edges


def places(table: SweepTable, x: str, y: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, bool]:
    """In which cell each run is.

    Parameters
    ----------
    table : SweepTable
        Rows of one kind.
    x, y : str
        Columns of numbers that vary.

    Returns
    -------
    (column, row, x_edges, y_edges, grid) : tuple
        Cell of each run, the edges, and whether the cells are values: else
        they are ranges.

    Examples
    --------
    >>> table = SweepTable({"a": np.arange(36.0), "b": np.arange(36.0)})
    >>> column, row, x_edges, y_edges, grid = places(table, "a", "b")
    >>> len(x_edges), grid
    (4, False)
    """
    counts = [len(np.unique(table[name])) for name in (x, y)]
    pairs = len(np.unique(table[x] + 1j * table[y]))
    # A drawn design fills few of the places that its values span.
    grid = max(counts) <= MOST_VALUES and 2 * pairs >= math.prod(counts)
    most = MOST_VALUES if grid else int(np.clip(round(math.sqrt(len(table)) / 1.75), 2, MOST_RANGES))
    column, x_edges = _axis(x, table[x], most)
    row, y_edges = _axis(y, table[y], most)
    return column, row, x_edges, y_edges, grid


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
        NaN with fewer than 3 runs in a cell.

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
    column, row, x_edges, y_edges, _ = places(table, x, y)
    mean = np.full((len(y_edges) - 1, len(x_edges) - 1), math.nan)
    half = mean.copy()
    for i, j in set(zip(row.tolist(), column.tolist(), strict=True)):
        mean[i, j], half[i, j] = sure_interval(value, table[value][(row == i) & (column == j)])
    return x_edges, y_edges, mean, half
