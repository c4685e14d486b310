"""The marking key: how many points for what, in one small TOML file."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from robotlab.errors import InputError
from robotlab.practice import tasks_of
from robotlab.toml_file import read_toml


@dataclass(frozen=True)
class MarkingKey:
    """How many points for what.

    Parameters
    ----------
    points : float
        For a task that is right in every case.
    edge_share : float
        Part of the points that the edge cases give; they count only once all plain cases are right.
    misconception_share : float
        Part of the points for an answer with one known misconception.
    written_points : float
        The most for one written answer; a person gives them.
    tasks : mapping of str to float
        Points of single tasks.
    misconceptions : mapping of str to float
        Shares of single misconceptions, by name.

    Examples
    --------
    >>> MarkingKey().points_of("field_of_view")
    4.0
    """

    points: float = 4.0
    edge_share: float = 0.25
    misconception_share: float = 0.25
    written_points: float = 1.0
    tasks: Mapping[str, float] = field(default_factory=dict)
    misconceptions: Mapping[str, float] = field(default_factory=dict)

    def points_of(self, task: str) -> float:
        """Points for a task that is all right.

        Parameters
        ----------
        task : str
            Its name.

        Returns
        -------
        float
            Points.
        """
        return float(self.tasks.get(task, self.points))


_SHARES = ("edge_share", "misconception_share", "misconceptions")


def read_key(path: str | os.PathLike) -> MarkingKey:
    """Read a marking key.

    Parameters
    ----------
    path : path-like
        A TOML file; what it leaves out is as in :class:`MarkingKey`.

    Returns
    -------
    MarkingKey
        What it says.

    Raises
    ------
    InputError
        If it is not such a file.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "key.toml"
    >>> _ = path.write_text("points = 2\\n[tasks]\\nbearing = 5")
    >>> key = read_key(path)
    >>> key.points_of("bearing"), key.points_of("field_of_view")
    (5.0, 2.0)
    """
    found = read_toml(path, "a marking key")
    usual = vars(MarkingKey())
    key: dict[str, Any] = {}
    for name, value in found.items():
        if name not in usual:
            raise InputError(f"a marking key must hold {', '.join(usual)}, {path} has {name}; remove it")
        values: dict[str, Any] = value if isinstance(value, dict) else {name: value}
        if isinstance(value, dict) != isinstance(usual[name], dict):
            raise InputError(f"{name} in {path} must be {'a table' if isinstance(usual[name], dict) else 'a number'}")
        for one, number in values.items():
            most = 1 if name in _SHARES else 1000
            if type(number) not in (int, float) or not math.isfinite(number) or not 0 <= number <= most:
                raise InputError(f"{one} in {path} must be a number from 0 to {most}, got {number!r}; correct it")
        numbers = {one: float(number) for one, number in values.items()}
        key[name] = numbers if isinstance(value, dict) else numbers[name]
    known = {task.name: {m.name for m in task.misconceptions} for task in tasks_of()}
    for name, names in (("tasks", set(known)), ("misconceptions", set().union(*known.values()))):
        for one in found.get(name, {}):
            if one not in names:
                raise InputError(f"{name} in {path} must be known ones, {one} is none; check its spelling")
    return MarkingKey(**key)
