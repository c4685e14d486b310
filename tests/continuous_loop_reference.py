"""The continuous steering loop and the quickest move in closed form: what the sampled ones are compared with."""

import math

import numpy as np

from robotlab.checks import number
from robotlab.control import move_time_s
from robotlab.errors import MotionError

# Beyond this the exact step response takes too long.
_MOST_DELAYS = 1000


def continuous_critical(delay_s: float) -> float:
    """Largest gain without overshoot of the continuous loop.

    Parameters
    ----------
    delay_s : float
        Age of the bearing when the command acts.

    Returns
    -------
    float
        ``1 / (e T)``, 1/s; infinite without delay.

    Examples
    --------
    >>> round(continuous_critical(1.0), 6)
    0.367879
    """
    delay = number(delay_s, "delay_s", 0)
    return math.inf if delay == 0 else 1 / (math.e * delay)


def continuous_bearing(t_s, gain: float, delay_s: float) -> np.ndarray:
    """Bearing error after the target jumps by 1, exactly.

    Parameters
    ----------
    t_s : (N,) array-like
        Times, s; the error is 1 until time 0, and the first command acts
        then.
    gain : float
        Steering gain K, 1/s.
    delay_s : float
        Delay T, more than 0.

    Returns
    -------
    (N,) ndarray
        ``sum over n of (-K)^n (t - (n - 1) T)^n / n!`` while ``t > (n - 1) T``:
        the delayed exponential, which solves ``b' = -K b(t - T)``.

    Raises
    ------
    MotionError
        If a time is not finite or more than 1000 delays away.

    Examples
    --------
    >>> continuous_bearing([0.5, 2.0], gain=1.0, delay_s=1.0).round(6).tolist()
    [0.5, -0.5]
    """
    delay = number(delay_s, "delay_s", 0, open_low=True)
    turn = number(gain, "gain", 0) * delay
    t = np.atleast_1d(np.asarray(t_s, float))
    if not np.isfinite(t).all() or t.max(initial=0.0) > _MOST_DELAYS * delay:
        raise MotionError(
            f"t_s must be finite and at most {_MOST_DELAYS} delays, got up to {t.max():g} s; ask for less"
        )
    # One delay after the other: within each, b' is the polynomial of the one
    # before.  The sum itself loses all digits after some thirty delays.
    which = np.maximum(np.ceil(t / delay), 0).astype(int)
    bearing = np.ones_like(t)
    powers = np.ones(1)  # of the fraction of the delay that has passed
    for step in range(1, int(which.max(initial=0)) + 1):
        powers = np.concatenate([[powers.sum()], -turn * powers / np.arange(1, len(powers) + 1)])
        here = which == step
        bearing[here] = np.polynomial.polynomial.polyval(t[here] / delay - (step - 1), powers)
    return bearing.reshape(np.shape(t_s))


def move_speed_mps(t_s: float, distance_m: float, max_mps: float, max_accel_mps2: float) -> float:
    """Speed at a time of the quickest move of :func:`move_time_s`.

    Parameters
    ----------
    t_s : float
        Time since the start.
    distance_m, max_mps, max_accel_mps2 : float
        As in :func:`move_time_s`.

    Returns
    -------
    float
        Speed, m/s: the least of speeding up, the limit, and slowing down.

    Examples
    --------
    >>> move_speed_mps(0.25, 1.0, 0.5, 1.0), move_speed_mps(1.0, 1.0, 0.5, 1.0)
    (0.25, 0.5)
    """
    end = move_time_s(distance_m, max_mps, max_accel_mps2)
    t = number(t_s, "t_s")
    return max(0.0, min(max_accel_mps2 * t, max_mps, max_accel_mps2 * (end - t)))
