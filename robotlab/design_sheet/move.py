"""How a robot really steers and stops: simulated loops, swept and measured.

Nothing here uses the formulas of the prediction: gains are tried until the
swing grows, and the way to rest is read off the simulated trolley's path.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from robotlab.design_sheet.robot import Robot
from robotlab.errors import InputError
from robotlab.follow import NoFaults, Oracle, Run, Settings, Shot, default_camera, fleet, simulate
from robotlab.greenhouse import Scene, Thing, Walk
from robotlab.motion.checks import number
from robotlab.trackers import Detections

# Bearing at the start of a steering test, rad: so small that no limit of the
# robot comes into play while a swing grows slowly.
_START_RAD = 1e-3
# Frames of a steering test, at least, and for each frame that the loop lags
# behind: near its limit a late loop swings slowly.  Gains tried at once, and
# rounds of narrowing.
_FRAMES, _FRAMES_LATE, _GAINS, _ROUNDS = 400, 60, 48, 3
# Ramp rate of the steering test, Hz: delays are rounded to its steps.
_FINE_HZ = 200.0
# A target as far as this stays straight ahead and far while the robot drives, m.
_FAR_M = 400.0
# Halvings of the bracket of speeds: to less than 0.1 %.
_HALVINGS = 11


class Vanished(NoFaults):
    """The target is gone after a given picture: the tracker finds nothing.

    Parameters
    ----------
    last : int
        Number of the last picture with the target.

    Examples
    --------
    >>> len(Vanished(3).found(4, 0.4, Detections([[0, 0, 4, 9]], [1.0], [0], ["post"])))
    0
    """

    def __init__(self, last: int) -> None:
        self.last = last

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        """Nothing, or what was found."""
        return found if index <= self.last else Detections.none(found.classes)


class Hung(NoFaults):
    """The camera hangs: after a given picture no other comes.

    Parameters
    ----------
    last : int
        Number of the last picture.

    Examples
    --------
    >>> Hung(3).shots(4, 0.4, Shot(None, None, 0.0))
    []
    """

    def __init__(self, last: int) -> None:
        self.last = last

    def shots(self, index: int, t_s: float, shot: Shot) -> list[tuple[Shot, float]]:
        """Nothing, or the picture."""
        return [(shot, 0.0)] if index <= self.last else []


def measure_gain_limit(robot: Robot) -> float:
    """Steering gain from which the simulated loop swings wider and wider.

    Parameters
    ----------
    robot : Robot
        Its facts; its law and gain are replaced by plain P-control.

    Returns
    -------
    float
        1/s, to about 0.1 %.

    Raises
    ------
    InputError
        If every gain tried swings, or none.

    Notes
    -----
    The post stands far away and a little to the side; many gains are tried at
    once (:func:`robotlab.follow.fleet`), first a factor apart, then between
    the last calm one and the first that swings.

    Examples
    --------
    >>> from robotlab.motion import Motor
    >>> robot = Robot(default_camera(), 20, Settings(delay_s=0.1, motor=Motor(lag_s=0)))
    >>> round(measure_gain_limit(robot), 1)
    10.0
    """
    s = robot.settings
    settings = s.but(law="p", max_jerk=None, delay_s=s.delay_s + s.tracker_s, tracker_s=0.0, drive_gain=0.0, watch_s=None,
                     ramp_hz=max(s.ramp_hz, _FINE_HZ), motor=replace(s.motor, dead_band_mps=0.0))  # fmt: skip
    walk = standing(_FAR_M)
    late = (s.delay_s + s.tracker_s + s.motor.lag_s) * s.frame_hz + 1
    frames = max(_FRAMES, round(_FRAMES_LATE * late))
    low, high = min(0.01, 0.1 / late) * s.frame_hz, 4 * s.frame_hz
    for turn in range(_ROUNDS):
        gains = np.geomspace(low, high, _GAINS) if turn == 0 else np.linspace(low, high, _GAINS)
        runs = fleet(walk, settings, len(gains), duration_s=frames * s.frame_s, start=(0.0, 0.0, -_START_RAD), vary={"turn_gain": gains})
        # A swing that has died out leaves rounding, whose ratio says nothing.
        large = runs.bearing_error_rad
        wide = (large > 3 * _START_RAD) | ((runs.swing >= 1) & (large > 0.3 * _START_RAD))
        if wide[0] or not wide.any():
            raise InputError(f"a gain limit must lie between {low:g} and {high:g} 1/s, the simulated loop has none there; check delay and frame rate")
        first = int(wide.argmax())
        low, high = float(gains[first - 1]), float(gains[first])
    return (low + high) / 2


def measure_stop_m(robot: Robot, speed_mps: float | None = None) -> float:
    """Way from the last picture with the target to rest, simulated.

    Parameters
    ----------
    robot : Robot
        Its facts.
    speed_mps : float, optional
        Speed over the ground; the top speed when left out.

    Returns
    -------
    float
        m; the longer of two ways, one when the target vanishes and one when
        the camera hangs, both just after a picture.

    Examples
    --------
    >>> round(measure_stop_m(Robot(default_camera(), 20)), 2)
    0.65
    """
    speed = robot.top_mps if speed_mps is None else number(speed_mps, "speed_mps", 0, open_low=True)
    return max(_way_m(run, last) for run, last in (_drive(robot, speed, fault) for fault in (Vanished, Hung)))


def measure_safe_speed(robot: Robot, most_mps: float = 8.0) -> float:
    """Largest speed at which the simulated robot stops before it touches the target.

    Parameters
    ----------
    robot : Robot
        Its facts; the speed may exceed what its motors can do.
    most_mps : float
        The fastest that is tried.

    Returns
    -------
    float
        m/s over the ground; `most_mps` if even that is safe.

    Notes
    -----
    The robot drives at the target at a steady speed and gets its last picture
    at the distance it should keep.  Then the target vanishes from its
    pictures, or the camera hangs.  Halving finds the speed from which it
    touches the target.

    Examples
    --------
    >>> round(measure_safe_speed(Robot(default_camera(), 20)), 1)
    0.8
    """

    def touches(speed: float) -> bool:
        for fault in (Vanished, Hung):
            free, last = _drive(robot, speed, fault)
            # The same drive again, with the target where the last picture has it at the distance kept.
            at = free.pose[_tick_of(free, last), 0] + robot.settings.keep_m
            run, _ = _drive(robot, speed, fault, float(at))
            if any(what == "post" for _, what in run.contacts()):
                return True
        return False

    most_mps = number(most_mps, "most_mps", 0, open_low=True)
    low, high = 0.0, 0.125
    while not touches(high):
        low, high = high, 2 * high
        if high > most_mps:
            return float(most_mps)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if touches(middle) else (middle, high)
    return low


def standing(ahead_m: float) -> Walk:
    """A walk in which the post stands still, straight ahead on an endless floor.

    Parameters
    ----------
    ahead_m : float
        How far away, m.

    Returns
    -------
    Walk
        Ten seconds long; the post stays afterwards.

    Examples
    --------
    >>> standing(5.0).post_at(3.0)
    (5.0, 0.0)
    """
    scene = Scene((Thing("post", ahead_m, 0.0),), room_m=(-10.0, -_FAR_M, 3 * _FAR_M, _FAR_M))
    return Walk("standing", "The post stands still.", (0.0, 10.0), ((ahead_m, 0.0), (ahead_m, 0.0)), scene)


def _drive(robot: Robot, speed_mps: float, fault: type[Vanished] | type[Hung], ahead_m: float = _FAR_M) -> tuple[Run, int]:
    """Drive straight at a steady speed until a fault; the run, and the number of the last picture."""
    s = robot.settings
    wheel = speed_mps / (1 - s.motor.slip)
    settings: Settings = s.but(
        max_mps=wheel, motor=replace(s.motor, max_mps=max(wheel, s.motor.max_mps)),
        # Full speed up to the target: the fault comes before it would slow down.
        keep_m=1e-3, drive_gain=1e6, distance_from="nearer", target="post", gate=None, tracker_px=None, watch_s=None,
    )  # fmt: skip
    # Up to speed, its lag died out to a thousandth and more, and one second at it.
    up_s = wheel / s.max_accel + 10 * s.motor.lag_s + 1 + (0 if s.max_jerk is None else s.max_accel / s.max_jerk)
    last = math.ceil((up_s + robot.reaction_s) * s.frame_hz)
    down_s = robot.reaction_s + settings.silence_s + up_s
    # The camera's aim plays no part here: a level one, with eyes for the smallest speck.
    run = simulate(Oracle(smallest_px=0, least_visible=0), standing(ahead_m), default_camera(), settings, pictures=False,
                   duration_s=last * s.frame_s + down_s, faults=fault(last))  # fmt: skip
    return run, last


def _tick_of(run: Run, picture: int) -> int:
    return int(np.argmin(np.abs(run.t_s - run.picture_t_s[picture])))


def _way_m(run: Run, picture: int) -> float:
    return float(run.pose[-1, 0] - run.pose[_tick_of(run, picture), 0])
