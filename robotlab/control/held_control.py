"""A control that a person must hold for as long as the robot is to drive.

The trade calls it a hold-to-run control device (ISO 12100, 3.28.3; IEC 60204-1
on hold-to-run controls; both from memory).  This one comes over a network and
through programs: **no safety function**.
"""

from __future__ import annotations

import math

from robotlab.checks import number


class HeldControl:
    """Whether a person holds the control, as far as is known: part of the state machine of the stop.

    Parameters
    ----------
    timeout_s : float or None
        Each sign that it is held is good for so long; ``None`` is for a robot
        without such a control: then it counts as held.

    Raises
    ------
    MotionError
        If the time is not a positive number.

    Notes
    -----
    A sign carries the earliest time at which it can be true, for instance when
    the question was asked that it answers.  It counts if that is newer than
    what the last one said, and not older than `timeout_s`: a sign that was held
    up on the way, came twice or out of order says nothing about now.  After it
    was let go, or silent for too long, only pressing anew begins again.

    Examples
    --------
    >>> control = HeldControl(0.4)
    >>> control.hold(1.0, 1.0), control.press(1.0, 0.9), control.held(1.3), control.held(1.31)
    (False, True, True, False)
    >>> control.hold(1.35, 1.34)  # after a silence, holding on is not enough
    False
    """

    def __init__(self, timeout_s: float | None = None) -> None:
        self._timeout = None if timeout_s is None else number(timeout_s, "hold_to_run_s", 0, open_low=True)
        self._holding, self._since = False, -math.inf

    def press(self, t_s: float, since_s: float) -> bool:
        """A person has pressed the control.

        Parameters
        ----------
        t_s : float
            Now, on a clock that only goes forward.
        since_s : float
            The earliest time at which that can have been.

        Returns
        -------
        bool
            Whether it counts.
        """
        counts = self._timeout is not None and since_s > self._since and 0 <= t_s - since_s <= self._timeout
        if counts:
            self._holding, self._since = True, since_s
        return counts

    def hold(self, t_s: float, since_s: float) -> bool:
        """The control is still held.

        Parameters
        ----------
        t_s, since_s : float
            As for :meth:`press`.

        Returns
        -------
        bool
            Whether it counts: not after it was let go, or silent for too long.
        """
        return self._timeout is not None and self.held(t_s) and self.press(t_s, since_s)

    def let_go(self) -> None:
        """The control is not held any more."""
        self._holding = False

    def held(self, t_s: float) -> bool:
        """Whether motion is allowed.

        Parameters
        ----------
        t_s : float
            Now.

        Returns
        -------
        bool
            True where no control is to be held.
        """
        if self._timeout is None:
            return True
        # A silence is kept in mind: what comes after it does not bridge it.
        self._holding = self._holding and 0 <= t_s - self._since <= self._timeout
        return self._holding
