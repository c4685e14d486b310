"""The interface of injected faults: where a simulated loop lets something go wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.detections import Detections


@dataclass(frozen=True, eq=False)
class CameraFrame:
    """One picture on its way to the detector, with the truth beside it.

    Attributes
    ----------
    picture : (H, W, 3) ndarray or None
        What the camera took; ``None`` for a detector that needs none.
    truth : (4,) ndarray or None
        True box of the part of the post that shows, px of the camera.
    visible : float
        Fraction of the post that shows.
    """

    picture: np.ndarray | None
    truth: np.ndarray | None
    visible: float


class FaultModel:
    """Base class of injected faults; by itself nothing goes wrong.

    Examples
    --------
    >>> class SlowClock(FaultModel):
    ...     def clock(self, t_s):
    ...         return 0.5 * t_s
    >>> SlowClock().clock(4.0), SlowClock().link(4.0)
    (2.0, True)
    """

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """What arrives of one picture.

        Parameters
        ----------
        index : int
            Number of the picture.
        t_s : float
            True time.
        frame : CameraFrame
            What the camera took.

        Returns
        -------
        list of (CameraFrame, extra_s)
            Nothing, one or several pictures, each with its extra delay.
        """
        return [(frame, 0.0)]

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        """What comes out of the detector.

        Parameters
        ----------
        index : int
            Number of the picture.
        t_s : float
            True time of the picture.
        found : Detections
            What the detector found.

        Returns
        -------
        Detections
            What the loop gets; may raise, as a detector may.
        """
        return found

    def detector_extra_s(self, t_s: float) -> float:
        """How much longer the detector takes.

        Parameters
        ----------
        t_s : float
            True time.

        Returns
        -------
        float
            Extra time for one picture, s.
        """
        return 0.0

    def clock(self, t_s: float) -> float:
        """What the computer takes the time for.

        Parameters
        ----------
        t_s : float
            True time.

        Returns
        -------
        float
            Time on the computer's clock, s.
        """
        return t_s

    def link(self, t_s: float) -> bool:
        """Whether the motor link works.

        Parameters
        ----------
        t_s : float
            True time.

        Returns
        -------
        bool
            False while it is cut.
        """
        return True

    def motors(self, t_s: float, left_mps: float, right_mps: float) -> tuple[float, float]:
        """What the motors get of a command.

        Parameters
        ----------
        t_s : float
            True time.
        left_mps, right_mps : float
            What the motor board sends.

        Returns
        -------
        (left_mps, right_mps) : tuple of float
            What the left and the right motor are told.
        """
        return left_mps, right_mps
