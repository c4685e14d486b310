"""A driven wheel: it lags, it sticks at small commands, it slips."""

from __future__ import annotations

import math
from dataclasses import dataclass

from robotlab.control.checked_fields import CheckedFields, limited
from robotlab.control.elementwise import Numbers, choose, clip


@dataclass(frozen=True)
class Motor(CheckedFields):
    """One wheel's motor with its speed controller.

    Parameters
    ----------
    lag_s : float
        Time constant: 63 % of a step in the command is there after it.
    dead_band_mps : float
        Commands smaller than this leave the wheel standing (friction).
    slip : float
        Fraction of the wheel's speed that is lost on the ground, 0 to 1.
    max_mps : float
        The fastest that the wheel can go.

    Raises
    ------
    MotionError
        If a number is out of its range.

    Notes
    -----
    First-order lag, ``lag * speed' = command - speed``.  Over a step of
    constant command the solution is exact:
    ``speed(t) = command + (speed - command) exp(-t / lag)``, and so is its
    mean, which is what moves the robot.

    Examples
    --------
    >>> speed, mean = Motor(lag_s=0.1).step(0.0, 0.5, 0.1)
    >>> round(speed, 4), round(mean, 4)
    (0.3161, 0.1839)
    """

    lag_s: float = limited(0.10, low=0)
    dead_band_mps: float = limited(0.0, low=0)
    slip: float = limited(0.0, low=0, high=1)
    max_mps: float = limited(1.0, low=0, open_low=True)

    def goal(self, command_mps: Numbers) -> Numbers:
        """The speed that a command ends at.

        Parameters
        ----------
        command_mps : float or ndarray
            What the link sent.

        Returns
        -------
        float or ndarray
            0 inside the dead band, else the command, at most `max_mps`, m/s.

        Examples
        --------
        >>> Motor(dead_band_mps=0.05).goal(0.04), Motor(max_mps=0.5).goal(-2.0)
        (0.0, -0.5)
        """
        goal = clip(command_mps, -self.max_mps, self.max_mps)
        return choose(abs(command_mps) < self.dead_band_mps, 0.0, goal) if self.dead_band_mps else goal

    def step(self, speed_mps: Numbers, command_mps: Numbers, dt_s: float) -> tuple[Numbers, Numbers]:
        """The wheel's speed after a short time, and its mean over that time.

        Parameters
        ----------
        speed_mps : float or ndarray
            Speed of the wheel now.
        command_mps : float or ndarray
            Commanded speed, constant over the step.
        dt_s : float
            Length of the step.

        Returns
        -------
        (speed_mps, mean_mps) : tuple of float or ndarray
            Wheel speed after the step, and its mean over the step, both of
            the wheel, not of the ground (see :meth:`ground`).

        Examples
        --------
        >>> Motor(lag_s=0).step(0.0, 0.3, 0.01)
        (0.3, 0.3)
        """
        goal = self.goal(command_mps)
        if self.lag_s == 0:
            return goal, goal
        part = dt_s / self.lag_s
        left_over = math.exp(-part)
        gap = speed_mps - goal
        # The mean of exp(-t / lag) from 0 to dt is -expm1(-part) / part.
        return goal + gap * left_over, goal - gap * math.expm1(-part) / part

    def ground(self, wheel_mps: Numbers) -> Numbers:
        """Speed over the ground.

        Parameters
        ----------
        wheel_mps : float or ndarray
            Speed of the wheel's rim.

        Returns
        -------
        float or ndarray
            What slipping leaves of it, m/s.

        Examples
        --------
        >>> Motor(slip=0.1).ground(1.0)
        0.9
        """
        return wheel_mps * (1 - self.slip)
