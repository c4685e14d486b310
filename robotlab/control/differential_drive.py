"""The differential drive: wheel speeds, body twist, and the exact arc.

Body axes are x forward, y left, yaw counter-clockwise (ISO 8855), so a
positive yaw rate turns left, and the right wheel is then the faster one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from robotlab.checks import number
from robotlab.control.checked_fields import CheckedFields, checked
from robotlab.control.elementwise import Numbers, cos, every, larger, sin, sine_ratio

# Between a speck and a town: outside, turn rates and squares overflow.
_LENGTHS_M = 1e-6, 1e6


def _length(value: float, name: str) -> float:
    repair = "measure it on the robot, in meters"
    return number(number(value, name, 0, open_low=True, repair=repair), name, *_LENGTHS_M, repair=repair)


@dataclass(frozen=True)
class DifferentialDrive(CheckedFields):
    """Two driven wheels on one axle.

    Parameters
    ----------
    track_m : float
        Distance between the two wheels' tracks on the ground.
    wheel_radius_m : float
        Radius of a wheel.

    Raises
    ------
    MotionError
        If a length is not a positive number.

    Notes
    -----
    Forward speed ``v = (right + left) / 2``, yaw rate
    ``w = (right - left) / track`` (Siegwart, Nourbakhsh, Scaramuzza,
    *Introduction to Autonomous Mobile Robots*, 2nd ed., section 3.2).

    Examples
    --------
    >>> DifferentialDrive(track_m=0.3).twist(0.2, 0.5)
    (0.35, 1.0)
    """

    track_m: float = checked(_length, 0.30)
    wheel_radius_m: float = checked(_length, 0.05)

    def twist(self, left_mps: Numbers, right_mps: Numbers) -> tuple[Numbers, Numbers]:
        """Forward speed and yaw rate of the body.

        Parameters
        ----------
        left_mps, right_mps : float or ndarray
            Speeds of the two wheels over the ground, m/s.

        Returns
        -------
        (v_mps, yaw_radps) : float or ndarray
            Forward speed, m/s; yaw rate, rad/s, positive to the left.

        Examples
        --------
        >>> DifferentialDrive(track_m=0.5).twist(-0.25, 0.25)
        (0.0, 1.0)
        """
        return (right_mps + left_mps) / 2, (right_mps - left_mps) / self.track_m

    def wheels(self, v_mps: Numbers, yaw_radps: Numbers) -> tuple[Numbers, Numbers]:
        """Wheel speeds that give a forward speed and a yaw rate.

        Parameters
        ----------
        v_mps : float or ndarray
            Forward speed, m/s.
        yaw_radps : float or ndarray
            Yaw rate, rad/s, positive to the left.

        Returns
        -------
        (left_mps, right_mps) : float or ndarray
            Wheel speeds over the ground, m/s.

        Examples
        --------
        >>> DifferentialDrive(track_m=0.5).wheels(0.0, 1.0)
        (-0.25, 0.25)
        """
        half = yaw_radps * (self.track_m / 2)
        return v_mps - half, v_mps + half

    def wheels_from_spin(self, left_radps: Numbers, right_radps: Numbers) -> tuple[Numbers, Numbers]:
        """Wheel speeds over the ground from how fast the wheels turn.

        Parameters
        ----------
        left_radps, right_radps : float or ndarray
            Turning speed of the wheels, rad/s.

        Returns
        -------
        (left_mps, right_mps) : float or ndarray
            Radius times turning speed, m/s, when nothing slips.

        Examples
        --------
        >>> DifferentialDrive(wheel_radius_m=0.5).wheels_from_spin(2.0, 3.0)
        (1.0, 1.5)
        """
        return self.wheel_radius_m * left_radps, self.wheel_radius_m * right_radps

    def radius_m(self, left_mps: float, right_mps: float) -> float:
        """Radius of the circle that the middle of the axle drives.

        Parameters
        ----------
        left_mps, right_mps : float
            Wheel speeds, m/s.

        Returns
        -------
        float
            Positive when the circle's center is to the left; infinite when
            driving straight; 0 when turning on the spot.

        Examples
        --------
        >>> DifferentialDrive(track_m=0.5).radius_m(0.25, 0.75)
        0.5
        """
        v, yaw = self.twist(left_mps, right_mps)
        return math.inf if yaw == 0 else v / yaw


def advance(
    x_m: Numbers, y_m: Numbers, yaw_rad: Numbers, v_mps: Numbers, yaw_radps: Numbers, dt_s: float
) -> tuple[Numbers, Numbers, Numbers]:
    """Move along the exact circular arc of a constant speed and yaw rate.

    Parameters
    ----------
    x_m, y_m, yaw_rad : float or ndarray
        Pose on the ground: place, m; yaw, rad, counter-clockwise from x.
    v_mps, yaw_radps : float or ndarray
        Forward speed, m/s, and yaw rate, rad/s.
    dt_s : float
        How long.

    Returns
    -------
    (x_m, y_m, yaw_rad) : tuple of float or ndarray
        The pose after. Yaw is not wrapped.

    Notes
    -----
    The arc of radius ``v / w`` has the chord ``v dt sin(h) / h`` with
    ``h = w dt / 2``, at the angle ``yaw + h``: the same as the two sines of
    Thrun, Burgard, Fox, *Probabilistic Robotics*, section 5.3, without their
    division by a yaw rate of 0.  This is not Euler's rule, whose error grows
    with every turn.

    Examples
    --------
    >>> [round(number, 12) for number in advance(0, 0, 0, 1.0, 1.0, math.pi / 2)]
    [1.0, 1.0, 1.570796326795]
    """
    half = yaw_radps * (dt_s / 2)
    chord, toward = v_mps * dt_s * sine_ratio(half), yaw_rad + half
    return x_m + chord * cos(toward), y_m + chord * sin(toward), yaw_rad + 2 * half


def scale_wheel_speeds(left_mps: Numbers, right_mps: Numbers, max_mps: float) -> tuple[Numbers, Numbers]:
    """Slow both wheels together so that neither exceeds its limit.

    Parameters
    ----------
    left_mps, right_mps : float or ndarray
        Wanted wheel speeds.
    max_mps : float
        The most that a wheel can do.

    Returns
    -------
    (left_mps, right_mps) : tuple of float or ndarray
        In the same ratio, so the robot drives the same circle, slower.

    Notes
    -----
    This is not cutting each wheel off by itself: that would straighten the
    curve exactly when the robot must turn most.

    Examples
    --------
    >>> scale_wheel_speeds(0.5, 1.0, 0.5)
    (0.25, 0.5)
    """
    fastest = larger(abs(left_mps), abs(right_mps))
    if every(fastest <= max_mps):
        return left_mps, right_mps
    scale = max_mps / larger(fastest, max_mps)
    return left_mps * scale, right_mps * scale
