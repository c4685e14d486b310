"""Decide: from what the detector found to a wanted motion.

The same object drives the simulated trolley and a real one.  It knows no
robot and no picture: boxes and times go in, a wish comes out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.control import turn_toward
from robotlab.control.safety import StopKind
from robotlab.control.steering import FeedForwardTurn, PDTurn, speed_toward
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.loop.settings import Settings

# In the order in which they follow each other when the target is lost.
STATES = ("wait", "follow", "hold", "slow", "search", "stop", "fault")
# A box this near to the edge of the picture is cut by it: half a pixel of
# reading error and one of resizing.
_EDGE_PX = 1.5
# Thinner than this is no box: no camera resolves it, and its distance would be
# kilometers.
_LEAST_PX = 1e-3
# Nor is one so much larger than the picture: a detector may guess the part
# beyond the edge, but the part inside must be what it saw.
_MOST_PICTURES = 2.0


@dataclass(frozen=True)
class Observation:
    """One believed sight of the target.

    Attributes
    ----------
    box : (4,) ndarray
        Corners, px of the camera's picture.
    score : float
        The detector's score.
    bearing_rad : float
        Positive to the left.
    distance_m : float
        Along the ground.
    t_s : float
        When the picture was taken.
    """

    box: np.ndarray
    score: float
    bearing_rad: float
    distance_m: float
    t_s: float


@dataclass(frozen=True)
class VelocityCommand:
    """A wanted motion and the state it comes from.

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
            failed, ``None`` when it is no stop.  Neither is an emergency stop.

        Examples
        --------
        >>> VelocityCommand(0.0, 0.0, "fault").stop.category
        1
        """
        return {"slow": StopKind.HOLD, "stop": StopKind.HOLD, "fault": StopKind.RELEASE}.get(self.state)


def distance_from_box(box: np.ndarray, camera: Camera, settings: Settings) -> float:
    """Distance to the target from the size of its box.

    Parameters
    ----------
    box : (4,) ndarray
        Corners, px.
    camera : Camera
        What took the picture.
    settings : Settings
        Size of the target, and which side to use.

    Returns
    -------
    float
        Along the ground, m.  From the height as in
        :meth:`robotlab.camera.Camera.distance_m`; from the width
        ``f W / (width cos^2)`` of the bearing: a round post always turns its
        full width to the camera, and off the middle each degree covers more
        pixels.

    Raises
    ------
    InputError
        If the box has no area.

    Examples
    --------
    >>> camera = Camera(320, 240, math.radians(90), height_m=0.25)
    >>> round(distance_from_box(np.array([155.0, 100, 165, 140]), camera, Settings(distance_from="height")), 6)
    2.0
    """
    x0, y0, x1, y1 = (float(corner) for corner in box)
    if not (x1 > x0 and y1 > y0):
        raise InputError(f"a box must have an area to measure a distance, got {[x0, y0, x1, y1]}; leave such boxes out")
    tall = camera.distance_m(box, settings.target_height_m)
    wide = camera.focal_px * settings.target_width_m / (x1 - x0) / math.cos(camera.bearing_rad((x0 + x1) / 2)) ** 2
    cut_tall = y0 < _EDGE_PX or y1 > camera.height_px - _EDGE_PX
    cut_wide = x0 < _EDGE_PX or x1 > camera.width_px - _EDGE_PX
    if cut_tall != cut_wide:
        return wide if cut_tall else tall
    # A cut side reads too far, so of two cut ones the nearer is nearer to the truth.
    if cut_tall or settings.distance_from == "nearer":
        return min(tall, wide)
    return tall if settings.distance_from == "height" else wide


class Follower:
    """Choose the target, steer to it, and know what to do without it.

    Parameters
    ----------
    camera : Camera
        What takes the pictures.
    settings : Settings
        All the numbers.
    start_s : float
        Time at the start.

    Attributes
    ----------
    sight : Sight or None
        The last believed sight.

    Notes
    -----
    When the target is out of sight the trolley goes through `hold` (keep the
    last motion), `slow` (ramp to rest), `search` (turn on the spot to the side
    where the target went) and `stop`.  Seeing the target again ends all but
    `stop`: a trolley that has stood a while does not start by itself, because
    somebody may be at it by then; :meth:`reset` starts it again.  These are
    stops of category 2 (IEC 60204-1) in software, and no safety function.

    Examples
    --------
    >>> camera = Camera(320, 240, math.radians(62), height_m=0.25)
    >>> follower = Follower(camera, Settings())
    >>> _ = follower.observe(Detections([[200, 80, 210, 150]], [0.9], [0], ["post"]), t_s=0.0)
    >>> velocity = follower.velocity(0.1)
    >>> velocity.state, velocity.yaw_radps < 0  # the post is right of the middle
    ('follow', True)
    """

    def __init__(self, camera: Camera, settings: Settings, start_s: float = 0.0) -> None:
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
        self._laws = {
            "pd": PDTurn(s.turn_gain, s.damping, s.max_yaw_radps),
            "feed_forward": FeedForwardTurn(s.turn_gain, max_yaw_radps=s.max_yaw_radps),
        }
        self._motion, self._side = (0.0, 0.0), 1.0
        self._stopped = self._missed = False
        self._since = now_s
        self.sight: Observation | None = None

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
        Sight or None
            The target, if it was believed.
        """
        last = self.sight
        if not math.isfinite(t_s) or (last is not None and t_s <= last.t_s):
            return None
        row = self._choose(found, t_s)
        if row is None:
            self._missed = True
            return None
        box = found.boxes[row]
        bearing = self._camera.bearing_rad((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        sight = Observation(
            box, float(found.scores[row]), bearing, distance_from_box(box, self._camera, self._settings), t_s
        )
        gap = t_s - last.t_s if last is not None else self._settings.frame_s
        self._motion = self._steer(sight, gap, yaw_rad)
        # Where it will go out of sight: the side it is on.
        self._side = math.copysign(1.0, bearing)
        self.sight, self._missed, self._since = sight, False, t_s
        return sight

    def velocity(self, now_s: float) -> VelocityCommand:
        """The wanted motion now.

        Parameters
        ----------
        now_s : float
            Time now.

        Returns
        -------
        VelocityCommand
            Within the limits of the settings; not yet ramped.
        """
        s, age = self._settings, now_s - self._since
        # The age counts from the picture, so that what is under way anyway is no loss.
        expected = s.delay_s + s.detector_s + s.frame_s
        # A sight of the future, or of no time at all: the clock is wrong, and nobody knows for how long.
        self._stopped = self._stopped or not age >= 0
        if self._stopped:
            return VelocityCommand(0.0, 0.0, "stop")
        if self.sight is not None and age <= expected + s.hold_s:
            late = self._missed or age > expected + 1e-9
            return VelocityCommand(*self._motion, "hold" if late else "follow")
        age -= expected + (s.hold_s if self.sight is not None else 0.0)
        if age <= s.slow_s:
            return VelocityCommand(0.0, 0.0, "wait" if self.sight is None else "slow")
        if age <= s.slow_s + s.search_s:
            return VelocityCommand(0.0, self._side * s.search_radps, "search")
        self._stopped = True
        return VelocityCommand(0.0, 0.0, "stop")

    def _possible(self, boxes: np.ndarray) -> np.ndarray:
        """(N,) whether each box lies in the picture, at least in part, and has a size that something in it can have."""
        size = np.array([self._camera.width_px, self._camera.height_px])
        with np.errstate(over="ignore"):
            sides = boxes[:, 2:] - boxes[:, :2]
        fits = (sides >= _LEAST_PX) & (sides <= _MOST_PICTURES * size)
        return (fits & (boxes[:, 2:] > 0) & (boxes[:, :2] < size)).all(axis=1)

    def _choose(self, found: Detections, t_s: float) -> int | None:
        s = self._settings
        if s.target not in found.classes:
            raise InputError(
                f"the detector must know the class {s.target!r}, it knows {', '.join(found.classes)}; set target to one of them"
            )
        good = (
            (found.labels == found.classes.index(s.target))
            & (found.scores >= s.min_score)
            & self._possible(found.boxes)
        )
        if s.gate is not None and self.sight is not None and t_s - self.sight.t_s <= s.hold_s + s.frame_s:
            off = (found.boxes[:, :2] + found.boxes[:, 2:] - self.sight.box[:2] - self.sight.box[2:]) / 2
            good &= np.hypot(off[:, 0], off[:, 1]) <= s.gate * self._camera.width_px
        if not good.any():
            return None
        return int(np.where(good, found.scores, -np.inf).argmax())

    def _steer(self, sight: Observation, gap_s: float, yaw_rad: float) -> tuple[float, float]:
        s = self._settings
        if s.law == "pd":
            yaw = self._laws["pd"].step(sight.bearing_rad, gap_s)
        elif s.law == "feed_forward":
            yaw = self._laws["feed_forward"].step(sight.bearing_rad, yaw_rad, gap_s)
        else:
            yaw = turn_toward(sight.bearing_rad, s.turn_gain, s.max_yaw_radps)
        speed = speed_toward(sight.distance_m, s.keep_m, s.drive_gain, s.max_mps, s.max_reverse_mps, sight.bearing_rad)
        return speed, yaw
