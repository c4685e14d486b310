"""Measure the camera's latency, from a light that it films."""

from __future__ import annotations

import math
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from robotlab.checks import number, whole
from robotlab.errors import MotionError
from robotlab.image import check_picture

# A light change must show by this many gray levels, and this many times the pictures' own flicker.
_LEAST_CHANGE, _OVER_FLICKER = 8.0, 4.0
# Of so few changes no median says much (common practice, no source).
_FEWEST = 8
# Pictures are kept as about so many rows, and the light is the tenth of the pixels that changes most.
_ROWS, _SHARE = 32, 0.1


@dataclass(frozen=True)
class DelayMeasurement:
    """A measured delay.

    Attributes
    ----------
    delay_s : float
        Median, from the middle of a picture's exposure until the time it came with, s.
    spread_s : float
        Half the range that holds the middle 68 % of all changes, s.
    error_s : float
        Standard error of the median, s.
    changes : int
        Changes of the light that were used.
    rate_hz : float
        Pictures a second meanwhile.
    """

    delay_s: float
    spread_s: float
    error_s: float
    changes: int
    rate_hz: float

    def __str__(self) -> str:
        return (
            f"delay {1000 * self.delay_s:.0f} ms, give or take {2000 * self.error_s:.0f} ms (95 %); single changes spread by "
            f"{1000 * self.spread_s:.0f} ms; {self.changes} changes at {self.rate_hz:.1f} pictures a second"
        )


def delay_from_blinks(
    taken_s: Sequence[float], brightness: Sequence[float], switched_s: Sequence[float]
) -> DelayMeasurement:
    """Delay of a camera from the brightness that it saw, and the times a light was switched.

    Parameters
    ----------
    taken_s : (N,) array-like
        Time of each picture, ascending, s.
    brightness : (N,) array-like
        Brightness of the light in it.
    switched_s : (M,) array-like
        When the light went on, off, on, ..., ascending, on the same clock, s.

    Returns
    -------
    DelayMeasurement
        Median and spread.

    Raises
    ------
    MotionError
        If fewer than 8 changes can be told, or the numbers do not belong together.

    Notes
    -----
    For each change, the moment at which the brightness passes halfway between
    before and after, on straight lines between pictures.  A single one is
    wrong by up to half a frame; the median of changes at random moments is
    not.  A median of n has the standard error 1.2533 s / sqrt(n), with s the
    standard deviation, here from the middle 68 % (normal errors; Kenney and
    Keeping, Mathematics of Statistics, part 2, 2nd ed. 1951, from memory).

    Examples
    --------
    >>> switched = [0.5 * k + 0.003 * (k * 7 % 11) for k in range(1, 21)]
    >>> taken = np.arange(0, 11, 1 / 30)
    >>> seen = [100.0 * (np.searchsorted(switched, t - 0.08) % 2) for t in taken]
    >>> round(delay_from_blinks(taken, seen, switched).delay_s, 2)
    0.08
    """
    taken, bright = np.asarray(taken_s, float), np.asarray(brightness, float)
    switched = np.asarray(switched_s, float)
    if taken.ndim != 1 or taken.shape != bright.shape or switched.ndim != 1 or len(taken) < 3:
        raise MotionError(
            f"each picture must have a time and a brightness, got {taken.shape} and {bright.shape}; pass lists of one length"
        )
    if not all(np.isfinite(values).all() and (np.diff(values) > 0).all() for values in (taken, switched)):
        raise MotionError("times must be finite and ascending, they are not; take them from one monotonic clock")
    low, high = np.percentile(bright, 10), np.percentile(bright, 90)
    flicker = np.median(np.abs(np.diff(bright)))
    if high - low < max(_LEAST_CHANGE, _OVER_FLICKER * flicker):
        raise MotionError(
            f"the light must change the picture by {_LEAST_CHANGE:g} gray levels and more, it changes {high - low:.1f}; "
            "fill the view with it, make it brighter, fix the camera's exposure"
        )
    half, found = (low + high) / 2, []
    for k, begin in enumerate(switched):
        end = switched[k + 1] if k + 1 < len(switched) else math.inf
        rising = k % 2 == 0
        above = (bright > half) == rising
        # The first picture after the change that shows it, the one before not.
        places = np.flatnonzero(above[1:] & ~above[:-1] & (taken[1:] > begin) & (taken[1:] <= end)) + 1
        if len(places):
            at = int(places[0])
            part = (half - bright[at - 1]) / (bright[at] - bright[at - 1])
            found.append(taken[at - 1] + part * (taken[at] - taken[at - 1]) - begin)
    if len(found) < max(_FEWEST, len(switched) / 2):
        raise MotionError(
            f"at least {max(_FEWEST, math.ceil(len(switched) / 2))} changes must be told in the pictures, {len(found)} of {len(switched)} were; "
            "let the light blink more slowly, fill the view with it"
        )
    left, middle, right = np.percentile(found, [16, 50, 84])
    spread = float(right - left) / 2
    rate = (len(taken) - 1) / (taken[-1] - taken[0])
    return DelayMeasurement(float(middle), spread, 1.2533 * spread / math.sqrt(len(found)), len(found), float(rate))


def measure_delay(
    take: Callable[[], Any],
    light: Callable[[bool], Any],
    changes: int = 40,
    pause_s: float = 0.5,
    clock: Callable[[], float] = time.monotonic,
    seed: int = 0,
) -> DelayMeasurement:
    """Let a light blink before the camera, and measure how late the pictures show it.

    Parameters
    ----------
    take : callable
        The camera, as for :func:`robotlab.loop.drive`, with a stated delay of 0.
    light : callable
        Switches a light on (True) and off: a square on the screen, a LED on a
        pin.  A screen needs a time of its own, some 10 to 50 ms (common
        practice, no source), which is in the result; a LED needs none.
    changes : int
        How often it is switched.
    pause_s : float
        Shortest time between; longer than the delay.
    clock : callable
        The clock of the camera's times, s.
    seed : int
        Of the pauses, which vary so that the light falls anywhere in a frame.

    Returns
    -------
    DelayMeasurement
        Median and spread; take the median as `delay_s`.

    Raises
    ------
    MotionError
        If too few changes can be told in the pictures.

    Examples
    --------
    A camera that shows a light 30 ms late, 100 pictures a second:

    >>> switched = [(0.0, False)]
    >>> def light(on):
    ...     switched.append((time.monotonic(), on))
    >>> def take():
    ...     time.sleep(0.01)
    ...     now = time.monotonic()
    ...     on = [state for since, state in switched if since <= now - 0.03][-1]
    ...     return np.full((24, 32, 3), 200 if on else 20, np.uint8), now
    >>> abs(measure_delay(take, light, changes=12, pause_s=0.08).delay_s - 0.03) < 0.03
    True
    """
    changes, pause_s = whole(changes, "changes", _FEWEST), number(pause_s, "pause_s", 0, open_low=True)
    rng, done, switched = random.Random(seed), threading.Event(), []
    failed: list[BaseException] = []

    def blink() -> None:
        # In a thread of its own: between two pictures of take(), not always just after one.
        try:
            for k in range(changes):
                if done.wait(pause_s * (1 + 0.5 * rng.random())):
                    return
                light(k % 2 == 0)
                switched.append(clock())
            done.wait(pause_s)
        except BaseException as error:
            failed.append(error)
        finally:
            done.set()

    light(False)
    small, times = [], []
    thread = threading.Thread(target=blink, name="light", daemon=True)
    thread.start()
    try:
        while not done.is_set():
            picture = take()
            picture, stamp = picture if isinstance(picture, tuple) else (picture, None)
            check_picture(picture, "the picture that take() returned")
            step = max(1, picture.shape[0] // _ROWS)
            times.append(clock() if stamp is None else float(stamp))
            small.append(picture[::step, ::step].mean(axis=2, dtype=np.float32))
    finally:
        done.set()
        thread.join()
        light(False)
    if failed:
        raise failed[0]
    if len(small) < 3 or any(each.shape != small[0].shape for each in small):
        raise MotionError(
            f"pictures must come, all of one size, while the light blinks, got {len(small)}; check the camera"
        )
    pixels = np.stack(small).reshape(len(small), -1)
    changing = pixels.std(axis=0)
    lit = changing >= np.quantile(changing, 1 - _SHARE)
    return delay_from_blinks(times, pixels[:, lit].mean(axis=1), switched)
