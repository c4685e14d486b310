"""A run: what happened, as arrays, and how good it was."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from robotlab.camera import Camera
from robotlab.control import DifferentialDrive, Motor, sign_check
from robotlab.control.steering import SignCheck
from robotlab.errors import InputError
from robotlab.loop.decide import STATES
from robotlab.loop.log import LOG_VERSION, RunLog, read_log
from robotlab.loop.records import check_facts, numbers, of_real_drive
from robotlab.loop.settings import Settings

# Less than this share of the post in the picture counts as out of view
# (common practice, no source).
IN_VIEW = 0.25
# Accelerations and jerks are taken over this time: about what a person or a
# crate on the trolley feels as one jolt (common practice, no source).
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
    "way_m",
)


@dataclass(frozen=True, eq=False)
class Run:
    """One run of the loop.

    Attributes
    ----------
    facts : dict
        The first record of the log: walk, lamp, seed, detector, room, things.
        A log of :func:`robotlab.loop.drive` has ``"real": True`` and neither
        walk nor room: the truth is not known there, so `pose`, `wheels_mps`,
        `post_m`, `truths` and `visible` are NaN, and `commands_mps` are the
        wheel speeds that were wished for, before the ramp.
    settings : Settings
        The numbers it ran with, delays rounded to ticks.
    camera : Camera
        The camera.
    t_s : (T,) ndarray
        Time of each tick.
    pose : (T, 3) ndarray
        x and y, m, and yaw, rad.
    wheels_mps, commands_mps : (T, 2) ndarray
        Speeds of the left and right wheel, and what they were told.
    states : (T,) ndarray of int
        Index into :data:`robotlab.loop.STATES`.
    post_m : (T, 2) ndarray
        Where the post was.
    picture_t_s : (F,) ndarray
        Time of each picture.
    truths : (F, 4) ndarray
        True box of the part of the post that shows, px; NaN for none.
    visible : (F,) ndarray
        Share of the post that shows.
    boxes : (F, 4) ndarray
        The box that was followed, px; NaN for none.
    found : tuple of (N, 6) ndarray
        Everything found in each picture: corners, score, label.
    bearings_rad, distances_m : (F,) ndarray
        As measured from the box; NaN for none.
    events : tuple of dict
        Changes of state and failures.
    pictures : dict of int to bytes
        JPEG of each picture as the detector saw it, where kept.
    complete : bool
        False when the log was cut off.
    """

    facts: dict
    settings: Settings
    camera: Camera
    t_s: np.ndarray
    pose: np.ndarray
    wheels_mps: np.ndarray
    commands_mps: np.ndarray
    states: np.ndarray
    post_m: np.ndarray
    picture_t_s: np.ndarray
    truths: np.ndarray
    visible: np.ndarray
    boxes: np.ndarray
    found: tuple[np.ndarray, ...]
    bearings_rad: np.ndarray
    distances_m: np.ndarray
    events: tuple[dict, ...]
    pictures: dict[int, bytes] = field(default_factory=dict, repr=False)
    complete: bool = True
    _records: tuple[dict, ...] = field(default=(), repr=False)

    @classmethod
    def from_records(cls, records, pictures: dict[int, bytes] | None = None) -> Run:
        """A run from the records of its log.

        Parameters
        ----------
        records : sequence of dict
            As :func:`robotlab.loop.log.read_log` gives them.
        pictures : dict of int to bytes, optional
            JPEG by number of the picture.

        Returns
        -------
        Run
            Everything up to the last record.

        Raises
        ------
        InputError
            If the records are no run of this version, or hold no tick.
        """
        by_kind: dict[str, list[dict]] = {
            kind: [] for kind in ("start", "tick", "picture", "observation", "event", "end")
        }
        for record in records:
            by_kind.setdefault(record["kind"], []).append(record)
        facts = by_kind["start"][0] if by_kind["start"] else {}
        ticks, taken = by_kind.get("command" if facts.get("real") else "tick", []), by_kind["picture"]
        if not facts or not ticks:
            raise InputError("a run needs a start record and at least one tick, these records have none; run again")
        if facts.get("version") != LOG_VERSION:
            raise InputError(
                f"a run log must be of version {LOG_VERSION}, this one is {facts.get('version')!r}; run again"
            )
        try:
            return cls._build(facts, ticks, taken, by_kind, tuple(records), pictures or {})
        except (KeyError, IndexError, TypeError, ValueError, OverflowError, AttributeError) as error:
            raise InputError(
                f"a run log must hold the records that a run writes, this one does not ({error}); run again"
            ) from None

    @classmethod
    def _build(cls, facts, ticks, taken, by_kind, records, pictures) -> Run:
        settings = dict(facts["settings"])
        settings["drive"], settings["motor"] = DifferentialDrive(**settings["drive"]), Motor(**settings["motor"])
        settings = Settings(**settings)
        if facts.get("real"):
            ticks = of_real_drive(ticks, settings)
        else:
            check_facts(facts)

        def known(name: str, width: int) -> np.ndarray:
            return np.full((len(ticks), width), math.nan) if facts.get("real") else numbers(ticks, name, width)

        count = len(taken)
        none = [math.nan] * 4
        boxes, bearings, distances = np.full((count, 4), math.nan), np.full(count, math.nan), np.full(count, math.nan)
        found = [np.zeros((0, 6))] * count
        for sight in by_kind["observation"]:
            i = sight["i"]
            found[i] = np.array(sight["found"], float).reshape(-1, 6)
            if sight["box"] is not None:
                boxes[i], bearings[i], distances[i] = sight["box"], sight["bearing"], sight["distance"]
        return cls(
            facts=facts,
            settings=settings,
            camera=Camera(**facts["camera"]),
            t_s=numbers(ticks, "t"),
            pose=known("pose", 3),
            wheels_mps=known("wheels", 2),
            commands_mps=numbers(ticks, "command", 2),
            states=np.array([STATES.index(tick["state"]) for tick in ticks]),
            post_m=known("post", 2),
            picture_t_s=numbers(taken, "t"),
            truths=np.array([picture.get("truth") or none for picture in taken], float).reshape(-1, 4),
            visible=np.full(count, math.nan) if facts.get("real") else numbers(taken, "visible"),
            boxes=boxes,
            found=tuple(found),
            bearings_rad=bearings,
            distances_m=distances,
            events=tuple(by_kind["event"]),
            pictures=pictures,
            complete=bool(by_kind["end"]),
            _records=records,
        )

    @classmethod
    def load(cls, path: str | os.PathLike) -> Run:
        """A run from its log; it has no pictures.

        Parameters
        ----------
        path : path-like
            The log.

        Returns
        -------
        Run
            Everything up to the last full record.

        Raises
        ------
        InputError
            If the file is no run log.
        """
        return cls.from_records(read_log(path).records)

    def save(self, path: str | os.PathLike) -> Path:
        """Write the log of this run.

        Parameters
        ----------
        path : path-like
            The file; an older one stays.

        Returns
        -------
        Path
            The file written, with another name if there was one of this.
        """
        with RunLog(path) as log:
            for record in self._records:
                log.write(record)
        return log.path

    @property
    def real(self) -> bool:
        """Whether a real trolley drove it, so that nobody knows where it was."""
        return bool(self.facts.get("real"))

    def must_be_simulated(self, what: str) -> None:
        """Refuse a real drive where the truth is needed.

        Parameters
        ----------
        what : str
            What needs it, for the message.

        Raises
        ------
        InputError
            If it was a real drive.
        """
        if self.real:
            raise InputError(
                f"{what} needs to know where the trolley was, and the log of a real drive does not; look at its states, boxes and wishes"
            )

    @property
    def true_bearings_rad(self) -> np.ndarray:
        """(T,) true bearing of the post at each tick, rad, positive left."""
        away = self.post_m - self.pose[:, :2]
        angle = np.arctan2(away[:, 1], away[:, 0]) - self.pose[:, 2]
        return np.arctan2(np.sin(angle), np.cos(angle))

    @property
    def true_distances_m(self) -> np.ndarray:
        """(T,) true distance to the post at each tick, m."""
        return np.hypot(*(self.post_m - self.pose[:, :2]).T)

    @property
    def speeds_mps(self) -> np.ndarray:
        """(T,) forward speed at each tick, m/s."""
        return self.settings.motor.ground(self.settings.drive.twist(*self.wheels_mps.T)[0])

    def state_at(self, tick: int) -> str:
        """Name of the state at a tick.

        Parameters
        ----------
        tick : int
            Which tick.

        Returns
        -------
        str
            One of :data:`robotlab.loop.STATES`.
        """
        return STATES[self.states[tick]]

    def sign_check(self) -> SignCheck:
        """Whether the wheels turned the trolley toward the post.

        Returns
        -------
        SignCheck
            From each sight and the wheel speeds three motor lags after it was
            acted on.  Only a run with the post standing still for a while on
            the left and on the right can pass; best with the wheels lifted.

        Examples
        --------
        >>> from robotlab.loop import GroundTruthDetector, Settings, simulate
        >>> from robotlab.greenhouse import WALKS
        >>> run = simulate(GroundTruthDetector(), WALKS["weave"], settings=Settings(steering_sign=-1), pictures=False, lifted=True)
        >>> run.sign_check().flees
        True
        """
        self.must_be_simulated("the sign check of a run")
        tick = float(self.facts["tick_s"])
        settle = round(3 * self.settings.motor.lag_s / tick)
        observations = [
            record for record in self._records if record["kind"] == "observation" and record["box"] is not None
        ]
        rows = [(record["bearing"], round(record["t"] / tick) + settle) for record in observations]
        rows = [(bearing, k) for bearing, k in rows if k < len(self.t_s)]
        return sign_check(
            [bearing for bearing, _ in rows], *self.wheels_mps[[k for _, k in rows]].T.tolist() if rows else ([], [])
        )

    def contacts(self) -> list[tuple[float, str]]:
        """When the trolley began to touch something, and what.

        Returns
        -------
        list of (t_s, what)
            Sorted by time; plants give way and do not count.
        """
        self.must_be_simulated("a list of contacts")
        radius, place = self.settings.radius_m, self.pose[:, :2]
        gaps = {"post": self.true_distances_m - self.settings.target_width_m / 2 - radius}
        for i, thing in enumerate(self.facts["things"]):
            if thing["shape"] in _SOLID:
                gaps[f"{thing['kind']}#{i}"] = _gap(thing, place) - radius
        x0, y0, x1, y1 = self.facts["room"]
        edges = np.column_stack([place - [x0, y0], [x1, y1] - place])
        # The walls hold the trolley at exactly its radius: allow for rounding.
        gaps["wall"] = edges.min(axis=1) - radius - 1e-5
        found = []
        for name, gap in gaps.items():
            touching = gap < 0
            begins = np.flatnonzero(touching & ~np.concatenate([[False], touching[:-1]]))
            found += [(float(self.t_s[k]), name.split("#")[0]) for k in begins]
        return sorted(found)

    def scores(self) -> dict[str, float]:
        """How good the run was.

        Returns
        -------
        dict of str to float
            ``time_in_view``: share of the pictures in which at least a quarter
            of the post shows.  ``time_following``: share of the time in which
            it was being followed.  ``distance_error_m``: root mean square of
            the true distance less the distance to keep.  ``bearing_error_rad``:
            root mean square of the true bearing.  ``losses`` and
            ``recoveries``: how often the target was given up (slow, search or
            stop) and how often found again.  ``contacts``, and
            ``closest_m``, the least distance to the post.
            ``peak_accel_mps2``, ``peak_jerk_mps3`` and ``rms_jerk_mps3``: of
            the forward speed, taken over 0.1 s.  ``peak_jump_mps``: largest
            change of a wheel command from one tick to the next.
            ``energy_j``: work of the motors at the wheels, nothing regained.
            ``way_m``: way driven.  ``end_distance_m``: last distance.

        Notes
        -----
        Of a real drive only ``time_following``, ``losses``, ``recoveries`` and
        ``peak_jump_mps`` (of the wishes) are known; all else is NaN.  What its
        boxes said is in :attr:`bearings_rad` and :attr:`distances_m`.
        """
        following = np.isin(self.states, [STATES.index("follow"), STATES.index("hold")])
        lost = np.isin(self.states, [STATES.index(name) for name in ("slow", "search", "stop", "fault")])
        ever = np.maximum.accumulate(following)
        gone = np.diff((lost & ever).astype(int))
        held = _held_s(self.t_s)
        known = {
            "time_following": float(np.average(following, weights=held)) if self.real else float(np.mean(following)),
            "losses": int((gone > 0).sum()),
            "recoveries": int((gone < 0).sum()),
            "peak_jump_mps": float(np.abs(np.diff(self.commands_mps, axis=0)).max(initial=0.0)),
        }
        if self.real:
            return dict.fromkeys(SCORES, math.nan) | known
        accel, jerk = self._felt()
        distance = self.true_distances_m
        tick = float(self.facts["tick_s"])
        return (
            dict.fromkeys(SCORES)
            | known
            | {
                "time_in_view": float(np.mean(self.visible >= IN_VIEW)) if len(self.visible) else 0.0,
                "distance_error_m": _rms(distance - self.settings.keep_m),
                "bearing_error_rad": _rms(self.true_bearings_rad),
                "contacts": len(self.contacts()),
                "closest_m": float(distance.min()),
                "end_distance_m": float(distance[-1]),
                "peak_accel_mps2": float(np.abs(accel).max(initial=0.0)),
                "peak_jerk_mps3": float(np.abs(jerk).max(initial=0.0)),
                "rms_jerk_mps3": _rms(jerk),
                "energy_j": self._energy(tick),
                "way_m": float(np.abs(self.speeds_mps).sum() * tick),
            }
        )

    def _felt(self) -> tuple[np.ndarray, np.ndarray]:
        """Acceleration and jerk of the forward speed over a fixed time, whatever the tick."""
        tick = float(self.facts["tick_s"])
        # Only where all of that time is in the run: it did not stop dead at its end.
        times = np.arange(self.t_s[0], self.t_s[-1] - _FEEL_S + 1e-9, min(tick, _FEEL_S))
        if len(times) < 2:
            return np.zeros(0), np.zeros(0)

        def speed(t):
            return np.interp(t, self.t_s, self.speeds_mps)

        half = _FEEL_S / 2
        accel = (speed(times + half) - speed(times - half)) / _FEEL_S
        jerk = (speed(times + _FEEL_S) - 2 * speed(times) + speed(times - _FEEL_S)) / _FEEL_S**2
        return accel, jerk

    def _energy(self, tick_s: float) -> float:
        """Each wheel moves half the mass and rolls; braking gives nothing back."""
        half = self.settings.mass_kg / 2
        force = half * np.diff(self.wheels_mps, axis=0) / tick_s
        speed = (self.wheels_mps[1:] + self.wheels_mps[:-1]) / 2
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
