"""Records of a run log: written in one format for simulated and real runs, and read back.

``start`` first, then ``picture``, ``observation``, ``event``, and ``tick``
(simulated) or ``command`` (real) as they come, ``end`` last.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from robotlab.camera import Camera
from robotlab.checks import number
from robotlab.control.checked_fields import MOST
from robotlab.detections import Detections, Detector
from robotlab.errors import InputError
from robotlab.loop.settings import Settings
from robotlab.loop.target import Observation

if TYPE_CHECKING:  # the greenhouse is not part of driving
    from robotlab.greenhouse import Scene

# Raised when a record's fields change their names or meaning.
LOG_VERSION = 2


def numbers(records: Sequence[Mapping], name: str, width: int | None = None) -> np.ndarray:
    """One entry of each record, as an array.

    Parameters
    ----------
    records : sequence of mapping
        Records of one kind.
    name : str
        Which entry.
    width : int or None
        How many numbers it holds; ``None`` for a plain number.

    Returns
    -------
    (N,) or (N, width) ndarray of float64
        One row for each record.

    Raises
    ------
    InputError
        If an entry is missing, no number, not finite, or of another width.

    Examples
    --------
    >>> numbers([{"pose": [0, 1, 2]}, {"pose": [3, 4, 5]}], "pose", 3).tolist()
    [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    """
    shape = (len(records),) if width is None else (len(records), width)
    try:
        values = np.array([record[name] for record in records]) if records else np.zeros(shape)
        if values.dtype.kind not in "biuf":  # a text of digits would become a number
            raise TypeError(f"it is of type {values.dtype}")
        values = values.astype(np.float64)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise InputError(f"{name} must be {width or 1} numbers in each record ({error})") from None
    if values.shape != shape or not (np.abs(values) < MOST).all():
        raise InputError(
            f"{name} must be {width or 1} finite numbers in each record, got an array of shape {values.shape}"
        )
    return values


def check_facts(facts: Mapping) -> None:
    """Say what is wrong with the first record of a log, if something is.

    Parameters
    ----------
    facts : mapping
        The start record.

    Raises
    ------
    InputError
        If the tick, the room or a thing in it is missing or no number.

    Examples
    --------
    >>> words = {"walk": "weave", "lighting": "dusk", "detector": "color"}
    >>> check_facts(words | {"tick_s": 0.02, "room": [0, 0, 1, 1], "path_half_m": 0.5, "things": []})
    """
    for name in ("walk", "lighting", "detector"):
        if not isinstance(facts.get(name), str):
            raise InputError(f"{name} must be a word, got {facts.get(name)!r}")
    number(facts["tick_s"], "tick_s", 1e-6, 1e3)
    number(facts["path_half_m"], "path_half_m", 0, MOST)
    numbers([facts], "room", 4)
    if not isinstance(facts["things"], list):
        raise InputError("things must be a list")
    for thing in facts["things"]:
        for name in ("kind", "shape"):
            if not isinstance(thing[name], str):
                raise InputError(f"the {name} of a thing must be a word, got {thing[name]!r}")
        for name in ("x", "y", "heading"):
            numbers([thing], name)
        numbers([thing], "size", 3)


def check_times(t_s: np.ndarray, tick_s: float) -> None:
    """Say so if the ticks of a simulated run do not come every `tick_s`.

    Parameters
    ----------
    t_s : (T,) ndarray
        Their times, s.
    tick_s : float
        From one to the next, s.

    Raises
    ------
    InputError
        If one comes too early or too late: a run of years would take all
        memory to score.

    Examples
    --------
    >>> check_times(np.array([0.0, 0.02, 0.04]), 0.02)
    """
    late = np.flatnonzero(np.abs(np.diff(t_s) - tick_s) > tick_s / 2)
    if len(late):
        before, after = t_s[late[0] : late[0] + 2].tolist()
        raise InputError(f"a tick must come every {tick_s:g} s, after the one at {before} s is one at {after} s")


def of_real_drive(velocities: Sequence[Mapping], settings: Settings) -> list[dict]:
    """Records of a real drive in the form of ticks, as far as they can say.

    Parameters
    ----------
    velocities : sequence of mapping
        What :func:`robotlab.loop.drive` wrote, each time it decided.
    settings : Settings
        Of that drive.

    Returns
    -------
    list of dict
        Time, state, and the commanded wheel speeds before the ramp.

    Raises
    ------
    InputError
        If a number is missing, or is none.

    Examples
    --------
    >>> of_real_drive([{"t": 0.5, "v": 0.25, "yaw": 1.0, "state": "follow"}], Settings())
    [{'t': 0.5, 'state': 'follow', 'command': [0.1, 0.4]}]
    """
    speeds, turns = numbers(velocities, "v"), numbers(velocities, "yaw")
    rows = np.stack(settings.drive.wheels(speeds, settings.steering_sign * turns), axis=1)
    return [
        {"t": velocity["t"], "state": velocity["state"], "command": row}
        for velocity, row in zip(velocities, rows.tolist(), strict=True)
    ]


def start_record(detector: Detector | object, camera: Camera, settings: Settings, **more: Any) -> dict:
    """The first record of a log.

    Parameters
    ----------
    detector : Detector
        Its class is named.
    camera, settings
        With all their numbers.
    **more
        What only a simulated or only a real run has.

    Returns
    -------
    dict
        Plain values.

    Examples
    --------
    >>> start_record(None, Camera(64, 48, 1.0), Settings(), real=True)["real"]
    True
    """
    return {
        "kind": "start",
        "version": LOG_VERSION,
        "detector": type(detector).__name__,
        "camera": asdict(camera),
        "settings": asdict(settings),
    } | more


def scene_facts(scene: Scene) -> dict:
    """What the first record of a simulated run says of the greenhouse.

    Parameters
    ----------
    scene : Scene
        The greenhouse.

    Returns
    -------
    dict
        Lighting, room, path, and all things but the post.

    Examples
    --------
    >>> from robotlab.greenhouse import Scene
    >>> scene_facts(Scene())["things"]
    []
    """
    things = [
        {
            "kind": thing.kind,
            "shape": thing.shape,
            "size": list(thing.size_m),
            "x": thing.x_m,
            "y": thing.y_m,
            "heading": thing.heading_rad,
        }
        for thing in scene.things
        if thing.kind != "post"
    ]
    return {"lighting": scene.lighting, "room": list(scene.room_m), "path_half_m": scene.path_half_m, "things": things}


def observation_record(index: int, t_s: float, found: Detections, observation: Observation | None) -> dict:
    """What came of one picture.

    Parameters
    ----------
    index : int
        Number of the picture.
    t_s : float
        When it was acted on.
    found : Detections
        Everything that the detector found.
    observation : Observation or None
        What was believed of it.

    Returns
    -------
    dict
        Plain values, rounded to what matters.

    Examples
    --------
    >>> observation_record(0, 0.1, Detections.none(["post"]), None)["box"] is None
    True
    """
    record = {
        "kind": "observation",
        "i": index,
        "t": round(t_s, 6),
        "found": [
            [*rounded(box), round(float(score), 4), int(label)]
            for box, score, label in zip(found.boxes, found.scores, found.labels, strict=True)
        ],
        "classes": list(found.classes),
        "box": None,
    }
    if observation is not None:
        record |= {
            "box": rounded(observation.box),
            "score": round(observation.score, 4),
            "bearing": round(observation.bearing_rad, 6),
            "distance": round(observation.distance_m, 4),
        }
    return record


def rounded(values: Iterable[float], digits: int = 3) -> list[float]:
    """Plain floats of so many decimals."""
    return [round(float(value), digits) for value in values]
