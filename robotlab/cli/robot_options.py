"""What the options of ``robotlab drive`` stand for: detector, settings, camera, wheels."""

from __future__ import annotations

import math
import re
from contextlib import ExitStack
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from robotlab.checks import number
from robotlab.cli.shared import Options, flag
from robotlab.errors import InputError, MotionError

if TYPE_CHECKING:
    from robotlab.loop import Settings
    from robotlab.robot.rehearsal import EmulatedBoard

# What can be: an option outside of it is in another unit, or mistyped (common practice, no source).
_RANGES = {
    "time": (0.1, 86400.0, "it is in seconds"),
    "max_speed": (0.001, 10.0, "it is in m/s"),
    "full_power": (0.001, 100.0, "it is in m/s"),
    "hfov": (5.0, 175.0, "it is in degrees; measure it: robotlab measure field-of-view"),
    "delay": (0.0, 5.0, "it is in seconds; measure it: robotlab measure delay"),
    "rate": (0.5, 1000.0, "it is in pictures a second"),
    "lens_height": (0.01, 10.0, "it is in meters, from the ground to the lens"),
}
# A trained detector sees no more, px.
_MOST_PX = 4_000_000
# The first floor test: slow, never backward, and no search, so that a lost target means stop (common practice, no source).
FIRST = {"max_mps": 0.3, "max_reverse_mps": 0.0, "search_s": 0.0, "max_accel_mps2": 0.5}


def check_robot_numbers(options: Options) -> None:
    """Refuse what cannot be, before a camera is opened or a person is asked."""
    for name, (low, high, repair) in _RANGES.items():
        value = getattr(options, name)
        if value is not None:
            number(value, flag(name), low, high, repair=repair)


def settings_of(options: Options, detector: Any, score: float) -> Settings:
    """What the loop goes by."""
    from robotlab.control import Motor
    from robotlab.loop import Settings

    classes = tuple(detector.classes)
    target = options.target or (classes[0] if len(classes) == 1 else "post")
    if target not in classes:
        raise InputError(
            f"--target must be one of {', '.join(classes)}, got {target!r}; choose one that the detector knows"
        )
    known = {
        item.name: item.default
        for item in fields(Settings)
        if (isinstance(item.default, int | float) or item.default is None) and item.name != "detector_px"
    }
    changes: dict[str, float] = {}
    for text in options.setting:
        name, _, value = text.partition("=")
        try:
            if name not in known:
                raise ValueError
            changes[name] = int(value) if isinstance(known[name], int) else float(value)
        except ValueError:
            raise InputError(
                f"--setting must be NAME=NUMBER with one of {', '.join(sorted(known))}, got {text!r}; check the spelling"
            ) from None
    # Told more than full power, a wheel that falls short cannot give it.
    given: dict[str, Any] = FIRST | {
        "target": target,
        "motor": Motor(max_mps=options.full_power * min(1.0, *factors_of(options))),
        "max_mps": options.max_speed,
        "frame_hz": options.rate,
        "delay_s": options.delay,
        "min_score": score,
    }
    settings = Settings(**(given | changes))
    if settings.max_mps > options.max_speed:
        raise MotionError(
            f"max_mps must be at most --max-speed, {options.max_speed:g} m/s, got {settings.max_mps:g}; raise that, if you must"
        )
    return settings


def factors_of(options: Options) -> tuple[float, float]:
    """True speed / commanded speed of the left and the right wheel."""
    try:
        left, right = (number(float(text), "factor", 0.3, 3.0) for text in options.wheel_factors.split(","))
    except ValueError:
        raise InputError(
            f"--wheel-factors must be two numbers LEFT,RIGHT from 0.3 to 3, got {options.wheel_factors!r:.40}; measure them with robotlab measure wheels"
        ) from None
    return left, right


def camera_of(options: Options) -> Any:
    """Field of view and size of the pictures."""
    from robotlab.camera import Camera

    size = re.fullmatch(r"([1-9][0-9]{1,3})x([1-9][0-9]{1,3})", options.size)
    if size is None:
        raise InputError(f"--size must be WIDTHxHEIGHT in px, such as 320x240, got {options.size!r}; write it so")
    if int(size[1]) * int(size[2]) > _MOST_PX:
        raise InputError(
            f"--size must be at most {_MOST_PX // 1_000_000} million pixels, got {options.size!r}; a robot sees enough with 320x240"
        )
    return Camera(int(size[1]), int(size[2]), math.radians(options.hfov), height_m=options.lens_height)


def wheels_of(options: Options, settings: Settings, stack: ExitStack) -> tuple[Any, EmulatedBoard | None]:
    """The motor link, and its board if that is emulated."""
    if not options.wheels:
        return None, None
    if options.wheels == "emulated":
        from robotlab.control import SerialLink
        from robotlab.robot.rehearsal import EmulatedBoard

        board = stack.enter_context(EmulatedBoard())
        link = SerialLink.open(board.port)
        stack.callback(link.close)
        return link, board
    from robotlab.robot import CalibratedLink, open_wheels

    link = open_wheels(options.wheels, options.full_power)
    stack.callback(link.close)
    return CalibratedLink(link, *factors_of(options)), None


def take_of(options: Options, camera: Any, settings: Settings, board: EmulatedBoard | None, stack: ExitStack) -> Any:
    """What takes the pictures."""
    if options.camera == "rendered":
        from robotlab.face_off import walk_named
        from robotlab.robot.rehearsal import RenderedCamera

        wheels = board.wheels if board else lambda: (0.0, 0.0)
        walk, lighting = walk_named(options.walk)
        return RenderedCamera(
            walk,
            lighting,
            camera,
            wheels,
            frame_hz=settings.frame_hz,
            delay_s=settings.delay_s,
            drive=settings.drive,
            motor=settings.motor,
            seed=options.seed,
        )
    from robotlab.robot import VideoCamera

    source = int(options.camera) if options.camera.isascii() and options.camera.isdigit() else options.camera
    size_px = (camera.width_px, camera.height_px)
    return stack.enter_context(VideoCamera(source, size_px, settings.frame_hz, settings.delay_s))


def battery_of(options: Options) -> tuple[float | None, float | None]:
    """What was given; emulated wheels have none."""
    if options.wheels == "emulated" and options.battery is None:
        return 0.0, 0.0
    return options.battery, options.battery_lowest


def address_of(text: str) -> tuple[str, int]:
    """Address and port of the live page."""
    address, colon, port = text.rpartition(":")
    address = address.strip("[]")
    if not (colon and address and port.isascii() and port.isdigit() and int(port) <= 65535) or address in (
        "0.0.0.0",
        "::",
    ):
        raise InputError(
            f"--page must be ADDRESS:PORT with one address of this machine, got {text!r}; for instance 127.0.0.1:8810, or leave it out"
        )
    return address, int(port)
