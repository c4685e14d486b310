"""Steering laws: from bearing and distance to forward speed and yaw rate.

Bearings are positive to the left (ISO 8855), so a target right of the middle
has a negative bearing and gets a negative yaw rate: a turn to the right.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from robotlab.checks import number
from robotlab.control.elementwise import Numbers, clip, cos, has_nan, larger
from robotlab.errors import MotionError


def turn_toward(bearing_rad: Numbers, gain: Numbers, max_yaw_radps: Numbers = math.inf) -> Numbers:
    """Yaw rate that turns the robot toward a bearing: proportional (P) control.

    Parameters
    ----------
    bearing_rad : float or ndarray
        Where the target is, positive to the left of straight ahead.
    gain : float or ndarray
        Yaw rate for each radian of bearing, 1/s.
    max_yaw_radps : float or ndarray
        Limit either way.

    Returns
    -------
    float or ndarray
        ``gain * bearing`` within the limit, rad/s, positive to the left.

    Raises
    ------
    MotionError
        If bearing or gain is NaN.

    Examples
    --------
    >>> turn_toward(-0.2, gain=1.5)  # the target is right of center: turn right
    -0.30000000000000004
    """
    wanted = gain * bearing_rad
    if has_nan(wanted):
        raise MotionError(
            f"bearing and gain must be numbers, got {bearing_rad} and {gain}; steer only by a target that was seen"
        )
    return clip(wanted, -max_yaw_radps, max_yaw_radps)


def speed_toward(
    distance_m: Numbers,
    following_distance_m: Numbers,
    gain: Numbers,
    max_mps: Numbers,
    max_reverse_mps: Numbers = 0.0,
    bearing_rad: Numbers = 0.0,
) -> Numbers:
    """Forward speed that keeps a distance to the target: proportional (P) control.

    Parameters
    ----------
    distance_m : float or ndarray
        Distance to the target now.
    following_distance_m : float or ndarray
        Distance to keep.
    gain : float or ndarray
        Speed for each meter too far, 1/s.
    max_mps : float or ndarray
        Speed limit forward.
    max_reverse_mps : float or ndarray
        Speed limit backward, as a positive number; 0 never drives backward,
        which is right for a robot that cannot see behind itself.
    bearing_rad : float or ndarray
        Bearing of the target: the robot slows with its cosine, so it turns
        toward a target at its side before it drives.

    Returns
    -------
    float or ndarray
        Speed, m/s.

    Raises
    ------
    MotionError
        If distance, bearing or gain is NaN.

    Examples
    --------
    >>> speed_toward(2.0, following_distance_m=1.2, gain=1.0, max_mps=0.5)
    0.5
    >>> speed_toward(1.0, following_distance_m=1.2, gain=1.0, max_mps=0.5)
    0.0
    """
    wanted = gain * (distance_m - following_distance_m) * larger(cos(bearing_rad), 0.0)
    if has_nan(wanted):
        raise MotionError(
            f"distance, gain and bearing must be numbers, got {distance_m}, {gain} and {bearing_rad}; drive only to a target that was seen"
        )
    # Subtracting from 0 rather than negating keeps a plain 0 free of a minus sign.
    return clip(wanted, 0.0 - max_reverse_mps, max_mps)


@dataclass
class FeedForwardTurn:
    """P control plus feed-forward: the rate at which the direction to the target turns.

    Parameters
    ----------
    gain : float
        Yaw rate for each radian of bearing, 1/s.
    smooth_s : float
        Time constant of the smoothing of the measured rate; longer is calmer
        and later.
    max_yaw_radps : float
        Limit either way.

    Notes
    -----
    P control alone trails a direction that turns steadily at ``w`` by
    ``w / gain``: it needs that bearing to turn at all.  Adding ``w`` removes
    the steady-state error whatever the delay, since a steady bearing is the same
    however old it is.  The price is the detector's noise, passed on as
    ``noise / smooth_s``.

    Examples
    --------
    >>> law = FeedForwardTurn(gain=1.0, smooth_s=0.0)
    >>> law.step(0.0, yaw_rad=0.0, dt_s=0.1), round(law.step(0.02, yaw_rad=0.01, dt_s=0.1), 3)
    (0.0, 0.32)
    """

    gain: float
    smooth_s: float = 0.3
    max_yaw_radps: float = math.inf
    _direction: float | None = None
    _rate: float = 0.0

    def step(self, bearing_rad: float, yaw_rad: float, dt_s: float) -> float:
        """Yaw rate for a new bearing.

        Parameters
        ----------
        bearing_rad : float
            Bearing in the new picture, positive to the left.
        yaw_rad : float
            Yaw of the robot when that picture was taken (odometry).
        dt_s : float
            Time between the last picture and this one.

        Returns
        -------
        float
            Yaw rate, rad/s, positive to the left.

        Raises
        ------
        MotionError
            If `dt_s` is not positive or a number is not finite; what the law
            remembers stays as it was.

        Examples
        --------
        >>> FeedForwardTurn(2.0).step(0.25, 0.0, 0.1)
        0.5
        """
        if not dt_s > 0:
            raise MotionError(f"dt_s must be more than 0, got {dt_s}; pass the time between two pictures")
        if not math.isfinite(bearing_rad + yaw_rad):
            raise MotionError(
                f"bearing and yaw must be finite, got {bearing_rad} and {yaw_rad}; leave out pictures without a target"
            )
        direction = bearing_rad + yaw_rad
        if self._direction is not None:
            measured = math.remainder(direction - self._direction, 2 * math.pi) / dt_s
            self._rate += (measured - self._rate) * dt_s / (dt_s + self.smooth_s)
        self._direction = direction
        wanted = self.gain * bearing_rad + self._rate
        return min(max(wanted, -self.max_yaw_radps), self.max_yaw_radps)


@dataclass
class PDTurn:
    """PD control: P control plus a derivative part, which damps.

    Parameters
    ----------
    gain : float
        Yaw rate for each radian of bearing, 1/s.
    derivative_gain : float
        Derivative gain: yaw rate for each rad/s that the bearing changes; no
        unit.
    max_yaw_radps : float
        Limit either way.

    Notes
    -----
    The robot's own turning is already an integrator, so P control alone has
    no steady-state error for a target that stands still.  The derivative part
    takes off overshoot, with motor lag and without: after a jump of 15 degrees
    at half the ultimate gain and 0.3 s of latency, derivative_gain 0.3 leaves 1.0
    of 4.2 degrees without lag and 1.3 of 4.8 degrees with 0.1 s of lag
    (simulated; ``tests/control/test_steering.py``).  It multiplies the detector's
    noise by ``derivative_gain / dt``.

    Examples
    --------
    >>> law = PDTurn(gain=1.0, derivative_gain=0.1)
    >>> law.step(0.5, 0.1), round(law.step(0.4, 0.1), 3)
    (0.5, 0.3)
    """

    gain: float
    derivative_gain: float
    max_yaw_radps: float = math.inf
    _last: float | None = None

    def step(self, bearing_rad: float, dt_s: float) -> float:
        """Yaw rate for a new bearing.

        Parameters
        ----------
        bearing_rad : float
            Bearing, positive to the left.
        dt_s : float
            Time since the last bearing.

        Returns
        -------
        float
            Yaw rate, rad/s, positive to the left.

        Raises
        ------
        MotionError
            If `dt_s` is not positive or a number is not finite; what the law
            remembers stays as it was.

        Examples
        --------
        >>> PDTurn(2.0, 0.0).step(0.25, 0.1)
        0.5
        """
        if not dt_s > 0:
            raise MotionError(f"dt_s must be more than 0, got {dt_s}; pass the time between two frames")
        if not math.isfinite(bearing_rad):
            raise MotionError(f"bearing must be finite, got {bearing_rad}; leave out frames without a target")
        change = 0.0 if self._last is None else (bearing_rad - self._last) / dt_s
        self._last = bearing_rad
        wanted = self.gain * bearing_rad + self.derivative_gain * change
        return min(max(wanted, -self.max_yaw_radps), self.max_yaw_radps)


@dataclass(frozen=True)
class SignCheck:
    """What a wheels-up test says about the direction of steering.

    Attributes
    ----------
    ok : bool
        The robot would turn toward the target.
    flees : bool
        The robot would turn away from it.
    message : str
        What to do.
    """

    ok: bool
    flees: bool
    message: str


def sign_check(bearings_rad, lefts_mps, rights_mps, least_rad: float = 0.05, least_mps: float = 0.01) -> SignCheck:
    """Tell from a short wheels-up test whether the robot would flee.

    Lift the driven wheels off the ground, hold the target left of the middle
    of the picture for a few frames, then right of it, and pass what was seen
    and how the wheels turned.

    Parameters
    ----------
    bearings_rad : (N,) sequence of float
        Bearing of the target in each frame, positive to the left.
    lefts_mps, rights_mps : (N,) sequence of float
        Measured speeds of the left and right wheel rims when that frame had
        been acted on, m/s, positive forward.
    least_rad : float
        Frames nearer to straight ahead than this say nothing.
    least_mps : float
        Differences of the wheel speeds smaller than this say nothing.

    Returns
    -------
    SignCheck
        Passed only if the frames on both sides agree.

    Raises
    ------
    MotionError
        If the three differ in length.

    Notes
    -----
    A target at the left needs the right wheel faster (a positive yaw rate);
    at the right, the left wheel.  One side alone proves nothing: a robot that
    always turns left passes half of the test.  Keep fingers, hair and cables
    away from the wheels, and a hand on the power switch.

    Examples
    --------
    >>> sign_check([0.3, -0.3], [-0.1, 0.1], [0.1, -0.1]).ok
    True
    >>> sign_check([0.3, -0.3], [0.1, -0.1], [-0.1, 0.1]).flees
    True
    """
    if not len(bearings_rad) == len(lefts_mps) == len(rights_mps):
        raise MotionError(
            f"bearings, lefts and rights must be equally long, got {len(bearings_rad)}, {len(lefts_mps)}, "
            f"{len(rights_mps)}; pass one of each for every frame"
        )
    votes: dict[str, list[bool]] = {"left": [], "right": []}
    straight = {"left": 0, "right": 0}
    for bearing, left, right in zip(bearings_rad, lefts_mps, rights_mps, strict=True):
        bearing, turn = number(bearing, "bearing_rad"), number(right, "right_mps") - number(left, "left_mps")
        side = "left" if bearing > 0 else "right"
        if abs(bearing) >= least_rad and abs(turn) >= least_mps:
            votes[side].append((turn > 0) == (bearing > 0))
        elif abs(bearing) >= least_rad:
            straight[side] += abs(left + right) / 2 >= least_mps
    for side, seen in votes.items():
        if not seen:
            why = f"no frame with the target on the {side} and the wheels turning; show it there and try again"
            if straight[side]:
                why = (
                    f"with the target on the {side} both wheels turn alike, so the robot goes straight: "
                    "is one plug reversed, or do both wheels hang on one output?"
                )
            return SignCheck(False, False, why)
    shares = [sum(seen) / len(seen) for seen in votes.values()]
    # Four of five frames must agree on each side: one may be a false box.
    ok, flees = min(shares) >= 0.8, max(shares) <= 0.2
    if ok:
        why = "the wheels turn the robot toward the target on both sides"
    elif flees:
        why = "the wheels turn the robot away from the target: flip the steering sign, or swap the two motors"
    else:
        why = "the two sides disagree: check that each wheel's plus is forward and that left and right are not the same wheel"
    return SignCheck(ok, flees, why)
