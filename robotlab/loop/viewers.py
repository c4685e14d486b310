"""Viewers of a drive, and the hold-to-run control: what :func:`robotlab.loop.drive` tells them."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from robotlab.control import Supervisor
from robotlab.detections import Detections
from robotlab.loop.decide import VelocityCommand
from robotlab.loop.target import Observation

T = TypeVar("T")
Tell = Callable[[Callable[[Supervisor, float, float], T]], T]
# At the end the last picture may still be shown for so long, s.
_LAST_S = 0.5


@dataclass(frozen=True, eq=False)
class ViewerFrame:
    """One picture of a drive as a viewer gets it: what was found in it, and what was decided.

    Attributes
    ----------
    index : int
        Its number in the log.
    picture : (H, W, 3) ndarray of uint8
        As the camera gave it; not to be written to.
    found : Detections
        Everything in it, in its pixels.
    observation : Observation or None
        The target, if one of the boxes was taken for it.
    velocity : VelocityCommand
        What was decided.
    taken_s, decided_s : float
        When it was taken and acted on, on :func:`robotlab.control.safety.steady_s`.
    """

    index: int
    picture: np.ndarray
    found: Detections
    observation: Observation | None
    velocity: VelocityCommand
    taken_s: float
    decided_s: float


class HoldToRun(Protocol):
    """A control that a person holds for as long as the robot is to drive."""

    timeout_s: float
    """Longest silence of the control, s."""

    ended: str
    """Why a person ended the drive, in words; empty as long as nobody has."""

    def begin(self, tell: Tell) -> None:
        """The drive begins; press, hold, let go and stop are told from now on.

        Parameters
        ----------
        tell : callable
            :meth:`robotlab.control.RampThread.tell`; from any thread.
        """
        ...


class Viewer:
    """Show the newest picture in a thread of its own: a slow or hung viewer delays nobody.

    Parameters
    ----------
    show : callable
        Called with each :class:`ViewerFrame`, or the newest of those that came meanwhile.

    Examples
    --------
    >>> with Viewer(print) as viewer:
    ...     viewer.hung_s() < 1.0
    True
    """

    def __init__(self, show: Callable[[ViewerFrame], object]) -> None:
        self._show, self._over, self._since = show, False, 0.0
        self._news = threading.Condition()
        self._newest: ViewerFrame | None = None
        self._error: BaseException | None = None
        self._program = os.getpid()
        self._thread = threading.Thread(target=self._run, name="viewer", daemon=True)

    def __enter__(self) -> Viewer:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        with self._news:
            self._over = True
            self._news.notify()
        self._thread.join(_LAST_S)
        if kind is None:
            self.hung_s()

    def look(self, seen: ViewerFrame) -> None:
        """Something new is to be seen; returns at once.

        Parameters
        ----------
        seen : ViewerFrame
            It.
        """
        with self._news:
            self._newest = seen
            self._news.notify()

    def hung_s(self) -> float:
        """How long `show` has been at one picture; raises what it raised.

        Returns
        -------
        float
            0 if it waits for one, s.
        """
        if (error := self._error) is not None:
            self._error = None
            raise error
        since = self._since
        return time.monotonic() - since if since else 0.0

    def _run(self) -> None:
        while True:
            with self._news:
                while self._newest is None and not self._over:
                    self._news.wait()
                if (seen := self._newest) is None:
                    return
                self._newest, self._since = None, time.monotonic()
            try:
                self._show(seen)
                if os.getpid() != self._program:  # one that forks comes back twice
                    os._exit(1)
            except BaseException as error:  # a signal's too, if that is what it raises: the loop is to have it
                self._error = error
                return
            finally:
                self._since = 0.0
