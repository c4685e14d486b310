"""Measure how a robot steers and stops, on the simulated loop.

Nothing here uses the formulas of the prediction.  The same simulation that
runs the lessons (camera, detector's box, follower, ramp, link, motors, step by
step) is tried at one gain after another until the oscillation grows, and the
way to rest is read off the trolley's path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

import numpy as np
from scipy.optimize import brentq

from robotlab.checks import number
from robotlab.control import find_ultimate_gain
from robotlab.design_sheet.predictions import Robot
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.greenhouse import Scene, Thing, Walk
from robotlab.loop import FaultModel, GroundTruthDetector, Run, Settings, default_camera, simulate
from robotlab.loop.fault_model import CameraFrame

# Bearing at the start of a steering test, rad: so small that no limit of the
# robot comes into play while the oscillation grows slowly; ten times as wide
# has grown.
_START_RAD, _GROWN = 1e-3, 10
# Frames of a steering test, at least, and for each frame that the loop lags
# behind: near its limit a late loop swings slowly.  First gain, times frame
# rate over frames late; width of the last bracket, as a share.
_FRAMES, _FRAMES_LATE, _FIRST, _TOLERANCE = 120, 40, 0.4, 0.005
# No loop of the course needs more than this, times the frame rate: 2 is the limit without any delay.
_MOST = 4.0
# Finds the smallest speck: the camera's aim and the detector play no part here.
_SEES_ALL = GroundTruthDetector(smallest_px=0, least_visible=0)
# A target as far as this stays straight ahead and far while the robot drives, m.
_FAR_M = 400.0
# How exactly the largest safe speed is found, as a share.
_SPEED_TOLERANCE = 0.005


@dataclass
class _ComputerHangs(FaultModel):
    """The computer hangs, and the link falls silent; never unless a time is given."""

    silent_s: float = math.inf

    def link(self, t_s: float) -> bool:
        return t_s < self.silent_s - 1e-9


@dataclass(kw_only=True)
class _TargetVanishes(_ComputerHangs):
    """After the picture of number `last` the detector finds nothing; later the computer may hang too."""

    last: int

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        return Detections.none(found.classes) if index > self.last else found


@dataclass(kw_only=True)
class _CameraHangs(_ComputerHangs):
    """After the picture of number `last` no other comes; later the computer may hang too."""

    last: int

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        return [] if index > self.last else [(frame, 0.0)]


def measure_ultimate_gain(robot: Robot) -> float:
    """Ultimate gain of the stepped simulated loop, by trying.

    Parameters
    ----------
    robot : Robot
        Its facts; its law and gain are replaced by plain P control.

    Returns
    -------
    float
        1/s, to about 1 %.

    Raises
    ------
    InputError
        If no gain makes it oscillate.

    Notes
    -----
    The post stands far away and a little to the side.  As on a robot, one gain
    after another is tried: half as large again while the oscillation dies out,
    then between the last calm one and the first that does not.  Boxes, clocks,
    ramp and motors are those of :func:`robotlab.loop.simulate`, which knows
    nothing of the formula; only a dead band is left out.

    Examples
    --------
    >>> from robotlab.control import Motor
    >>> robot = Robot(default_camera(), 20, Settings(delay_s=0.1, motor=Motor(lag_s=0)))
    >>> round(measure_ultimate_gain(robot), 1)
    10.0
    """
    s = robot.settings
    # A target at infinity stays ahead; a small bearing must reach the motors.
    settings = s.but(
        law="p",
        max_jerk_mps3=None,
        drive_gain=0.0,
        gate=None,
        detector_px=None,
        motor=replace(s.motor, dead_band_mps=0.0),
    )
    late = (s.latency_s + s.motor.lag_s) * s.frame_hz + 1
    duration_s = max(_FRAMES, round(_FRAMES_LATE * late)) * s.frame_s

    def bearings(gain: float) -> np.ndarray:
        run = _far_run(settings.but(turn_gain=gain), duration_s, start=(0.0, 0.0, -_START_RAD))
        # What has grown ten times as wide is unstable, whatever limits hold it later.
        return np.where(np.abs(run.true_bearings_rad) > _GROWN * _START_RAD, math.inf, run.true_bearings_rad)

    most = _MOST * s.frame_hz
    search = find_ultimate_gain(bearings, _FIRST * s.frame_hz / late, _TOLERANCE, most, dies_out=1.0)
    if search.ultimate_gain >= most:
        raise InputError(
            f"an ultimate gain must lie below {most:g} 1/s, the simulated loop has none there; check delay and frame rate"
        )
    return search.ultimate_gain


def measure_stop_m(robot: Robot, speed_mps: float | None = None) -> float:
    """Way from the last good picture to rest, simulated.

    Parameters
    ----------
    robot : Robot
        Its facts.
    speed_mps : float, optional
        Speed over the ground; the top speed when left out.

    Returns
    -------
    float
        m; the longest of four: the target vanishes, or the camera and with it
        the loop hang, both just after a picture; and each of them once more
        with a computer that hangs just before it would have braked, so that
        the motor board stops by its own time-out.

    Examples
    --------
    >>> round(measure_stop_m(Robot(default_camera(), 20)), 2)
    0.85
    """
    speed = robot.top_mps if speed_mps is None else number(speed_mps, "speed_mps", 0, open_low=True)
    return max(_distance_to_rest_m(robot, speed, hung) for hung in (False, True))


def measure_safe_speed(robot: Robot, most_mps: float = 8.0) -> float:
    """Largest speed from which the simulated robot stops before it touches the target.

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
    at the distance it should keep.  Then what :func:`measure_stop_m` breaks is
    broken.  A root search finds the speed at which the way to rest is as long
    as the way to contact.

    Examples
    --------
    >>> round(measure_safe_speed(Robot(default_camera(), 20)), 2)
    0.66
    """
    most_mps = number(most_mps, "most_mps", 0, open_low=True)
    # The search begins at both ends of the bracket, which are known by then.
    stop_m = cache(partial(measure_stop_m, robot))
    low, high = 0.0, 0.25
    while stop_m(high) < robot.free_m:
        low, high = high, 2 * high
        if high > most_mps:
            return float(most_mps)

    def excess_m(speed: float) -> float:
        # At 0 the distance is 0; there is nothing to simulate.
        return (stop_m(speed) if speed else 0.0) - robot.free_m

    return float(brentq(excess_m, low, high, rtol=_SPEED_TOLERANCE))


def standing(ahead_m: float) -> Walk:
    """A walk in which the post stands still, straight ahead on an endless floor.

    Parameters
    ----------
    ahead_m : float
        How far away, m.

    Returns
    -------
    Walk
        Ten seconds long; the post stays afterward.

    Examples
    --------
    >>> standing(5.0).post_at(3.0)
    (5.0, 0.0)
    """
    scene = Scene((Thing("post", ahead_m, 0.0),), room_m=(-10.0, -_FAR_M, 3 * _FAR_M, _FAR_M))
    return Walk("standing", "The post stands still.", (0.0, 10.0), ((ahead_m, 0.0), (ahead_m, 0.0)), scene)


def _far_run(settings: Settings, duration_s: float, **more: Any) -> Run:
    """A run toward a target that stands far ahead, seen whatever happens."""
    walk = standing(_FAR_M)
    return simulate(_SEES_ALL, walk, default_camera(), settings, pictures=False, duration_s=duration_s, **more)


def _distance_to_rest_m(robot: Robot, speed_mps: float, hung: bool) -> float:
    """Distance to rest after a fault at a steady speed; the longer of two: the computer goes on, or hangs just before it brakes."""
    s = robot.settings
    assert s.max_accel_mps2 is not None  # a Robot has one
    wheel = speed_mps / (1 - s.motor.slip)
    settings: Settings = s.but(
        max_mps=wheel,
        motor=replace(s.motor, max_mps=max(wheel, s.motor.max_mps)),
        # Full speed all the way: the target is far, and nothing else tells it to slow down.
        following_distance_m=1e-3,
        drive_gain=1e6,
        distance_from="nearer",
        target="post",
        gate=None,
        detector_px=None,
    )
    if hung:
        # What hung the camera has hung the loop: its last command is held, and the watchdog alone acts.
        settings = settings.but(hold_s=1e3)
    # Up to speed, its lag died out to a thousandth and more, and one second at it.
    jerk_s = 0.0 if s.max_jerk_mps3 is None else s.max_accel_mps2 / s.max_jerk_mps3
    up_s = wheel / s.max_accel_mps2 + 10 * s.motor.lag_s + 1 + jerk_s
    last = math.ceil((up_s + s.latency_s) * s.frame_hz)

    def drive(silent_s: float = math.inf) -> Run:
        duration_s = last * s.frame_s + robot.reaction_s + up_s
        fault = _CameraHangs if hung else _TargetVanishes
        return _far_run(settings, duration_s, faults=fault(silent_s, last=last))

    run = drive()
    begin = int(np.argmin(np.abs(run.t_s - run.picture_t_s[last])))
    slower = np.flatnonzero(run.commands_mps[begin:, 0] < run.commands_mps[begin, 0] - 1e-9)
    # With a jerk limit the computer brakes little at first: worst is to hang when that time is over.
    gentle_s = (0.0, jerk_s / 2, jerk_s) if jerk_s else (0.0,)
    silent = [drive(float(run.t_s[begin + slower[0]]) + later_s) for later_s in gentle_s]
    return max(float(one.pose[-1, 0] - one.pose[begin, 0]) for one in (run, *silent))
