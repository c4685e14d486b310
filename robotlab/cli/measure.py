"""``robotlab measure``: what a real robot's camera and wheels do."""

from __future__ import annotations

import math
import re
import sys
import time
from collections.abc import Callable

from robotlab.cli.shared import Command, Options, option, show
from robotlab.errors import InputError, MotionError


def add_options(command: Command) -> None:
    """Add the command and its options.

    Parameters
    ----------
    command : callable
        Makes a command of a name and a line of help.
    """
    sub = command("measure", "measure a real robot's camera and wheels: field-of-view, delay, wheels")
    option(sub, "what {field-of-view,delay,wheels}", "what to measure")
    option(sub, "--camera SOURCE", "a camera's number or device, a film, or the address of a stream")
    option(sub, "--picture FILE", "field-of-view: a picture file, in place of a camera")
    option(sub, "--distance M", "field-of-view: from lens to sheet; wheels: distance of a run (default: 1)", kind=float)
    option(sub, "--sheet WxH", "sides of the sheet as it hangs, m (default: A4)", "0.297x0.210")
    option(sub, "--light screen|pin:N", "delay: what blinks (default: this terminal)", "screen")
    option(sub, "--changes N", "delay: how often it is switched (default: 40)", 40)
    option(sub, "--wheels LINK", "wheels: serial:PORT or pins:5,6,13,19")
    option(sub, "--speed M/S", "wheels: speed, m/s (default: 0.2)", 0.2)
    option(sub, "--runs N", "wheels: how many runs (default: 3)", 3)


def run(options: Options) -> int:
    """Run the command.

    Parameters
    ----------
    options : Namespace
        What was asked for.

    Returns
    -------
    int
        0.
    """
    return {"field-of-view": _field_of_view, "delay": _delay, "wheels": _wheels}[options.what](options)


def _needed(options: Options, name: str, example: str) -> str:
    value = getattr(options, name)
    if value is None:
        raise InputError(f"measure {options.what} must be told --{name}, it was not; for instance --{name} {example}")
    return value


def _field_of_view(options: Options) -> int:
    from robotlab.image import load
    from robotlab.robot import VideoCamera, measure_field_of_view

    distance = float(_needed(options, "distance", "0.5"))
    side = r"([0-9]+\.?[0-9]*|\.[0-9]+)"
    sides = re.fullmatch(f"{side}x{side}", options.sheet)
    if not sides:
        raise InputError(f"--sheet must be width x height in m, got {options.sheet!r}; for instance 0.297x0.210")
    sheet = float(sides[1]), float(sides[2])
    if options.picture is not None:
        picture = load(options.picture)
    else:
        with VideoCamera(_needed(options, "camera", "0")) as take:
            show(
                f"Hang the sheet upright on a darker wall, {sheet[0]:g} m wide and {sheet[1]:g} m high, straight before the camera.\n"
                f"The lens is {distance:g} m from the wall, measured with a tape."
            )
            end = time.monotonic() + 1.0
            while time.monotonic() < end:  # exposure settles
                picture, _ = take()
            if take.fault:
                show(take.fault)
    found = measure_field_of_view(picture, distance, sheet)
    show(found)
    show(f"Next: robotlab drive --hfov {math.degrees(found.hfov_rad):.1f}, or hfov_rad in Settings.")
    return 0


def _delay(options: Options) -> int:
    from robotlab.robot import VideoCamera, measure_delay

    source = _needed(options, "camera", "0")
    light, done = _light(options.light)
    print("Point the camera at the light from so near that it fills the view, in a dim room.", flush=True)
    try:
        with VideoCamera(source) as take:
            found = measure_delay(take, light, options.changes)
            report = take.report()
    finally:
        done()
    show(found)
    show(report)
    if options.light == "screen":
        print("The screen's own time is in it, some 10 to 50 ms: a LED on a pin has none (--light pin:17).")
    show(f"Next: robotlab drive --delay {found.delay_s:.3f}, or VideoCamera({source!r}, delay_s={found.delay_s:.3f}).")
    return 0


def _light(name: str) -> tuple[Callable[[bool], object], Callable[[], object]]:
    """A light by its name: what switches it, and what puts all back."""
    if name == "screen":

        def paint(on: bool) -> None:
            # The whole terminal white or black (ECMA-48: SGR 107 is bright white, ED).
            sys.stdout.write(f"\x1b[{107 if on else 40}m\x1b[2J\x1b[H")
            sys.stdout.flush()

        def restore() -> None:
            sys.stdout.write("\x1b[0m\x1b[2J\x1b[H")
            sys.stdout.flush()

        if not sys.stdout.isatty():
            raise InputError(
                "--light screen must have a terminal to paint, the output is none; run it in one, or use --light pin:17"
            )
        return paint, restore
    pin = re.fullmatch("pin:([0-9]{1,2})", name)
    if not pin:
        raise InputError(f"--light must be screen or pin:N, got {name!r}; for instance pin:17")
    from robotlab.robot.pins import pin_light

    return pin_light(int(pin[1]))


def _ask(question: str) -> str:
    try:
        return input(question + " ")
    except EOFError:
        raise MotionError(f"a person must answer {question!r}, nobody did; run it in a terminal") from None


def _wheels(options: Options) -> int:
    from robotlab.robot import calibrate_wheels, open_wheels

    where = _needed(options, "wheels", "serial:/dev/ttyUSB0")
    print(
        "Tape two marks on the floor. Wheels off the ground first; a hand on the switch that cuts the motors' power;\n"
        "people and pets out of reach. A stop in software is not a safety function (IEC 60204-1, ISO 13850)."
    )
    link = open_wheels(where)
    try:
        distance = 1.0 if options.distance is None else options.distance
        found = calibrate_wheels(link, _ask, distance, options.speed, options.runs)
    finally:
        link.close()
    show(found)
    show(
        f"Next: robotlab drive --wheel-factors {found.left:.3f},{found.right:.3f}, or CalibratedLink(link, {found.left:.3f}, {found.right:.3f})."
    )
    return 0
