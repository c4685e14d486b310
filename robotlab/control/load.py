"""What acceleration does to what stands on the wheels: it slips, tips over, vibrates.

Arrays go in and come out with one number for each short step; a millisecond is
short enough for a trolley.  All angles are positive when the top goes forward.
"""

from __future__ import annotations

import math

import numpy as np

from robotlab.checks import number
from robotlab.control.motor import Motor
from robotlab.errors import MotionError

# Standard gravity, m/s^2 (ISO 80000-3), rounded.
GRAVITY_MPS2 = 9.81
# Rocking slower than this is rest, rad/s: the edge of a box of 40 cm lifts by micrometers then.
_REST_RADPS = 0.02


def grip_limit_mps2(friction: float, driven_share: float = 1.0) -> float:
    """The acceleration from which driven wheels slip.

    Parameters
    ----------
    friction : float
        Coefficient of friction between wheel and floor.
    driven_share : float
        Fraction of the weight that stands on the driven wheels, 0 to 1.

    Returns
    -------
    float
        ``friction g share``, m/s^2 (Coulomb's law).  The little that moves
        from one axle to the other under acceleration is left out.

    Examples
    --------
    >>> round(grip_limit_mps2(0.6, 0.7), 2)
    4.12
    """
    most_mps2 = number(friction, "friction", 0, open_low=True) * GRAVITY_MPS2
    return most_mps2 * number(driven_share, "driven_share", 0, 1, open_low=True)


def tip_limit_mps2(half_base_m: float, middle_height_m: float) -> float:
    """The acceleration from which a standing thing begins to tip.

    Parameters
    ----------
    half_base_m : float
        From below the middle of its mass to the edge that it tips over, m.
    middle_height_m : float
        Height of the middle of its mass above the base, m.

    Returns
    -------
    float
        ``g b / h``, m/s^2: the pull of gravity and of the acceleration then
        turn it equally about that edge.  It has to last to throw it over:
        see :func:`tilt`.

    Examples
    --------
    >>> round(tip_limit_mps2(0.05, 0.20), 2)
    2.45
    """
    base = number(half_base_m, "half_base_m", 0, open_low=True)
    return GRAVITY_MPS2 * base / number(middle_height_m, "middle_height_m", 0, open_low=True)


def grip(wheel_mps: np.ndarray, dt_s: float, limit_mps2: float, start_mps: float = 0.0) -> np.ndarray:
    """Speed over the ground of a trolley whose wheels may slip.

    Parameters
    ----------
    wheel_mps : (T,) ndarray
        Speed of the wheels' rims, one for each step.
    dt_s : float
        Length of a step.
    limit_mps2 : float
        What the floor gives at most: :func:`grip_limit_mps2`.
    start_mps : float
        Speed over the ground before the first step.

    Returns
    -------
    (T,) ndarray
        m/s.  It follows the rims; where these change faster than the floor
        allows it lags behind them, and the difference is slip.

    Examples
    --------
    >>> grip(np.array([0.5, 0.5, 0.5]), 0.1, 2.0).round(3).tolist()
    [0.2, 0.4, 0.5]
    """
    wheels = _row(wheel_mps, "wheel_mps")
    room = number(limit_mps2, "limit_mps2", 0, open_low=True) * number(dt_s, "dt_s", 0, open_low=True)
    speed, speeds = number(start_mps, "start_mps"), np.empty(len(wheels))
    for i, wheel in enumerate(wheels.tolist()):
        speed += min(max(wheel - speed, -room), room)
        speeds[i] = speed
    return speeds


def tilt(accel_mps2: np.ndarray, dt_s: float, half_base_m: float, middle_height_m: float) -> np.ndarray:
    """How a tall box on the trolley rocks, and whether it falls.

    Parameters
    ----------
    accel_mps2 : (T,) ndarray
        Acceleration of what it stands on, one for each step, positive forward.
    dt_s : float
        Length of a step; at most a few milliseconds.
    half_base_m, middle_height_m : float
        Half its length along the way and half its height, m.

    Returns
    -------
    (T,) ndarray
        Tilt after each step, rad, positive forward; pi/2 is lying down.

    Notes
    -----
    A box of even mass that does not slide rocks about one lower edge at a
    time (G. Housner, *The behavior of inverted pendulum structures during
    earthquakes*, Bull. Seism. Soc. Am. 53, 1963, from memory):
    ``tilt'' = -p^2 (s sin(A - |tilt|) + a / g cos(A - |tilt|))`` with
    ``A = atan(b / h)``, ``p^2 = 3 g / (4 hypot(b, h))`` and ``s`` the sign of
    the tilt.  When it comes back to its base it keeps ``1 - 1.5 sin(A)^2`` of
    its turning speed.

    Examples
    --------
    >>> brake = np.full(1000, -3.0)
    >>> bool(tilt(brake, 0.001, 0.10, 0.20).any()), bool(tilt(brake, 0.001, 0.05, 0.20)[-1] > 1.5)
    (False, True)
    """
    accel, dt = _row(accel_mps2, "accel_mps2"), number(dt_s, "dt_s", 0, open_low=True)
    base = number(half_base_m, "half_base_m", 0, open_low=True)
    height = number(middle_height_m, "middle_height_m", 0, open_low=True)
    edge, rate = math.atan2(base, height), 3 * GRAVITY_MPS2 / (4 * math.hypot(base, height))
    angle = speed = 0.0
    angles = np.zeros(len(accel))
    for i, a in enumerate(accel.tolist()):
        if angle == 0.0 and speed == 0.0:
            if abs(a) <= GRAVITY_MPS2 * math.tan(edge):
                continue
            side = -math.copysign(1.0, a)
        else:
            side = math.copysign(1.0, angle if angle else speed)
        away = edge - abs(angle)
        # Speed first, then angle: the energy of free rocking then stays.
        speed -= dt * rate * (side * math.sin(away) + a / GRAVITY_MPS2 * math.cos(away))
        after = angle + dt * speed
        if after * side < 0:  # back on its base, it goes on about the other edge
            after, speed = 0.0, speed * max(0.0, 1 - 1.5 * math.sin(edge) ** 2)
            if abs(speed) < _REST_RADPS:
                speed = 0.0
        angle = after
        if abs(angle) >= math.pi / 2:
            angles[i:] = math.copysign(math.pi / 2, angle)
            break
        angles[i] = angle
    return angles


def ramp_response(
    ramp, wanted_mps: float, motor: Motor, limit_mps2: float, duration_s: float, period_s: float, dt_s: float = 0.001
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speeds while a ramp, a motor and the floor turn a command into motion.

    Parameters
    ----------
    ramp : Ramp or JerkRamp
        At the speed of the start; it is stepped along.
    wanted_mps : float
        What is commanded from time 0 on.
    motor : Motor
        Follows the ramp with its lag.
    limit_mps2 : float
        What the floor gives at most: :func:`grip_limit_mps2`.
    duration_s : float
        How long.
    period_s : float
        Time between two steps of the ramp.
    dt_s : float
        Step of the result.

    Returns
    -------
    rim_mps, speed_mps, accel_mps2 : (T,) ndarray
        Speed of the wheels' rims; speed and acceleration of the trolley.

    Examples
    --------
    >>> from robotlab.control import Ramp
    >>> rims, speeds, accel = ramp_response(Ramp(0.8), 0.4, Motor(lag_s=0.0), 4.0, 1.0, 0.02)
    >>> round(float(speeds[-1]), 3)
    0.4
    """
    start = rim = ramp.speed
    every, rims = round(period_s / dt_s), []
    for i in range(round(duration_s / dt_s)):
        if i % every == 0:
            command = ramp.step(wanted_mps, period_s)
        rim, _ = motor.step(rim, command, dt_s)
        rims.append(rim)
    speeds = grip(np.array(rims), dt_s, limit_mps2, start)
    return np.array(rims), speeds, np.diff(speeds, prepend=start) / dt_s


def mast_vibration(
    accel_mps2: np.ndarray, dt_s: float, mast_m: float, mast_hz: float, damping: float = 0.05
) -> np.ndarray:
    """How a camera on a mast nods when the trolley changes speed.

    Parameters
    ----------
    accel_mps2 : (T,) ndarray
        Acceleration of the trolley, one for each step, positive forward.
    dt_s : float
        Length of a step.
    mast_m : float
        Height of the camera above the mast's foot.
    mast_hz : float
        How often it swings in a second when you pluck it.
    damping : float
        Damping ratio, 0 to less than 1.

    Returns
    -------
    (T,) ndarray
        Angle of the mast after each step, rad, positive forward.

    Notes
    -----
    A rigid mast with a spring in its foot, moved at the foot:
    ``angle'' + 2 z w angle' + w^2 angle = -a / L`` with ``w = 2 pi mast_hz``
    (S. Rao, *Mechanical Vibrations*, chapter 3, from memory).  Solved exactly for an
    acceleration that is constant over each step.

    Examples
    --------
    >>> steady = float(mast_vibration(np.full(5000, 0.8), 0.001, 0.25, 5.0)[-1])
    >>> round(steady * 1000, 2)  # -a / (L w^2), mrad
    -3.24
    """
    from scipy.linalg import expm  # not on the driving path, which asks this module for the grip

    accel, dt = _row(accel_mps2, "accel_mps2"), number(dt_s, "dt_s", 0, open_low=True)
    w = 2 * math.pi * number(mast_hz, "mast_hz", 0, open_low=True)
    ratio = number(damping, "damping", 0, 0.999)
    pull = -1 / number(mast_m, "mast_m", 0, open_low=True)

    step = expm(np.array([[0.0, 1.0, 0.0], [-w * w, -2 * ratio * w, pull], [0.0, 0.0, 0.0]]) * dt)
    (aa, ab, ac), (ba, bb, bc) = step[:2].tolist()
    angle = rate = 0.0
    angles = np.empty(len(accel))
    for i, a in enumerate(accel.tolist()):
        angle, rate = aa * angle + ab * rate + ac * a, ba * angle + bb * rate + bc * a
        angles[i] = angle
    return angles


def _row(values: np.ndarray, name: str) -> np.ndarray:
    row = np.asarray(values, float)
    if row.ndim != 1 or not len(row) or not np.isfinite(row).all():
        raise MotionError(
            f"{name} must be a row of finite numbers, (T,) with T at least 1, got shape {row.shape}; look for NaN and for a second axis"
        )
    return row
