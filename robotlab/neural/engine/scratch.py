"""Working arrays of the engine."""

from __future__ import annotations

import math

import numpy as np


class Scratch:
    """Working arrays that are used again, picture after picture.

    A fresh array of some megabytes costs as much as filling it, because the
    operating system hands out each page anew.

    Examples
    --------
    >>> scratch = Scratch(np.float32)
    >>> scratch.array("columns", (2, 3)).fill(7)
    >>> scratch.array("columns", (3, 2)).tolist()
    [[7.0, 7.0], [7.0, 7.0], [7.0, 7.0]]
    """

    def __init__(self, dtype: type) -> None:
        self.dtype = dtype
        self._rooms: dict[str, np.ndarray] = {}

    def array(self, name: str, shape: tuple[int, ...]) -> np.ndarray:
        """An array of that name and shape; what is in it is left from before.

        Parameters
        ----------
        name : str
            Arrays of different names never share memory.
        shape : tuple of int
            Its shape.

        Returns
        -------
        ndarray
            Contiguous.
        """
        size = math.prod(shape)
        room = self._rooms.get(name)
        if room is None or room.size < size:
            room = self._rooms[name] = np.empty(size, self.dtype)
        return room[:size].reshape(shape)
