"""Pictures of a batch on all processor cores.

NumPy copies and adds on one core, whatever its matrix products do.  But it lets
go of Python's lock while it works, so threads that each take a picture keep all
cores busy.  The matrix library must then use one thread a call (threadpoolctl
tells it); one that cannot be told keeps the cores to itself.
"""

from __future__ import annotations

import itertools
import os
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import scipy.linalg  # noqa: F401  (SciPy has a matrix library of its own; only a loaded one can be told)
from threadpoolctl import threadpool_info, threadpool_limits


def core_count() -> int:
    """Processor cores that this process may use.

    Returns
    -------
    int
        At least 1; ``OMP_NUM_THREADS`` lowers it, as it does for other libraries.

    Examples
    --------
    >>> core_count() >= 1
    True
    """
    cores = len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1
    asked = os.environ.get("OMP_NUM_THREADS", "")
    return min(cores, int(asked)) if asked.isdigit() and int(asked) > 0 else cores


class WorkerPool:
    """Threads that share out the pictures of a batch.

    Parameters
    ----------
    workers : int or None
        How many; ``None`` is one a core, or one in all where the matrix library
        cannot be told to use one thread (it then uses the cores itself).

    Examples
    --------
    >>> done = []
    >>> with WorkerPool(2) as pool:
    ...     pool.each(lambda picture, worker: done.append(picture), 4)
    >>> sorted(done)
    [0, 1, 2, 3]
    """

    def __init__(self, workers: int | None = None) -> None:
        if workers is None:
            can_be_told = any(library["user_api"] == "blas" for library in threadpool_info())
            workers = core_count() if can_be_told else 1
        self.workers = max(1, workers)
        self._pool: ThreadPoolExecutor | None = None

    def __enter__(self) -> WorkerPool:
        if self.workers > 1:
            self._pool = ThreadPoolExecutor(self.workers - 1)
        self._limits = threadpool_limits(1, user_api="blas")
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None
        self._limits.restore_original_limits()

    def each(self, work: Callable[[int, int], object], pictures: int) -> None:
        """Call ``work(picture, worker)`` for every picture and wait.

        Parameters
        ----------
        work : callable
            Must write only to what belongs to its picture or its worker.
        pictures : int
            How many.
        """
        if self._pool is None or pictures == 1:
            for picture in range(pictures):
                work(picture, 0)
            return
        # A shared counter: who is free takes the next picture.
        counter = itertools.count()

        def run(worker: int) -> None:
            while (picture := next(counter)) < pictures:
                work(picture, worker)

        others = [self._pool.submit(run, worker) for worker in range(1, min(self.workers, pictures))]
        run(0)
        for other in others:
            other.result()
