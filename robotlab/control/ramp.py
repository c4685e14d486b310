"""Ramps: change speed no faster than the robot, its load and its gears bear.

Two ramps to be stepped at a steady rate, and the closed forms to judge them
by (Biagiotti and Melchiorri, *Trajectory Planning for Automatic Machines and
Robots*, 2008, chapter 3).
"""

from __future__ import annotations

import math

from robotlab.checks import number
from robotlab.control.elementwise import Numbers, clip
from robotlab.errors import MotionError


def ramp_step(speed_mps: Numbers, wanted_mps: Numbers, max_accel_mps2: float | None, dt_s: float) -> Numbers:
    """One step of a ramp with limited acceleration.

    Parameters
    ----------
    speed_mps, wanted_mps : float or ndarray
        Speed now, and the wanted one (or yaw rates, rad/s).
    max_accel_mps2 : float or None
        Most change of speed a second, m/s^2 (or rad/s^2 for a yaw rate);
        ``None`` for no limit.
    dt_s : float
        Time since the last step.

    Returns
    -------
    float or ndarray
        The new speed.  Nothing is checked here: :meth:`Ramp.step` does.

    Examples
    --------
    >>> ramp_step(0.1, 0.5, 1.0, 0.1), ramp_step(0.1, 0.5, None, 0.1)
    (0.2, 0.5)
    """
    if max_accel_mps2 is None:
        return wanted_mps
    most = max_accel_mps2 * dt_s
    return speed_mps + clip(wanted_mps - speed_mps, -most, most)


class Ramp:
    """Follow a wanted speed with limited acceleration (a trapezoid of speed).

    Parameters
    ----------
    max_accel_mps2 : float or None
        Most change of speed a second, m/s^2 (or rad/s^2 for a yaw rate).
        ``None`` follows at once: the robot then jumps.
    start : float
        Speed at the start, in the unit of the ramp: m/s, or rad/s for a yaw rate.

    Attributes
    ----------
    speed : float
        The speed now, m/s (or rad/s).
    accel : float
        Always 0: no step binds a later one.

    Raises
    ------
    MotionError
        If `max_accel_mps2` is not a positive number.

    Examples
    --------
    >>> ramp = Ramp(max_accel_mps2=1.0)
    >>> [ramp.step(0.25, 0.1) for _ in range(3)]
    [0.1, 0.2, 0.25]
    """

    def __init__(self, max_accel_mps2: float | None, start: float = 0.0) -> None:
        self.max_accel_mps2 = (
            None if max_accel_mps2 is None else number(max_accel_mps2, "max_accel_mps2", 0, open_low=True)
        )
        self.speed, self.accel = number(start, "start"), 0.0

    def step(self, wanted: float, dt_s: float) -> float:
        """One step toward the wanted speed.

        Parameters
        ----------
        wanted : float
            Wanted speed.
        dt_s : float
            Time since the last step.

        Returns
        -------
        float
            The new speed.

        Raises
        ------
        MotionError
            If the wanted speed is not finite or no time has passed; the speed
            stays as it was.

        Examples
        --------
        >>> Ramp(None).step(0.5, 0.01)
        0.5
        """
        _check_step(wanted, dt_s)
        self.speed = ramp_step(self.speed, wanted, self.max_accel_mps2, dt_s)
        return self.speed


class JerkRamp:
    """Follow a wanted speed with limited acceleration and limited jerk.

    Parameters
    ----------
    max_accel_mps2 : float
        Most change of speed a second, m/s^2.
    max_jerk_mps3 : float
        Most change of acceleration a second, m/s^3.
    start : float
        Speed at the start, in the unit of the ramp: m/s, or rad/s for a yaw rate.

    Attributes
    ----------
    speed : float
        The speed now, m/s (or rad/s).
    accel : float
        The acceleration now, m/s^2.

    Raises
    ------
    MotionError
        If a limit is not a positive number.

    Notes
    -----
    Slowing down in ``n`` steps from acceleration ``A`` by ``j dt`` each takes
    the speed ``dt (n A - j dt n (n - 1) / 2)`` further.  The ramp takes the
    fewest steps that cover the gap and the ``A`` that covers it exactly, so it
    lands on the wanted speed with acceleration near 0 and never passes it.

    Examples
    --------
    >>> ramp = JerkRamp(max_accel_mps2=1.0, max_jerk_mps3=5.0)
    >>> for _ in range(75):
    ...     speed = ramp.step(0.5, 0.01)
    >>> round(speed, 6)
    0.5
    """

    def __init__(self, max_accel_mps2: float, max_jerk_mps3: float, start: float = 0.0) -> None:
        self.max_accel_mps2 = number(max_accel_mps2, "max_accel_mps2", 0, open_low=True)
        self.max_jerk_mps3 = number(max_jerk_mps3, "max_jerk_mps3", 0, open_low=True)
        self.speed, self.accel = number(start, "start"), 0.0

    def step(self, wanted: float, dt_s: float) -> float:
        """One step toward the wanted speed.

        Parameters
        ----------
        wanted : float
            Wanted speed.
        dt_s : float
            Time since the last step.

        Returns
        -------
        float
            The new speed.

        Raises
        ------
        MotionError
            If the wanted speed is not finite or no time has passed; the speed
            stays as it was.

        Examples
        --------
        >>> round(JerkRamp(1.0, 5.0).step(1.0, 0.01), 6)
        0.0005
        """
        _check_step(wanted, dt_s)
        gap = wanted - self.speed
        unit = self.max_jerk_mps3 * dt_s
        # The largest gap of n steps is unit dt n (n + 1) / 2; solved for n.
        n = max(1, math.ceil((math.sqrt(1 + 8 * abs(gap) / (unit * dt_s)) - 1) / 2 - 1e-9))
        best = abs(gap) / (n * dt_s) + unit * (n - 1) / 2 if gap else 0.0
        best = math.copysign(min(best, self.max_accel_mps2), gap)
        self.accel += min(max(best - self.accel, -unit), unit)
        self.speed += self.accel * dt_s
        return self.speed


def _check_step(wanted: float, dt_s: float) -> None:
    # One NaN would stay in the speed for good.
    if not math.isfinite(wanted) or not 0 < dt_s < math.inf:
        raise MotionError(
            f"a ramp needs a finite wanted speed and a time step of more than 0 s, got {wanted} and {dt_s}; leave such a step out"
        )


def make_ramp(max_accel_mps2: float | None, max_jerk_mps3: float | None = None, start: float = 0.0) -> Ramp | JerkRamp:
    """The ramp for the limits given.

    Parameters
    ----------
    max_accel_mps2 : float or None
        Acceleration limit; ``None`` has the speed jump.
    max_jerk_mps3 : float or None
        Jerk limit; ``None`` has the acceleration jump.
    start : float
        Speed at the start, in the unit of the ramp: m/s, or rad/s for a yaw rate.

    Returns
    -------
    Ramp or JerkRamp
        Ready to step.

    Raises
    ------
    MotionError
        If jerk is limited but acceleration is not.

    Examples
    --------
    >>> type(make_ramp(1.0, 5.0)).__name__
    'JerkRamp'
    """
    if max_jerk_mps3 is None:
        return Ramp(max_accel_mps2, start)
    if max_accel_mps2 is None:
        raise MotionError("a jerk limit needs an acceleration limit, got max_accel_mps2 None; give both or neither")
    return JerkRamp(max_accel_mps2, max_jerk_mps3, start)


def move_time_s(distance_m: float, max_mps: float, max_accel_mps2: float) -> float:
    """Least time to move a distance from rest to rest: a trapezoidal profile of speed.

    Parameters
    ----------
    distance_m : float
        How far.
    max_mps : float
        Speed limit.
    max_accel_mps2 : float
        Acceleration limit, m/s^2, speeding up and slowing down.

    Returns
    -------
    float
        ``2 sqrt(D / a)`` when the speed limit is not reached
        (``D < v^2 / a``), else ``D / v + v / a``, s.

    Examples
    --------
    >>> move_time_s(2.0, 0.4, 0.8)
    5.5
    """
    distance = number(distance_m, "distance_m", 0)
    v = number(max_mps, "max_mps", 0, open_low=True)
    a = number(max_accel_mps2, "max_accel_mps2", 0, open_low=True)
    return 2 * math.sqrt(distance / a) if distance < v * v / a else distance / v + v / a


def speed_change_time_s(change_mps: float, max_accel_mps2: float, max_jerk_mps3: float | None = None) -> float:
    """Least time to change speed.

    Parameters
    ----------
    change_mps : float
        Change of speed, either sign.
    max_accel_mps2 : float
        Acceleration limit, m/s^2.
    max_jerk_mps3 : float or None
        Jerk limit, m/s^3; ``None`` for no limit.

    Returns
    -------
    float
        ``dv / a``; with limited jerk ``dv / a + a / j``, or ``2 sqrt(dv / j)``
        for a change too small to reach the acceleration limit, s.

    Examples
    --------
    >>> round(speed_change_time_s(0.5, 1.0, 5.0), 6)
    0.7
    """
    change = abs(number(change_mps, "change_mps"))
    a = number(max_accel_mps2, "max_accel_mps2", 0, open_low=True)
    if max_jerk_mps3 is None:
        return change / a
    j = number(max_jerk_mps3, "max_jerk_mps3", 0, open_low=True)
    return change / a + a / j if change >= a * a / j else 2 * math.sqrt(change / j)


def stopping_distance_m(
    speed_mps: float,
    max_accel_mps2: float,
    delay_s: float = 0.0,
    motor_lag_s: float = 0.0,
    max_jerk_mps3: float | None = None,
) -> float:
    """How far the robot still goes after something tells it to stop.

    Parameters
    ----------
    speed_mps : float
        Speed at that moment.
    max_accel_mps2 : float
        Deceleration of the stop ramp, m/s^2.
    delay_s : float
        Time until the ramp starts: seeing, deciding, sending.
    motor_lag_s : float
        Time constant of the motors.
    max_jerk_mps3 : float or None
        Jerk limit of the stop ramp, m/s^3.

    Returns
    -------
    float
        Distance, m: ``v (delay + lag) + v T / 2`` with ``T`` the time of the
        ramp, so ``v delay + v^2 / (2 a)`` in the plain case.

    Notes
    -----
    A first-order lag adds exactly ``v lag``: its output's integral trails the
    ramp's by the time constant.  A symmetric ramp covers ``v T / 2`` whether
    its jerk is limited or not.

    A computed distance is not a guarantee: a slope, a wet floor, a worn tire
    or a hung computer make it longer, and software is not a safety function.
    Measure it on the floor where the robot will run.

    Examples
    --------
    >>> round(stopping_distance_m(0.5, 1.0, delay_s=0.2), 6)
    0.225
    """
    v = abs(number(speed_mps, "speed_mps"))
    delay = number(delay_s, "delay_s", 0) + number(motor_lag_s, "motor_lag_s", 0)
    return v * delay + v * speed_change_time_s(v, max_accel_mps2, max_jerk_mps3) / 2
