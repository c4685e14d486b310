"""A computed number with its unit and its assumptions."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Answer:
    """A number, its unit, and what it takes for granted.

    Parameters
    ----------
    value : float
        The number; ``float(answer)`` gives it.
    unit : str
        Its unit.
    assumption : str
        What must be true for it to hold.
    caution : str
        What to heed, where it can hurt someone; empty elsewhere.

    Examples
    --------
    >>> print(Answer(52.8, "min", "80 % of the charge is used"))
    52.8 min (80 % of the charge is used)
    """

    value: float
    unit: str
    assumption: str
    caution: str = ""

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        size = abs(self.value)
        number = f"{self.value:.0f}" if size >= 100 else f"{self.value:.1f}" if size >= 10 else f"{self.value:.3g}"
        words = f"{number} {self.unit} ({self.assumption})"
        return f"{words}. {self.caution}" if self.caution else words
