"""One convolution of one picture, forwards and backwards.

A convolution slides a small kernel over the picture.  Written out as a matrix
("im2col": Chellapilla, Puri & Simard, 2006), it is one matrix product: column p
of the matrix holds the pixels under the kernel when it stands at place p, and

    output (O, places) = kernel (O, C k k) @ columns (C k k, places)

so the gradients follow from the rules for a matrix product:

    d kernel  = d output @ columns^T
    d columns = kernel^T @ d output

and each column's gradient goes back to the pixels it was copied from.  With
stride 1 there is a shorter way: what goes back is a convolution too, of the
output's gradient with the kernel turned by half a turn (Dumoulin & Visin, "A
guide to convolution arithmetic for deep learning", arXiv:1603.07285), and the
columns of that gradient serve both products.
:mod:`.reference` does the same place by place; read it first.
Arrays are (channels, height, width).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from robotlab.neural.spec import Layer


def padding(layer: Layer) -> int:
    """Zeros on each side, so that stride 1 keeps the size.

    Parameters
    ----------
    layer : Layer
        A ``conv``.

    Returns
    -------
    int
        ``dilation (kernel - 1) / 2``.

    Examples
    --------
    >>> padding(Layer("a", "conv", ("picture",), 8, dilation=2))
    2
    """
    return layer.dilation * (layer.kernel - 1) // 2


def output_size(layer: Layer, height: int, width: int) -> tuple[int, int]:
    """Height and width after a convolution: ``ceil(size / stride)``.

    Parameters
    ----------
    layer : Layer
        A ``conv`` with an odd kernel.
    height, width : int
        Of its input.

    Returns
    -------
    (int, int)
        Of its output.

    Examples
    --------
    >>> output_size(Layer("a", "conv", ("picture",), 8, stride=2), 240, 320)
    (120, 160)
    """
    return -(-height // layer.stride), -(-width // layer.stride)


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
        size = int(np.prod(shape))
        room = self._rooms.get(name)
        if room is None or room.size < size:
            room = self._rooms[name] = np.empty(size, self.dtype)
        return room[:size].reshape(shape)


def _inside(start: int, step: int, count: int, limit: int) -> tuple[slice, slice]:
    """Of the places `start`, `start + step`, ... those from 0 to `limit`: which ones, and where."""
    first = max(0, -(start // step))
    stop = max(first, min(count, -((start - limit) // step)))
    return slice(first, stop), slice(start + first * step, start + stop * step, step)


def _phases(
    x: np.ndarray, layer: Layer, rows: slice, width: int, scratch: Scratch
) -> tuple[np.ndarray, list[tuple[tuple, tuple]]]:
    """Room for the padded picture under `rows` of the output, and what goes where.

    ``room[c, a, b, y, x]`` is pixel ``(s (rows.start + y) + a, s x + b)`` of the padded
    picture, s the stride: what one place of the kernel sees lies side by side.
    """
    s, p, reach = layer.stride, padding(layer), layer.dilation * (layer.kernel - 1)
    height, wide = rows.stop - rows.start + reach // s, width + reach // s
    room = scratch.array("phases", (len(x), s, s, height, wide))
    room.fill(0)
    copies = []
    for a, b in np.ndindex(s, s):
        down, from_rows = _inside(s * rows.start + a - p, s, height, x.shape[1])
        across, from_places = _inside(b - p, s, wide, x.shape[2])
        copies.append(((slice(None), a, b, down, across), (slice(None), from_rows, from_places)))
    return room, copies


def _under(layer: Layer, height: int, width: int) -> Iterator[tuple[int, int, tuple]]:
    """Each place (i, j) of the kernel, and what it sees in the phases."""
    d, s = layer.dilation, layer.stride
    for i, j in np.ndindex(layer.kernel, layer.kernel):
        down, across = (slice(k * d // s, k * d // s + size) for k, size in ((i, height), (j, width)))
        yield i, j, (slice(None), i * d % s, j * d % s, down, across)


def filled_columns(x: np.ndarray, layer: Layer, rows: slice, width: int, scratch: Scratch) -> np.ndarray:
    """The columns as a matrix for the matrix product.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    layer : Layer
        A ``conv``.
    rows : slice
        Rows of the output, with both ends.
    width : int
        Of the output.
    scratch : Scratch
        Where the matrix is built; it is overwritten by the next call.

    Returns
    -------
    (C k k, rows width) ndarray
        A 1x1 kernel needs no copy: its columns are the picture.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> matrix = filled_columns(np.arange(9.0).reshape(1, 3, 3), layer, slice(1, 2), 3, Scratch(float))
    >>> matrix[:, 1].tolist()
    [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    """
    height = rows.stop - rows.start
    if layer.kernel == 1 and layer.stride == 1:
        return x.reshape(len(x), -1)[:, rows.start * width : rows.stop * width]
    room, copies = _phases(x, layer, rows, width, scratch)
    for there, here in copies:
        room[there] = x[here]
    matrix = scratch.array("columns", (len(x), layer.kernel, layer.kernel, height, width))
    for i, j, seen in _under(layer, height, width):
        matrix[:, i, j] = room[seen]
    return matrix.reshape(-1, height * width)


def convolve(
    x: np.ndarray, kernel: np.ndarray, layer: Layer, out: np.ndarray, scratch: Scratch, rows: slice | None = None
) -> None:
    """Convolution of one picture.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    kernel : (O, C, k, k) ndarray
        The kernel.
    layer : Layer
        Stride and dilation.
    out : (O, h, w) ndarray
        Where the result goes.
    scratch : Scratch
        Working arrays.
    rows : slice, optional
        Only these rows of the output, with both ends.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> out = np.empty((1, 3, 3))
    >>> convolve(np.ones((1, 3, 3)), np.ones((1, 1, 3, 3)), layer, out, Scratch(float))
    >>> out[0].tolist()
    [[4.0, 6.0, 4.0], [6.0, 9.0, 6.0], [4.0, 6.0, 4.0]]
    """
    rows, width = rows or slice(0, out.shape[1]), out.shape[2]
    matrix = filled_columns(x, layer, rows, width, scratch)
    there = out.reshape(len(out), -1)[:, rows.start * width : rows.stop * width]
    np.matmul(kernel.reshape(len(kernel), -1), matrix, out=there)


def convolve_backward(
    x: np.ndarray,
    kernel: np.ndarray,
    layer: Layer,
    gradient: np.ndarray,
    kernel_gradient: np.ndarray,
    x_gradient: np.ndarray | None,
    scratch: Scratch,
    rows: slice | None = None,
) -> None:
    """Gradients of a convolution of one picture.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    kernel : (O, C, k, k) ndarray
        The kernel.
    layer : Layer
        Stride and dilation.
    gradient : (O, h, w) ndarray
        Of the loss with respect to the output.
    kernel_gradient : (O, C, k, k) ndarray
        Where the kernel's gradient goes.
    x_gradient : (C, H, W) ndarray or None
        Where the input's gradient goes; ``None`` when nobody needs it.
    scratch : Scratch
        Working arrays.
    rows : slice, optional
        With stride 1: only these rows of the input, with both ends, and their
        share of the kernel's gradient.
    """
    if layer.stride > 1:
        _strided_backward(x, kernel, layer, gradient, kernel_gradient, x_gradient, scratch)
        return
    channels, height, width = x.shape
    rows = rows or slice(0, height)
    span = slice(rows.start * width, rows.stop * width)
    # Column q holds the gradients of all outputs that pixel q had a part in, last place of the kernel first.
    matrix = filled_columns(gradient, layer, rows, width, scratch)
    turned = np.matmul(matrix, x.reshape(channels, -1)[:, span].T).reshape(-1, layer.kernel, layer.kernel, channels)
    kernel_gradient[...] = turned[:, ::-1, ::-1].transpose(0, 3, 1, 2)
    if x_gradient is not None:
        half_turn = kernel[:, :, ::-1, ::-1].transpose(1, 0, 2, 3).reshape(channels, -1)
        np.matmul(half_turn, matrix, out=x_gradient.reshape(channels, -1)[:, span])


def _strided_backward(
    x: np.ndarray,
    kernel: np.ndarray,
    layer: Layer,
    gradient: np.ndarray,
    kernel_gradient: np.ndarray,
    x_gradient: np.ndarray | None,
    scratch: Scratch,
) -> None:
    """The same for any stride: columns, and back from them."""
    height, width = gradient.shape[1:]
    flat = gradient.reshape(len(gradient), -1)
    matrix = filled_columns(x, layer, slice(0, height), width, scratch)
    # d kernel = d output @ columns^T
    kernel_gradient[...] = np.matmul(flat, matrix.T).reshape(kernel.shape)
    if x_gradient is None:
        return
    # d columns = kernel^T @ d output.  The columns have served; their room takes it.
    by_columns = scratch.array("columns", (len(x), layer.kernel, layer.kernel, height, width))
    np.matmul(kernel.reshape(len(kernel), -1).T, flat, out=by_columns.reshape(matrix.shape))
    room, copies = _phases(x, layer, slice(0, height), width, scratch)
    for i, j, seen in _under(layer, height, width):
        room[seen] += by_columns[:, i, j]
    for there, here in copies:
        x_gradient[here] = room[there]
