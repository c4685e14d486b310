"""Calibrate the wheels: drive a taped distance and measure how far they really went."""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

from robotlab.checks import number, whole
from robotlab.control import DifferentialDrive, MotorLink, RampThread, stopping_distance_m
from robotlab.control.link import call_confirmed
from robotlab.errors import MotionError

# Gentle: the same ramp that a first drive has.
_ACCEL_MPS2 = 0.3
# A tape is read to about this, m (common practice, no source).
_TAPE_M = 0.002
# A factor beyond this is a mistake in wiring or typing, and no factor.
_LEAST, _MOST = 0.3, 3.0
_LIFTED = (
    "The wheels are off the ground, and nothing can touch them?",
    "A hand is on the switch that cuts the motors' power?",
)
_CLEAR = (
    "The robot stands at the first mark, with its wheels on the line?",
    "The floor is clear for twice the way, people and pets are out of reach, a hand is on the power switch?",
)


@dataclass(frozen=True)
class WheelCalibration:
    """What the wheels did in place of what they were told.

    Attributes
    ----------
    left, right : float
        True speed divided by commanded speed.
    error : float
        Standard error of both.
    runs : int
        Runs that were measured.
    """

    left: float
    right: float
    error: float
    runs: int

    def __str__(self) -> str:
        return (
            f"left wheel {self.left:.3f}, right wheel {self.right:.3f} of the commanded speed, "
            f"give or take {2 * self.error:.3f} (95 %), from {self.runs} runs"
        )


class CalibratedLink:
    """A motor link that corrects each wheel by its own factor.

    Parameters
    ----------
    link : MotorLink
        The motors.
    left, right : float
        True speed divided by commanded speed, of :func:`calibrate_wheels`.

    Examples
    --------
    >>> from robotlab.control import SimulatedLink
    >>> link = SimulatedLink()
    >>> CalibratedLink(link, left=0.5, right=1.0).send(0.1, 0.1)
    >>> link.sent[-1][1:]
    (0.2, 0.1)
    """

    def __init__(self, link: MotorLink, left: float, right: float) -> None:
        self._link = link
        # Who owns the motors is told by the stream (RampThread).
        self.stream = getattr(link, "stream", link)
        self._left, self._right = number(left, "left", _LEAST, _MOST), number(right, "right", _LEAST, _MOST)

    def send(self, left_mps: float, right_mps: float) -> object:
        """Drive the wheels at these true speeds.

        Parameters
        ----------
        left_mps, right_mps : float
            Speeds over the ground, m/s.

        Returns
        -------
        object
            What the link returns.
        """
        return self._link.send(left_mps / self._left, right_mps / self._right)

    def stop(self) -> object:
        """Ramp down and let go of the motors.

        Returns
        -------
        object
            What the link returns.
        """
        return self._link.stop()


class _Counting:
    """A link that adds up the way of the commands that were confirmed."""

    def __init__(self, link: MotorLink) -> None:
        self._link, self.stream = link, getattr(link, "stream", link)
        self.way_m, self._speed, self._since = 0.0, 0.0, time.monotonic()

    def send(self, left_mps: float, right_mps: float) -> object:
        call_confirmed(self._link.send, left_mps, right_mps)
        self._count((left_mps + right_mps) / 2)
        return None

    def stop(self) -> object:
        call_confirmed(self._link.stop)
        self._count(0.0)
        return None

    def _count(self, speed: float) -> None:
        now = time.monotonic()
        self.way_m += self._speed * (now - self._since)
        self._speed, self._since = speed, now


def drive_straight(link: MotorLink, distance_m: float, speed_mps: float) -> float:
    """Drive straight on for a distance, by time and commanded speed, and stop.

    Parameters
    ----------
    link : MotorLink
        The motors.
    distance_m : float
        How far.
    speed_mps : float
        Largest speed on the way.

    Returns
    -------
    float
        Way that the confirmed commands add up to, m.

    Raises
    ------
    MotionError
        If the link fails, or a number is out of range; the motors have been stopped then.

    Examples
    --------
    >>> from robotlab.control import SimulatedLink
    >>> abs(drive_straight(SimulatedLink(), 0.02, 0.1) - 0.02) < 0.01
    True
    """
    distance, speed = number(distance_m, "distance_m", 0.01, 5.0), number(speed_mps, "speed_mps", 0.02, 0.5)
    counting = _Counting(link)
    # A short way ends before its full speed is reached.
    speed = min(speed, math.sqrt(distance * _ACCEL_MPS2))
    patience = time.monotonic() + 2 * distance / speed + 2.0
    with RampThread(counting, DifferentialDrive(), max_accel_mps2=_ACCEL_MPS2, max_mps=0.5) as ramp:
        while counting.way_m + stopping_distance_m(counting._speed, _ACCEL_MPS2) < distance and ramp.error is None:
            if time.monotonic() > patience:
                raise MotionError("the way must be driven in time, it was not; check link and power")
            ramp.command(speed, 0.0)
            time.sleep(0.01)
    if ramp.error is not None or ramp.halt_error is not None:
        raise MotionError(str(ramp.error or ramp.halt_error))
    return counting.way_m


def calibrate_wheels(
    link: MotorLink, ask: Callable[[str], str], distance_m: float = 1.0, speed_mps: float = 0.2, runs: int = 3
) -> WheelCalibration:
    """Drive between two marks, ask how far each wheel came, and tell the factors.

    Parameters
    ----------
    link : MotorLink
        The motors, uncalibrated.
    ask : callable
        Puts a question and returns the answer; ``input`` will do.  Each
        caution must be answered with ``yes``, or nothing moves.
    distance_m : float
        Way of each run, m.
    speed_mps : float
        Speed, m/s.
    runs : int
        How often.

    Returns
    -------
    WheelCalibration
        For :class:`CalibratedLink`.

    Raises
    ------
    MotionError
        If a caution is not answered with yes, a wheel turns backward, a way
        is not a number or can be none, or the link fails.

    Examples
    --------
    >>> from robotlab.control import SimulatedLink
    >>> calibrate_wheels(SimulatedLink(), ask=lambda question: "no")
    Traceback (most recent call last):
    robotlab.errors.MotionError: each caution must be answered with yes before a wheel turns, got 'no'; nothing was moved
    """
    runs = whole(runs, "runs", 2)
    distance, speed = number(distance_m, "distance_m", 0.2, 5.0), number(speed_mps, "speed_mps", 0.02, 0.5)
    _confirm(ask, _LIFTED)
    drive_straight(link, 0.1, 0.1)
    if _word(ask("Did both wheels turn forward?")) != "yes":
        raise MotionError(
            "both wheels must turn forward, they did not; swap the wires or the pins of the one that did not"
        )
    factors: list[tuple[float, float]] = []
    for run in range(runs):
        _confirm(ask, _CLEAR)
        way = drive_straight(link, distance, speed)
        measured = []
        for side in ("left", "right"):
            answer = ask(f"Run {run + 1} of {runs}: how far did the {side} wheel come, in m?")
            try:
                came = float(_word(answer).replace(",", "."))
            except ValueError:
                came = math.nan
            if not _LEAST < came / way < _MOST:
                raise MotionError(
                    f"the way must be a number of meters near {way:.2f}, got {answer!r:.40}; measure from mark to mark and begin again"
                )
            measured.append(came / way)
        factors.append((measured[0], measured[1]))
    left, right = ([pair[side] for pair in factors] for side in (0, 1))
    spread = max(statistics.stdev(left), statistics.stdev(right), _TAPE_M / distance)
    return WheelCalibration(statistics.fmean(left), statistics.fmean(right), spread / math.sqrt(runs), runs)


def _word(answer: object) -> str:
    return str(answer).strip().lower()


def _confirm(ask: Callable[[str], str], cautions: tuple[str, ...]) -> None:
    for caution in cautions:
        answer = ask(f"{caution} (yes/no)")
        if _word(answer) != "yes":
            raise MotionError(
                f"each caution must be answered with yes before a wheel turns, got {answer!r:.40}; nothing was moved"
            )
