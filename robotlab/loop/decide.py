"""Decide: from what the detector found to a velocity command.

The same object drives the simulated trolley and a real one.  It knows no
robot and no picture: boxes and times go in, a velocity command comes out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from robotlab.camera import Camera
from robotlab.control import turn_toward
from robotlab.control.checked_fields import CheckedFields, not_negative, one_of, positive
from robotlab.control.elementwise import Numbers, choose, every
from robotlab.control.safety import StopKind
from robotlab.control.steering import FeedForwardTurn, PDTurn, speed_toward
from robotlab.detections import Detections
from robotlab.loop.perception import PerceptionSettings
from robotlab.loop.target import Observation, TargetSettings, choose_box, distance_from_box

# In the order in which they follow each other when the target is lost.
STATES = ("wait", "follow", "hold", "slow", "search", "stop", "fault")


@dataclass(frozen=True, kw_only=True)
class SteeringSettings(CheckedFields):
    """How the trolley is steered to the target.

    Parameters
    ----------
    following_distance_m : float
        Distance to keep.
    turn_gain : float
        Proportional gain of steering: yaw rate for each radian of bearing,
        1/s.
    drive_gain : float
        Proportional gain of the distance: speed for each meter too far, 1/s.
    law : {"p", "pd", "feed_forward"}
        Steering law.
    derivative_gain : float
        Derivative gain of ``"pd"``: yaw rate for each rad/s of change of the
        bearing.
    max_mps, max_yaw_radps : float
        Limits of the commanded speed and yaw rate.
    max_reverse_mps : float
        Limit of the speed backward.  0 never backs up: the camera looks
        forward, and a wrong box that fills the picture would drive the
        trolley blindly to where it cannot see.

    Raises
    ------
    MotionError
        If a number is out of its range or the law is unknown.
    """

    following_distance_m: float = positive(1.2)
    turn_gain: float = not_negative(1.8)
    drive_gain: float = not_negative(1.2)
    law: str = one_of("p", ("p", "pd", "feed_forward"))
    derivative_gain: float = not_negative(0.1)
    max_mps: float = positive(0.6)
    max_yaw_radps: float = positive(1.5)
    max_reverse_mps: float = not_negative(0.0)


@dataclass(frozen=True, kw_only=True)
class LostTargetSettings(CheckedFields):
    """What the trolley does after the target was last seen.

    Parameters
    ----------
    hold_s : float
        First it holds the last command for so long,
    slow_s : float
        then it ramps down and stands,
    search_s : float
        then it turns on the spot to where the target went; after that it
        stops and stays stopped.
    search_radps : float
        Yaw rate of the search.

    Raises
    ------
    MotionError
        If a number is out of its range.
    """

    hold_s: float = not_negative(0.4)
    slow_s: float = not_negative(0.6)
    search_s: float = not_negative(8.0)
    search_radps: float = not_negative(0.8)


@dataclass(frozen=True, kw_only=True)
class FollowerSettings(LostTargetSettings, SteeringSettings, TargetSettings, PerceptionSettings):
    """All that :class:`Follower` goes by.

    Parameters
    ----------
    frame_hz, delay_s, detector_s, detector_px, hfov_rad
        As in :class:`~robotlab.loop.perception.PerceptionSettings`.
    target, min_score, gate, target_height_m, target_width_m, distance_from
        As in :class:`~robotlab.loop.target.TargetSettings`.
    following_distance_m, turn_gain, drive_gain, law, derivative_gain, max_mps, max_yaw_radps, max_reverse_mps
        As in :class:`SteeringSettings`.
    hold_s, slow_s, search_s, search_radps
        As in :class:`LostTargetSettings`.
    """


# What the age of the last observation leads to, in this order.
STEADY, STANDING, SEARCHING, STOPPED = range(4)


def next_phase(
    phase: Numbers, age_s: Numbers, seen: Numbers, expected_s: float, settings: LostTargetSettings
) -> Numbers:
    """How the states of the loop follow each other: by the age of the last observation.

    Parameters
    ----------
    phase : int or (N,) ndarray of int
        The phase until now: who has stopped stays so.
    age_s : float or (N,) ndarray
        Age of the last observation, or time since the start.
    seen : bool or (N,) ndarray of bool
        There was an observation.
    expected_s : float
        Age that an observation reaches before the next one.
    settings : LostTargetSettings
        For how long it holds the last command, stands and searches.

    Returns
    -------
    int or (N,) ndarray of int
        ``STEADY`` goes on with the last motion, ``STANDING`` is at rest,
        ``SEARCHING`` turns on the spot, ``STOPPED`` is for good.  One number
        where all are steady.

    Notes
    -----
    An age below 0, or none at all, is an observation of the future: the clock
    is wrong, nobody knows for how long, and it stops.

    Examples
    --------
    >>> [next_phase(STEADY, age_s, True, 0.2, LostTargetSettings()) for age_s in (0.6, 1.2, 9.2, 9.3, -1.0)]
    [0, 1, 2, 3, 3]
    """
    s, going = settings, (age_s >= 0) & (phase < STOPPED)
    steady = seen & going & (age_s <= expected_s + s.hold_s)
    if every(steady):
        return STEADY
    lost_s = age_s - choose(seen, expected_s + s.hold_s, expected_s)
    # Each border that is passed leads one phase further.
    lost = STANDING + (lost_s > s.slow_s) + (lost_s > s.slow_s + s.search_s)
    return choose(steady, STEADY, choose(going, lost, STOPPED))


def phase_velocity(
    phase: Numbers, motion: tuple[Numbers, Numbers], side: Numbers, settings: LostTargetSettings
) -> tuple[Numbers, Numbers]:
    """Forward speed and yaw rate that a phase commands.

    Parameters
    ----------
    phase : int or (N,) ndarray of int
        From :func:`next_phase`.
    motion : tuple of float or of (N,) ndarray
        Forward speed, m/s, and yaw rate, rad/s, of the last observation.
    side : float or (N,) ndarray
        Where the target went: 1 left, -1 right.
    settings : LostTargetSettings
        How fast it searches.

    Returns
    -------
    (v_mps, yaw_radps) : tuple of float or of (N,) ndarray
        Not yet ramped.

    Examples
    --------
    >>> phase_velocity(SEARCHING, (0.5, 0.1), -1.0, LostTargetSettings())
    (0.0, -0.8)
    """
    steady, (v_mps, yaw_radps) = phase == STEADY, motion
    if every(steady):
        return motion
    search = choose(phase == SEARCHING, side * settings.search_radps, 0.0)
    return choose(steady, v_mps, 0.0), choose(steady, yaw_radps, search)


@dataclass(frozen=True)
class VelocityCommand:
    """A velocity command and the state it comes from.

    Attributes
    ----------
    v_mps : float
        Forward speed.
    yaw_radps : float
        Yaw rate, positive to the left.
    state : str
        One of :data:`STATES`.
    """

    v_mps: float
    yaw_radps: float
    state: str

    @property
    def stop(self) -> StopKind | None:
        """The kind of stop that it is.

        Returns
        -------
        StopKind or None
            ``HOLD`` when the target is lost, ``RELEASE`` when a part has
            failed, ``None`` when it is not a stop.  Neither is an emergency stop.

        Examples
        --------
        >>> VelocityCommand(0.0, 0.0, "fault").stop.category
        1
        """
        return {"slow": StopKind.HOLD, "stop": StopKind.HOLD, "fault": StopKind.RELEASE}.get(self.state)


class Follower:
    """Choose the target, steer toward it, and handle a lost target.

    Parameters
    ----------
    camera : Camera
        What takes the pictures.
    settings : FollowerSettings
        All the numbers.
    start_s : float
        Time at the start.

    Attributes
    ----------
    observation : Observation or None
        The last one that was believed.

    Notes
    -----
    When the target is out of observation the trolley goes through `hold` (keep the
    last motion), `slow` (ramp to rest), `search` (turn on the spot to the side
    where the target went) and `stop`.  Seeing the target again ends all but
    `stop`: a trolley that has stood a while does not start by itself, because
    somebody may be at it by then; :meth:`reset` starts it again.  These are
    stops of category 2 (IEC 60204-1) in software, and no safety function.

    Examples
    --------
    >>> camera = Camera(320, 240, math.radians(62), height_m=0.25)
    >>> follower = Follower(camera, FollowerSettings())
    >>> _ = follower.observe(Detections([[200, 80, 210, 150]], [0.9], [0], ["post"]), t_s=0.0)
    >>> velocity = follower.velocity(0.1)
    >>> velocity.state, velocity.yaw_radps < 0  # the post is right of the middle
    ('follow', True)
    """

    def __init__(self, camera: Camera, settings: FollowerSettings, start_s: float = 0.0) -> None:
        self._camera, self._settings = camera, settings
        self.reset(start_s)

    def reset(self, now_s: float) -> None:
        """Start again after a stop; a person decides to.

        Parameters
        ----------
        now_s : float
            Time now.
        """
        s = self._settings
        # The laws anew as well: they remember where the target was.
        pd = PDTurn(s.turn_gain, s.derivative_gain, s.max_yaw_radps)
        self._yaw_radps: Callable[[float, float, float], float] = {
            "p": lambda bearing_rad, yaw_rad, dt_s: turn_toward(bearing_rad, s.turn_gain, s.max_yaw_radps),
            "pd": lambda bearing_rad, yaw_rad, dt_s: pd.step(bearing_rad, dt_s),
            "feed_forward": FeedForwardTurn(s.turn_gain, max_yaw_radps=s.max_yaw_radps).step,
        }[s.law]
        self._motion, self._side = (0.0, 0.0), 1.0
        self._phase, self._missed = STEADY, False
        self._since = now_s
        self.observation: Observation | None = None

    def observe(self, found: Detections, t_s: float, yaw_rad: float = 0.0) -> Observation | None:
        """Take in what the detector found in one picture.

        Parameters
        ----------
        found : Detections
            In the pixels of the camera's picture.
        t_s : float
            When the picture was taken; older than the last is ignored.
        yaw_rad : float
            Yaw of the trolley then, by odometry; only for ``feed_forward``.

        Returns
        -------
        Observation or None
            The target, if it was believed.
        """
        last = self.observation
        if not math.isfinite(t_s) or (last is not None and t_s <= last.t_s):
            return None
        s = self._settings
        fresh = last is not None and t_s - last.t_s <= s.hold_s + s.frame_s
        row = choose_box(found, last if fresh else None, self._camera, s)
        if row is None:
            self._missed = True
            return None
        box = found.boxes[row]
        bearing = self._camera.bearing_rad((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        observation = Observation(box, float(found.scores[row]), bearing, distance_from_box(box, self._camera, s), t_s)
        v_mps = speed_toward(
            observation.distance_m, s.following_distance_m, s.drive_gain, s.max_mps, s.max_reverse_mps, bearing
        )
        self._motion = v_mps, self._yaw_radps(bearing, yaw_rad, s.frame_s if last is None else t_s - last.t_s)
        # Where it will go out of observation: the side it is on.
        self._side = math.copysign(1.0, bearing)
        self.observation, self._missed, self._since = observation, False, t_s
        return observation

    def velocity(self, now_s: float) -> VelocityCommand:
        """The velocity command now; without a target, hold last command, slow, lost-target search, stop.

        Parameters
        ----------
        now_s : float
            Time now.

        Returns
        -------
        VelocityCommand
            Within the limits of the settings; not yet ramped.
        """
        s, age, seen = self._settings, now_s - self._since, self.observation is not None
        # The age counts from the picture, so that what is under way anyway is not a loss.
        expected = s.delay_s + s.detector_s + s.frame_s
        self._phase = next_phase(self._phase, age, seen, expected, s)
        late = self._missed or age > expected + 1e-9
        state = {
            STEADY: "hold" if late else "follow",
            STANDING: "slow" if seen else "wait",
            SEARCHING: "search",
            STOPPED: "stop",
        }[self._phase]
        return VelocityCommand(*phase_velocity(self._phase, self._motion, self._side, s), state)
