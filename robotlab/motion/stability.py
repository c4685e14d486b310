"""How large may the steering gain be, when the picture is old?

The robot turns at ``yaw' = K * bearing``.  The bearing is ``T`` seconds old
when the command acts, so the bearing obeys ``b'(t) = -K b(t - T)``.  Too large
a ``K T`` and the robot swings wider each time.  With frames, the command also
holds still between two frames: the loop is then a *sampled* one,
``b[k+1] = b[k] - a b[k-d]`` with ``a = K dt`` and ``d`` frames of delay, and
its limit is not the continuous one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.errors import MotionError
from robotlab.motion.checks import number, whole


def continuous_limit(delay_s: float) -> float:
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
    works frame by frame: see :func:`sampled_limit`.

    Examples
    --------
    >>> round(continuous_limit(0.5), 6)
    3.141593
    """
    delay = number(delay_s, "delay_s", 0)
    return math.inf if delay == 0 else math.pi / (2 * delay)


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
    return continuous_limit(delay_s) / gain, math.pi / 2 - gain * number(delay_s, "delay_s", 0)


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

    Examples
    --------
    >>> continuous_bearing([0.5, 2.0], gain=1.0, delay_s=1.0).round(6).tolist()
    [0.5, -0.5]
    """
    delay = number(delay_s, "delay_s", 0, open_low=True)
    gain = number(gain, "gain", 0)
    t = np.asarray(t_s, float)
    total = np.ones_like(t)
    for n in range(1, int(max(t.max(initial=0.0), 0.0) / delay) + 2):
        # Logarithm of n!, since n! itself overflows for long times.
        passed = np.maximum(t - (n - 1) * delay, 0.0)
        with np.errstate(divide="ignore"):
            size = n * np.log(gain * passed) - math.lgamma(n + 1)
        total += (-1) ** n * np.exp(size)
    return total


def sampled_limit(delay_frames: int) -> float:
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
    from memory; :func:`loop_limit` finds the same from the eigenvalues).
    ``K T = pi / 2`` with ``T = d dt`` promises up to 36 % too much: holding a
    command for a frame adds half a frame of delay.

    Examples
    --------
    >>> [round(sampled_limit(d), 6) for d in (0, 1, 2)]
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
    d, rest = divmod(delay_s, frame_s)
    # A delay of 2.9999999 frames is one of 3.
    if rest > frame_s * (1 - 1e-9):
        d, rest = d + 1, 0.0
    d = int(d)
    n = d + 3
    step = np.zeros((n, n))  # state: bearing, yaw rate, bearings 1, 2, ... d + 1 frames ago

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
    step[0, 0] = 1.0
    step[0] -= turn
    step[1] = rate
    step[2, 0] = 1.0
    for place in range(3, n):
        step[place, place - 1] = 1.0
    return step


def growth_per_frame(gain: float, frame_s: float, delay_s: float, lag_s: float = 0.0) -> float:
    """Factor by which the swing of the loop grows each frame.

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
        1 the swing dies out.

    Examples
    --------
    >>> round(growth_per_frame(gain=10.0, frame_s=0.1, delay_s=0.1), 6)
    1.0
    """
    gain = number(gain, "gain", 0)
    frame_s = number(frame_s, "frame_s", 0, open_low=True)
    matrix = _loop_matrix(gain, frame_s, number(delay_s, "delay_s", 0), number(lag_s, "lag_s", 0))
    return float(np.abs(np.linalg.eigvals(matrix)).max())


def loop_limit(frame_s: float, delay_s: float, lag_s: float = 0.0) -> float:
    """Largest steering gain of a real loop: frames, any delay, motor lag.

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
        Gain from which the swing grows, 1/s.

    Notes
    -----
    Bisection on :func:`growth_per_frame`.  With a whole number of frames of
    delay and no lag this is ``sampled_limit(d) / frame_s``.

    Examples
    --------
    >>> round(loop_limit(0.1, 0.2), 5)
    6.18034
    """
    low, high = 0.0, 1.0 / number(frame_s, "frame_s", 0, open_low=True)
    while growth_per_frame(high, frame_s, delay_s, lag_s) <= 1:
        low, high = high, 2 * high
    # 60 halvings reach the last bit; a little above 1 allows for rounding of
    # the eigenvalue, which is 1 exactly for a gain of 0.
    for _ in range(60):
        middle = (low + high) / 2
        if growth_per_frame(middle, frame_s, delay_s, lag_s) <= 1 + 1e-12:
            low = middle
        else:
            high = middle
    return low


def swing_growth(errors: Sequence[float]) -> float:
    """Factor by which a measured swing grows from its middle to its end.

    Parameters
    ----------
    errors : sequence of float
        Bearing errors of a test, one for each frame, at least 12.

    Returns
    -------
    float
        Root mean square of the last third over that of the middle third;
        below 1 the swing dies out.  0 if the middle third is all zero.

    Raises
    ------
    MotionError
        If there are too few, or a number is not finite.

    Examples
    --------
    >>> swing_growth([0.5**k for k in range(12)])
    0.0625
    """
    values = np.asarray(errors, float)
    if values.ndim != 1 or len(values) < 12:
        raise MotionError(f"errors must be at least 12 numbers in a row, got shape {values.shape}; record for longer")
    if not np.isfinite(values).all():
        raise MotionError("errors must be finite, some are not; leave out frames without a target")
    third = len(values) // 3
    middle, last = values[-2 * third : -third], values[-third:]
    size = math.sqrt(float(np.mean(middle**2)))
    return math.sqrt(float(np.mean(last**2))) / size if size else 0.0


def sweep(loop: Callable[[float], Sequence[float]], gains: Sequence[float]) -> list[tuple[float, float]]:
    """Growth of the swing for each of several gains.

    Parameters
    ----------
    loop : callable
        Takes a gain, runs the loop and returns the bearing errors.
    gains : sequence of float
        Gains to try, 1/s.

    Returns
    -------
    list of (gain, growth) : list of tuple of float
        As :func:`swing_growth` measures it.

    Examples
    --------
    >>> rows = sweep(lambda a: sampled_bearing(a, 1, 300), [0.5, 1.5])
    >>> [growth < 1 for _, growth in rows]
    [True, False]
    """
    return [(float(gain), swing_growth(loop(gain))) for gain in gains]


# A swing that the motors' limits hold is as wide in the last third as in the
# middle one, give or take a few per cent (measured on simulated trolleys), and
# must not count as dying out.  It makes a linear loop's limit come out 1 % low
# from tests of 200 frames, 3 % at ten frames of delay: on the safe side.
_DIES_OUT = 0.9


@dataclass(frozen=True)
class GainSearch:
    """What :func:`find_limit` found.

    Attributes
    ----------
    limit : float
        Largest gain whose swing still died out.
    tried : tuple of (gain, growth)
        Every test, in order.
    """

    limit: float
    tried: tuple[tuple[float, float], ...]


def find_limit(
    loop: Callable[[float], Sequence[float]], first_gain: float, tolerance: float = 0.005, most_gain: float = math.inf
) -> GainSearch:
    """Find the gain limit by trying, as one does with a robot.

    Start with a gain that is surely small.  Jump the target aside and watch:
    if the swing dies out, raise the gain by half; if it grows or stays, you have
    passed the limit, so halve the bracket until it is narrow enough.

    Parameters
    ----------
    loop : callable
        Takes a gain, runs the test and returns the bearing errors.
    first_gain : float
        Where to start, 1/s; its swing must die out.
    tolerance : float
        Width of the last bracket, as a share of the limit.
    most_gain : float
        Never try more than this (a limit that the robot must not pass).

    Returns
    -------
    GainSearch
        The limit and every test.

    Raises
    ------
    MotionError
        If the first gain already swings wider and wider.

    Notes
    -----
    "Dies out" means that the last third of the test swings less than .9 times
    as wide as the middle one (:func:`swing_growth`): where motors or limits
    hold an unstable swing it does not grow, it stays.

    Simulate first.  On a real robot: wheels off the ground for the first
    test, then a clear floor, a low speed limit and a hand on the power switch.

    Examples
    --------
    >>> search = find_limit(lambda a: sampled_bearing(a, 2, 2000), first_gain=0.1)
    >>> round(search.limit, 2)
    0.62
    """
    gain = number(first_gain, "first_gain", 0, open_low=True)
    number(tolerance, "tolerance", 0, open_low=True)
    tried = [(gain, swing_growth(loop(gain)))]
    if tried[0][1] >= _DIES_OUT:
        raise MotionError(f"first_gain must be stable, {gain:g} swings {tried[0][1]:.3g} times wider; start with a smaller one")
    low, high = gain, None
    while high is None and gain < most_gain:
        gain = min(1.5 * gain, most_gain)
        tried.append((gain, swing_growth(loop(gain))))
        if tried[-1][1] >= _DIES_OUT:
            high = gain
        else:
            low = gain
    while high is not None and high - low > tolerance * high:
        gain = (low + high) / 2
        tried.append((gain, swing_growth(loop(gain))))
        if tried[-1][1] >= _DIES_OUT:
            high = gain
        else:
            low = gain
    return GainSearch(low, tuple(tried))
