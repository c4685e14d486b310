"""Save a color detector as JSON, and read it back with every value checked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from robotlab.color.bands import band_from_json
from robotlab.color.shape_limits import Shape
from robotlab.errors import InputError, ModelError, printable, short
from robotlab.json_file import read_json

if TYPE_CHECKING:
    from robotlab.color.detector import ColorDetector

_KIND = "robotlab color detector"
_VERSION = 1
_SHAPE_KEYS = {field.name for field in fields(Shape)}


def color_detector_to_json(detector: ColorDetector) -> dict[str, Any]:
    """A color detector as plain JSON values.

    Parameters
    ----------
    detector : ColorDetector
        The detector.

    Returns
    -------
    dict
        What :func:`read_color_detector` reads.
    """
    return {
        "kind": _KIND,
        "version": _VERSION,
        "classes": list(detector.classes),
        "bands": {name: band.to_json() for name, band in detector.bands.items()},
        "shapes": {name: _shape_to_json(shape) for name, shape in detector.shapes.items()},
        "all_blobs": detector.all_blobs,
        "open_px": detector.open_px,
        "close_px": detector.close_px,
        "balance": list(detector.balance) if isinstance(detector.balance, tuple) else detector.balance,
    }


def _shape_to_json(shape: Shape) -> dict[str, Any]:
    low, high = shape.aspect
    # JSON has no infinity.
    return {**asdict(shape), "aspect": [low, high if np.isfinite(high) else None]}


def read_color_detector(make: Callable[..., ColorDetector], path: Path) -> ColorDetector:
    """A saved detector.

    Parameters
    ----------
    make : callable
        :class:`~robotlab.color.ColorDetector` itself, which calls this.
    path : Path
        The file.

    Returns
    -------
    ColorDetector
        Equal to the one saved.

    Raises
    ------
    ModelError
        If the file is missing, damaged, of another kind, or holds a value
        that breaks a rule.
    """
    return color_detector_from_json(make, read_json(path, "a color detector's file", ModelError), path)


def color_detector_from_json(make: Callable[..., ColorDetector], value: Any, name: str | Path) -> ColorDetector:
    """A color detector from plain JSON values.

    Parameters
    ----------
    make : callable
        As in :func:`read_color_detector`.
    value : object
        From :func:`color_detector_to_json`.
    name : str or Path
        How error messages call its file.

    Returns
    -------
    ColorDetector
        Equal to the one saved.

    Raises
    ------
    ModelError
        If the value is of another kind or breaks a rule.
    """
    try:
        return make(**_arguments(value))
    except InputError as error:
        raise ModelError(f"{name}: {error}") from None


def _arguments(value: Any) -> dict[str, Any]:
    again = "save the detector again"
    if not isinstance(value, dict) or value.get("kind") != _KIND:
        raise InputError(
            f'a color detector must be a JSON object of kind "{_KIND}", this is not; give a file saved by ColorDetector.save'
        )
    if value.get("version") != _VERSION:
        raise InputError(
            f"the version must be {_VERSION}, got {value.get('version')!r}; save it again with this robotlab"
        )
    keys = {"kind", "version", "classes", "bands", "shapes", "all_blobs", "open_px", "close_px", "balance"}
    if set(value) != keys:
        raise InputError(f"the keys must be {', '.join(sorted(keys))}, got {', '.join(sorted(value))}; {again}")
    classes, bands, shapes = value["classes"], value["bands"], value["shapes"]
    if not isinstance(classes, list) or not all(isinstance(name, str) and printable(name) == name for name in classes):
        raise InputError(f"classes must be a list of printable names, got {short(classes)}; {again}")
    if not (isinstance(bands, dict) and isinstance(shapes, dict) and set(shapes) == set(bands)):
        raise InputError(f"bands and shapes must be objects with the same class names, they are not; {again}")
    if not isinstance(value["all_blobs"], bool):
        raise InputError(f"all_blobs must be true or false, got {value['all_blobs']!r}; {again}")
    return {
        **{key: value[key] for key in ("classes", "all_blobs", "open_px", "close_px", "balance")},
        "bands": {name: band_from_json(band, f"the band of {name}") for name, band in bands.items()},
        "shapes": {name: _shape(name, shape) for name, shape in shapes.items()},
    }


def _shape(name: str, value: Any) -> Shape:
    if not isinstance(value, dict) or set(value) != _SHAPE_KEYS or not isinstance(value["aspect"], list):
        raise InputError(
            f"the shape of {name} must have {', '.join(sorted(_SHAPE_KEYS))}, got {value!r}; save the detector again"
        )
    aspect = [np.inf if place == 1 and end is None else end for place, end in enumerate(value["aspect"])]
    return Shape(**{**value, "aspect": tuple(aspect)})
