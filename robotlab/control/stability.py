"""Stability of the steering loop: how large the proportional gain may be.

The robot turns at the yaw rate ``K * bearing`` (P control).  The latency ``T``
is the age of the bearing when its command acts, so the bearing obeys
``b'(t) = -K b(t - T)``; from ``K T = pi / 2`` on its oscillation grows.  A
camera samples the bearing once per frame and the command is held until the
next frame (zero-order hold): the loop is then a sampled one,
``b[k+1] = b[k] - a b[k-d]`` with ``a = K dt`` and ``d`` frames of delay, and
its limit, the ultimate gain, is lower than the continuous one.
"""

from __future__ import annotations

import math

import numpy as np

from robotlab.checks import number, whole
from robotlab.errors import MotionError

# Gain margin of the largest safe gain: the gain, or what multiplies it, may
# double (6 dB) before the loop becomes unstable (common practice, no source;
# the half is also Ziegler and Nichols' rule for P control, Transactions of the
# ASME 64:759-768, 1942, from memory).
GAIN_MARGIN = 2.0
# Beyond this the eigenvalues take too long.
_MOST_FRAMES = 200


def continuous_ultimate_gain(delay_s: float) -> float:
    """Gain from which the continuous loop is unstable.

    Parameters
    ----------
    delay_s : float
        Age of the bearing when the command acts.

    Returns
    -------
    float
        ``pi / (2 T)``, 1/s; infinite without delay.

    Notes
    -----
    Textbook result (arXiv:1404.4763).  This is not the limit of a loop that
    works frame by frame: see :func:`sampled_ultimate_gain`.

    Examples
    --------
    >>> round(continuous_ultimate_gain(0.5), 6)
    3.141593
    """
    delay = number(delay_s, "delay_s", 0)
    return math.inf if delay == 0 else math.pi / (2 * delay)


def margins(gain: float, delay_s: float) -> tuple[float, float]:
    """Gain margin and phase margin of the continuous loop.

    Parameters
    ----------
    gain : float
        Steering gain K, 1/s.
    delay_s : float
        Delay T.

    Returns
    -------
    (gain_margin, phase_margin_rad) : tuple of float
        ``pi / (2 K T)`` (how many times larger the gain may be) and
        ``pi / 2 - K T``; the loop is stable while both are more than 1 and 0.

    Examples
    --------
    >>> [round(number, 5) for number in margins(0.5, 1.0)]
    [3.14159, 1.0708]
    """
    gain = number(gain, "gain", 0, open_low=True)
    return continuous_ultimate_gain(delay_s) / gain, math.pi / 2 - gain * number(delay_s, "delay_s", 0)


def sampled_ultimate_gain(delay_frames: int) -> float:
    """Limit of ``a = gain * frame_s`` from which the sampled loop is unstable.

    Parameters
    ----------
    delay_frames : int
        Whole frames between a picture and the command made from it.

    Returns
    -------
    float
        ``2 sin(pi / (2 (2 d + 1)))``, no unit.

    Notes
    -----
    Levin and May, *Theoretical Population Biology* 9:178-187, 1976 (cited
    from memory; :func:`ultimate_gain` finds the same from the eigenvalues).
    ``K T = pi / 2`` with ``T = d dt`` allows too much, most at one frame of
    delay: 57 % (``pi / 2`` against 1).  Holding a command for a frame
    (zero-order hold) adds half a frame of delay.

    Examples
    --------
    >>> [round(sampled_ultimate_gain(d), 6) for d in (0, 1, 2)]
    [2.0, 1.0, 0.618034]
    """
    d = whole(delay_frames, "delay_frames")
    return 2 * math.sin(math.pi / (2 * (2 * d + 1)))


def sampled_critical(delay_frames: int) -> float:
    """Largest ``a = gain * frame_s`` without overshoot of the sampled loop.

    Parameters
    ----------
    delay_frames : int
        Whole frames of delay.

    Returns
    -------
    float
        ``d^d / (d + 1)^(d + 1)``, no unit.

    Examples
    --------
    >>> sampled_critical(0), sampled_critical(1), round(sampled_critical(2), 6)
    (1.0, 0.25, 0.148148)
    """
    d = whole(delay_frames, "delay_frames")
    return d**d / (d + 1) ** (d + 1)


def sampled_bearing(a: float, delay_frames: int, frames: int) -> list[float]:
    """Bearing error, frame by frame, after the target jumps by 1.

    Parameters
    ----------
    a : float
        ``gain * frame_s``.
    delay_frames : int
        Whole frames of delay.
    frames : int
        How many frames.

    Returns
    -------
    list of float
        ``frames`` values of ``b[k+1] = b[k] - a b[k-d]``, with b = 1 before
        the start.

    Examples
    --------
    >>> sampled_bearing(0.5, 0, 4)
    [1.0, 0.5, 0.25, 0.125]
    """
    d, frames = whole(delay_frames, "delay_frames"), whole(frames, "frames", 1)
    a = number(a, "a")
    errors = [1.0] * (d + 1)
    while len(errors) < d + frames:
        errors.append(errors[-1] - a * errors[-1 - d])
    return errors[d:]


def _loop_matrix(gain: float, frame_s: float, delay_s: float, lag_s: float) -> np.ndarray:
    """One frame of bearing, yaw rate and the bearings still under way."""
    if delay_s > _MOST_FRAMES * frame_s:
        raise MotionError(
            f"delay_s must be at most {_MOST_FRAMES} frames, got {delay_s / frame_s:.4g}; use continuous_ultimate_gain for so many"
        )
    d, rest = divmod(delay_s, frame_s)
    # A delay of 2.9999999 frames is one of 3.
    if rest > frame_s * (1 - 1e-9):
        d, rest = d + 1, 0.0
    d = int(d)
    n = d + 3
    step = np.eye(n, k=-1)  # state: bearing, yaw rate, bearings 1, 2, ... d + 1 frames ago

    def run(duration: float) -> tuple[float, float, float, float]:
        """Turned angle from yaw rate and from command; yaw rate from both."""
        if lag_s == 0:
            return 0.0, duration, 0.0, 1.0
        kept = math.exp(-duration / lag_s)
        return lag_s * (1 - kept), duration - lag_s * (1 - kept), kept, 1 - kept

    first, second = run(rest), run(frame_s - rest)
    # Which entry holds the bearing of d (and of d + 1) frames ago.
    newer, older = (0 if d == 0 else 1 + d), 2 + d
    turn, rate = np.zeros(n), np.zeros(n)
    rate[1] = 1.0
    for (a_rate, a_command, b_rate, b_command), source in ((first, older), (second, newer)):
        turn = turn + a_rate * rate
        turn[source] += a_command * gain
        rate = b_rate * rate
        rate[source] += b_command * gain
    step[:3] = np.eye(n)[0] - turn, rate, np.eye(n)[0]
    return step


def growth_per_frame(gain: float, frame_s: float, delay_s: float, lag_s: float = 0.0) -> float:
    """Factor by which the oscillation of the loop grows each frame.

    Parameters
    ----------
    gain : float
        Steering gain K, 1/s.
    frame_s : float
        Time between two frames; the command is held in between.
    delay_s : float
        From a picture to the moment its command acts; need not be a whole
        number of frames.
    lag_s : float
        Time constant of the motors.

    Returns
    -------
    float
        Largest size of an eigenvalue of the loop from frame to frame; below
        1 the oscillation dies out.

    Examples
    --------
    >>> round(growth_per_frame(gain=10.0, frame_s=0.1, delay_s=0.1), 6)
    1.0
    """
    gain = number(gain, "gain", 0)
    frame_s = number(frame_s, "frame_s", 0, open_low=True)
    matrix = _loop_matrix(gain, frame_s, number(delay_s, "delay_s", 0), number(lag_s, "lag_s", 0))
    return float(np.abs(np.linalg.eigvals(matrix)).max())


def ultimate_gain(frame_s: float, delay_s: float, lag_s: float = 0.0) -> float:
    """Ultimate gain of a real loop: frames, any delay, motor lag.

    Parameters
    ----------
    frame_s : float
        Time between two frames.
    delay_s : float
        From a picture to the moment its command acts.
    lag_s : float
        Time constant of the motors.

    Returns
    -------
    float
        Gain from which the oscillation grows, 1/s.

    Notes
    -----
    Bisection on :func:`growth_per_frame`.  With a whole number of frames of
    delay and no lag this is ``sampled_ultimate_gain(d) / frame_s``.

    Examples
    --------
    >>> round(ultimate_gain(0.1, 0.2), 5)
    6.18034
    """
    low, high = 0.0, 1.0 / number(frame_s, "frame_s", 0, open_low=True)
    while growth_per_frame(high, frame_s, delay_s, lag_s) <= 1:
        low, high = high, 2 * high
    # Bisection by hand: the core drives with it, and a robot's install has no SciPy. 60 halvings reach the last bit;
    # a little above 1 allows for rounding of the eigenvalue, which is 1 exactly for a gain of 0.
    for _ in range(60):
        middle = (low + high) / 2
        if growth_per_frame(middle, frame_s, delay_s, lag_s) <= 1 + 1e-12:
            low = middle
        else:
            high = middle
    return low


def safe_gain(frame_s: float, delay_s: float, lag_s: float = 0.0) -> float:
    """Largest safe steering gain: the ultimate gain over the gain margin.

    Parameters
    ----------
    frame_s, delay_s, lag_s : float
        As in :func:`ultimate_gain`.

    Returns
    -------
    float
        ``ultimate_gain / GAIN_MARGIN``, 1/s.  Lessons, design sheet and
        :func:`robotlab.loop.limits.check_real_limits` all use this figure.

    Notes
    -----
    This is not the gain to start with: half of it hardly overshoots, whatever
    the delay (:func:`sampled_critical`).

    Examples
    --------
    >>> round(safe_gain(0.1, 0.1), 6)  # the ultimate gain is 10 1/s
    5.0
    """
    return ultimate_gain(frame_s, delay_s, lag_s) / GAIN_MARGIN
