"""Read a model file, check what is in it, and run it with ONNX Runtime.

The rule: a plain file of at most 16 MiB, a whole ONNX model of at most 500 nodes that keeps its numbers in
itself, each array as long as its shape says and used about once, windows of at most 16 x 16 cells; running it takes at
most 1 GiB.  Its metadata pass
:mod:`robotlab.neural.metadata`.

The only module that imports :mod:`onnxruntime`.  It needs no :mod:`onnx`, so
that a robot can do without; what is asked of a file before it runs is read
from its bytes by the few lines of :func:`message_fields`.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from math import prod

import onnxruntime

from robotlab.errors import ModelError
from robotlab.files import read_plain

# Eight times the files written here; arrays that are used by several nodes count as often, so that they bound the work
# on a picture.
LARGEST_FILE_BYTES = 16 * 2**20
# Files written here have about 60 nodes, metadata of a few kB, and shapes of at most 4 sides.
MOST_NODES = 500
LARGEST_METADATA_BYTES = 2**20
MOST_SIDES = 8
# Ours have at most 3 x 3; what a window's attributes say is not in the numbers.
WIDEST_WINDOW = 16
# Four million pixels, the most that the network sees, take .4 GB (measured).
RUN_BYTES = 2**30


def read_model(path: str | os.PathLike) -> bytes:
    """The bytes of a model file.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    bytes
        Not looked at yet.

    Raises
    ------
    ModelError
        If the file is missing, unreadable or very large.

    Examples
    --------
    >>> read_model("no_such.onnx")
    Traceback (most recent call last):
    robotlab.errors.ModelError: a model must exist to be read, no_such.onnx does not; check its name and folder
    """
    return read_plain(path, LARGEST_FILE_BYTES, "a model", ModelError)


@dataclass(frozen=True)
class ModelOutline:
    """Operators and metadata of an ONNX file.

    Attributes
    ----------
    operators : frozenset of str
        Kinds of operator in its graph.
    metadata : dict of str to str
        Kept in the file beside the graph.
    """

    operators: frozenset[str]
    metadata: dict[str, str]


def outline(content: bytes, name: str) -> ModelOutline:
    """Operators and metadata of an ONNX file, without running or even building it.

    Parameters
    ----------
    content : bytes
        The file.
    name : str
        How error messages call it.

    Returns
    -------
    ModelOutline
        Of a file that is whole and keeps its numbers in itself.

    Raises
    ------
    ModelError
        If the content is cut short, damaged or no ONNX, breaks a limit, or keeps
        its numbers in other files.

    Notes
    -----
    The numbers of the fields are those of ``onnx.proto`` (ONNX 1.17).
    """
    operators: set[str] = set()
    metadata: dict[str, str] = {}
    nodes, inputs, elsewhere, known_bytes = 0, 0, False, 0
    uses: Counter[bytes] = Counter()
    sizes: Counter[bytes] = Counter()
    try:
        for field, value in message_fields(content):
            if field == 25:  # ModelProto.functions, which could give an operator another meaning
                raise ValueError
            if field == 14:  # ModelProto.metadata_props, whose key is 1 and value 2
                entry = dict(message_fields(value))
                known_bytes += len(value)
                metadata[entry[1].decode()] = entry.get(2, b"").decode()
            for part, inner in message_fields(value) if field == 7 else ():  # ModelProto.graph
                if part == 1:  # GraphProto.node, whose op_type is 4
                    nodes += 1
                    operators.add(dict(message_fields(inner))[4].decode())
                    for one, word in message_fields(inner):
                        if one == 1:  # NodeProto.input
                            uses[word] += 1
                        elif one == 5:  # NodeProto.attribute
                            _check_window(word)
                elif part == 5:  # GraphProto.initializer, whose external_data is 13 and data_location 14
                    tensor = dict(message_fields(inner))
                    if 13 in tensor or tensor.get(14, b"\0") != b"\0":
                        elsewhere = True
                    else:
                        _check_length(inner, tensor)
                        sizes[tensor[8]] += len(inner)  # TensorProto.name
                elif part == 15:  # GraphProto.sparse_initializer, which says little and takes much
                    raise ValueError
                inputs += part == 11  # GraphProto.input
    except (IndexError, KeyError, ValueError):
        inputs = 0
    if not (operators and inputs):
        raise ModelError(
            f"a model must be a whole ONNX file, {name} is damaged, cut short or no ONNX ({len(content)} bytes); fit or copy it again"
        )
    if elsewhere:
        raise ModelError(f"a model must hold its own numbers, {name} keeps them in other files; save it as one file")
    if nodes > MOST_NODES or known_bytes > LARGEST_METADATA_BYTES:
        raise ModelError(
            f"a model must have at most {MOST_NODES} nodes and {LARGEST_METADATA_BYTES >> 20} MiB of metadata, {name} has "
            f"{nodes} and {known_bytes / 2**20:.1f} MiB; is it one of robotlab's?"
        )
    if sum(count * sizes[word] for word, count in uses.items()) > LARGEST_FILE_BYTES:
        raise ModelError(
            f"a model must use its numbers about once for a picture, {name} uses them far more often; is it one of robotlab's?"
        )
    return ModelOutline(frozenset(operators), metadata)


def _check_length(content: bytes, tensor: dict[int, bytes]) -> None:
    """Refuse an initializer (``TensorProto``) whose numbers are not as many as its shape says."""
    # dims: one number, or all of them packed
    sides = [side for field, value in message_fields(content) if field == 1 for side in _varints(value)]
    size = {1: 4, 7: 8}[_varint(tensor[2], 0)[0]]  # data_type: FLOAT or INT64
    if len(sides) > MOST_SIDES or size * prod(sides) != len(tensor.get(9, b"")):  # raw_data
        raise ValueError("an array is not as long as its shape says")


def _check_window(content: bytes) -> None:
    """Refuse an ``AttributeProto`` kernel_shape, whose name is 1 and ints 8, that takes in a large part of a picture."""
    fields = list(message_fields(content))
    sides = (side for field, value in fields if field == 8 for side in _varints(value))
    if (1, b"kernel_shape") in fields and any(side > WIDEST_WINDOW for side in sides):
        raise ValueError("a window is very wide")


def message_fields(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Number and content of each field of a Protocol Buffers message.

    Parameters
    ----------
    content : bytes
        The message.

    Yields
    ------
    int
        Number of the field.
    bytes
        Its content; of a number, its bytes.

    Raises
    ------
    IndexError, ValueError
        If the bytes end inside a field, or are not a message.

    Notes
    -----
    The wire format: a field is a varint ``number << 3 | type``, then by type a
    varint (0), 8 bytes (1), a varint length and so many bytes (2), or 4 bytes
    (5); protobuf.dev/programming-guides/encoding.

    Examples
    --------
    >>> list(message_fields(bytes([0x12, 3]) + b"abc"))
    [(2, b'abc')]
    """
    place = 0
    while place < len(content):
        tag, place = _varint(content, place)
        kind, start = tag & 7, place
        if kind == 0:
            _, place = _varint(content, place)
        elif kind == 2:
            size, start = _varint(content, place)
            place = start + size
        else:
            place += {1: 8, 5: 4}.get(kind, len(content) + 1)
        if place > len(content):
            raise IndexError("the message ends inside a field")
        yield tag >> 3, content[start:place]


def _varints(content: bytes) -> Iterator[int]:
    """Whole numbers end to end."""
    place = 0
    while place < len(content):
        number, place = _varint(content, place)
        yield number


def _varint(content: bytes, place: int) -> tuple[int, int]:
    """A number of 7 bits a byte, the lowest first, and the place behind it."""
    number = 0
    for shift in range(0, 64, 7):
        byte = content[place]
        place += 1
        number |= (byte & 0x7F) << shift
        if byte < 0x80:
            return number, place
    raise ValueError("a number is longer than 64 bits")


def open_session(content: bytes, threads: int = 0) -> onnxruntime.InferenceSession:
    """A network ready to run on the processor.

    Parameters
    ----------
    content : bytes
        An ONNX file.
    threads : int
        Processor threads; 0 lets onnxruntime choose.

    Returns
    -------
    onnxruntime.InferenceSession
        Its threads sleep while they wait: spinning ones are a hair faster on an
        idle machine and many times slower beside a notebook or a camera.
    """
    _limit_memory()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 4
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.add_session_config_entry("session.use_env_allocators", "1")
    # Without the fallback, which tries a damaged file once more and prints a page about it.
    return onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"], enable_fallback=0)


@cache
def _limit_memory() -> None:
    """Let all sessions of this process share one arena that cannot grow beyond :data:`RUN_BYTES`."""
    kind = onnxruntime.OrtMemoryInfo(
        "Cpu", onnxruntime.OrtAllocatorType.ORT_ARENA_ALLOCATOR, 0, onnxruntime.OrtMemType.DEFAULT
    )
    # -1: the runtime's own choice of how the arena grows.
    onnxruntime.create_and_register_allocator(kind, onnxruntime.OrtArenaCfg(RUN_BYTES, -1, -1, -1))
