"""What a blob must look like to count: size, aspect, fill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.color.components import Components
from robotlab.errors import InputError


@dataclass(frozen=True)
class Shape:
    """What a blob must look like to count.

    Parameters
    ----------
    min_area_px : int
        Fewest pixels.
    aspect : (float, float)
        Least and greatest width / height of its box.
    min_fill : float, 0 to 1
        Least fraction of its box that the blob fills.
    join_gap : float
        Blobs above each other join into one when the gap is at most this many
        widths, see :func:`robotlab.color.merging.join_stacked`; 0 joins nothing.  The
        other limits are for what is joined.

    Raises
    ------
    InputError
        If a number is outside its range.

    Examples
    --------
    >>> Shape(min_area_px=20, aspect=(0.1, 0.8)).min_fill
    0.0
    """

    # A dozen pixels: less is mostly noise (common practice, no source).
    min_area_px: int = 12
    aspect: tuple[float, float] = (0.0, float("inf"))
    min_fill: float = 0.0
    join_gap: float = 0.0

    def __post_init__(self) -> None:
        try:
            low, high = (float(n) for n in self.aspect)
            area, fill, gap = int(self.min_area_px), float(self.min_fill), float(self.join_gap)
        except (TypeError, ValueError, OverflowError):
            raise InputError(
                f"a shape must hold numbers, got {self}; write Shape(min_area_px=12, aspect=(0.1, 0.8))"
            ) from None
        if not 1 <= area < 2**53 or area != self.min_area_px:
            raise InputError(
                f"min_area_px must be a whole number, 1 or more, got {self.min_area_px}; 1 keeps every blob"
            )
        if not 0 <= low <= high:
            raise InputError(
                f"aspect must be (least, greatest), 0 or more, got ({low}, {high}); it is width divided by height"
            )
        if not 0 <= fill <= 1:
            raise InputError(f"min_fill must be from 0 to 1, got {self.min_fill}; 0 keeps every blob")
        if not 0 <= gap < np.inf:
            raise InputError(
                f"join_gap must be a finite number, 0 or more, got {self.join_gap}; 2 joins over stripes of two widths"
            )
        limits = {"min_area_px": area, "aspect": (low, high), "min_fill": fill, "join_gap": gap}
        for name, value in limits.items():
            object.__setattr__(self, name, value)

    def fits(self, blobs: Components) -> np.ndarray:
        """Which blobs fit.

        Parameters
        ----------
        blobs : Components
            The blobs.

        Returns
        -------
        (N,) ndarray of bool
            True where all limits hold.
        """
        aspects = blobs.aspects
        return (
            (blobs.areas >= self.min_area_px)
            & (aspects >= self.aspect[0])
            & (aspects <= self.aspect[1])
            & (blobs.fills >= self.min_fill)
        )
