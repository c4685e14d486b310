"""Thousands of control runs at once, without pictures.

The same loop as :mod:`robotlab.loop.simulation`, with the camera and the
detector replaced by bearing and distance with noise and misses.  All runs go
in step, as arrays; ``tests/simulate_many_reference.py`` is the same one run
after the other, and a test proves the two equal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from robotlab.checks import number, whole
from robotlab.checks import pose as checked_pose
from robotlab.errors import MotionError
from robotlab.greenhouse import Walk
from robotlab.loop.decide import LostTargetSettings
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
        if s.law != "p" or s.max_jerk_mps3 is not None or s.detector_s > 0 or s.motor.dead_band_mps > 0:
            raise MotionError(
                "simulate_many has the P law, no jerk limit, no dead band and a detector that keeps up; use simulate for the others"
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


def phases(
    age_s: np.ndarray, ever: np.ndarray, stopped: np.ndarray, settings: LostTargetSettings, expected_s: float
) -> tuple[np.ndarray, ...]:
    """The loop's states by the age of the last observation, for many runs: the rules of :meth:`robotlab.loop.Follower.velocity`.

    Parameters
    ----------
    age_s : (N,) ndarray
        Age of the last observation, or time since the start.
    ever, stopped : (N,) ndarray of bool
        There was an observation; it has stopped for good.
    settings : LostTargetSettings
        For how long it holds the last command, stands and searches.
    expected_s : float
        Age that an observation reaches before the next one.

    Returns
    -------
    (steady, searching, stopped) : tuple of (N,) ndarray of bool
        Going on, turning on the spot, stopped for good; else it stands.

    Examples
    --------
    >>> yes = np.ones(4, bool)
    >>> [row.tolist() for row in phases(np.array([0.3, 0.9, 2.0, -1.0]), yes, ~yes, Settings(), 0.2)]
    [[True, False, False, False], [False, False, True, False], [False, False, False, True]]
    """
    s, age = settings, age_s - expected_s
    stopped = stopped | ~(age_s >= -1e-9)
    holding = ever & (age <= s.hold_s + 1e-9)
    steady = holding & ~stopped
    if steady.all():
        return steady, ~steady, stopped
    age = age - np.where(ever, s.hold_s, 0.0)
    standing = age <= s.slow_s + 1e-9
    searching = ~standing & (age <= s.slow_s + s.search_s + 1e-9) & ~holding
    stopped = stopped | ~(holding | standing | searching)
    return steady, searching & ~stopped, stopped


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
    kept = math.exp(-dt / s.motor.lag_s) if s.motor.lag_s else 0.0
    # Mean of exp(-t / lag) over a tick.
    mean = -math.expm1(-dt / s.motor.lag_s) * s.motor.lag_s / dt if s.motor.lag_s else 0.0
    grip, half_track, fastest = 1 - s.motor.slip, s.drive.track_m / 2, s.motor.max_mps
    room = math.inf if s.max_accel_mps2 is None else s.max_accel_mps2 * dt
    yaw_room = math.inf if s.max_accel_mps2 is None or s.max_yaw_accel_radps2 is None else s.max_yaw_accel_radps2 * dt

    x, y, yaw = (np.full(n, float(value)) for value in plan.start)
    speed, turn, left, right = (np.zeros(n) for _ in range(4))  # ramped v and yaw rate; wheels
    want_v, want_yaw = np.zeros(n), np.zeros(n)
    motion_v, motion_yaw = np.zeros(n), np.zeros(n)
    since, ever, side = np.zeros(n), np.zeros(n, bool), np.ones(n)
    stopped, lost, steady = np.zeros(n, bool), np.zeros(n, bool), np.ones(n, bool)
    under_way: list = []
    sums = {name: np.zeros(n) for name in ("distance", "bearing", "view", "following", "middle", "last")}
    closest, losses = np.full(n, math.inf), np.zeros(n, int)
    third = plan.ticks // 3
    expected = plan.delay * dt + s.frame_s
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
        if tick % plan.per_frame == 0:
            frame = tick // plan.per_frame
            visible = np.abs(bearing) <= half_view
            sums["view"] += visible
            seen = visible & ~plan.missed[frame] & (reach <= plan.varied["farthest_m"])
            under_way.append((tick + plan.delay, t, seen, bearing + plan.bearing[frame], reach * plan.distance[frame]))
        while under_way and under_way[0][0] <= tick:
            _, taken, seen, measured, far = under_way.pop(0)
            new_yaw = np.clip(turn_gain * measured, -s.max_yaw_radps, s.max_yaw_radps)
            new_v = np.clip(
                drive_gain * (far - keep) * np.maximum(np.cos(measured), 0), -s.max_reverse_mps, plan.varied["max_mps"]
            )
            np.copyto(motion_yaw, new_yaw, where=seen)
            np.copyto(motion_v, new_v, where=seen)
            np.copyto(side, np.copysign(1.0, measured), where=seen)
            since[seen] = taken
            ever |= seen
        steady, searching, stopped = phases(t - since, ever, stopped, s, expected)
        if steady.all():
            want_v, want_yaw, lost_now = motion_v, motion_yaw, np.zeros(n, bool)
        else:
            want_v = np.where(steady, motion_v, 0.0)
            want_yaw = np.where(steady, motion_yaw, np.where(searching, side * s.search_radps, 0.0))
            lost_now = ever & ~steady
            losses += lost_now & ~lost
        lost = lost_now
        sums["following"] += steady

        speed += np.clip(want_v - speed, -room, room)
        turn += np.clip(want_yaw - turn, -yaw_room, yaw_room)
        swing = turn * (half_track * s.steering_sign)
        go_left, go_right = speed - swing, speed + swing
        most = np.maximum(np.abs(go_left), np.abs(go_right))
        if most.max() > fastest:
            scale = np.minimum(1.0, fastest / np.maximum(most, 1e-300))
            go_left, go_right = go_left * scale, go_right * scale
        gap_left, gap_right = left - go_left, right - go_right
        left, right = go_left + gap_left * kept, go_right + gap_right * kept
        mean_left, mean_right = go_left + gap_left * mean, go_right + gap_right * mean
        half = (mean_right - mean_left) * (grip * dt / (4 * half_track))
        chord = (mean_right + mean_left) * (grip * dt / 2)
        # sin(h) / h, to the last bit for turns this small.
        if np.abs(half).max() < 0.05:
            h2 = half * half
            chord *= 1 - h2 / 6 * (1 - h2 / 20 * (1 - h2 / 42))
        else:
            chord *= np.sinc(half / math.pi)
        x += chord * np.cos(yaw + half)
        y += chord * np.sin(yaw + half)
        yaw += 2 * half
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
