"""What pictures take on the network and on the disk, and what a training takes."""

from __future__ import annotations

from robotlab.budget.answer import Answer
from robotlab.checks import number, whole
from robotlab.errors import InputError

# Bits a pixel. Raw: three bytes. JPEG (quality 90) and PNG: the most of the shipped
# pictures, real coins of 160x160 and rendered scenes of 320x240 (measured); smooth
# scenes take half, grass and gravel more.
BITS_A_PX = {"raw": 24.0, "jpeg": 3.2, "png": 12.0}
# One found box as the run log writes it, and what stands around it (measured).
BOX_BYTES, MESSAGE_BYTES = 45, 200
# Processor time of the head fit for each picture and pass, s, and the size of those
# pictures (measured on 29 and 87 shipped ones, one core of an AMD EPYC: 14 to 15 ms).
_FIT_SECONDS, _FIT_PX = 0.015, 320 * 240


def picture_bytes_of(width_px: int, height_px: int, kind: str, bits_per_px: float | None = None) -> float:
    """Bytes of one picture.

    Parameters
    ----------
    width_px, height_px : int
        Its size, px.
    kind : {"raw", "jpeg", "png"}
        How it is written.
    bits_per_px : float, optional
        Of your own pictures; else those of the shipped ones.

    Returns
    -------
    float
        A picture of no more than that, as far as the assumption goes.

    Raises
    ------
    InputError
        If the kind is unknown or a number out of range.

    Examples
    --------
    >>> picture_bytes_of(640, 480, "raw")
    921600.0
    """
    if kind not in BITS_A_PX:
        raise InputError(f"kind must be one of {', '.join(BITS_A_PX)}, got {kind!r:.60}; choose one of them")
    bits = BITS_A_PX[kind]
    if bits_per_px is not None:
        bits = number(bits_per_px, "bits_per_px", 0, 48, open_low=True, repair="8 times bytes, divided by pixels")
    return whole(width_px, "width_px", 1) * whole(height_px, "height_px", 1) * bits / 8


def _of(kind: str, bits_per_px: float | None) -> str:
    if bits_per_px is not None:
        return f"{bits_per_px:g} bits a pixel, as you say"
    return "3 bytes a pixel" if kind == "raw" else f"{BITS_A_PX[kind]:g} bits a pixel, measured on the shipped pictures"


def network_load(
    width_px: int,
    height_px: int,
    frame_hz: float,
    kind: str = "jpeg",
    watchers: int = 1,
    boxes: int = 1,
    bits_per_px: float | None = None,
) -> Answer:
    """What it takes to send what the robot sees.

    Parameters
    ----------
    width_px, height_px : int
        Size of the picture, px.
    frame_hz : float
        Pictures a second.
    kind : {"raw", "jpeg", "png", "boxes"}
        ``boxes``: no picture at all, only what was found.
    watchers : int
        Each gets its own stream.
    boxes : int
        Found in each picture.
    bits_per_px : float, optional
        Of your own pictures; else those of the shipped ones.

    Returns
    -------
    Answer
        Mbit/s (10^6 bits).

    Raises
    ------
    InputError
        If the kind is unknown or a number out of range.

    Examples
    --------
    >>> for kind in ("raw", "jpeg", "boxes"):
    ...     print(f"{float(network_load(640, 480, 30, kind)):.3f}")
    221.184
    29.491
    0.059
    """
    rate = number(frame_hz, "frame_hz", 0, 1e5, open_low=True, repair="give the pictures a second that are sent")
    count = whole(watchers, "watchers")
    if kind == "boxes":
        size: float = MESSAGE_BYTES + BOX_BYTES * whole(boxes, "boxes")
        said = f"{size:.0f} bytes a message with {boxes} boxes, as the run log writes them"
    else:
        size = picture_bytes_of(width_px, height_px, kind, bits_per_px)
        said = _of(kind, bits_per_px)
    return Answer(
        8 * size * rate * count / 1e6,
        "Mbit/s",
        f"{said}; {count} watching; a radio link carries about half of its printed rate (common practice, no source)",
    )


def capture_storage(
    recordings: int,
    duration_s: float,
    pictures_hz: float,
    width_px: int,
    height_px: int,
    kind: str = "jpeg",
    bits_per_px: float | None = None,
) -> Answer:
    """What a capture plan takes on the disk.

    Parameters
    ----------
    recordings : int
        How many.
    duration_s : float
        Of each recording, s.
    pictures_hz : float
        Pictures kept of each second.
    width_px, height_px : int
        Size of the picture, px.
    kind : {"raw", "jpeg", "png"}
        How they are written.
    bits_per_px : float, optional
        Of your own pictures; else those of the shipped ones.

    Returns
    -------
    Answer
        MB (10^6 bytes).

    Raises
    ------
    InputError
        If the kind is unknown or a number out of range.

    Examples
    --------
    >>> print(capture_storage(6, 60, 2, 640, 480))
    88.5 MB (720 pictures; 3.2 bits a pixel, measured on the shipped pictures)
    """
    count = whole(recordings, "recordings", 1)
    each = number(duration_s, "duration_s", 0, open_low=True) * number(pictures_hz, "pictures_hz", 0, open_low=True)
    size = picture_bytes_of(width_px, height_px, kind, bits_per_px)
    return Answer(count * each * size / 1e6, "MB", f"{count * each:.0f} pictures; {_of(kind, bits_per_px)}")


def training_budget(
    pictures: int, width_px: int, height_px: int, training: str = "frozen-backbone", cores: int = 2
) -> dict[str, Answer]:
    """Minutes, memory and disk of a training, before there is a picture.

    Parameters
    ----------
    pictures : int
        Of the training set.
    width_px, height_px : int
        Their size, px.
    training : {"frozen-backbone", "fine-tuning"}
        As ``robotlab fit --training`` takes it.
    cores : int
        Processor cores.

    Returns
    -------
    dict of str to Answer
        ``time``, min; ``memory`` and ``disk``, MB (2^20 bytes).

    Raises
    ------
    InputError
        If the training is unknown or a number out of range.

    Notes
    -----
    Memory and disk are those of :mod:`robotlab.neural.budget`; ``robotlab fit``
    asks the pictures themselves and says its own budget before it starts.

    Examples
    --------
    >>> budget = training_budget(200, 320, 240)
    >>> 0 < float(budget["time"]) < 1, float(budget["memory"]) < 1000, float(budget["disk"]) < 10
    (True, True, True)
    """
    from robotlab.neural.budget import (
        BASE_BYTES,
        FEATURES_BYTES_A_PX,
        READING_BYTES_A_PX,
        disk_bytes,
        memory_bytes,
        rows_bytes,
    )
    from robotlab.neural.cells import HARD_CELLS, MOST_CELLS, PASSES, RANDOM_CELLS
    from robotlab.neural.fine_tuning import USUAL_SECONDS
    from robotlab.neural.graph import head_layers
    from robotlab.neural.samples import CACHE_BYTES, USUAL_LONGEST_PX
    from robotlab.neural.spec import BACKBONE
    from robotlab.neural.windows import USUAL_COUNT, USUAL_SIDE_PX

    count, workers = whole(pictures, "pictures", 1), whole(cores, "cores", 1)
    read = whole(width_px, "width_px", 1) * whole(height_px, "height_px", 1)
    seen = read * min(1.0, USUAL_LONGEST_PX / max(width_px, height_px)) ** 2
    layers = BACKBONE + head_layers(1)
    kept = min(CACHE_BYTES, 3 * read * count) + workers * int(READING_BYTES_A_PX * read + FEATURES_BYTES_A_PX * seen)
    cells = min(MOST_CELLS, count * PASSES * (RANDOM_CELLS + HARD_CELLS))
    fit_s = count * PASSES * _FIT_SECONDS * seen / _FIT_PX / workers
    if training == "frozen-backbone":
        seconds, said = fit_s, "15 ms a pass for a picture of 320x240, measured on one core of an AMD EPYC"
        memory = BASE_BYTES + rows_bytes(cells, BACKBONE[-1].channels) + kept
    elif training == "fine-tuning":
        seconds, said = USUAL_SECONDS + fit_s / 2, "the usual time limit of fine-tuning, after half a head fit"
        memory = memory_bytes(layers, USUAL_COUNT, USUAL_SIDE_PX, USUAL_SIDE_PX, kept, torch=False, cells=cells)
    else:
        raise InputError(f"training must be frozen-backbone or fine-tuning, got {training!r:.60}; choose one of them")
    disk = disk_bytes(layers, keeps_state=training == "fine-tuning")
    return {
        "time": Answer(seconds / 60, "min", f"{workers} cores; {said}"),
        "memory": Answer(memory / 2**20, "MB", "largest of the process, within a third"),
        "disk": Answer(
            disk / 2**20,
            "MB",
            "the model file, beside an older one" + (", and the state file" if training == "fine-tuning" else ""),
        ),
    }
