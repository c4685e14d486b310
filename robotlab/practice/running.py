"""Run a learner's function: with a time limit, its printing capped, its inputs watched.

This keeps a mistake from spoiling a session.  It is not a sandbox: the function runs
in this very process and may do whatever the learner may.

Limits of the limits.  On Linux and macOS, in the main thread (where notebooks
run their cells), a timer interrupts the function between two steps of Python;
elsewhere it runs in a second thread that is told to stop.  Neither can
interrupt one long call into compiled code, such as the inverse of a huge
matrix: that ends when it ends.  Text is capped where it goes through
``sys.stdout`` or ``sys.stderr``; what a program started from Python prints is not.
"""

from __future__ import annotations

import contextlib
import copy
import ctypes
import io
import linecache
import signal
import threading
import time
import traceback
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

# For all cases together.  A right answer takes milliseconds; the rest is room
# for a first import inside the function on a busy machine.
TIME_LIMIT_S = 8.0
# Characters that a function may print in one call; ten screens full.
PRINT_LIMIT = 20_000
# What nothing can change.
_UNCHANGING = (int, float, bool, str, type(None))
# How often the timer rings again, for a loop that catches every exception.
_AGAIN_S = 0.1


class _TooLong(BaseException):
    """Raised in a function that takes too long; no Exception, so that ``except Exception`` lets it through."""


class _Flood(BaseException):
    """Raised in a function that prints too much."""


@dataclass(frozen=True, eq=False)
class Outcome:
    """Outcome of one call.

    Parameters
    ----------
    kind : {"value", "raised", "hang", "flood"}
        How it ended.
    value : object
        What it returned.
    error : BaseException or None
        What it raised.
    place : str
        The learner's own line where it ended by error, empty where unknown.
    changed : tuple of int
        Places of the inputs that it changed.
    printed : str
        What it printed.
    warned : str
        The first warning, empty if there was none.
    """

    kind: str
    value: Any = None
    error: BaseException | None = None
    place: str = ""
    changed: tuple[int, ...] = ()
    printed: str = ""
    warned: str = ""


def run_cases(function: Callable, cases: Sequence[tuple], limit_s: float = TIME_LIMIT_S) -> list[Outcome]:
    """Call a function once for each case, on copies of the inputs.

    Parameters
    ----------
    function : callable
        The learner's.
    cases : sequence of tuple
        Inputs of one call each.
    limit_s : float
        Seconds for all calls together.

    Returns
    -------
    list of Outcome
        One a case; they end at a hang or a flood.  Nothing that the function does by mistake is raised here; a
        ``KeyboardInterrupt`` is, since that is the user's command.

    Examples
    --------
    >>> [outcome.kind for outcome in run_cases(lambda x: 1 / x, [(2,), (0,)])]
    ['value', 'raised']
    """
    outcomes: list[Outcome] = []
    end = time.monotonic() + limit_s
    output = _Capped(PRINT_LIMIT)
    with contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
        for case in cases:
            output.start_again()
            with warnings.catch_warnings(record=True) as warned:
                warnings.simplefilter("always")
                outcome = _call(function, case, max(0.01, end - time.monotonic()))
            first = f"{warned[0].category.__name__}: {_short_text(warned[0].message)}" if warned else ""
            outcomes.append(replace(outcome, printed="".join(output.parts), warned=first))
            if outcome.kind in ("hang", "flood"):
                break
    return outcomes


def outcome_of(function: Callable, case: tuple) -> Outcome:
    """Call a function that is known to end: a reference or a misconception.

    Parameters
    ----------
    function : callable
        One of a task's own.
    case : tuple
        Its inputs; it gets a copy.

    Returns
    -------
    Outcome
        Of kind "value" or "raised".

    Examples
    --------
    >>> outcome_of(len, ("post",)).value
    4
    """
    return outcomes_of(function, [case])[0]


def outcomes_of(function: Callable, cases: Sequence[tuple]) -> list[Outcome]:
    """Call a function that is known to end once for each case: a reference or a misconception.

    Parameters
    ----------
    function : callable
        One of a task's own.
    cases : sequence of tuple
        Inputs of one call each; it gets copies.

    Returns
    -------
    list of Outcome
        As of :func:`outcome_of`.

    Examples
    --------
    >>> [outcome.kind for outcome in outcomes_of(lambda x: 1 / x, [(2,), (0,)])]
    ['value', 'raised']
    """
    outcomes: list[Outcome] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for case in cases:
            try:
                outcomes.append(Outcome("value", function(*_copied(case))))
            except Exception as error:
                # Outcomes are kept: the way to the error would keep all inputs.
                outcomes.append(Outcome("raised", error=error.with_traceback(None)))
    return outcomes


def _copied(case: tuple) -> list:
    """Copies of the inputs, as ``copy.deepcopy`` makes them; numbers and words, which nothing can change, take no work."""
    seen: dict[int, Any] = {}
    return [one if type(one) in _UNCHANGING else copy.deepcopy(one, seen) for one in case]


def _call(function: Callable, case: tuple, limit_s: float) -> Outcome:
    given = _copied(case)

    def call() -> Outcome:
        try:
            return Outcome("value", function(*given))
        except _Flood as error:
            return Outcome("flood", place=_place(error, function))
        except (Exception, SystemExit, GeneratorExit) as error:
            return Outcome("raised", error=error, place=_place(error, function))

    posix = hasattr(signal, "setitimer") and threading.current_thread() is threading.main_thread()
    outcome = (_with_timer if posix else _in_thread)(call, limit_s, function)
    if outcome.kind == "value":
        changed = tuple(i for i, (old, new) in enumerate(zip(case, given)) if not _unchanged(old, new))
        return Outcome("value", outcome.value, changed=changed)
    return outcome


def _with_timer(call: Callable[[], Outcome], limit_s: float, function: Callable) -> Outcome:
    """Call in this thread; a timer of the operating system raises in it."""
    armed = True

    def ring(number: int, frame: Any) -> None:
        if armed:
            raise _TooLong

    began = time.monotonic()
    old_handler = signal.signal(signal.SIGALRM, ring)
    old_delay, old_again = signal.setitimer(signal.ITIMER_REAL, limit_s, _AGAIN_S)
    try:
        try:
            return call()
        finally:
            armed = False
    except _TooLong as error:
        armed = False
        return Outcome("hang", place=_place(error, function))
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, signal.SIG_DFL if old_handler is None else old_handler)
        if old_delay:
            # Somebody else's timer goes on, with what is left of it.
            signal.setitimer(signal.ITIMER_REAL, max(1e-3, old_delay - (time.monotonic() - began)), old_again)


def _in_thread(call: Callable[[], Outcome], limit_s: float, function: Callable) -> Outcome:
    """Call in a second thread; when time is up, ask Python to raise in it, and go on without it if need be."""
    ended: list[Outcome] = []

    def work() -> None:
        try:
            ended.append(call())
        except BaseException as error:  # The thread's last step: whatever it is must not be printed by the system.
            ended.append(Outcome("hang", place=_place(error, function)))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    assert thread.ident is not None  # it runs
    thread.join(limit_s)
    for _ in range(5):
        if not thread.is_alive():
            break
        ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), ctypes.py_object(_TooLong))
        thread.join(_AGAIN_S)
    return ended[0] if ended else Outcome("hang")


class _Capped(io.TextIOBase):
    """Keeps what is written, up to a limit; then stops the writer."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.start_again()

    def start_again(self) -> None:
        self.length = 0
        self.parts: list[str] = []

    def writable(self) -> bool:
        return True

    def write(self, text: str) -> int:
        text = str(text)
        self.parts.append(text[: max(0, self.limit - self.length)])
        self.length += len(text)
        if self.length > self.limit:
            raise _Flood
        return len(text)


def _place(error: BaseException, function: Callable) -> str:
    """The last line of the learner's own source in a traceback."""
    file = getattr(getattr(function, "__code__", None), "co_filename", None)
    # A function that calls itself without end leaves a thousand lines; the last few will do.
    lines = [line for frame, line in traceback.walk_tb(error.__traceback__) if frame.f_code.co_filename == file]
    if file is None or not lines:
        return ""
    source = linecache.getline(file, lines[-1]).strip()
    return f"line {lines[-1]}" + (f", `{source}`" if source else "")


def _short_text(thing: object) -> str:
    """``str(thing)``, short, also where that itself fails."""
    try:
        text = " ".join(str(thing).split())
    except Exception:
        return "(a message that cannot be shown)"
    return text if len(text) <= 300 else text[:300] + " ..."


def error_text(error: BaseException) -> str:
    """An error in one line.

    Parameters
    ----------
    error : BaseException
        What was raised.

    Returns
    -------
    str
        Its class and its message, shortened.

    Examples
    --------
    >>> error_text(ZeroDivisionError("division by zero"))
    'ZeroDivisionError: division by zero'
    """
    message = _short_text(error)
    return f"{type(error).__name__}: {message}" if message else type(error).__name__


def _unchanged(old: Any, new: Any) -> bool:
    """Exactly the same, arrays and lists included; NaN equals NaN."""
    if isinstance(old, np.ndarray):
        alike = isinstance(new, np.ndarray) and (old.shape, old.dtype) == (new.shape, new.dtype)
        return alike and np.array_equal(old, new, equal_nan=old.dtype.kind == "f")
    if isinstance(old, list | tuple):
        return len(old) == len(new) and all(map(_unchanged, old, new))
    return old is new or bool(old == new)
