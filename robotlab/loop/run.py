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
from robotlab.loop.log import RunLog, read_log
from robotlab.loop.records import LOG_VERSION, check_facts, check_times, numbers, of_real_drive
from robotlab.loop.scores import contacts_of, scores_of
from robotlab.loop.settings import Settings


@dataclass(frozen=True, eq=False)
class Run:
    """One run of the loop.

    Attributes
    ----------
    facts : dict
        The first record of the log: walk, lighting, seed, detector, room, things.
        A log of :func:`robotlab.loop.drive` has ``"real": True`` and neither
        walk nor room: the truth is not known there, so `pose`, `wheels_mps`,
        `post_m`, `truths` and `visible` are NaN, and `commands_mps` are the
        commanded wheel speeds before the ramp.
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
        Index into :data:`robotlab.loop.decide.STATES`.
    post_m : (T, 2) ndarray
        Where the post was.
    picture_t_s : (F,) ndarray
        Time of each picture.
    truths : (F, 4) ndarray
        True box of the part of the post that shows, px; NaN for none.
    visible : (F,) ndarray
        Fraction of the post that shows.
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
            If the records are not a run of this version, or hold no tick.
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
        given = dict(facts["settings"])
        given["drive"], given["motor"] = DifferentialDrive(**given["drive"]), Motor(**given["motor"])
        settings = Settings(**given)
        if facts.get("real"):
            ticks = of_real_drive(ticks, settings)
        else:
            check_facts(facts)
            check_times(numbers(ticks, "t"), facts["tick_s"])

        def known(name: str, width: int) -> np.ndarray:
            return np.full((len(ticks), width), math.nan) if facts.get("real") else numbers(ticks, name, width)

        count = len(taken)
        truths = np.full((count, 4), math.nan)
        for i, picture in enumerate(taken):
            if picture.get("truth") is not None:
                truths[i] = numbers([picture], "truth", 4)[0]
        boxes, bearings, distances = np.full((count, 4), math.nan), np.full(count, math.nan), np.full(count, math.nan)
        found = [np.zeros((0, 6))] * count
        for observation in by_kind["observation"]:
            i = observation["i"]
            # As far out as the detector said, but numbers.
            found[i] = np.array(observation["found"], float).reshape(-1, 6)
            if not np.isfinite(found[i]).all():
                raise InputError(f"found must be finite numbers, got {observation['found']!r:.60}")
            if observation["box"] is not None:
                one = [observation]
                boxes[i], bearings[i] = numbers(one, "box", 4)[0], numbers(one, "bearing")[0]
                distances[i] = numbers(one, "distance")[0]
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
            truths=truths,
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
            If the file is not a run log.
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
        """Whether a real trolley drove it, so that its true pose is unknown."""
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
                f"{what} needs to know where the trolley was, and the log of a real drive does not; look at its states, boxes and commands"
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
            One of :data:`robotlab.loop.decide.STATES`.
        """
        return STATES[self.states[tick]]

    def sign_check(self) -> SignCheck:
        """Whether the wheels turned the trolley toward the post.

        Returns
        -------
        SignCheck
            From each observation and the wheel speeds three motor lags after it was
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
        return contacts_of(self)

    def scores(self) -> dict[str, float]:
        """How good the run was.

        Returns
        -------
        dict of str to float
            ``time_in_view``: fraction of the pictures in which at least a quarter
            of the post shows.  ``time_following``: fraction of the time in which
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
            ``path_length_m``: distance driven.  ``end_distance_m``: last
            distance to the post.

        Notes
        -----
        Of a real drive only ``time_following``, ``losses``, ``recoveries`` and
        ``peak_jump_mps`` (of the commands) are known; all else is NaN.  What its
        boxes said is in :attr:`bearings_rad` and :attr:`distances_m`.
        """
        return scores_of(self)
