"""The state of a training on disk, written so that it can go on, and read with limits.

The rule: a plain file of at most 1 GiB, a zip archive of arrays of plain numbers (never pickled objects), each
of the size that its own head gives.  Nothing else in robotlab reads NumPy's files.
"""

from __future__ import annotations

import io
import json
import math
import os
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np

from robotlab.errors import ModelError
from robotlab.files import open_plain, write_whole
from robotlab.json_file import parse_json

# A state of the shipped network takes 10 MB.
LARGEST_BYTES = 2**30
MOST_ARRAYS = 4096


def write_state(path: str | os.PathLike, note: Mapping[str, Any], arrays: Mapping[str, np.ndarray]) -> None:
    """Write a note, as JSON, and arrays, whole or not at all."""
    content = io.BytesIO()
    named: dict[str, Any] = {"note": np.frombuffer(json.dumps(note).encode(), np.uint8), **arrays}
    np.savez(content, **named)
    write_whole(path, content.getvalue())


def read_state(path: str | os.PathLike) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """Read what :func:`write_state` wrote.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    note : dict
        From its JSON.
    arrays : dict of str to ndarray
        By name.

    Raises
    ------
    ModelError
        If it breaks the rule, or is damaged.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "state"
    >>> write_state(path, {"step": 3}, {"weights": np.ones(2)})
    >>> read_state(path)
    ({'step': 3}, {'weights': array([1., 1.])})
    """
    damaged = ModelError(f"{path} must be a whole state file, it is damaged; remove it to start anew")
    with open_plain(path, LARGEST_BYTES, "a state file", ModelError) as file:
        try:
            with zipfile.ZipFile(file) as archive:
                members = archive.infolist()
                # Written without compression: what is larger unpacked was made to fill memory.
                if len(members) > MOST_ARRAYS or sum(member.file_size for member in members) > LARGEST_BYTES:
                    raise damaged
                arrays = {member.filename.removesuffix(".npy"): _array(archive, member) for member in members}
            note = arrays.pop("note")
        except ModelError:
            raise
        except Exception:  # a damaged archive raises nearly every class of Python's
            raise damaged from None
    if note.dtype != np.uint8:
        raise damaged
    return parse_json(note.tobytes(), str(path), ModelError), arrays


def _array(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> np.ndarray:
    """One array; its head is compared with the member's size before memory is taken."""
    with archive.open(member) as file:
        version = np.lib.format.read_magic(file)
        head = {(1, 0): np.lib.format.read_array_header_1_0, (2, 0): np.lib.format.read_array_header_2_0}[version]
        shape, fortran, dtype = head(file)
        if dtype.hasobject or math.prod(shape) * dtype.itemsize != member.file_size - file.tell():
            raise ValueError("the head and the size differ")
        return np.frombuffer(file.read(), dtype).reshape(shape, order="F" if fortran else "C").copy()
