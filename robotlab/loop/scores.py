"""How good a run was: what :meth:`robotlab.loop.Run.scores` gives."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from robotlab.loop.decide import STATES

if TYPE_CHECKING:
    from robotlab.loop.run import Run

# Less than this fraction of the post in the picture counts as out of view
# (common practice, no source).
IN_VIEW = 0.25
# Accelerations and jerks are taken over this time: about what a person or a
# crate on the trolley feels as one jerk (common practice, no source).
_FEEL_S = 0.1
# Rolling resistance of small rubber wheels on a hard floor, order of magnitude
# only (from memory).
_ROLLING = 0.02
_GRAVITY = 9.81  # m/s^2, rounded standard gravity (ISO 80000-3)
_SOLID = ("round", "box")
# In the order in which tables show them.
SCORES = (
    "time_in_view",
    "time_following",
    "distance_error_m",
    "bearing_error_rad",
    "losses",
    "recoveries",
    "contacts",
    "closest_m",
    "end_distance_m",
    "peak_accel_mps2",
    "peak_jerk_mps3",
    "rms_jerk_mps3",
    "peak_jump_mps",
    "energy_j",
    "path_length_m",
)


def contacts_of(run: Run) -> list[tuple[float, str]]:
    """When the trolley began to touch something, and what: :meth:`robotlab.loop.Run.contacts`."""
    radius, place = run.settings.radius_m, run.pose[:, :2]
    gaps = {"post": run.true_distances_m - run.settings.target_width_m / 2 - radius}
    for i, thing in enumerate(run.facts["things"]):
        if thing["shape"] in _SOLID:
            gaps[f"{thing['kind']}#{i}"] = _gap(thing, place) - radius
    x0, y0, x1, y1 = run.facts["room"]
    edges = np.column_stack([place - [x0, y0], [x1, y1] - place])
    # The walls hold the trolley at exactly its radius: allow for rounding.
    gaps["wall"] = edges.min(axis=1) - radius - 1e-5
    found = []
    for name, gap in gaps.items():
        touching = gap < 0
        begins = np.flatnonzero(touching & ~np.concatenate([[False], touching[:-1]]))
        found += [(float(run.t_s[k]), name.split("#")[0]) for k in begins]
    return sorted(found)


def scores_of(run: Run) -> dict[str, float]:
    """The scores, by name: :meth:`robotlab.loop.Run.scores`."""
    following = np.isin(run.states, [STATES.index("follow"), STATES.index("hold")])
    lost = np.isin(run.states, [STATES.index(name) for name in ("slow", "search", "stop", "fault")])
    ever = np.maximum.accumulate(following)
    gone = np.diff((lost & ever).astype(int))
    held = _held_s(run.t_s)
    known = {
        "time_following": float(np.average(following, weights=held)) if run.real else float(np.mean(following)),
        "losses": int((gone > 0).sum()),
        "recoveries": int((gone < 0).sum()),
        "peak_jump_mps": float(np.abs(np.diff(run.commands_mps, axis=0)).max(initial=0.0)),
    }
    if run.real:
        return dict.fromkeys(SCORES, math.nan) | known
    accel, jerk = _felt(run)
    distance = run.true_distances_m
    tick = float(run.facts["tick_s"])
    known |= {
        "time_in_view": float(np.mean(run.visible >= IN_VIEW)) if len(run.visible) else 0.0,
        "distance_error_m": _rms(distance - run.settings.following_distance_m),
        "bearing_error_rad": _rms(run.true_bearings_rad),
        "contacts": len(contacts_of(run)),
        "closest_m": float(distance.min()),
        "end_distance_m": float(distance[-1]),
        "peak_accel_mps2": float(np.abs(accel).max(initial=0.0)),
        "peak_jerk_mps3": float(np.abs(jerk).max(initial=0.0)),
        "rms_jerk_mps3": _rms(jerk),
        "energy_j": _energy_j(run),
        "path_length_m": float(np.abs(run.speeds_mps).sum() * tick),
    }
    return {name: known[name] for name in SCORES}


def _felt(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Acceleration and jerk of the forward speed over a fixed time, whatever the tick."""
    tick = float(run.facts["tick_s"])
    # Only where all of that time is in the run: it did not stop dead at its end.
    times = np.arange(run.t_s[0], run.t_s[-1] - _FEEL_S + 1e-9, min(tick, _FEEL_S))
    if len(times) < 2:
        return np.zeros(0), np.zeros(0)

    def speed(t):
        return np.interp(t, run.t_s, run.speeds_mps)

    half = _FEEL_S / 2
    accel = (speed(times + half) - speed(times - half)) / _FEEL_S
    jerk = (speed(times + _FEEL_S) - 2 * speed(times) + speed(times - _FEEL_S)) / _FEEL_S**2
    return accel, jerk


def _energy_j(run: Run) -> float:
    """Each wheel moves half the mass and rolls; braking gives nothing back."""
    tick_s, half = float(run.facts["tick_s"]), run.settings.mass_kg / 2
    force = half * np.diff(run.wheels_mps, axis=0) / tick_s
    speed = (run.wheels_mps[1:] + run.wheels_mps[:-1]) / 2
    power = force * speed + half * _GRAVITY * _ROLLING * np.abs(speed)
    return float(np.maximum(power, 0).sum() * tick_s)


def _held_s(t_s: np.ndarray) -> np.ndarray:
    """How long each tick lasted; the last as long as the one before it."""
    held = np.diff(t_s)
    return np.append(held, held[-1]) if len(held) and held.sum() > 0 else np.ones(len(t_s))


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else 0.0


def _gap(thing: dict, place: np.ndarray) -> np.ndarray:
    """(T,) distance from each place to the edge of a thing, m; 0 inside."""
    away = place - [thing["x"], thing["y"]]
    if thing["shape"] == "round":
        return np.maximum(np.hypot(*away.T) - max(thing["size"][:2]), 0.0)
    cos, sin = math.cos(thing["heading"]), math.sin(thing["heading"])
    along = np.abs(away @ [cos, sin]) - thing["size"][0] / 2
    across = np.abs(away @ [-sin, cos]) - thing["size"][1] / 2
    return np.hypot(np.maximum(along, 0), np.maximum(across, 0))
