"""Taking records of a run log apart: numbers where there must be numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from robotlab.checks import number
from robotlab.errors import InputError
from robotlab.loop.settings import Settings

# No trolley's log holds a larger number; beyond it sums of squares overflow.
_MOST = 1e12


def numbers(records: Sequence[Mapping], name: str, width: int | None = None) -> np.ndarray:
    """One entry of each record, as an array.

    Parameters
    ----------
    records : sequence of mapping
        Records of one kind.
    name : str
        Which entry.
    width : int or None
        How many numbers it holds; ``None`` for a plain number.

    Returns
    -------
    (N,) or (N, width) ndarray of float64
        One row for each record.

    Raises
    ------
    InputError
        If an entry is missing, no number, not finite, or of another width.

    Examples
    --------
    >>> numbers([{"pose": [0, 1, 2]}, {"pose": [3, 4, 5]}], "pose", 3).tolist()
    [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    """
    shape = (len(records),) if width is None else (len(records), width)
    try:
        values = np.array([record[name] for record in records], dtype=np.float64) if records else np.zeros(shape)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise InputError(f"{name} must be {width or 1} numbers in each record ({error})") from None
    if values.shape != shape or not (np.abs(values) < _MOST).all():
        raise InputError(
            f"{name} must be {width or 1} finite numbers in each record, got an array of shape {values.shape}"
        )
    return values


def check_facts(facts: Mapping) -> None:
    """Say what is wrong with the first record of a log, if something is.

    Parameters
    ----------
    facts : mapping
        The start record.

    Raises
    ------
    InputError
        If the tick, the room or a thing in it is missing or no number.

    Examples
    --------
    >>> check_facts({"tick_s": 0.02, "room": [0, 0, 1, 1], "path_half_m": 0.5, "things": []})
    """
    number(facts["tick_s"], "tick_s", 1e-6, 1e3)
    number(facts["path_half_m"], "path_half_m", 0)
    numbers([facts], "room", 4)
    if not isinstance(facts["things"], list):
        raise InputError("things must be a list")
    for thing in facts["things"]:
        for name in ("kind", "shape"):
            if not isinstance(thing[name], str):
                raise InputError(f"the {name} of a thing must be a word, got {thing[name]!r}")
        for name in ("x", "y", "heading"):
            numbers([thing], name)
        numbers([thing], "size", 3)


def of_real_drive(velocities: Sequence[Mapping], settings: Settings) -> list[dict]:
    """Records of a real drive in the form of ticks, as far as they can say.

    Parameters
    ----------
    velocities : sequence of mapping
        What :func:`robotlab.loop.drive` wrote, each time it decided.
    settings : Settings
        Of that drive.

    Returns
    -------
    list of dict
        Time, state, and the wheel speeds wished for, before the ramp.

    Raises
    ------
    InputError
        If a number is missing, or is none.

    Examples
    --------
    >>> of_real_drive([{"t": 0.5, "v": 0.25, "yaw": 1.0, "state": "follow"}], Settings())
    [{'t': 0.5, 'state': 'follow', 'command': [0.1, 0.4]}]
    """
    speeds, turns = numbers(velocities, "v"), numbers(velocities, "yaw")
    rows = np.stack(settings.drive.wheels(speeds, settings.steering_sign * turns), axis=1)
    return [
        {"t": velocity["t"], "state": velocity["state"], "command": row}
        for velocity, row in zip(velocities, rows.tolist(), strict=True)
    ]
