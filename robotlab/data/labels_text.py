"""Write a labels file as text: one record a line, so that a change shows as one line."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from robotlab.errors import DataSetError


def record_text(value: Any) -> str:
    """A JSON value on one line; NaN is refused."""
    return json.dumps(value, allow_nan=False, ensure_ascii=False)


def labels_text(labels: Mapping[str, Any], lines: Mapping[str, Sequence[str]] | None = None) -> str:
    """A labels file as text, one record a line, so that a change shows as one line.

    Parameters
    ----------
    labels : mapping
        The whole file.
    lines : mapping of str to sequence of str, optional
        Lists whose records are text already, by their key; each takes the place of that list.

    Returns
    -------
    str
        JSON.

    Raises
    ------
    DataSetError
        If it holds NaN or infinity.

    Examples
    --------
    >>> print(labels_text({"images": [{"id": 1}, {"id": 2}]}))
    {
    "images": [
    {"id": 1},
    {"id": 2}
    ]
    }
    <BLANKLINE>
    """
    parts, lines = [], lines or {}
    try:
        for key, value in labels.items():
            if key in lines or (isinstance(value, list) and value and isinstance(value[0], dict)):
                records = lines[key] if key in lines else map(record_text, value)
                text = "[\n" + ",\n".join(records) + "\n]"
            else:
                text = record_text(value)
            parts.append(f"{record_text(key)}: {text}")
    except (ValueError, TypeError) as error:
        raise DataSetError(
            f"labels must hold text and finite numbers alone ({error}); correct or leave out that value"
        ) from None
    return "{\n" + ",\n".join(parts) + "\n}\n"
