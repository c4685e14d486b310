"""What a sweep may vary, and what each value means for the loop."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from robotlab.camera import Camera
from robotlab.checks import number, whole
from robotlab.control import Motor
from robotlab.errors import InputError
from robotlab.greenhouse import LIGHTINGS, WALKS
from robotlab.loop import Settings, default_camera
from robotlab.optics import focal_px


@dataclass(frozen=True)
class Parameter:
    """One thing that a plan may fix or vary.

    Parameters
    ----------
    name : str
        With its unit.
    text : str
        What it is.
    usual : float, int or str
        Its value where a plan says nothing.
    low, high : float
        Limits of a number.
    words : tuple of str
        What a word may be; empty for a number.
    whole : bool
        Whole numbers only.
    """

    name: str
    text: str
    usual: Any
    low: float = 0.0
    high: float = math.inf
    words: tuple[str, ...] = ()
    whole: bool = False


_USUAL = Settings()
_CAMERA = default_camera()
# Standard deviation of each edge of a box, px of the network's input, and the least height
# of a post that is found: about the trained detector on the shipped recordings.
_EDGE_PX, _SMALLEST_PX = 1.0, 12.0

PARAMETERS: dict[str, Parameter] = {
    p.name: p
    for p in (
        Parameter("hfov_deg", "the lens: horizontal field of view", round(math.degrees(_CAMERA.hfov_rad), 1), 5, 170),
        Parameter("width_px", "the camera: width of its picture (4:3)", _CAMERA.width_px, 32, 4096, whole=True),
        Parameter("input_px", "width at which the detector sees the picture", _CAMERA.width_px, 32, 4096, whole=True),
        Parameter("detector", "what finds the post", "color"),
        Parameter("miss_rate", "probability that the detector misses the target in a picture", 0.0, 0, 1),
        Parameter("edge_noise_px", "standard deviation of each edge of a box, px of the input", _EDGE_PX, 0, 1000),
        Parameter("smallest_px", "least height of a post that is found, px of the input", _SMALLEST_PX, 1, 4096),
        Parameter("turn_gain", "steering gain, 1/s", _USUAL.turn_gain, 0, 100),
        Parameter("drive_gain", "gain of the distance, 1/s", _USUAL.drive_gain, 0, 100),
        Parameter("latency_s", "from the picture to the command", _USUAL.delay_s, 0, 5),
        Parameter("frame_hz", "pictures a second", _USUAL.frame_hz, 0.5, 200),
        Parameter("lag_s", "time constant of the motors", _USUAL.motor.lag_s, 0, 5),
        Parameter("max_mps", "highest speed asked for", _USUAL.max_mps, 0.01, 5),
        Parameter("max_accel_mps2", "acceleration limit of the ramp", _USUAL.max_accel_mps2, 0.01, 50),
        Parameter("following_distance_m", "distance kept", _USUAL.following_distance_m, 0.3, 20),
        Parameter("start_yaw_deg", "how far the trolley looks away from its path at the start", 0.0, -60, 60),
        Parameter("walk", "how the post moves", "weave", words=tuple(WALKS)),
        Parameter("lighting", "the light", "daylight", words=tuple(LIGHTINGS)),
        Parameter("seed", "of the chance in a run", 0, 0, 2**32 - 1, whole=True),
    )
}


def checked_value(name: str, value: Any, detectors: tuple[str, ...]) -> Any:
    """One value of a parameter, or an error that says what it may be.

    Parameters
    ----------
    name : str
        Of the parameter.
    value : object
        From the plan.
    detectors : tuple of str
        Names that ``detector`` may take.

    Returns
    -------
    float, int or str
        The value.

    Raises
    ------
    InputError
        If it is out of its range.

    Examples
    --------
    >>> checked_value("turn_gain", 2, ())
    2.0
    """
    if name not in PARAMETERS:
        raise InputError(f"a parameter must be one of {', '.join(PARAMETERS)}, got {name}; check the spelling")
    parameter = PARAMETERS[name]
    words = detectors if name == "detector" else parameter.words
    if name == "detector" or words:
        if value not in words:
            raise InputError(f"{name} must be one of {', '.join(words)}, got {value}; choose one of them")
        return value
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError(f"{name} must be a number, got {value!r}; write it without quotes")
    if parameter.whole:
        checked = whole(value, name, int(parameter.low))
        return int(number(checked, name, parameter.low, parameter.high))
    return number(value, name, parameter.low, parameter.high)


def settings_of(row: Mapping[str, Any]) -> Settings:
    """Settings of the loop for one row of a plan.

    Parameters
    ----------
    row : mapping
        A value for each parameter.

    Returns
    -------
    Settings
        For :func:`robotlab.loop.simulate` and ``simulate_many``.

    Examples
    --------
    >>> usual = {name: p.usual for name, p in PARAMETERS.items()}
    >>> settings_of({**usual, "turn_gain": 2.0}).turn_gain
    2.0
    """
    same = ("turn_gain", "drive_gain", "frame_hz", "max_mps", "max_accel_mps2", "following_distance_m")
    return Settings(
        **{name: row[name] for name in same},
        delay_s=row["latency_s"],
        motor=replace(Motor(), lag_s=row["lag_s"]),
        detector_px=(_even(row), round(_even(row) * 3 / 4)),
    )


def camera_of(row: Mapping[str, Any]) -> Camera:
    """The camera of one row; its picture is 4:3, and it stands as the usual one.

    Parameters
    ----------
    row : mapping
        A value for each parameter.

    Returns
    -------
    Camera
        With that lens and size.

    Examples
    --------
    >>> usual = {name: p.usual for name, p in PARAMETERS.items()}
    >>> camera_of({**usual, "width_px": 640}).height_px
    480
    """
    width = row["width_px"]
    return replace(_CAMERA, width_px=width, height_px=round(width * 3 / 4), hfov_rad=math.radians(row["hfov_deg"]))


def _even(row: Mapping[str, Any]) -> int:
    """Width that the detector sees: never more than the camera gives."""
    return int(min(row["input_px"], row["width_px"]))


def noise_of(row: Mapping[str, Any]) -> dict[str, float]:
    """What a run without pictures is told of the detector and the lens.

    Parameters
    ----------
    row : mapping
        A value for each parameter.

    Returns
    -------
    dict of str to float
        For ``vary`` of :func:`robotlab.loop.simulate_many`.

    Notes
    -----
    With f the focal length in px of the input, s the spread of an edge, H the
    post's height and Z the distance kept (pinhole camera, Hartley & Zisserman,
    2nd ed., ch. 6): the middle of two edges spreads by ``s / sqrt(2)``, so the
    bearing by ``s / (sqrt(2) f)``; the height by ``sqrt(2) s``, so the
    logarithm of the distance by ``sqrt(2) s Z / (f H)``; and a post is
    ``smallest_px`` tall at ``f H / smallest_px``.

    Examples
    --------
    >>> usual = {name: p.usual for name, p in PARAMETERS.items()}
    >>> round(noise_of({**usual, "smallest_px": 20})["farthest_m"], 2)
    6.63
    """
    focal = focal_px(_even(row), math.radians(row["hfov_deg"]))
    height = _USUAL.target_height_m
    return {
        "bearing_noise_rad": row["edge_noise_px"] / (math.sqrt(2) * focal),
        "distance_noise": math.sqrt(2) * row["edge_noise_px"] * row["following_distance_m"] / (focal * height),
        "miss_rate": row["miss_rate"],
        "farthest_m": focal * height / row["smallest_px"],
    }
