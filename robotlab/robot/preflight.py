"""The preflight: what the program checks, what a person confirms, and which way the wheels turn.

Three rounds, and each begins only when the one before is all in order: what
the program can see by itself, with nothing turning; what only a person can
see; and last, with the wheels up, a slow turn whose way the person reads off.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from robotlab.camera import Camera
from robotlab.checks import error_message
from robotlab.control import MotorLink, RampThread
from robotlab.control.link import call_confirmed
from robotlab.detections import Detector
from robotlab.errors import InputError
from robotlab.loop import Follower, Settings
from robotlab.loop.limits import check_gains, check_real_limits, worst_stopping_distance_m
from robotlab.loop.perception import FreezeDetector, check_size, in_camera_px, show
from robotlab.robot.covered_lens import view_fault

# Pictures to look at; so many of them must show the target (common practice, no source).
_LOOKS, _SEEN = 20, 0.5
# A turn that is easy to see and harms nobody: speed of the wheels, m/s, and how long, s.
_TURN_MPS, _TURN_S = 0.1, 1.5
_OTHER = {"left": "right", "right": "left"}


@dataclass(frozen=True)
class Check:
    """One line of the preflight.

    Attributes
    ----------
    name : str
        What was looked at.
    ok : bool
        Whether it is in order.
    text : str
        What was found; where it is not in order, what to do.
    """

    name: str
    ok: bool
    text: str

    def __str__(self) -> str:
        return f"{'OK  ' if self.ok else 'STOP'}  {self.name}: {self.text}"


def _try(name: str, work: Callable[[], str]) -> Check:
    try:
        return Check(name, True, work())
    except Exception as error:  # whatever is wrong with a robot becomes a line
        return Check(name, False, error_message(error))


def look(
    detector: Detector,
    take: Callable,
    camera: Camera,
    settings: Settings,
    link: MotorLink | None,
    battery_v: float | None = None,
    lowest_v: float | None = None,
) -> Iterator[Check]:
    """First round: what the program can see by itself; nothing turns.

    Parameters
    ----------
    detector : Detector
        Finds the target.
    take : callable
        The camera, as for :func:`robotlab.loop.drive`.
    camera, settings
        As for the drive; the rate is measured.
    link : MotorLink or None
        Gets a HALT; ``None`` for a dry run without wheels.
    battery_v, lowest_v : float or None
        Voltage now, and the lowest that the maker allows; both 0 for a robot
        without a battery.

    Yields
    ------
    Check
        One line after the other.

    Examples
    --------
    >>> import numpy as np
    >>> from robotlab.detections import Detections, as_detector
    >>> nothing = as_detector(lambda picture: Detections.none(["post"]))
    >>> dark = lambda: np.zeros((48, 64, 3), np.uint8)
    >>> [str(check)[:12] for check in look(nothing, dark, Camera(64, 48, 1.0), Settings(), None)][:2]
    ['OK    enviro', 'STOP  camera']
    """
    from importlib.metadata import version

    yield _try("environment", lambda: ", ".join(f"{name} {version(name)}" for name in ("numpy", "onnxruntime")))
    pictures: list = []
    times: list[float] = []

    def look_through() -> str:
        live = FreezeDetector()
        for _ in range(_LOOKS):
            picture = take()
            picture = picture[0] if isinstance(picture, tuple) else picture
            check_size(picture, (camera.width_px, camera.height_px), "the camera's picture")
            times.append(time.monotonic())
            pictures.append(picture.copy())
            live.live(picture)
        wrong = view_fault(pictures[-1]) or (
            "the picture never changes; check the camera" if live.frozen > _LOOKS // 2 else ""
        )
        if wrong:
            raise InputError(wrong)
        return f"{camera.width_px} x {camera.height_px} px"

    yield _try("camera", look_through)
    if len(pictures) < _LOOKS:
        return
    frame_s = max(statistics.median(later - sooner for sooner, later in pairwise(times)), 1e-3)
    measured = f"{1 / frame_s:.1f} pictures a second"

    def rate() -> str:
        check_gains(settings, frame_s)
        return f"{measured}, slow enough gains ({settings.turn_gain:g} and {settings.drive_gain:g} 1/s)"

    yield _try("rate against gain", rate)

    def limits() -> str:
        check_real_limits(settings, camera)
        return f"at most {min(settings.max_mps, settings.motor.max_mps):g} m/s, stopping distance {worst_stopping_distance_m(settings):.2f} m"

    yield _try("limits", limits)

    follower, found = Follower(camera, settings, 0.0), []

    def target() -> str:
        busy = []
        for k, picture in enumerate(pictures):
            begun = time.perf_counter()
            boxes = show(detector, picture)
            busy.append(time.perf_counter() - begun)
            found.append(follower.observe(in_camera_px(boxes, camera, settings), 1.0 + k * frame_s))
        seen, took_s = [one for one in found if one is not None], statistics.median(busy)
        if took_s > frame_s:
            raise InputError(
                f"the detector must be done before the next picture comes, it takes {1e3 * took_s:.0f} ms of {1e3 * frame_s:.0f} ms; "
                "choose a smaller picture or a lower rate"
            )
        if len(seen) < _SEEN * len(found):
            raise InputError(
                f"the {settings.target} must be seen in half of the pictures, it was in {len(seen)} of {len(found)}; "
                "put it 1 to 3 m ahead, in the light you have trained for"
            )
        return (
            f"{settings.target} seen in {len(seen)} of {len(found)} pictures, last {seen[-1].distance_m:.2f} m away; "
            f"the detector takes {1e3 * took_s:.0f} ms"
        )

    yield _try("target", target)
    yield _try("battery", lambda: _battery(battery_v, lowest_v))
    if link is not None:

        def halt() -> str:
            call_confirmed(link.stop)
            return "the board has confirmed a HALT"

        yield _try("link", halt)


def _battery(volts: float | None, lowest: float | None) -> str:
    if volts is None or lowest is None:
        raise InputError(
            "voltage now and the lowest that the maker's data sheet allows must be given; measure, then --battery 7.6 --battery-lowest 6.6 "
            "(--battery 0 --battery-lowest 0 for a robot without one)"
        )
    if not 0 <= lowest <= volts < 100 or (volts > 0) != (lowest > 0):
        raise InputError(
            f"the battery must hold more than the lowest voltage its maker allows, got {volts:g} V and {lowest:g} V; charge it as the maker says, "
            "balanced, never unattended"
        )
    return f"{volts:g} V, at least {lowest:g} V" if volts else "none"


def _confirmed(ask: Callable[[str], str], name: str, question: str, word: str, repair: str) -> Check:
    ok = ask(f"{question} Type '{word}': ").strip().lower() == word
    return Check(name, ok, "says the person" if ok else f"not confirmed; {repair}")


def ask_before(ask: Callable[[str], str]) -> Iterator[Check]:
    """Second round: what only a person can see.

    Parameters
    ----------
    ask : callable
        Shows a question and returns what was typed.

    Yields
    ------
    Check
        One line after the other; the first that is not in order is the last.

    Examples
    --------
    >>> words = iter(["hand", "no"])
    >>> [check.ok for check in ask_before(lambda question: next(words))]
    [True, False]
    """
    for name, question, word, repair in (
        (
            "power switch",
            "Is a hand on the switch that cuts the power of the motors?",
            "hand",
            "fit one, and keep a hand on it",
        ),
        ("wheels up", "Are the driven wheels off the ground, and nothing near them?", "up", "put the robot on a block"),
    ):
        check = _confirmed(ask, name, question, word, repair)
        yield check
        if not check.ok:
            return


def check_signs(
    link: MotorLink, settings: Settings, ask: Callable[[str], str], rng: random.Random | None = None
) -> Check:
    """Third round: the wheels turn, slowly, and the person says which way.

    Parameters
    ----------
    link : MotorLink
        The wheels, off the ground.
    settings : Settings
        Wheels and steering sign.
    ask : callable
        As for :func:`ask_before`.
    rng : Random, optional
        Chooses the way, so that it cannot be guessed.

    Returns
    -------
    Check
        In order only if both answers are right.

    Examples
    --------
    >>> from robotlab.control import SimulatedLink
    >>> check_signs(SimulatedLink(), Settings(), lambda question: "both").ok
    False
    """
    side = (rng or random.Random()).choice(("left", "right"))
    yaw = settings.steering_sign * _TURN_MPS / (settings.drive.track_m / 2) * (1 if side == "left" else -1)
    # A turn to the left: the right wheel goes forward, the left one back.
    for v, turn, question, right in (
        (0.0, yaw, "Which wheel's top went forward, as seen from above: left, right, both or none?", _OTHER[side]),
        (_TURN_MPS, 0.0, "And now: left, right, both or none?", "both"),
    ):
        patience = {"link": settings.silence_s}
        with RampThread(link, settings.drive, max_accel_mps2=0.5, max_mps=_TURN_MPS, limits_s=patience) as ramp:
            end = time.monotonic() + _TURN_S
            while time.monotonic() < end and ramp.error is None:
                ramp.command(v, turn)
                time.sleep(0.05)
        if ramp.error is not None or ramp.halt_error is not None:
            return Check("signs", False, error_message(ramp.error or ramp.halt_error))
        answer = ask(question + " ").strip().lower()
        if answer != right:
            repair = (
                "the sides are swapped: --setting steering_sign=-1, or swap the two motors' plugs"
                if answer == _OTHER.get(right)
                else "check the motors' wires and plugs, one motor at a time"
            )
            return Check("signs", False, f"{right} was commanded, the person saw {answer or 'nothing'!r:.20}; {repair}")
    return Check("signs", True, "a turn and straight on, both as commanded")


def ask_last(ask: Callable[[str], str]) -> Check:
    """The last question: down on the floor, and a clear one.

    Parameters
    ----------
    ask : callable
        As for :func:`ask_before`.

    Returns
    -------
    Check
        Whether it may begin.

    Examples
    --------
    >>> ask_last(lambda question: "clear").ok
    True
    """
    question = "Robot on the floor, floor clear, people and pets out of reach, hand on the switch?"
    return _confirmed(ask, "floor", question, "clear", "clear it first")
