"""A robot in one JSON file: camera, board, power, battery, charger and settings."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from robotlab.budget.battery import Charger, Pack
from robotlab.budget.frame import check_stages
from robotlab.camera import Camera
from robotlab.checks import number
from robotlab.control import DifferentialDrive, Motor
from robotlab.control.checked_fields import LEAST, MOST
from robotlab.errors import InputError, short
from robotlab.json_file import read_json
from robotlab.loop import Settings

# Sections and their keys; those with a star must be there where the section is.
SECTIONS: dict[str, str] = {
    "camera": "*width_px *height_px *hfov_deg *frame_hz *delay_s height_m pitch_deg",
    "detector": "*smallest_px memory_mb",
    "board": "*stages_s own_threads free_memory_mb free_disk_mb network_mbps",
    "power": "*mean_w peak_w min_v max_v wanted_min depth_of_discharge",
    "battery": "*cells *capacity_ah full_v nominal_v empty_v stop_v discharge_c charge_c cell_v temperature_c",
    "charger": "*cells *current_a balances full_v",
    "page": "*kind *frame_hz watchers bits_per_px",
    "capture": "*recordings *duration_s *pictures_hz kind bits_per_px",
}
# The only values in a section that are not numbers.
_TRUTH = (bool, "true or false")
_OTHER: dict[str, tuple[Any, str]] = {
    "stages_s": (dict, "names with numbers, in braces"),
    "cell_v": (list, "numbers in brackets"),
    "own_threads": _TRUTH,
    "balances": _TRUTH,
    "kind": (str, "a word"),
}
# Where another unit is a usual mistake: what can be.
_RANGES = {
    "camera.hfov_deg": (1.0, 179.0, "give degrees"),
    "camera.pitch_deg": (-89.0, 89.0, "give degrees, looking down is positive"),
    "camera.delay_s": (0.0, 10.0, "give seconds, not milliseconds"),
}


@dataclass(frozen=True)
class RobotFile:
    """What a robot's file says.

    Parameters
    ----------
    name : str
        What the robot is called.
    camera : Camera
        Its camera.
    settings : Settings
        With what it is to be driven.
    sections : mapping of str to mapping
        The other figures, by section and key as in the file.
    pack : Pack or None
        Its battery.
    charger : Charger or None
        Its charger.

    Examples
    --------
    >>> RobotFile("mine", Camera(320, 240, 1.0)).settings.frame_hz
    10.0
    """

    name: str
    camera: Camera
    settings: Settings = field(default_factory=Settings)
    sections: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    pack: Pack | None = None
    charger: Charger | None = None


def read_robot(path: str | os.PathLike) -> RobotFile:
    """Read a robot's file.

    Parameters
    ----------
    path : path-like
        A JSON file with ``camera`` and, as far as known, ``detector``,
        ``board``, ``power``, ``battery``, ``charger``, ``page``, ``capture`` and
        ``settings``; ``robotlab/budget/example_robot.json`` is a complete one,
        explained in the instructors' guide.

    Returns
    -------
    RobotFile
        All of it, checked.

    Raises
    ------
    InputError
        If it is not JSON, a key is unknown or missing, or a value is out of range.

    Examples
    --------
    >>> from pathlib import Path
    >>> import robotlab.budget
    >>> robot = read_robot(Path(robotlab.budget.__file__).parent / "example_robot.json")
    >>> robot.name, robot.pack.cells
    ('greenhouse trolley', 3)
    """
    content = read_json(path, "a robot's file")
    known = ["robot", "settings", *SECTIONS]
    if not isinstance(content, dict):
        raise InputError(
            f"a robot's file must be a JSON object, got {short(content)}; copy example_robot.json and change it"
        )
    _refuse_unknown(content, known, "the file")
    if "camera" not in content:
        raise InputError("a robot's file must have a section camera, it has none; copy it from example_robot.json")
    name = content.get("robot", "robot")
    if not isinstance(name, str):
        raise InputError(f"robot must be the robot's name, got {short(name)}; write it in quotes")
    sections = {one: _section(one, content[one]) for one in SECTIONS if one in content}
    given = sections["camera"]
    camera = Camera(
        given["width_px"],
        given["height_px"],
        math.radians(given["hfov_deg"]),
        given.get("height_m", 0.0),
        math.radians(given.get("pitch_deg", 0.0)),
    )
    if "board" in sections:
        check_stages(sections["board"]["stages_s"])
    return RobotFile(
        name,
        camera,
        _settings(content.get("settings", {})),
        sections,
        Pack(**sections["battery"]) if "battery" in sections else None,
        Charger(**sections["charger"]) if "charger" in sections else None,
    )


def _refuse_unknown(found: Mapping[str, Any], known: list[str], where: str) -> None:
    unknown = [key for key in found if key not in known]
    if unknown:
        raise InputError(
            f"keys of {where} must be among {', '.join(known)}, got {short(unknown[0])}; check the spelling"
        )


def _section(name: str, found: Any) -> dict[str, Any]:
    """One section: known keys, all that must be there, numbers where numbers belong."""
    if not isinstance(found, dict):
        raise InputError(f"{name} must be a section in braces, got {short(found)}; copy it from example_robot.json")
    words = SECTIONS[name].split()
    _refuse_unknown(found, [word.lstrip("*") for word in words], name)
    missing = [word[1:] for word in words if word[0] == "*" and word[1:] not in found]
    if missing:
        raise InputError(
            f"{name} must have {', '.join(missing)}, it has not; measure it, or leave the whole section out"
        )
    return {key: _value(f"{name}.{key}", found[key], *_OTHER.get(key, (None, ""))) for key in found}


def _value(name: str, value: Any, kind: Any, words: str) -> Any:
    if kind is None:
        return _plain_number(name, value)
    if not isinstance(value, kind):
        raise InputError(f"{name} must be {words}, got {short(value)}; see example_robot.json")
    if kind is dict:
        return {key: _plain_number(f"{name}.{key}", one) for key, one in value.items()}
    return tuple(_plain_number(name, one) for one in value) if kind is list else value


def _plain_number(name: str, value: Any) -> float:
    """A number as JSON has it: no text, no truth value, not endless."""
    plain = not isinstance(value, bool) and isinstance(value, int | float) and abs(value) < MOST
    if not plain or 0 < abs(value) < LEAST:
        raise InputError(f"{name} must be a plain number, got {short(value)}; write it without quotes, with a dot")
    # The least that any figure here takes; each has its own range beside this.
    low, high, repair = _RANGES.get(name, (-1e3, math.inf, "give a plain number in that range"))
    return number(value, name, low, high, repair=repair)


def _settings(found: Any) -> Settings:
    if not isinstance(found, dict):
        raise InputError(f'settings must be a section in braces, got {short(found)}; for instance {{"frame_hz": 10}}')
    changes = dict(found)
    parts: tuple[tuple[str, type], ...] = (("motor", Motor), ("drive", DifferentialDrive))
    try:
        for key, value in found.items():
            if key not in ("motor", "drive", "detector_px", "target", "law", "distance_from") and value is not None:
                changes[key] = _plain_number(f"settings.{key}", value)
        for key, kind in parts:
            if key in found:
                if not isinstance(found[key], dict):
                    raise InputError(
                        f"settings.{key} must be a section in braces, got {short(found[key])}; see the guide"
                    )
                changes[key] = kind(
                    **{one: _plain_number(f"settings.{key}.{one}", value) for one, value in found[key].items()}
                )
        return Settings().but(**changes)
    except (TypeError, AttributeError) as error:
        raise InputError(
            f"settings must be those of robotlab.loop.Settings, these are not ({error}); see help(Settings)"
        ) from None
