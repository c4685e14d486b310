"""What several commands share: lists of names, what is printed, options, the detector that drives."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TextIO

from robotlab.errors import InputError, ModelError, printable

if TYPE_CHECKING:
    from robotlab.camera import Camera

Options = argparse.Namespace
# What a command's module is given to add its options to: made from a name and a line of help.
Command = Callable[[str, str], argparse.ArgumentParser]


def option(
    parser: Any, usage: str, help_text: str, default: Any = None, kind: Callable[[str], Any] | None = None, **more: Any
) -> None:
    """Add an option or an argument to a parser or a group.

    Parameters
    ----------
    parser : argparse.ArgumentParser or group of one
        What it is added to.
    usage : str
        As help shows it: ``"-o --output FILE"`` takes a value, ``"--head {linear,mlp}"``
        one of these, ``"--quiet"`` none, and ``"data DATA"`` is known by its place.
    help_text : str
        The line of help.
    default : object, optional
        Value where the option is left out.  Its type sets the option's type where it is
        an int or a float and no `kind` is given: with 0.3 the value is read as a float,
        with 8888 as an int.
    kind : callable, optional
        Makes the value from its text (argparse's ``type``); the text itself is the value
        where neither this nor a number as the default is given.
    **more
        Passed on to ``add_argument``.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> option(parser, "--speed M/S", "limit of the speed", 0.3)
    >>> option(parser, "--quiet", "no progress bar")
    >>> parser.parse_args(["--speed", "1"])
    Namespace(speed=1.0, quiet=False)
    """
    *flags, place = usage.split()
    if not flags or place.startswith("-"):
        flags, place = [*flags, place], ""
    if place.startswith("{"):
        more["choices"], place = tuple(place.strip("{}").split(",")), ""
    if flags[-1].startswith("-") and not place and default is None and "choices" not in more:
        more["action"] = "store_true"
    else:
        if kind is None and isinstance(default, int | float):
            kind = type(default)
        more |= {"metavar": place or None, "default": default, "type": kind}
    parser.add_argument(*flags, help=help_text, **more)


def flag(name: str) -> str:
    """How the option is written that parsed options call by this name."""
    return f"--{name.replace('_', '-')}"


def names(text: str) -> tuple[str, ...]:
    """The names in a text such as ``"a, b"``."""
    return tuple(part.strip() for part in text.split(",") if part.strip())


def show(text: object, file: TextIO | None = None) -> None:
    """Print text that may hold names from files."""
    print(printable(text, keep="\n"), file=file, flush=True)


def say(text: object) -> None:
    """Print such text where progress goes, standard error."""
    show(text, sys.stderr)


def add_browser_options(sub: argparse.ArgumentParser) -> None:
    """For commands that start JupyterLab."""
    option(sub, "--port", "first port to try", 8888)
    option(sub, "--no-browser", "do not open a browser window, print the address")


def add_jobs_options(sub: argparse.ArgumentParser) -> None:
    """For commands whose parts run on several cores, or on a cluster."""
    option(sub, "--jobs N", "processes on this machine (default: one for each core)", kind=int)
    option(sub, "--cluster ADDRESS", "a Dask scheduler, such as tcp://10.0.0.5:8786")
    option(sub, "--quiet", "no progress bar")


def add_camera_options(sub: argparse.ArgumentParser, purpose: str = "") -> None:
    """Where a camera stands and how wide it sees; :func:`camera_of` makes it."""
    for name, usual, unit, words in (
        ("--hfov", 62.0, "DEG", "horizontal field of view"),
        ("--lens-height", 0.25, "M", "above the floor"),
        ("--pitch", 0.0, "DEG", "looking down"),
    ):
        option(sub, f"{name} {unit}", f"{purpose}{words} (default: {usual:g})", usual)


def camera_of(options: Options, size_px: tuple[int, int]) -> Camera:
    """The camera of the options of :func:`add_camera_options`."""
    import math

    from robotlab.camera import Camera

    return Camera(*size_px, math.radians(options.hfov), options.lens_height, math.radians(options.pitch))


def size_of(text: str) -> tuple[int, int]:
    """Width and height in a text such as ``"640x480"``, px."""
    sides = re.fullmatch(r"([0-9]{1,5})x([0-9]{1,5})", text)
    if sides is None:
        raise InputError(f"--size must be WIDTHxHEIGHT in px, got {text!r}; write for instance 640x480")
    return int(sides[1]), int(sides[2])


def driving_detector(options: Options) -> tuple[Any, float]:
    """The detector of ``--with``, and the score from which its detections count."""
    from robotlab.loop import Settings

    if options.who == "color":
        from robotlab.checks import number
        from robotlab.color import ColorDetector
        from robotlab.color.store import color_detector_from_json
        from robotlab.course.resources import measured

        # Fitted on the greenhouse's pictures beforehand, so that no drive has to wait for it.
        known = measured("color_detector")
        if not isinstance(known, dict) or set(known) != {"detector", "score"}:
            raise ModelError(
                "color_detector.json must hold a detector and its score, it does not; install robotlab anew"
            )
        detector = color_detector_from_json(ColorDetector, known["detector"], "color_detector.json")
        return detector, number(known["score"], "score", 0, 1, repair="install robotlab anew")
    from robotlab.neural import NeuralDetector

    model = NeuralDetector.load(options.who)
    return model, float(model.facts.get("best_score") or Settings().min_score)
