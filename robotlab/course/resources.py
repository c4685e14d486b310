"""Paths of the files that come with the course, and measurements made beforehand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from robotlab.environment import find_above
from robotlab.errors import DataSetError
from robotlab.json_file import read_json


def shipped(name: str) -> Path:
    """The path of a file or folder that comes with the course.

    Parameters
    ----------
    name : str
        As seen from the folder you cloned, such as ``"datasets/greenhouse"``.

    Returns
    -------
    Path
        Looked for above the current folder first, then where the library is.

    Raises
    ------
    DataSetError
        If it is in neither place.

    Examples
    --------
    >>> shipped("robotlab/camera.py").name
    'camera.py'
    """
    found = find_above(name)
    if found is None:
        raise DataSetError(
            f"{name} is in the folder that you clone, not in the installed package, and {Path.cwd()} is not in that folder; "
            "change into it, or clone it first"
        )
    return found


def measured(name: str) -> dict[str, Any]:
    """A measurement that takes too long to be made in a lesson.

    Parameters
    ----------
    name : str
        The file in ``robotlab/course/measurements``, without its ending.

    Returns
    -------
    dict
        What the script in ``instructor/`` of the name ``measure_NAME.py`` has written.

    Raises
    ------
    DataSetError
        If there is no such measurement.

    Examples
    --------
    >>> measured("full_training")["judged_on"]
    ['day4', 'overcast3', 'dusk3']
    """
    path = Path(__file__).with_name("measurements") / f"{name}.json"
    if not path.is_file():
        known = ", ".join(sorted(one.stem for one in path.parent.glob("*.json")))
        raise DataSetError(
            f"a measurement must be one of {known}, got {name!r}; check its name, or install robotlab anew"
        )
    return read_json(path)
