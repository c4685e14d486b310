"""What a notebook holds, read as untrusted data: whatever is not there, or of another kind, is empty."""

from __future__ import annotations

from typing import Any


def part_of(holder: object, key: str, kind: type) -> Any:
    """A value in parsed JSON, if it is there and of the right kind.

    Parameters
    ----------
    holder : object
        Perhaps a dict.
    key : str
        Where in it.
    kind : type
        Kind of the value: dict, list or str.

    Returns
    -------
    object
        The value, or an empty one of this kind.

    Examples
    --------
    >>> part_of({"cells": [1, 2]}, "cells", list), part_of({"cells": 3}, "cells", list), part_of(4, "cells", list)
    ([1, 2], [], [])
    """
    value = holder.get(key) if isinstance(holder, dict) else None
    return value if isinstance(value, kind) else kind()


def text_of_cell(cell: object) -> str:
    """The text of a cell, which a notebook holds as one piece or line by line.

    Parameters
    ----------
    cell : object
        One of a notebook's cells.

    Returns
    -------
    str
        Empty where there is none.

    Examples
    --------
    >>> text_of_cell({"source": ["a = 1\\n", "b = 2"]})
    'a = 1\\nb = 2'
    """
    lines = part_of(cell, "source", list)
    return "".join(line for line in lines if isinstance(line, str)) or part_of(cell, "source", str)
