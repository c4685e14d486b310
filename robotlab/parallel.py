"""Work in parts: on the cores of this machine, or on a Dask cluster by one argument.

The parts are independent, so a worker that is killed costs only what it had
in hand: the part is done again by another.
"""

from __future__ import annotations

import asyncio
import functools
import logging
import os
import platform
import re
import signal
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any

from robotlab import __version__
from robotlab.environment import installed
from robotlab.errors import InputError, install_hint, short
from robotlab.files import read_plain

# How often a part is begun again after its worker was killed.
RETRIES = 3
# For a scheduler that does not answer, s.
CONNECT_S = 8.0
# How long a cluster may be without any worker, s.
WORKERS_S = 60.0
# A worker of this machine looks this often whether the program that started it still lives, s.
PARENT_S = 1.0
# Packages that results rest on.
_PACKAGES = ("numpy", "scipy", "onnxruntime", "pillow")
_ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(?:\[[0-9A-Fa-f:.%]+\]|[^\s:/\[\]@?#]+):([0-9]{1,5})")


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
        workers must have this very robotlab, Python and packages.

    Yields
    ------
    (int, object)
        Number of the part, and the result, in the order in which they end.

    Raises
    ------
    InputError
        If the cluster does not answer, has no worker for a minute, or a worker
        of other code; or if a worker was killed again and again.

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

    left, killed = dict(enumerate(parts)), 0
    while killed <= RETRIES:
        try:
            # One thread for each process: threads of two processes on the same cores wait for one another.
            with joblib.parallel_config("loky", inner_max_num_threads=1):
                todo = [joblib.delayed(_numbered)(os.getpid(), work, number, part) for number, part in left.items()]
                with _interrupts_held():
                    results = joblib.Parallel(jobs, return_as="generator_unordered")(todo)
                try:
                    for number, result in results:
                        del left[number]
                        killed = 0
                        yield number, result
                finally:
                    with warnings.catch_warnings():
                        # Joblib's, of parts that are broken off: that is meant.
                        warnings.simplefilter("ignore", UserWarning)
                        results.close()
            return
        except TerminatedWorkerError:
            killed += 1
    raise InputError(
        f"the workers must live as long as their part takes, one was killed {killed} times and nothing was done in between; "
        "is there memory for so many at once? ask for fewer jobs"
    )


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Processes started meanwhile never see a Ctrl-C: it goes to all of a terminal, and ours alone is to answer."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    # Joblib starts it, and its start would let interrupts through again.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _numbered(parent: int, work: Callable[[Any], Any], number: int, part: Any) -> tuple[int, Any]:
    _end_with(parent)
    return number, work(part)


@functools.cache
def _end_with(parent: int) -> None:
    """Let this worker end soon after its parent, which may be killed and say nothing."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(PARENT_S)
        os._exit(1)

    if os.name == "posix" and os.getppid() == parent:
        threading.Thread(target=watch, daemon=True).start()


@functools.cache
def _code() -> dict[str, str]:
    """What results rest on here: versions, and a digest of robotlab's own source files."""
    folder, digest = Path(__file__).parent, sha256()
    for name, path in sorted((path.relative_to(folder).as_posix(), path) for path in folder.rglob("*.py")):
        content = read_plain(path, 2**20, "a source file").replace(b"\r\n", b"\n")
        digest.update(f"{name}\0{len(content)}\0".encode() + content)
    return {
        "robotlab": __version__,
        "robotlab's source files": digest.hexdigest()[:12],
        "Python": platform.python_version(),
        **{name: installed(name) or "missing" for name in _PACKAGES},
    }


def _with_code(work: Callable[[Any], Any], part: Any) -> tuple[dict[str, str], Any]:
    """On a worker: the result, and the code that it comes from."""
    return _code(), work(part)


def _check_code(who: str, code: Mapping[str, str]) -> None:
    ours = _code()
    other = [
        f"{name} {code.get(name, 'unknown')} (here {here})" for name, here in ours.items() if code.get(name) != here
    ]
    if other:
        raise _other_code(f"{who} has {', '.join(other)}")


def _other_code(what: str) -> InputError:
    return InputError(
        f"a cluster's workers must run the same code as this computer, or the results differ, {what}; "
        "install the same there, start it again, then go on"
    )


def _check_workers(found: Mapping[str, Any]) -> None:
    """Refuse workers of other code, by what each answered."""
    for worker, code in found.items():
        # One that has gone since does no harm; one that cannot import what it is asked with has something else.
        if isinstance(code, OSError):
            continue
        if isinstance(code, Exception):
            raise _other_code(f"{worker} has another robotlab, or none")
        _check_code(worker, code)


@contextmanager
def _logs_held() -> Iterator[None]:
    """What goes wrong is said in one line, without the log lines and tracebacks of Dask beside it."""
    names = [
        name for name in logging.root.manager.loggerDict if name.split(".")[0] in ("asyncio", "distributed", "tornado")
    ]
    before = {name: logging.getLogger(name).level for name in names}
    try:
        for name in names:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


def _check_scheduler(address: str) -> None:
    """Ask the scheduler who it is, before Dask's client does, which can wait forever and is slow to close."""
    from distributed.core import rpc
    from distributed.security import Security

    async def kind() -> str:
        async with rpc(address, timeout=CONNECT_S, connection_args=Security().get_connection_args("client")) as server:
            return str((await asyncio.wait_for(server.identity(), CONNECT_S))["type"])

    try:
        # In a thread, as a notebook's own has a loop already.
        with ThreadPoolExecutor(1) as pool:
            found = pool.submit(lambda: asyncio.run(kind())).result()
    except Exception as problem:  # whatever it is that answers there
        found = type(problem).__name__
    if found != "Scheduler":
        raise InputError(
            f"a cluster must answer at its scheduler's address, {address} does not ({found}); "
            "start 'dask scheduler' and give its tcp:// address"
        )


def _on_cluster(work: Callable[[Any], Any], parts: Sequence[Any], address: str) -> Iterator[tuple[int, Any]]:
    form = _ADDRESS.fullmatch(address)
    if not form or not 0 < int(form[1]) < 65536:
        raise InputError(
            f"a cluster must answer at its scheduler's address, of the form tcp://HOST:PORT, got {short(address)}; "
            "give the one that 'dask scheduler' says"
        )
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise InputError(f"a cluster needs the package distributed; {install_hint('cluster')}") from None
    with _logs_held():
        _check_scheduler(address)
        with Client(address, timeout=CONNECT_S, set_as_default=False) as client, client.as_current():
            yield from _by_client(client, work, parts, address)


def _by_client(
    client: Any, work: Callable[[Any], Any], parts: Sequence[Any], address: str
) -> Iterator[tuple[int, Any]]:
    from concurrent.futures import CancelledError

    from distributed import wait
    from distributed.comm import CommClosedError
    from distributed.scheduler import KilledWorker

    futures: dict[Any, int] = {}
    try:
        _check_workers(client.run(_code, on_error="return"))
        # Bound to its part: Dask would look through all that it is given for results of other parts.
        submit = functools.partial(client.submit, pure=False, retries=RETRIES)
        futures |= {submit(functools.partial(_with_code, work, part)): number for number, part in enumerate(parts)}
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
                code, result = future.result()
                # Workers may have come since all were asked.
                _check_code("a worker that came later", code)
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
    except Exception as problem:
        # What cannot be imported there comes as an error of any kind.
        if _with_code.__name__ not in str(problem):
            raise
        raise _other_code("a worker that came later, or the scheduler, has another robotlab") from None
    finally:
        client.cancel(list(futures))
