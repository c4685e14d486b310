"""Control runs one after the other, in plain numbers: what :func:`robotlab.loop.simulate_many` must equal."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from robotlab.control import Ramp, advance, scale_wheel_speeds, turn_toward
from robotlab.control.steering import speed_toward
from robotlab.greenhouse import Walk
from robotlab.loop import Settings
from robotlab.loop.vectorized import ManyRuns, _Plan, _scores


def simulate_many_reference(
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
    """The same scores as :func:`robotlab.loop.simulate_many`."""
    plan = _Plan(walk, settings, runs, seed, hfov_rad, duration_s, start, vary or {})
    rows = [one_run(plan, run) for run in range(runs)]
    sums = {name: np.array([row[0][name] for row in rows]) for name in rows[0][0]}
    return _scores(
        plan,
        sums,
        np.array([row[1] for row in rows]),
        np.array([row[2] for row in rows]),
        np.array([row[3] for row in rows]),
    )


def one_run(plan: _Plan, run: int):
    """One run in plain numbers."""
    s, dt = plan.settings, plan.tick_s
    turn_gain, drive_gain, keep = (
        float(plan.varied[name][run]) for name in ("turn_gain", "drive_gain", "following_distance_m")
    )
    ramp, yaw_ramp = Ramp(s.max_accel_mps2), Ramp(None if s.max_accel_mps2 is None else s.max_yaw_accel_radps2)
    pose, left, right = plan.start, 0.0, 0.0
    motion, since, ever, side, stopped, lost = (0.0, 0.0), 0.0, False, 1.0, False, False
    under_way: list = []
    sums = dict.fromkeys(("distance", "bearing", "view", "following", "middle", "last"), 0.0)
    closest, losses, third = math.inf, 0, plan.ticks // 3
    expected = plan.delay * dt + s.frame_s
    post = plan.post.tolist()
    for tick in range(plan.ticks):
        t = tick * dt
        ahead, across = post[tick][0] - pose[0], post[tick][1] - pose[1]
        reach = math.sqrt(ahead * ahead + across * across)
        bearing = math.remainder(math.atan2(across, ahead) - pose[2], 2 * math.pi)
        sums["distance"] += (reach - keep) ** 2
        sums["bearing"] += bearing**2
        closest = min(closest, reach)
        if tick >= plan.ticks - third:
            sums["last"] += bearing**2
        elif tick >= plan.ticks - 2 * third:
            sums["middle"] += bearing**2
        # Perceive.
        if tick % plan.per_frame == 0:
            frame = tick // plan.per_frame
            visible = abs(bearing) <= plan.varied["hfov_rad"][run] / 2
            sums["view"] += visible
            seen = visible and not plan.missed[frame, run] and reach <= plan.varied["farthest_m"][run]
            under_way.append(
                (
                    tick + plan.delay,
                    t,
                    seen,
                    bearing + float(plan.bearing[frame, run]),
                    reach * float(plan.distance[frame, run]),
                )
            )
        # Decide.
        while under_way and under_way[0][0] <= tick:
            _, taken, seen, measured, far = under_way.pop(0)
            if seen:
                motion = (
                    speed_toward(
                        far, keep, drive_gain, float(plan.varied["max_mps"][run]), s.max_reverse_mps, measured
                    ),
                    turn_toward(measured, turn_gain, s.max_yaw_radps),
                )
                since, ever, side = taken, True, math.copysign(1.0, measured)
        age = t - since - expected
        following = ever and age <= s.hold_s + 1e-9 and not stopped
        velocity = (0.0, 0.0)
        if following:
            velocity = motion
        elif not (ever and age <= s.hold_s + 1e-9):
            age -= s.hold_s if ever else 0.0
            if age > s.slow_s + s.search_s + 1e-9:
                stopped = True
            elif age > s.slow_s + 1e-9 and not stopped:
                velocity = (0.0, side * s.search_radps)
        losses += ever and not following and not lost
        lost = ever and not following
        sums["following"] += following
        # Act.
        v, yaw = ramp.step(velocity[0], dt), yaw_ramp.step(velocity[1], dt)
        go_left, go_right = scale_wheel_speeds(*s.drive.wheels(v, s.steering_sign * yaw), s.motor.max_mps)
        left, mean_left = s.motor.step(left, go_left, dt)
        right, mean_right = s.motor.step(right, go_right, dt)
        pose = advance(*pose, *s.drive.twist(s.motor.ground(mean_left), s.motor.ground(mean_right)), dt)
    return sums, losses, closest, pose
