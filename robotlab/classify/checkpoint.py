"""Read the weights of a PyTorch checkpoint without PyTorch and without running its pickle.

Such a file is a series of pickles followed by raw numbers.  A pickle is a small
program: read carelessly it can call any function of the machine.  The reader
here knows three names, all others are refused: the ordered dictionary, the call
that rebuilds a tensor (ours, which only notes what it is given), and the types of
storage.  So nothing in a file is run; one made to waste time still can, but it
comes from a package that was installed on purpose.  It reads the one layout that
the ``imagenet`` extra has, PyTorch's first one (``torch.save`` before version 1.6).
"""

from __future__ import annotations

import io
import math
import os
import pickle
from collections import OrderedDict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from robotlab.errors import ModelError

# Written at the head of every such file (torch/serialization.py, MAGIC_NUMBER and PROTOCOL_VERSION).
MAGIC = 0x1950A86A20F9469CFC6C
PROTOCOL = 1001
# What a storage may hold, little-endian.
STORAGES = {
    "FloatStorage": "<f4",
    "DoubleStorage": "<f8",
    "HalfStorage": "<f2",
    "LongStorage": "<i8",
    "IntStorage": "<i4",
}


def read_checkpoint(path: str | os.PathLike) -> dict[str, np.ndarray]:
    """Read a file of named tensors.

    Parameters
    ----------
    path : path-like
        Written by ``torch.save(model.state_dict(), path)`` in PyTorch's first layout.

    Returns
    -------
    dict of str to ndarray
        By name, in the order of the file.

    Raises
    ------
    ModelError
        If the file is missing, damaged, in another layout, or asks
        for anything but tensors.

    Notes
    -----
    Layout: the pickled magic number, protocol, and facts of the machine; the
    pickled tensors, which name storages; the pickled list of storages; then of
    each storage its count (8 bytes) and its numbers.

    Examples
    --------
    >>> read_checkpoint("no_such.pth")
    Traceback (most recent call last):
    robotlab.errors.ModelError: a file of weights must exist to be read, no_such.pth does not; check its name and folder
    """
    path = Path(path)
    if not path.is_file():
        raise ModelError(f"a file of weights must exist to be read, {path} does not; check its name and folder")
    try:
        return _read(path.read_bytes())
    except _Refused as refused:
        raise ModelError(
            f"a file of weights must hold named tensors only, {path.name} {refused}; get it from its package again"
        ) from None
    # A pickle that was tampered with can raise anything at all.
    except Exception as error:
        raise ModelError(
            f"a file of weights must be whole, {path.name} cannot be read ({type(error).__name__}); get it from its package again"
        ) from None


class _Refused(Exception):
    """What the file asks for, as the end of a sentence."""


class _Storage(NamedTuple):
    key: str
    dtype: str
    length: int


class _Tensor(NamedTuple):
    storage: _Storage
    first: int
    shape: tuple[int, ...]
    strides: tuple[int, ...]


class _Rebuild:
    """Stands in for the function that makes a tensor: notes its inputs, no more.

    Without a dictionary of its own, so that no pickle can change it.
    """

    __slots__ = ()

    def __call__(self, storage: Any, first: Any, shape: Any, strides: Any, *_: Any) -> _Tensor:
        whole = (first, *shape, *strides)
        if (
            not isinstance(storage, _Storage)
            or len(shape) != len(strides)
            or not all(type(n) is int and n >= 0 for n in whole)
        ):
            raise _Refused("describes a tensor that cannot be")
        return _Tensor(storage, first, tuple(shape), tuple(strides))


class _Reader(pickle.Unpickler):
    """Knows the few names that a file of tensors needs."""

    def find_class(self, module: str, name: str) -> Any:
        """The thing of that name, if it is one of the few."""
        if (module, name) == ("collections", "OrderedDict"):
            return OrderedDict
        if (module, name) == ("torch._utils", "_rebuild_tensor_v2"):
            return _Rebuild()
        if module == "torch" and name in STORAGES:
            return STORAGES[name]
        raise _Refused(f"asks for {module}.{name}")

    def persistent_load(self, pid: Any) -> _Storage:
        """A storage that stands further down in the file."""
        kind, dtype, key, _, count, view = pid
        if (
            kind != "storage"
            or dtype not in STORAGES.values()
            or type(key) is not str
            or type(count) is not int
            or view is not None
        ):
            raise _Refused("describes a storage that cannot be")
        return _Storage(key, dtype, count)


def _read(content: bytes) -> dict[str, np.ndarray]:
    if content[:2] == b"PK":
        raise _Refused("has PyTorch's newer layout, which is not read here")
    stream = io.BytesIO(content)
    if _Reader(stream).load() != MAGIC or _Reader(stream).load() != PROTOCOL:
        raise _Refused("is not a PyTorch file")
    facts = _Reader(stream).load()
    if type(facts) is not dict or facts.get("little_endian") is not True:
        raise _Refused("was written on a machine of another byte order")
    named = _Reader(stream).load()
    if not isinstance(named, dict):
        raise _Refused("holds no dictionary of tensors")
    for name, tensor in dict.items(named):
        if type(name) is not str or not isinstance(tensor, _Tensor):
            raise _Refused("holds something beside named tensors")
    wanted = {tensor.storage.key: tensor.storage for tensor in dict.values(named)}
    keys = _Reader(stream).load()
    if type(keys) is not list or set(keys) != set(wanted):
        raise _Refused("lists other storages than its tensors use")
    numbers = {key: _numbers(stream, wanted[key]) for key in keys}
    return {name: _array(numbers[tensor.storage.key], tensor) for name, tensor in dict.items(named)}


def _numbers(stream: io.BytesIO, storage: _Storage) -> np.ndarray:
    """The numbers of one storage, where the stream stands."""
    count = int.from_bytes(stream.read(8), "little")
    size = count * np.dtype(storage.dtype).itemsize
    raw = stream.read(size) if count == storage.length else b""
    if count != storage.length or len(raw) != size:
        raise _Refused("ends too early, or counts its numbers wrongly")
    return np.frombuffer(raw, storage.dtype)


def _array(numbers: np.ndarray, tensor: _Tensor) -> np.ndarray:
    """The part of a storage that a tensor shows, as an array of its own."""
    size = math.prod(tensor.shape)
    last = tensor.first + sum((side - 1) * stride for side, stride in zip(tensor.shape, tensor.strides, strict=True))
    # A tensor must show each number once at most: a stride of 0 would make a small file fill memory.
    if size > len(numbers) or (size and last >= len(numbers)):
        raise _Refused("holds a tensor larger than its storage")
    if size == 0:
        return np.zeros(tensor.shape, numbers.dtype)
    strides = [stride * numbers.itemsize for stride in tensor.strides]
    return np.lib.stride_tricks.as_strided(numbers[tensor.first :], tensor.shape, strides, writeable=False).copy()
