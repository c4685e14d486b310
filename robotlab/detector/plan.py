"""The budget of a training: time, memory and disk, before it starts."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from robotlab.detector.engine.layers import output_size
from robotlab.detector.engine.network import parameter_count
from robotlab.detector.spec import Layer
from robotlab.errors import InputError

# What Python with NumPy, onnxruntime and the pictures' library takes (measured).
BASE_BYTES = 180 * 2**20
# PyTorch's own memory beside that (measured, CPU build).
TORCH_BYTES = 300 * 2**20
# Left free on the disk, so that the machine stays usable.
SPARE_BYTES = 20 * 2**20


@dataclass(frozen=True)
class Budget:
    """What a training will take.

    Parameters
    ----------
    seconds : float
        Predicted time.
    memory_bytes : int
        Predicted largest memory of the process.
    disk_bytes : int
        Largest room of the files it writes.
    """

    seconds: float
    memory_bytes: int
    disk_bytes: int

    def __str__(self) -> str:
        minutes = self.seconds / 60
        when = f"{self.seconds:.0f} s" if self.seconds < 90 else f"{minutes:.1f} min"
        return f"about {when}, {self.memory_bytes / 2**20:.0f} MB of memory, {self.disk_bytes / 2**20:.1f} MB of disk"


def activation_count(layers: Iterable[Layer], height_px: int, width_px: int) -> int:
    """Numbers that a network keeps of one picture between forward and backward.

    Parameters
    ----------
    layers : iterable of Layer
        The network.
    height_px, width_px : int
        Of the picture.

    Returns
    -------
    int
        A convolution keeps what it gives before and after normalisation, and
        its gradient comes back through a third array; others keep one.

    Examples
    --------
    >>> activation_count([Layer("a", "conv", ("picture",), 8, stride=2)], 32, 32)
    9216
    """
    size = {"picture": (height_px, width_px)}
    channels = {"picture": 3}
    total = 3 * height_px * width_px
    for layer in layers:
        height, width = size[layer.inputs[0]]
        if layer.kind == "conv":
            height, width = output_size(layer, height, width)
        elif layer.kind == "double":
            height, width = 2 * height, 2 * width
        size[layer.name], channels[layer.name] = (height, width), layer.channels
        total += layer.channels * height * width * (3 if layer.kind == "conv" else 2)
    return total


def memory_bytes(layers: Iterable[Layer], count: int, height_px: int, width_px: int, cache_bytes: int, torch: bool) -> int:
    """Largest memory of full training.

    Parameters
    ----------
    layers : iterable of Layer
        Features and head.
    count, height_px, width_px : int
        Windows of a step.
    cache_bytes : int
        Pictures kept in memory.
    torch : bool
        Which engine.

    Returns
    -------
    int
        An estimate, within a third of what was measured.
    """
    layers = tuple(layers)
    activations = 4 * count * activation_count(layers, height_px, width_px)
    # Weights, gradients, two moments, the average, the best, and a copy on the way.
    weights = 4 * 7 * parameter_count(layers)
    return BASE_BYTES + (TORCH_BYTES if torch else 0) + activations + weights + cache_bytes


def head_memory_bytes(cells: int, channels: int, cache_bytes: int) -> int:
    """Largest memory of a head fit.

    Parameters
    ----------
    cells : int
        Rows that the fit will see.
    channels : int
        Features of each.
    cache_bytes : int
        Pictures kept in memory.

    Returns
    -------
    int
        The rows are there in parts, joined, brought to mean 0 and spread 1, and
        those with a box in double precision: five times in all.
    """
    return BASE_BYTES + 5 * 4 * cells * channels + cache_bytes


def disk_bytes(layers: Iterable[Layer], keeps_state: bool) -> int:
    """Room that the files of a training need at most.

    Parameters
    ----------
    layers : iterable of Layer
        Features and head.
    keeps_state : bool
        Whether a state file is written.

    Returns
    -------
    int
        A file is written beside the old one before it takes its place, so each
        counts twice.
    """
    model = 4 * parameter_count(layers) + 20_000
    state = 5 * model if keeps_state else 0
    return 2 * (model + state)


def check_disk(folder: str | os.PathLike, needed_bytes: int) -> None:
    """Refuse to start when the disk is too small.

    Parameters
    ----------
    folder : path-like
        Where files will be written; the nearest folder that exists is asked.
    needed_bytes : int
        What they need.

    Raises
    ------
    InputError
        If that, and a little to spare, is not free.

    Examples
    --------
    >>> check_disk(".", 1)
    """
    place = Path(folder).absolute()
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free
    if free < needed_bytes + SPARE_BYTES:
        raise InputError(
            f"training needs {(needed_bytes + SPARE_BYTES) / 2**20:.0f} MB of free disk at {place}, there are "
            f"{free / 2**20:.0f} MB; free some, or write to another disk"
        )
