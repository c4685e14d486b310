"""Model files on the robot: read, looked through, and run with ONNX Runtime.

The only module that imports :mod:`onnxruntime`.  It needs no :mod:`onnx`, so
that a robot can do without; what is asked of a file before it runs is read
from its bytes by the few lines of :func:`message_fields`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import onnxruntime

from robotlab.errors import ModelError

# Far above any file written here; keeps a hostile file from filling memory.
LARGEST_FILE_BYTES = 64 * 2**20


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
    try:
        with Path(path).open("rb") as handle:
            content = handle.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise ModelError(f"a model must exist to be read, {path} does not; check its name and folder") from None
    except OSError as error:
        raise ModelError(f"a model must be a readable file, {path} is not ({error.strerror}); check the path") from None
    if len(content) > LARGEST_FILE_BYTES:
        raise ModelError(
            f"a model must be under {LARGEST_FILE_BYTES >> 20} MiB, {path} is larger; is it one of robotlab's?"
        )
    return content


@dataclass(frozen=True)
class ModelOutline:
    """What an ONNX file says of itself.

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
        If the content is cut short, damaged or no ONNX, or keeps its numbers in
        other files.

    Notes
    -----
    The numbers of the fields are those of ``onnx.proto`` (ONNX 1.17).
    """
    operators, metadata, inputs, elsewhere = set(), {}, 0, False
    try:
        for field, value in message_fields(content):
            if field == 14:  # ModelProto.metadata_props, whose key is 1 and value 2
                entry = dict(message_fields(value))
                metadata[entry[1].decode()] = entry.get(2, b"").decode()
            for part, inner in message_fields(value) if field == 7 else ():  # ModelProto.graph
                if part == 1:  # GraphProto.node, whose op_type is 4
                    operators.add(dict(message_fields(inner))[4].decode())
                elif part == 5:  # GraphProto.initializer, whose external_data is 13 and data_location 14
                    tensor = dict(message_fields(inner))
                    elsewhere |= 13 in tensor or tensor.get(14, b"\0") != b"\0"
                inputs += part == 11  # GraphProto.input
    except (IndexError, KeyError, ValueError):
        inputs = 0
    if not (operators and inputs):
        raise ModelError(
            f"a model must be a whole ONNX file, {name} is damaged, cut short or no ONNX ({len(content)} bytes); fit or copy it again"
        )
    if elsewhere:
        raise ModelError(f"a model must hold its own numbers, {name} keeps them in other files; save it as one file")
    return ModelOutline(frozenset(operators), metadata)


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
        If the bytes end inside a field, or are no message.

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
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 4
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
