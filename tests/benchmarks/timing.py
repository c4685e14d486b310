"""Time ours beside a reference, in turn, in one process; time growth with size.

The rows that the functions return are the contract of README.md beside this file.
"""

from __future__ import annotations

import contextlib
import gc
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np


class Missing(Exception):
    """A reference library that is not installed here."""


@dataclass(frozen=True)
class Timed:
    """What :func:`side_by_side` measured; seconds for one call.

    Parameters
    ----------
    ours_s, reference_s : (K,) ndarray
        Each repeat; `reference_s` is empty when there is no reference.
    threads : int
        Threads that both were allowed.
    """

    ours_s: np.ndarray
    reference_s: np.ndarray
    threads: int

    def row(
        self, name: str, reference: str | None, aim: float | None = None, note: str = "", aim_s: float | None = None
    ) -> dict:
        """The row of the results table.

        Parameters
        ----------
        name : str
            What was timed.
        reference : str or None
            The library it was timed against.
        aim : float or None
            Largest ratio (ours / reference) that meets the aim.
        note : str
            Anything the reader must know.
        aim_s : float or None
            Longest time that meets the aim, s, where there is no reference.

        Returns
        -------
        dict
            See README.md.
        """
        row: dict[str, Any] = {
            "name": name,
            "reference": reference,
            "ours_s": float(np.median(self.ours_s)),
            "reference_s": None,
            "ratio": None,
            "ratio_low": None,
            "ratio_high": None,
            "repeats": len(self.ours_s),
            "threads": self.threads,
            "aim": aim,
            "aim_s": aim_s,
            "note": note,
        }
        if self.reference_s.size:
            # Neighbors in time share the machine's mood, so divide pair by pair.
            ratio = self.ours_s / self.reference_s
            low, middle, high = np.percentile(ratio, [10, 50, 90])
            row |= {
                "reference_s": float(np.median(self.reference_s)),
                "ratio": float(middle),
                "ratio_low": float(low),
                "ratio_high": float(high),
            }
        return row


@contextlib.contextmanager
def thread_limit(count: int) -> Iterator[None]:
    """Hold BLAS, OpenCV and PyTorch to `count` threads, where they are loaded.

    Parameters
    ----------
    count : int
        Threads.
    """
    from threadpoolctl import threadpool_limits

    cv2, torch = sys.modules.get("cv2"), sys.modules.get("torch")
    before = (cv2.getNumThreads() if cv2 else None, torch.get_num_threads() if torch else None)
    with threadpool_limits(limits=count):
        if cv2:
            cv2.setNumThreads(count)
        if torch:
            torch.set_num_threads(count)
        try:
            yield
        finally:
            if cv2:
                cv2.setNumThreads(before[0])
            if torch:
                torch.set_num_threads(before[1])


def _once(function: Callable[[], Any], calls: int) -> float:
    start = time.perf_counter()
    for _ in range(calls):
        function()
    return (time.perf_counter() - start) / calls


def side_by_side(
    ours: Callable[[], Any],
    reference: Callable[[], Any] | None,
    repeats: int = 9,
    calls: int = 1,
    threads: int = 1,
    check: Callable[[Any, Any], Any] | None = None,
) -> Timed:
    """Time two functions in turn: A B A B ...

    Parameters
    ----------
    ours, reference : callable
        Called without arguments.
    repeats : int
        Pairs measured, after one warm-up of each.
    calls : int
        Calls inside one measurement, for work shorter than about a millisecond.
    threads : int
        Allowed to both.
    check : callable, optional
        ``check(ours(), reference())`` raises if the two answers disagree.

    Returns
    -------
    Timed
        Every repeat.
    """
    with thread_limit(threads):
        first = ours()
        other = reference() if reference else None
        if check:
            check(first, other)
        del first, other
        a, b = [], []
        was_on = gc.isenabled()
        gc.collect()
        gc.disable()
        try:
            for _ in range(repeats):
                a.append(_once(ours, calls))
                if reference:
                    b.append(_once(reference, calls))
        finally:
            if was_on:
                gc.enable()
    return Timed(np.array(a), np.array(b), threads)


def alone(ours: Callable[[], Any], repeats: int = 9, calls: int = 1, threads: int = 1) -> Timed:
    """Time one function that has no reference.

    Parameters
    ----------
    ours, repeats, calls, threads
        As in :func:`side_by_side`.

    Returns
    -------
    Timed
        Every repeat.
    """
    return side_by_side(ours, None, repeats, calls, threads)


def missing_row(name: str, library: str) -> dict:
    """The row of a comparison whose reference is not installed here.

    Parameters
    ----------
    name : str
        What would have been timed.
    library : str
        What is missing.

    Returns
    -------
    dict
        With no times.
    """
    empty = dict.fromkeys(("ours_s", "reference_s", "ratio", "ratio_low", "ratio_high", "aim", "aim_s", "threads"))
    return {"name": name, "reference": library, "repeats": 0, "note": f"{library} is not installed", **empty}


def growth_row(
    name: str, sizes: Sequence[int], make: Callable[[int], Any], function: Callable[[Any], Any], repeats: int = 5
) -> dict:
    """Time one function on growing inputs.

    Parameters
    ----------
    name : str
        What grows.
    sizes : sequence of int
        From small to large, at least three.
    make : callable
        Size to input; not timed.
    function : callable
        Takes that input.
    repeats : int
        The median of this many counts.

    Returns
    -------
    dict
        ``name, sizes, seconds, exponent``: seconds grow as size ** exponent.
    """
    seconds = []
    with thread_limit(1):
        for size in sizes:
            given = make(size)
            function(given)
            seconds.append(float(np.median([_once(lambda given=given: function(given), 1) for _ in range(repeats)])))
    return {"name": name, "sizes": list(sizes), "seconds": seconds, "exponent": exponent(sizes, seconds)}


def exponent(sizes: Sequence[float], seconds: Sequence[float]) -> float:
    """Slope of log time over log size, by least squares.

    Parameters
    ----------
    sizes, seconds : sequence of float
        Both above 0.

    Returns
    -------
    float
        1 is proportional, 2 is quadratic.
    """
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])
