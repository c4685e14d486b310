"""Stage times of a running loop, measured where they happen."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

from robotlab.checks import whole
from robotlab.errors import InputError
from robotlab.loop.timing import percentile


class StageTimer:
    """Times of the stages of a loop, with percentiles.

    Parameters
    ----------
    keep : int
        So many of the newest times of each stage are kept.
    clock : callable
        Gives seconds; one that is never set back.

    Notes
    -----
    Any thread may time a stage.  A mean hides the rare long frame that makes
    a robot late; look at the 95th percentile and at the worst.

    Examples
    --------
    >>> ticks = iter((0.0, 0.020, 1.0, 1.010, 2.0, 2.030))
    >>> timer = StageTimer(clock=lambda: next(ticks))
    >>> for _ in range(3):
    ...     with timer.stage("detect"):
    ...         pass
    >>> print(timer.text())
    stage      times    mean     p50     p95   worst
    detect         3    20.0    20.0    30.0    30.0  ms
    """

    def __init__(self, keep: int = 10_000, clock: Callable[[], float] = time.perf_counter) -> None:
        self._keep, self._clock = whole(keep, "keep", 1), clock
        self._times: dict[str, deque[float]] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time what stands in a ``with`` block; also where it ends in an error.

        Parameters
        ----------
        name : str
            Which stage it is.

        Yields
        ------
        None
            While the stage runs.
        """
        begin = self._clock()
        try:
            yield
        finally:
            self._times.setdefault(name, deque(maxlen=self._keep)).append(self._clock() - begin)

    def timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """A function that does the same and is timed.

        Parameters
        ----------
        name : str
            Which stage it is.
        function : callable
            For instance ``detector.detect``, or what takes a picture.

        Returns
        -------
        callable
            To be given to :func:`robotlab.loop.drive` in place of the other.
        """

        @wraps(function)
        def call(*arguments: Any, **named: Any) -> Any:
            with self.stage(name):
                return function(*arguments, **named)

        return call

    def times_s(self, name: str) -> list[float]:
        """The times of one stage.

        Parameters
        ----------
        name : str
            Which.

        Returns
        -------
        list of float
            s, in the order measured.

        Raises
        ------
        InputError
            If nothing of that name was timed.
        """
        if name not in self._times:
            raise InputError(
                f"a stage must be one of {', '.join(self._times) or 'those timed, none yet'}, got {name!r}; run the loop first"
            )
        return list(self._times[name])

    def stages_s(self, percent: float = 50) -> dict[str, float]:
        """One time for each stage, as :func:`robotlab.budget.frame_budget` takes them.

        Parameters
        ----------
        percent : float
            Which percentile, by the nearest rank, so that it is a time that occurred.

        Returns
        -------
        dict of str to float
            s, in the order in which the stages first ended.

        Examples
        --------
        >>> timer = StageTimer()
        >>> timer.timed("nothing", abs)(-1), list(timer.stages_s())
        (1, ['nothing'])
        """
        return {name: percentile(self.times_s(name), percent, "nearest_rank") for name in list(self._times)}

    def text(self) -> str:
        """A table, ms: mean, 50th and 95th percentile by the nearest rank, worst.

        Returns
        -------
        str
            One line for each stage.
        """
        lines = [f"{'stage':<10} {'times':>5} {'mean':>7} {'p50':>7} {'p95':>7} {'worst':>7}"]
        for name in list(self._times):
            taken = self.times_s(name)
            middle, high = (percentile(taken, percent, "nearest_rank") for percent in (50, 95))
            figures = (sum(taken) / len(taken), middle, high, max(taken))
            lines.append(f"{name:<10} {len(taken):>5} " + " ".join(f"{1e3 * one:7.1f}" for one in figures) + "  ms")
        return "\n".join(lines)
