"""How steady a thread's steps were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.errors import MotionError


@dataclass(frozen=True)
class Jitter:
    """How steady the thread was.

    Attributes
    ----------
    steps : int
        Steps measured.
    mean_s : float
        Mean lateness of a step, s.
    p99_s : float
        Lateness that 99 % of the steps stay under (linear method), s.
    worst_s : float
        Largest lateness of a step, s.
    missed : int
        Steps left out because the one before took too long.
    """

    steps: int
    mean_s: float
    p99_s: float
    worst_s: float
    missed: int

    @classmethod
    def of(cls, late_s: Sequence[float], missed: int) -> Jitter:
        """The figures of the lateness of each step, s; an error if there is none."""
        if not len(late_s):
            raise MotionError("jitter needs steps to measure, none was made; start the thread and wait")
        late = np.array(late_s)
        return cls(len(late), float(late.mean()), float(np.percentile(late, 99)), float(late.max()), missed)
