"""Pictures of a batch on all processor cores.

NumPy copies and adds on one core, whatever its matrix products do.  But it lets
go of Python's lock while it works, so threads that each take a picture keep all
cores busy.  The matrix library must then use one thread a call; how it is told
differs from library to library, so this is asked for and never required.
"""

from __future__ import annotations

import ctypes
import itertools
import os
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

# Names under which builds of OpenBLAS export "use n threads"; the first two are
# those of NumPy's own wheels.
_SETTERS = (
    "scipy_openblas_set_num_threads64_",
    "scipy_openblas_set_num_threads",
    "openblas_set_num_threads64_",
    "openblas_set_num_threads",
)


def _blas_setters() -> list[tuple[Callable[[int], None], Callable[[], int]]]:
    """Functions that set and get the threads of NumPy's and SciPy's matrix libraries, if they are OpenBLAS."""
    site = Path(np.__file__).parent.parent
    folders = [site / f"{name}.libs" for name in ("numpy", "scipy")]
    folders += [site / name / ".dylibs" for name in ("numpy", "scipy")]
    found = []
    for path in sorted(file for folder in folders if folder.is_dir() for file in folder.iterdir()):
        if "openblas" not in path.name:
            continue
        try:
            # The library is loaded already; this only finds it again.
            library = ctypes.CDLL(str(path))
        except OSError:
            continue
        for name in _SETTERS:
            if hasattr(library, name):
                setter = getattr(library, name)
                getter = getattr(library, name.replace("set_num", "get_num"))
                setter.argtypes, setter.restype = [ctypes.c_int], None
                getter.argtypes, getter.restype = [], ctypes.c_int
                found.append((setter, getter))
                break
    return found


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


class Crew:
    """Threads that share out the pictures of a batch.

    Parameters
    ----------
    workers : int or None
        How many; ``None`` is one a core, or one in all where the matrix library
        cannot be told to use one thread (it then uses the cores itself).

    Examples
    --------
    >>> done = []
    >>> with Crew(2) as crew:
    ...     crew.each(lambda picture, worker: done.append(picture), 4)
    >>> sorted(done)
    [0, 1, 2, 3]
    """

    def __init__(self, workers: int | None = None) -> None:
        self._setters = _blas_setters()
        if workers is None:
            workers = core_count() if self._setters else 1
        self.workers = max(1, workers)
        self._pool: ThreadPoolExecutor | None = None
        self._before: list[int] = []

    def __enter__(self) -> Crew:
        if self.workers > 1:
            self._pool = ThreadPoolExecutor(self.workers - 1)
        self._before = [getter() for _, getter in self._setters]
        for setter, _ in self._setters:
            setter(1)
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None
        for (setter, _), before in zip(self._setters, self._before, strict=True):
            setter(before)

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
