"""Work in parts: on the cores of this machine, or on a Dask cluster by one argument.

The parts are independent, so a worker that is killed costs only what it had
in hand: the part is done again by another.
"""

from __future__ import annotations

import functools
import logging
import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from robotlab.errors import InputError, install_hint

# How often a part is begun again after its worker was killed.
RETRIES = 3
# For a scheduler that does not answer, s.
CONNECT_S = 15.0
# How long a cluster may be without any worker, s.
WORKERS_S = 60.0


def parts_done(
    work: Callable[[Any], Any], parts: Sequence[Any], jobs: int | None = None, cluster: str | None = None
) -> Iterator[tuple[int, Any]]:
    """Do parts of work, and give each result as soon as it is there.

    Parameters
    ----------
    work : callable
        A function of a module, of one part.
    parts : sequence
        What it is called with.
    jobs : int, optional
        Processes on this machine; by default one for each core.
    cluster : str, optional
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; its
        workers must have robotlab installed.

    Yields
    ------
    (int, object)
        Number of the part, and the result, in the order in which they end.

    Raises
    ------
    InputError
        If the cluster does not answer, has no worker for a minute, or lacks
        the package; or if a worker was killed again and again.

    Examples
    --------
    >>> sorted(parts_done(abs, [-3, 2], jobs=1))
    [(0, 3), (1, 2)]
    """
    if cluster is not None:
        yield from _on_cluster(work, parts, cluster)
        return
    jobs = min(jobs or os.cpu_count() or 1, max(1, len(parts)))
    if jobs == 1:
        for number, part in enumerate(parts):
            yield number, work(part)
        return
    import joblib
    from joblib.externals.loky.process_executor import TerminatedWorkerError

    left = dict(enumerate(parts))
    for _ in range(RETRIES + 1):
        try:
            # One thread for each process: threads of two processes on the same cores wait for one another.
            with joblib.parallel_config("loky", inner_max_num_threads=1):
                todo = [joblib.delayed(_numbered)(work, number, part) for number, part in left.items()]
                for number, result in joblib.Parallel(jobs, return_as="generator_unordered")(todo):
                    del left[number]
                    yield number, result
            return
        except TerminatedWorkerError:
            continue
    raise InputError(
        f"the workers must live as long as their part takes, one was killed {RETRIES + 1} times; "
        "is there memory for so many at once? ask for fewer jobs"
    )


def _numbered(work: Callable[[Any], Any], number: int, part: Any) -> tuple[int, Any]:
    return number, work(part)


def _on_cluster(work: Callable[[Any], Any], parts: Sequence[Any], address: str) -> Iterator[tuple[int, Any]]:
    try:
        from concurrent.futures import CancelledError

        from distributed import Client, wait
        from distributed.comm import CommClosedError
        from distributed.scheduler import KilledWorker
    except ModuleNotFoundError:
        raise InputError(f"a cluster needs the package distributed; {install_hint('cluster')}") from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as problem:
        raise InputError(
            f"a cluster must answer at its scheduler's address, {address} does not ({type(problem).__name__}); "
            "start 'dask scheduler' and give its tcp:// address"
        ) from None
    # What goes wrong is said below, in one line.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with client, client.as_current():
        # Bound to its part: Dask would look through all that it is given for results of other parts.
        submit = functools.partial(client.submit, pure=False, retries=RETRIES)
        futures = {submit(functools.partial(work, part)): number for number, part in enumerate(parts)}
        try:
            while futures:
                try:
                    done = wait(list(futures), timeout=WORKERS_S, return_when="FIRST_COMPLETED").done
                except TimeoutError:
                    # A part may take longer than that; without a worker it takes forever.
                    if client.ncores():
                        continue
                    raise InputError(
                        f"a cluster must have a worker, {address} has had none for {WORKERS_S:g} s; "
                        f"start 'dask worker {address}' where robotlab is installed"
                    ) from None
                for future in done:
                    result = future.result()
                    yield futures.pop(future), result
        except KilledWorker:
            raise InputError(
                "the cluster's workers must live as long as a part takes, several were killed over the same one; "
                "give them more memory"
            ) from None
        except (CommClosedError, CancelledError):
            raise InputError(
                f"the cluster's scheduler must live as long as the work, {address} has gone; start it again, then go on"
            ) from None
        except ModuleNotFoundError as problem:
            raise InputError(
                f"a cluster's workers must have robotlab and what it needs, {problem.name} is missing there; install it on them"
            ) from None
        finally:
            client.cancel(list(futures))
