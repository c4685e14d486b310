"""Where the things that come with the course lie."""

from __future__ import annotations

from pathlib import Path

from robotlab.errors import DataSetError


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
    here = Path.cwd()
    for folder in (here, *here.parents, Path(__file__).resolve().parents[2]):
        if (folder / name).exists():
            return folder / name
    raise DataSetError(
        f"{name} must be in the folder you cloned, it is not there or above {here.name}; "
        "open the lessons with robotlab open, from that folder"
    )
