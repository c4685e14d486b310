"""The table of a sweep: one row a run, in one tidy CSV file."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy  # which imports its parts when they are first used

from robotlab.errors import InputError
from robotlab.files import read_plain, write_whole
from robotlab.sweep.parameters import PARAMETERS
from robotlab.sweep.part_runner import RESULTS

# 200 000 rows of 40 columns have about 100 MB.
LARGEST_TABLE_BYTES = 512 * 2**20
_WORDS = ("detector", "walk", "lighting")
COLUMNS = ("run", "rendered", *PARAMETERS, *RESULTS)
# From 0 to 1; and the least runs from which an interval says something.
SHARES = ("time_in_view", "time_following")
FEWEST_RUNS = 3


@dataclass(frozen=True, eq=False)
class SweepTable:
    """Rows of a sweep, by column.

    Parameters
    ----------
    columns : dict of str to (N,) ndarray
        Numbers, or words for ``detector``, ``walk`` and ``lighting``.

    Examples
    --------
    >>> table = SweepTable({"turn_gain": np.array([1.0, 1.0, 2.0]), "time_in_view": np.array([1.0, 0.5, 0.25])})
    >>> len(table.where(turn_gain=1.0))
    2
    """

    columns: dict[str, np.ndarray]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))

    def __getitem__(self, name: str) -> np.ndarray:
        if name not in self.columns:
            raise InputError(f"a column must be one of {', '.join(self.columns)}, got {name}; choose one of them")
        return self.columns[name]

    def where(self, **values: Any) -> SweepTable:
        """The rows that have these values.

        Parameters
        ----------
        **values
            By column; NaN matches nothing.

        Returns
        -------
        SweepTable
            Only those.
        """
        keep = np.ones(len(self), bool)
        for name, value in values.items():
            keep &= self[name] == value
        return SweepTable({name: column[keep] for name, column in self.columns.items()})

    @classmethod
    def of(cls, rows: Sequence[Mapping[str, Any]]) -> SweepTable:
        """From one mapping a row.

        Parameters
        ----------
        rows : sequence of mapping
            All with the columns of a sweep.

        Returns
        -------
        SweepTable
            Words stay words; None becomes NaN.
        """
        columns = {}
        for name in COLUMNS:
            values = [row[name] for row in rows]
            # In an array of numbers None is NaN.
            columns[name] = np.array(values) if name in _WORDS else np.array(values, float)
        return cls(columns)

    def save(self, path: str | os.PathLike) -> Path:
        """Write the CSV file, whole or not at all.

        Parameters
        ----------
        path : path-like
            Where to.

        Returns
        -------
        Path
            The file.
        """
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.columns)
        for row in zip(*(column.tolist() for column in self.columns.values()), strict=True):
            writer.writerow([_cell(value) for value in row])
        return write_whole(path, out.getvalue())

    @classmethod
    def load(cls, path: str | os.PathLike) -> SweepTable:
        """Read what :meth:`save` wrote.

        Parameters
        ----------
        path : path-like
            A CSV file of a sweep.

        Returns
        -------
        SweepTable
            The rows.

        Raises
        ------
        InputError
            If it is not such a file.
        """
        problem = f"{path} must be the table of a sweep, its columns or cells are others; run the sweep again"
        try:
            text = read_plain(path, LARGEST_TABLE_BYTES, "a sweep's table").decode("utf-8")
            lines = list(csv.DictReader(io.StringIO(text), strict=True))
            if not lines or tuple(lines[0]) != COLUMNS:
                raise InputError(problem)
            return cls.of(
                [{k: v if k in _WORDS else (float(v) if v else None) for k, v in line.items()} for line in lines]
            )
        except (ValueError, TypeError, KeyError, csv.Error) as error:
            raise error if isinstance(error, InputError) else InputError(problem) from None


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return "" if math.isnan(value) else int(value) if value.is_integer() and abs(value) < 2**53 else value
    return value


def mean_interval(values: Iterable[float]) -> tuple[float, float]:
    """Mean, and half the width of its 95 % interval.

    Parameters
    ----------
    values : iterable of float
        Of independent runs.

    Returns
    -------
    (float, float)
        With one value the half width is NaN.

    Notes
    -----
    Student's t interval (Student, Biometrika 6:1-25, 1908).

    Examples
    --------
    >>> mean, half = mean_interval([1.0, 2.0, 3.0])
    >>> mean, round(half, 3)
    (2.0, 2.484)
    """
    known = np.asarray(list(values), float)
    known = known[np.isfinite(known)]
    if not len(known):
        return math.nan, math.nan
    if len(known) == 1:
        return float(known[0]), math.nan
    half = scipy.special.stdtrit(len(known) - 1, 0.975) * known.std(ddof=1) / math.sqrt(len(known))
    return float(known.mean()), float(half)


def sure_interval(name: str, values: Iterable[float]) -> tuple[float, float]:
    """Mean and interval of a column, as maps and reports state it.

    Parameters
    ----------
    name : str
        The column.
    values : iterable of float
        Of independent runs.

    Returns
    -------
    (float, float)
        As :func:`mean_interval`; with fewer than 3 runs the half width is NaN,
        and that of a share reaches no farther than to 0 or 1.

    Examples
    --------
    >>> sure_interval("time_in_view", [0.0, 1.0])
    (0.5, nan)
    >>> sure_interval("time_in_view", [0.0, 1.0, 0.5])
    (0.5, 0.5)
    """
    known = np.asarray(list(values), float)
    known = known[np.isfinite(known)]
    mean, half = mean_interval(known)
    if len(known) < FEWEST_RUNS:
        return mean, math.nan
    return mean, min(half, max(mean, 1 - mean)) if name in SHARES else half
