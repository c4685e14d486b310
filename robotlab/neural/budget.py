"""The budget of a training: time, memory and disk, before it starts."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from robotlab.errors import InputError
from robotlab.files import free_disk
from robotlab.neural.engine.layers import output_size
from robotlab.neural.engine.network import parameter_count
from robotlab.neural.samples import CACHE_BYTES, SampleSource
from robotlab.neural.spec import BACKBONE, Layer

# What Python with NumPy, onnxruntime and the pictures' library takes (measured).
BASE_BYTES = 180 * 2**20
# PyTorch's own memory beside that (measured, CPU build).
TORCH_BYTES = 300 * 2**20
# A picture while it is read, for each of its pixels: file, decoded, converted
# (measured on 12 million pixels).
READING_BYTES_A_PX = 15
# The network while it looks, for each pixel that it sees: the light changed, the
# features (measured from 320x240 to 4000x3000), and the finished detector beside it.
FEATURES_BYTES_A_PX = 160
DETECTOR_BYTES_A_PX = 90
# Pictures are looked at side by side, one a core, as far as this memory goes.
SIDE_BY_SIDE_BYTES = 2**30
# Left free on the disk, so that the machine stays usable.
SPARE_BYTES = 20 * 2**20


@dataclass(frozen=True)
class TrainingBudget:
    """What a training will take.

    Parameters
    ----------
    duration_s : float
        Predicted time.
    memory_bytes : int
        Predicted largest memory of the process.
    disk_bytes : int
        Largest room of the files it writes.
    """

    duration_s: float
    memory_bytes: int
    disk_bytes: int

    def __str__(self) -> str:
        minutes = self.duration_s / 60
        when = f"{self.duration_s:.0f} s" if self.duration_s < 90 else f"{minutes:.1f} min"
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
        A convolution keeps what it gives before and after normalization, and
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
        elif layer.kind == "upsample":
            height, width = 2 * height, 2 * width
        size[layer.name], channels[layer.name] = (height, width), layer.channels
        total += layer.channels * height * width * (3 if layer.kind == "conv" else 2)
    return total


def memory_bytes(
    layers: Iterable[Layer],
    count: int,
    height_px: int,
    width_px: int,
    cache_bytes: int,
    torch: bool,
    cells: int = 0,
    workers: int = 0,
) -> int:
    """Largest memory of fine-tuning.

    Parameters
    ----------
    layers : iterable of Layer
        Features and head.
    count, height_px, width_px : int
        Windows of a step.
    cache_bytes : int
        Pictures, kept and on the way: see :func:`pictures_bytes`.
    torch : bool
        Which engine.
    cells : int
        Rows of the head fit that comes first.
    workers : int
        Threads of the engine: each keeps padded pictures of every layer's size and the columns of one, of a picture
        and of its halves, at full scale and reduced: together .8 of a window's activations, counted by hand for
        windows of 160 to 240 px.  0 leaves them out.

    Returns
    -------
    int
        An estimate, within a third of what was measured.

    Examples
    --------
    >>> small, large = (memory_bytes(BACKBONE, 5, side, side, 0, torch=False) for side in (160, 240))
    >>> large > small, memory_bytes(BACKBONE, 5, 240, 240, 0, torch=False, workers=16) > large
    (True, True)
    """
    layers = tuple(layers)
    # No layer has more shares of work.
    windows = count + 0.8 * min(workers, 2 * count + 1)
    activations = round(4 * windows * activation_count(layers, height_px, width_px))
    # Weights, gradients, two moments, the average, the best, and a copy on the way.
    weights = 4 * 7 * parameter_count(layers)
    first = rows_bytes(cells, BACKBONE[-1].channels)
    return BASE_BYTES + (TORCH_BYTES if torch else 0) + max(activations + weights, first) + cache_bytes


def rows_bytes(cells: int, channels: int) -> int:
    """Memory of the rows of a head fit.

    Parameters
    ----------
    cells : int
        Rows that the fit will see.
    channels : int
        Features of each.

    Returns
    -------
    int
        The rows are there in parts, joined, brought to mean 0 and spread 1, and
        those with a box in double precision: five times in all.
    """
    return 5 * 4 * cells * channels


def pictures_bytes(source: SampleSource, workers: int) -> int:
    """Memory of the pictures of a training, kept and on their way through the network.

    Parameters
    ----------
    source : SampleSource
        The pictures.
    workers : int
        So many are on the way at once.

    Returns
    -------
    int
        Without the rows or windows that are learned from.
    """
    seen = _largest(source)[1]
    return min(CACHE_BYTES, source.bytes_in_all()) + workers * _one_picture_bytes(source) + DETECTOR_BYTES_A_PX * seen


def workers_within(source: SampleSource, cores: int) -> int:
    """How many pictures to look at side by side: one a core, as far as memory goes.

    Parameters
    ----------
    source : SampleSource
        The pictures.
    cores : int
        Processor cores.

    Returns
    -------
    int
        At least 1.
    """
    return max(1, min(cores, SIDE_BY_SIDE_BYTES // _one_picture_bytes(source)))


def _one_picture_bytes(source: SampleSource) -> int:
    read, seen = _largest(source)
    return READING_BYTES_A_PX * read + FEATURES_BYTES_A_PX * seen


def _largest(source: SampleSource) -> tuple[int, int]:
    """Most pixels of a picture as it is read, and as the network sees it."""
    read = max(entry.width_px * entry.height_px for entry in source.data.pictures)
    return read, max(width * height for width, height in source.sizes_and_sides()[0])


def free_memory_bytes() -> int | None:
    """Memory that this process may still take.

    Returns
    -------
    int or None
        On Linux what is available, within the limit of a container; elsewhere
        all that the machine has; ``None`` where the system does not say.
    """
    known = []
    try:
        lines = dict(line.split(":", 1) for line in Path("/proc/meminfo").read_text().splitlines())
        known.append(1024 * int(lines["MemAvailable"].split()[0]))
        # Control group version 2: "max" where there is no limit.
        group = Path("/sys/fs/cgroup")
        known.append(int((group / "memory.max").read_text()) - int((group / "memory.current").read_text()))
    except (OSError, ValueError, KeyError):
        pass
    if not known and hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        known.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return max(0, min(known)) if known else None


def check_memory(needed_bytes: int) -> None:
    """Refuse to start when the machine has not the memory.

    Parameters
    ----------
    needed_bytes : int
        What the whole process will need.

    Raises
    ------
    InputError
        If less than that is free, beside what Python has taken already.

    Examples
    --------
    >>> check_memory(1)
    """
    free = free_memory_bytes()
    if free is not None and needed_bytes - BASE_BYTES > free:
        raise InputError(
            f"training needs about {needed_bytes / 2**20:.0f} MB of memory, this machine has {(free + BASE_BYTES) / 2**20:.0f} MB free; "
            "close other programs, make the pictures smaller, or choose fewer with --recordings"
        )


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

    Examples
    --------
    >>> disk_bytes(BACKBONE, keeps_state=True) == 6 * disk_bytes(BACKBONE, keeps_state=False)
    True
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
    place, free = free_disk(folder)
    if free < needed_bytes + SPARE_BYTES:
        raise InputError(
            f"training needs {(needed_bytes + SPARE_BYTES) / 2**20:.0f} MB of free disk at {place}, there are "
            f"{free / 2**20:.0f} MB; free some, or write to another disk"
        )
