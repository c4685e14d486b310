"""One convolution of one picture, forwards and backwards.

A convolution slides a small kernel over the picture.  Written out as a matrix
("im2col": Chellapilla, Puri & Simard, 2006), it is one matrix product: column p
of the matrix holds the pixels under the kernel when it stands at place p, and

    output (O, places) = kernel (O, C k k) @ columns (C k k, places)

so the gradients follow from the rules for a matrix product:

    d kernel  = d output @ columns^T
    d columns = kernel^T @ d output

and each column's gradient goes back to the pixels it was copied from.
:mod:`.clear` does the same place by place; read it first.
Arrays are (channels, height, width).
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided

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


def columns(padded: np.ndarray, layer: Layer, size: tuple[int, int]) -> np.ndarray:
    """What lies under the kernel at every place, without copying.

    Parameters
    ----------
    padded : (C, H + 2p, W + 2p) ndarray
        The input with its zeros around it.
    layer : Layer
        A ``conv``.
    size : (int, int)
        Height h and width w of the output.

    Returns
    -------
    (C, k, k, h, w) ndarray
        A view: ``view[c, i, j, y, x]`` is ``padded[c, y stride + i dilation, x
        stride + j dilation]``.  Read-only, for many entries are the same pixel.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> columns(np.arange(16.0).reshape(1, 4, 4), layer, (2, 2))[0, :, :, 0, 0].tolist()
    [[0.0, 1.0, 2.0], [4.0, 5.0, 6.0], [8.0, 9.0, 10.0]]
    """
    plane, row, pixel = padded.strides
    k, d, s = layer.kernel, layer.dilation, layer.stride
    shape = (len(padded), k, k, *size)
    return as_strided(padded, shape, (plane, row * d, pixel * d, row * s, pixel * s), writeable=False)


def add_back(gradient: np.ndarray, padded: np.ndarray, layer: Layer) -> None:
    """Add each column's gradient to the pixels it was copied from.

    Parameters
    ----------
    gradient : (C, k, k, h, w) ndarray
        Gradient of the columns.
    padded : (C, H + 2p, W + 2p) ndarray
        Gradient of the padded input; added to in place.
    layer : Layer
        The ``conv``.

    Notes
    -----
    For one place (i, j) of the kernel no pixel comes twice, so k k additions of
    whole slices do it.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> padded = np.zeros((1, 4, 4))
    >>> add_back(np.ones((1, 3, 3, 2, 2)), padded, layer)
    >>> padded[0, 1].tolist()
    [2.0, 4.0, 4.0, 2.0]
    """
    height, width = gradient.shape[3:]
    d, s = layer.dilation, layer.stride
    for i in range(layer.kernel):
        for j in range(layer.kernel):
            rows = slice(i * d, i * d + s * height, s)
            places = slice(j * d, j * d + s * width, s)
            padded[:, rows, places] += gradient[:, i, j]


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


def filled_columns(x: np.ndarray, layer: Layer, size: tuple[int, int], scratch: Scratch) -> np.ndarray:
    """The columns as a matrix for the matrix product.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    layer : Layer
        A ``conv``.
    size : (int, int)
        Height h and width w of the output.
    scratch : Scratch
        Where the matrix is built; it is overwritten by the next call.

    Returns
    -------
    (C k k, h w) ndarray
        A 1x1 kernel needs no copy: its columns are the picture.
    """
    if layer.kernel == 1 and layer.stride == 1:
        return x.reshape(len(x), -1)
    p = padding(layer)
    channels, height, width = x.shape
    padded = scratch.array(f"padded {p}", (channels, height + 2 * p, width + 2 * p))
    padded.fill(0)
    padded[:, p : p + height, p : p + width] = x
    matrix = scratch.array("columns", (channels, layer.kernel, layer.kernel, *size))
    np.copyto(matrix, columns(padded, layer, size))
    return matrix.reshape(-1, size[0] * size[1])


def convolve(x: np.ndarray, kernel: np.ndarray, layer: Layer, out: np.ndarray, scratch: Scratch) -> None:
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

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> out = np.empty((1, 3, 3))
    >>> convolve(np.ones((1, 3, 3)), np.ones((1, 1, 3, 3)), layer, out, Scratch(float))
    >>> out[0].tolist()
    [[4.0, 6.0, 4.0], [6.0, 9.0, 6.0], [4.0, 6.0, 4.0]]
    """
    matrix = filled_columns(x, layer, out.shape[1:], scratch)
    np.matmul(kernel.reshape(len(kernel), -1), matrix, out=out.reshape(len(out), -1))


def convolve_backward(
    x: np.ndarray,
    kernel: np.ndarray,
    layer: Layer,
    gradient: np.ndarray,
    kernel_gradient: np.ndarray,
    x_gradient: np.ndarray | None,
    scratch: Scratch,
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
        Added to in place; ``None`` when nobody needs it.
    scratch : Scratch
        Working arrays.
    """
    size = gradient.shape[1:]
    flat = gradient.reshape(len(gradient), -1)
    matrix = filled_columns(x, layer, size, scratch)
    # d kernel = d output @ columns^T
    np.matmul(flat, matrix.T, out=kernel_gradient.reshape(len(kernel), -1))
    if x_gradient is None:
        return
    # d columns = kernel^T @ d output.  The columns have served; their room takes it.
    by_columns = scratch.array("columns", (len(x), layer.kernel, layer.kernel, *size))
    np.matmul(kernel.reshape(len(kernel), -1).T, flat, out=by_columns.reshape(-1, flat.shape[1]))
    if layer.kernel == 1 and layer.stride == 1:
        x_gradient += by_columns[:, 0, 0]
        return
    p = padding(layer)
    channels, height, width = x.shape
    padded = scratch.array(f"padded {p}", (channels, height + 2 * p, width + 2 * p))
    padded.fill(0)
    add_back(by_columns, padded, layer)
    x_gradient += padded[:, p : p + height, p : p + width]
