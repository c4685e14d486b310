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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from robotlab.checks import number, whole
from robotlab.checks import pose as checked_pose
from robotlab.control.differential_drive import advance, scale_wheel_speeds
from robotlab.control.elementwise import Numbers, every
from robotlab.control.ramp import ramp_step
from robotlab.control.steering import speed_toward, turn_toward
from robotlab.errors import MotionError
from robotlab.greenhouse import Walk
from robotlab.loop.decide import STEADY, next_phase, phase_velocity
from robotlab.loop.settings import Settings

# Where neither the settings nor the caller say how far the detector sees: m, farther than any walk.
_EVERYWHERE_M = 1e6
# Most of a logarithm of the noisy distance over the true one: a factor of 5e21 asks for the highest
# speed as any larger one does, and stays a number.
_MOST_LOG = 50.0
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
    "delay_s",
    "frame_hz",
    "lag_s",
    "max_accel_mps2",
    "start_yaw_rad",
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


def steps_per_frame(frame_hz: Numbers, ramp_hz: float) -> Numbers:
    """How many steps of the ramp one frame is cut into.

    Parameters
    ----------
    frame_hz : float or ndarray
        Pictures a second.
    ramp_hz : float
        Least rate of the ramp.

    Returns
    -------
    int or ndarray of int
        At least 1.

    Examples
    --------
    >>> steps_per_frame(np.array([10.0, 30.0, 200.0]), 50.0).tolist()
    [5, 2, 1]
    """
    return np.maximum(1, np.ceil(1 / frame_hz * ramp_hz - 1e-9)).astype(int)


class _Plan:
    """Times, the path of the post, and all the chance."""

    def __init__(
        self,
        walk: Walk,
        settings: Settings | None,
        runs: int,
        seed: int | Sequence[tuple[int, int, int]],
        hfov_rad: float,
        duration_s: float | None,
        start: tuple[float, float, float],
        vary: Mapping[str, np.ndarray | float],
    ) -> None:
        self.settings: Settings = settings or Settings()
        s, runs, self.walk = self.settings, whole(runs, "runs", 1), walk
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
        self.start = checked_pose(start)
        usual = {"hfov_rad": hfov_rad, "farthest_m": _EVERYWHERE_M, "lag_s": s.motor.lag_s}
        usual |= {"start_yaw_rad": self.start[2], "max_accel_mps2": s.max_accel_mps2 or 0.0}
        self.varied: dict[str, np.ndarray] = {}  # (N,) each
        for name in VARIED:
            value = np.asarray(vary.get(name, usual.get(name, getattr(s, name, 0.0))), float)
            signed = name == "start_yaw_rad"
            if value.shape not in ((), (runs,)) or not np.isfinite(value).all() or not (signed or (value >= 0).all()):
                raise MotionError(
                    f"{name} must be one number or ({runs},) numbers, finite and 0 or more, got {value.shape}; one for each run"
                )
            self.varied[name] = np.broadcast_to(value, (runs,))
        self._set_times(duration_s)
        self._draw_noise(runs, seed)

    def _set_times(self, duration_s: float | None) -> None:
        """Times and numbers of ticks: one for all, or (N,) where the frame rate or the latency differ."""
        frame_hz, delay_s, lag_s = (
            self.varied[name] if np.ptp(self.varied[name]) else float(self.varied[name][0])
            for name in ("frame_hz", "delay_s", "lag_s")
        )
        steps = np.unique(steps_per_frame(np.maximum(frame_hz, 1e-9), self.settings.ramp_hz))
        if len(steps) > 1 or not np.all(frame_hz):
            raise MotionError(
                f"frame_hz must be more than 0 and cut into as many steps of the ramp in all runs, got {steps.tolist()} steps; "
                "call once for each number of steps"
            )
        self.per_frame = int(steps[0])
        self.frame_s: Numbers = 1 / frame_hz
        self.tick_s: Numbers = self.frame_s / self.per_frame
        self.delay: Numbers = np.rint(delay_s / self.tick_s).astype(int)
        duration_s = self.walk.duration_s if duration_s is None else number(duration_s, "duration_s", 0, open_low=True)
        self.ticks: Numbers = np.rint(duration_s / self.tick_s).astype(int) + 1
        self.post: np.ndarray | None = None  # (ticks, 2) where all runs have the same times
        if not np.ndim(self.tick_s):
            self.post = np.array([self.walk.post_at(float(k * self.tick_s)) for k in range(self.ticks)])
        # The motor is linear: what one step leaves of a gap of 1 m/s, and its mean over the step.
        motor = replace(self.settings.motor, dead_band_mps=0.0, max_mps=1.0)
        pairs = zip(*(part.tolist() for part in np.broadcast_arrays(np.atleast_1d(lag_s), self.tick_s)), strict=True)
        left = [replace(motor, lag_s=lag).step(1.0, 0.0, dt) for lag, dt in pairs]
        self.left, self.mean_left = np.array(left).T

    def _draw_noise(self, runs: int, seed: int | Sequence[tuple[int, int, int]]) -> None:
        """(frames, N) each: noise, rad; factor; whether missed."""
        frames = np.broadcast_to(-(-self.ticks // self.per_frame), runs)
        chances = seed if isinstance(seed, Sequence) else [(whole(seed, "seed"), run, runs) for run in range(runs)]
        if len(chances) != runs or not all(one >= 0 <= run < count for one, run, count in chances):
            raise MotionError(
                f"seed must be one number, or a seed, a run and more runs than that for each of {runs}, got {len(chances)}; correct it"
            )
        streams: dict[tuple[int, int], list[int]] = {}
        for k, (one, _, count) in enumerate(chances):
            streams.setdefault((one, count), []).append(k)
        bearing, log, chance = noise = np.zeros((3, int(frames.max()), runs))
        for (one, count), members in streams.items():
            rng, shape = np.random.default_rng(one), (int(frames[members].max()), count)
            places = [chances[k][1] for k in members]
            drawn = (rng.standard_normal(shape), rng.standard_normal(shape), rng.random(shape))
            for kind, values in zip(noise, drawn, strict=True):
                kind[: shape[0], members] = values[:, places]
        self.bearing = bearing * self.varied["bearing_noise_rad"]
        self.distance = np.exp(np.clip(log * self.varied["distance_noise"], -_MOST_LOG, _MOST_LOG))
        self.missed = chance < self.varied["miss_rate"]

    def post_at(self, tick: int) -> tuple[Numbers, Numbers]:
        """Where the post is in this tick, for each run if their times differ."""
        if self.post is not None:
            return self.post[tick, 0], self.post[tick, 1]
        places = self.walk.posts_at(np.asarray(tick * self.tick_s))
        return places[:, 0], places[:, 1]


def simulate_many(
    walk: Walk,
    settings: Settings | None = None,
    runs: int = 1000,
    seed: int | Sequence[tuple[int, int, int]] = 0,
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
    seed : int or sequence of (int, int, int)
        Of the noise; or for each run a seed, and as which run of how many: ``(7, 2, 50)`` has the
        noise of run 2 of 50 with seed 7, whichever others run with it.
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
        ``distance_noise`` (of the logarithm) and ``miss_rate`` (fraction of pictures);
        ``delay_s``, the motor's ``lag_s``, ``max_accel_mps2``, ``start_yaw_rad``, and
        ``frame_hz`` as long as a frame is cut into as many steps of the ramp in all runs.

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
    s, dt, n, per_frame = plan.settings, plan.tick_s, runs, plan.per_frame
    turn_gain, drive_gain, keep = (plan.varied[name] for name in ("turn_gain", "drive_gain", "following_distance_m"))
    half_view = plan.varied["hfov_rad"] / 2
    ramped = s.max_accel_mps2 is not None or "max_accel_mps2" in (vary or {})
    max_accel_mps2: Any = plan.varied["max_accel_mps2"] if ramped else None
    max_yaw_accel_radps2 = s.max_yaw_accel_radps2 if ramped else None

    x, y, yaw = np.full(n, plan.start[0]), np.full(n, plan.start[1]), plan.varied["start_yaw_rad"]
    speed, turn, wheels = np.zeros(n), np.zeros(n), np.zeros((2, n))  # ramped v and yaw rate; left and right
    motion_v, motion_yaw = np.zeros(n), np.zeros(n)
    since, ever, side = np.zeros(n), np.zeros(n, bool), np.ones(n)
    phase, lost = np.full(n, STEADY), (nobody := np.zeros(n, bool))
    # The last frames, as many as are under way at most: found; speed, yaw rate, side and time of each.
    delay = np.broadcast_to(plan.delay, n)
    depth = int(delay.max()) // per_frame + 1
    seen, asked = np.zeros((depth, n), bool), np.zeros((4, depth, n))
    due_at = [np.flatnonzero(delay % per_frame == step) for step in range(per_frame)]
    sums = {name: np.zeros(n) for name in ("distance", "bearing", "view", "following", "middle", "last")}
    closest, losses, end_pose = np.full(n, math.inf), np.zeros(n, int), np.zeros((3, n))

    def add(name: str, value: np.ndarray, where: Any) -> None:
        np.add(sums[name], value, out=sums[name], where=where)

    # While all go on, one number does, which is faster.
    all_on, last_third, middle_third = (
        int(np.min(plan.ticks)),
        plan.ticks - plan.ticks // 3,
        plan.ticks - 2 * (plan.ticks // 3),
    )
    # Ages here are differences of rounded times: one that is just reached has not passed.
    expected = plan.delay * dt + plan.frame_s + 1e-9
    for tick in range(int(np.max(plan.ticks))):
        t, on = tick * dt, tick < all_on or tick < plan.ticks  # a run that is over goes on, but no longer counts
        post_x, post_y = plan.post_at(tick)
        ahead, across = post_x - x, post_y - y
        reach2 = ahead * ahead + across * across
        reach = np.sqrt(reach2)
        bearing = np.arctan2(across, ahead) - yaw
        bearing -= 2 * math.pi * np.rint(bearing / (2 * math.pi))
        square = bearing * bearing
        add("distance", (reach - keep) ** 2, on)
        add("bearing", square, on)
        np.minimum(closest, reach, out=closest, where=on)
        add("last", square, on & (tick >= last_third))
        add("middle", square, (tick >= middle_third) & (tick < last_third))
        # Perceive: what the camera and the detector would find, and what that will command.
        if tick % per_frame == 0:
            frame = tick // per_frame
            visible = np.abs(bearing) <= half_view
            add("view", visible, on)
            measured, far = bearing + plan.bearing[frame], reach * plan.distance[frame]
            seen[frame % depth] = visible & ~plan.missed[frame] & (reach <= plan.varied["farthest_m"])
            asked[:, frame % depth] = np.broadcast_arrays(
                speed_toward(far, keep, drive_gain, plan.varied["max_mps"], s.max_reverse_mps, measured),
                turn_toward(measured, turn_gain, s.max_yaw_radps),
                np.copysign(1.0, measured),
                t,
            )
        # Decide: a frame counts when its latency is over; before the first one nothing was seen.
        if len(due := due_at[tick % per_frame]):
            slot = (tick - delay[due]) // per_frame % depth
            who, slot = due[found := seen[slot, due]], slot[found]
            motion_v[who], motion_yaw[who], side[who], since[who] = asked[:, slot, who]
            ever[who] = True
        phase = next_phase(phase, t - since, ever, expected, s)
        steady, before, lost = phase == STEADY, lost, nobody
        if not every(steady):
            lost = ever & ~steady
            losses += lost & ~before & on
        add("following", steady, on)
        want_v, want_yaw = phase_velocity(phase, (motion_v, motion_yaw), side, s)
        # Act.
        speed = ramp_step(speed, want_v, max_accel_mps2, dt)
        turn = ramp_step(turn, want_yaw, max_yaw_accel_radps2, dt)
        goals = scale_wheel_speeds(*s.drive.wheels(speed, s.steering_sign * turn), s.motor.max_mps)
        goal = s.motor.goal(np.array(goals))
        gap = wheels - goal
        wheels, means = goal + gap * plan.left, goal + gap * plan.mean_left
        x, y, yaw = advance(x, y, yaw, *s.drive.twist(*s.motor.ground(means)), dt)
        if tick + 1 >= all_on:
            np.copyto(end_pose, (x, y, yaw), where=tick + 1 == plan.ticks)
    return _scores(plan, sums, losses, closest, end_pose.T)


def _scores(plan: _Plan, sums, losses, closest, end_pose) -> ManyRuns:
    frames = -(-plan.ticks // plan.per_frame)
    middle = np.sqrt(sums["middle"])
    return ManyRuns(
        np.sqrt(sums["distance"] / plan.ticks),
        np.sqrt(sums["bearing"] / plan.ticks),
        sums["view"] / frames,
        sums["following"] / plan.ticks,
        losses.astype(int),
        closest,
        np.divide(np.sqrt(sums["last"]), middle, out=np.zeros_like(middle), where=middle > 0),
        np.sqrt(sums["last"] / np.maximum(1, plan.ticks // 3)),
        end_pose,
    )
