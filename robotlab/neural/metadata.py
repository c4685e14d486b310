"""The metadata of a model file: what each entry must be, in one schema.

The rule: classes are distinct printable names, the working size is one that fits in memory, and each fact that
robotlab reads is of its type and in its range; facts that it does not know are kept as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from robotlab.errors import ModelError, printable, short
from robotlab.json_file import parse_json
from robotlab.neural.session import ModelOutline
from robotlab.neural.spec import STRIDE_MULTIPLE

# Raised by one when an old file can no longer be read as it was meant.
FORMAT = 1
# Operators that a file of ours can hold; any other makes it foreign.
OPERATORS = frozenset(
    ["Sub", "Mul", "Div", "Conv", "Relu", "Resize", "Add", "Concat", "Slice", "Softmax", "MaxPool", "Equal", "Cast"]
)
# Longest side that the network may see, px, and largest enlargement.
LONGEST_PX, LARGEST_SCALE = 20_000, 8

Check = tuple[Callable[[Any], bool], str]


def _number(low: float, high: float) -> Check:
    return lambda value: type(value) in (int, float) and low <= value <= high, f"a number from {low:g} to {high:g}"


def _list(one: Check, count: int | None = None) -> Check:
    words = f"a list{f' of {count}' if count else ''}, each {one[1]}"
    return lambda value: type(value) is list and count in (None, len(value)) and all(map(one[0], value)), words


def _object(entries: dict[str, Check]) -> Check:
    def fits(value: Any) -> bool:
        return type(value) is dict and all(key in value and check(value[key]) for key, (check, _) in entries.items())

    return fits, "an object with " + ", ".join(f"{key} ({words})" for key, (_, words) in entries.items())


_COUNT: Check = (lambda value: type(value) is int and 0 <= value < 2**53, "a whole number >= 0")
_WORD: Check = (lambda value: isinstance(value, str) and printable(value) == value, "printable text")
_FLAG: Check = (lambda value: type(value) is bool, "true or false")
_SIDE_PX = _number(0, 1e5)
_CLASSES: Check = (
    lambda value: _list(_WORD)[0](value) and 0 < len(set(value)) == len(value) and all(map(str.strip, value)),
    "a list of distinct printable names",
)
_WORKING = _object(
    {
        "longest_px": (
            lambda value: value is None or (type(value) is int and STRIDE_MULTIPLE <= value <= LONGEST_PX),
            f"null or a whole number from {STRIDE_MULTIPLE} to {LONGEST_PX}",
        ),
        "scale": _number(1 / LARGEST_SCALE, LARGEST_SCALE),
    }
)
FACTS: dict[str, Check] = {
    **dict.fromkeys(("pictures", "truths", "seed", "validation_pictures", "cells", "steps", "kept_step"), _COUNT),
    **dict.fromkeys(("best_score", "best_f1"), _number(0, 1)),
    # -1: nothing to find, as COCO's tools say it.
    **dict.fromkeys(("validation_AP", "validation_AP50"), _number(-1, 1)),
    **dict.fromkeys(("training", "validation_split", "engine", "start", "head"), _WORD),
    **dict.fromkeys(("refit_on_all", "interrupted"), _FLAG),
    "recordings": _list(_WORD),
    "validation": _object({"pictures": _COUNT, "recordings": _list(_WORD)}),
    "picture_px": _list((lambda value: type(value) is int and 0 < value <= LONGEST_PX, "a size in px"), 2),
    "side_px": _object({"p05": _SIDE_PX, "p50": _SIDE_PX, "p95": _SIDE_PX}),
}


def checked_metadata(model: ModelOutline, name: str) -> tuple[tuple[str, ...], int | None, float, dict[str, Any]]:
    """Classes, working size and facts of a file of ours.

    Parameters
    ----------
    model : ModelOutline
        From :func:`robotlab.neural.session.outline`.
    name : str
        How error messages call it.

    Returns
    -------
    classes : tuple of str
        In the order of the channels.
    longest_px : int or None
        Pictures with a longer side are shrunk to it.
    scale : float
        Wanted enlargement.
    facts : dict
        What is known of the training, by today's names.

    Raises
    ------
    ModelError
        If the file is another program's, or an entry breaks the schema.

    Examples
    --------
    >>> known = {"robotlab_format": "1", "classes": '["post"]', "working": '{"longest_px": 640, "scale": 1}'}
    >>> checked_metadata(ModelOutline(frozenset(["Conv"]), {**known, "facts": '{"training": "frozen_backbone"}'}), "a.onnx")
    (('post',), 640, 1.0, {'training': 'frozen_backbone'})
    >>> checked_metadata(ModelOutline(frozenset(["Conv"]), {**known, "facts": '{"best_score": "high"}'}), "a.onnx")
    Traceback (most recent call last):
    robotlab.errors.ModelError: best_score in the metadata of a.onnx must be a number from 0 to 1, got 'high'; fit or copy the model again
    """
    known = model.metadata
    foreign = f"{name} must be a detector of robotlab, it is another ONNX file; make one with fit"
    if "robotlab_format" not in known:
        raise ModelError(f"{foreign} (no robotlab_format in its metadata)")
    if known["robotlab_format"] != str(FORMAT):
        raise ModelError(
            f"{name} must have format {FORMAT}, it has {short(known['robotlab_format'])}; fit it again with this release"
        )
    strange = model.operators - OPERATORS
    if strange:
        raise ModelError(f"{foreign} (it holds {short(', '.join(sorted(strange)))})")

    def entry(key: str, check: Check) -> Any:
        if key not in known:
            raise ModelError(f"the metadata of {name} must hold {key}, it does not; fit or copy the model again")
        value = parse_json(known[key], f"{key} in the metadata of {name}", ModelError, refuse_nan=True)
        return _checked(key, value, check)

    def _checked(key: str, value: Any, check: Check) -> Any:
        if not check[0](value):
            raise ModelError(
                f"{key} in the metadata of {name} must be {check[1]}, got {short(value)}; fit or copy the model again"
            )
        return value

    classes, working = entry("classes", _CLASSES), entry("working", _WORKING)
    facts = entry("facts", (lambda value: type(value) is dict, "an object"))
    for key in FACTS.keys() & facts.keys():
        _checked(key, facts[key], FACTS[key])
    return tuple(classes), working["longest_px"], float(working["scale"]), facts
