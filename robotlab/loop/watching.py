"""Who looks on while a robot drives, and who lets it: what :func:`robotlab.loop.drive` tells them."""

from __future__ import annotations

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


@dataclass(frozen=True, eq=False)
class Seen:
    """One picture, and what came of it.

    Attributes
    ----------
    index : int
        Its number in the log.
    picture : (H, W, 3) ndarray of uint8
        As the camera gave it; not to be written to.
    found : Detections
        Everything in it, in its pixels.
    observation : Observation or None
        What was believed.
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
