"""Working arrays of the engine."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from typing import Any

import numpy as np

# Shapes of one training, at full scale and reduced, are fewer; of pictures of many sizes, the oldest go.
MOST_KEPT = 100


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
        self._kept: dict[Hashable, Any] = {}

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

    def kept(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """What was made for a key, made when it is first asked for.

        Parameters
        ----------
        key : hashable
            All that it depends on.
        make : callable
            Makes it.

        Returns
        -------
        object
            The same one each time, but for the oldest where there are more than ``MOST_KEPT``.

        Examples
        --------
        >>> scratch = Scratch(np.float32)
        >>> first = scratch.kept((2, 3), lambda: np.zeros((2, 3)))
        >>> first is scratch.kept((2, 3), lambda: np.zeros((2, 3)))
        True
        """
        if key not in self._kept:
            if len(self._kept) >= MOST_KEPT:
                del self._kept[next(iter(self._kept))]
            self._kept[key] = make()
        return self._kept[key]
