"""Thousands of control runs at once, without pictures.

Camera and detector are replaced by bearing and distance with noise and misses,
and all runs go in step, as arrays.  What one run does is written once, for
plain numbers and arrays alike (:mod:`robotlab.control.elementwise`): the rule
by which states change and what each commands (:mod:`robotlab.loop.decide`), the
law (:mod:`robotlab.control.steering`), ramp, wheels, motor and arc.  A second
implementation is the loop around them, because :func:`~robotlab.loop.simulate`
asks detector, stop and link in each tick and writes a log, hundreds of times
slower: here is no stop, no board, no wall.  ``tests/loop/test_loop_vectorized.py``
proves it equal to one run after the other in plain numbers
(``tests/simulate_many_reference.py``), and that ``simulate`` goes the same way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from robotlab.checks import number, whole
from robotlab.checks import pose as checked_pose
from robotlab.control.differential_drive import advance, scale_wheel_speeds
from robotlab.control.elementwise import every
from robotlab.control.ramp import ramp_step
from robotlab.control.steering import speed_toward, turn_toward
from robotlab.errors import MotionError
from robotlab.greenhouse import Walk
from robotlab.loop.decide import STEADY, next_phase, phase_velocity
from robotlab.loop.settings import Settings

# Where neither the settings nor the caller say how far the detector sees: m, farther than any walk.
_EVERYWHERE_M = 1e6
VARIED = (
    "turn_gain",
    "drive_gain",
    "following_distance_m",
    "max_mps",
    "hfov_rad",
    "farthest_m",
    "bearing_noise_rad",
    "distance_noise",
    "miss_rate",
)


@dataclass(frozen=True, eq=False)
class ManyRuns:
    """Scores of many runs.

    Attributes
    ----------
    distance_error_m, bearing_error_rad : (N,) ndarray
        Root mean square over the run, of the true values.
    time_in_view : (N,) ndarray
        Fraction of the pictures with the post inside the field of view.
    time_following : (N,) ndarray
        Fraction of the time in which the post was followed.
    losses : (N,) ndarray of int
        How often it was given up.
    closest_m : (N,) ndarray
        Least distance to the post.
    growth : (N,) ndarray
        Root mean square of the bearing in the last third of the run over that
        in the middle third: above 1 the oscillation grows.
    last_bearing_rad : (N,) ndarray
        Root mean square of the bearing in the last third of the run.
    end_pose : (N, 3) ndarray
        Last x, y, m, and yaw, rad.
    """

    distance_error_m: np.ndarray
    bearing_error_rad: np.ndarray
    time_in_view: np.ndarray
    time_following: np.ndarray
    losses: np.ndarray
    closest_m: np.ndarray
    growth: np.ndarray
    last_bearing_rad: np.ndarray
    end_pose: np.ndarray


class _Plan:
    """Times, the path of the post, and all the chance."""

    def __init__(
        self,
        walk: Walk,
        settings: Settings | None,
        runs: int,
        seed: int,
        hfov_rad: float,
        duration_s: float | None,
        start: tuple[float, float, float],
        vary: Mapping[str, np.ndarray | float],
    ) -> None:
        self.settings: Settings = settings or Settings()
        s, runs, seed = self.settings, whole(runs, "runs", 1), whole(seed, "seed")
        if s.law != "p" or s.max_jerk_mps3 is not None or s.detector_s > 0:
            raise MotionError(
                "simulate_many has the P law, no jerk limit and a detector that keeps up; use simulate for the others"
            )
        unknown = [name for name in vary if name not in VARIED]
        if unknown:
            raise MotionError(
                f"vary must name some of {', '.join(VARIED)}, got {', '.join(unknown)}; put the others into settings"
            )
        hfov_rad = number(hfov_rad, "hfov_rad", 0, math.pi, open_low=True)
        usual = {"hfov_rad": hfov_rad, "farthest_m": _EVERYWHERE_M}
        self.varied: dict[str, np.ndarray] = {}  # (N,) each
        for name in VARIED:
            value = np.asarray(vary.get(name, usual.get(name, getattr(s, name, 0.0))), float)
            if value.shape not in ((), (runs,)) or not np.isfinite(value).all() or (value < 0).any():
                raise MotionError(
                    f"{name} must be one number or ({runs},) numbers, finite and 0 or more, got {value.shape}; one for each run"
                )
            self.varied[name] = np.broadcast_to(value, (runs,))
        self.per_frame = max(1, math.ceil(s.frame_s * s.ramp_hz - 1e-9))
        self.tick_s = s.frame_s / self.per_frame
        self.delay = round(s.delay_s / self.tick_s)
        duration_s = walk.duration_s if duration_s is None else number(duration_s, "duration_s", 0, open_low=True)
        self.ticks = round(duration_s / self.tick_s) + 1
        self.post = np.array([walk.post_at(k * self.tick_s) for k in range(self.ticks)])  # (ticks, 2)
        self.start = checked_pose(start)
        # (frames, N) each: noise, rad; factor; whether missed.
        shape, rng = (math.ceil(self.ticks / self.per_frame), runs), np.random.default_rng(seed)
        self.bearing = rng.standard_normal(shape) * self.varied["bearing_noise_rad"]
        self.distance = np.exp(rng.standard_normal(shape) * self.varied["distance_noise"])
        self.missed = rng.random(shape) < self.varied["miss_rate"]


def simulate_many(
    walk: Walk,
    settings: Settings | None = None,
    runs: int = 1000,
    seed: int = 0,
    *,
    hfov_rad: float = math.radians(62.2),
    duration_s: float | None = None,
    start: tuple[float, float, float] = (0.0, 0.0, 0.0),
    vary: Mapping[str, np.ndarray | float] | None = None,
) -> ManyRuns:
    """Run many trolleys at once.

    Parameters
    ----------
    walk : Walk
        Where the post goes.
    settings : Settings, optional
        Of all of them.
    runs : int
        How many.
    seed : int
        Of the noise.
    hfov_rad : float
        Field of view; outside of it the post is missed.
    duration_s : float, optional
        How long; by default as long as the walk.
    start : (float, float, float)
        Pose at the start.
    vary : mapping of str to (N,) ndarray or float, optional
        What differs from run to run: ``turn_gain``, ``drive_gain``,
        ``following_distance_m``, ``max_mps``, the lens' ``hfov_rad``, and the
        detector's ``farthest_m`` (nothing beyond is found), ``bearing_noise_rad``,
        ``distance_noise`` (of the logarithm) and ``miss_rate`` (fraction of pictures).

    Returns
    -------
    ManyRuns
        Scores of each run.

    Raises
    ------
    MotionError
        If a setting is one that only :func:`~robotlab.loop.simulate` has,
        or a number is out of range.

    Notes
    -----
    About 20 times faster for 1000 runs than one run after the other.

    Examples
    --------
    >>> from robotlab.greenhouse import WALKS
    >>> gains = np.array([0.5, 1.5])
    >>> result = simulate_many(WALKS["weave"], runs=2, vary={"turn_gain": gains})
    >>> bool(result.bearing_error_rad[0] > result.bearing_error_rad[1])
    True
    """
    plan = _Plan(walk, settings, runs, seed, hfov_rad, duration_s, start, vary or {})
    s, dt, n = plan.settings, plan.tick_s, runs
    turn_gain, drive_gain, keep = (plan.varied[name] for name in ("turn_gain", "drive_gain", "following_distance_m"))
    half_view = plan.varied["hfov_rad"] / 2
    max_yaw_accel_radps2 = None if s.max_accel_mps2 is None else s.max_yaw_accel_radps2

    x, y, yaw = (np.full(n, float(value)) for value in plan.start)
    speed, turn, wheels = np.zeros(n), np.zeros(n), np.zeros((2, n))  # ramped v and yaw rate; left and right
    motion_v, motion_yaw = np.zeros(n), np.zeros(n)
    since, ever, side = np.zeros(n), np.zeros(n, bool), np.ones(n)
    phase, lost = np.full(n, STEADY), (nobody := np.zeros(n, bool))
    under_way: list = []
    sums = {name: np.zeros(n) for name in ("distance", "bearing", "view", "following", "middle", "last")}
    closest, losses = np.full(n, math.inf), np.zeros(n, int)
    third = plan.ticks // 3
    # Ages here are differences of rounded times: one that is just reached has not passed.
    expected = plan.delay * dt + s.frame_s + 1e-9
    for tick in range(plan.ticks):
        t = tick * dt
        ahead, across = plan.post[tick, 0] - x, plan.post[tick, 1] - y
        reach2 = ahead * ahead + across * across
        reach = np.sqrt(reach2)
        bearing = np.arctan2(across, ahead) - yaw
        bearing -= 2 * math.pi * np.rint(bearing / (2 * math.pi))
        square = bearing * bearing
        sums["distance"] += (reach - keep) ** 2
        sums["bearing"] += square
        np.minimum(closest, reach, out=closest)
        if tick >= plan.ticks - third:
            sums["last"] += square
        elif tick >= plan.ticks - 2 * third:
            sums["middle"] += square
        # Perceive: what the camera and the detector would find.
        if tick % plan.per_frame == 0:
            frame = tick // plan.per_frame
            visible = np.abs(bearing) <= half_view
            sums["view"] += visible
            found = visible & ~plan.missed[frame] & (reach <= plan.varied["farthest_m"])
            under_way.append((tick + plan.delay, t, found, bearing + plan.bearing[frame], reach * plan.distance[frame]))
        # Decide.
        while under_way and under_way[0][0] <= tick:
            _, taken, found, measured, far = under_way.pop(0)
            new_v = speed_toward(far, keep, drive_gain, plan.varied["max_mps"], s.max_reverse_mps, measured)
            motion_v = np.where(found, new_v, motion_v)
            motion_yaw = np.where(found, turn_toward(measured, turn_gain, s.max_yaw_radps), motion_yaw)
            side = np.where(found, np.copysign(1.0, measured), side)
            since = np.where(found, taken, since)
            ever = ever | found
        phase = next_phase(phase, t - since, ever, expected, s)
        steady, before, lost = phase == STEADY, lost, nobody
        if not every(steady):
            lost = ever & ~steady
            losses += lost & ~before
        sums["following"] += steady
        want_v, want_yaw = phase_velocity(phase, (motion_v, motion_yaw), side, s)
        # Act.
        speed = ramp_step(speed, want_v, s.max_accel_mps2, dt)
        turn = ramp_step(turn, want_yaw, max_yaw_accel_radps2, dt)
        goals = scale_wheel_speeds(*s.drive.wheels(speed, s.steering_sign * turn), s.motor.max_mps)
        wheels, means = s.motor.step(wheels, np.array(goals), dt)
        x, y, yaw = advance(x, y, yaw, *s.drive.twist(*s.motor.ground(means)), dt)
    return _scores(plan, sums, losses, closest, np.column_stack([x, y, yaw]))


def _scores(plan: _Plan, sums, losses, closest, end_pose) -> ManyRuns:
    frames = plan.missed.shape[0]
    middle = np.sqrt(sums["middle"])
    return ManyRuns(
        np.sqrt(sums["distance"] / plan.ticks),
        np.sqrt(sums["bearing"] / plan.ticks),
        sums["view"] / frames,
        sums["following"] / plan.ticks,
        losses.astype(int),
        closest,
        np.divide(np.sqrt(sums["last"]), middle, out=np.zeros_like(middle), where=middle > 0),
        np.sqrt(sums["last"] / max(1, plan.ticks // 3)),
        end_pose,
    )
