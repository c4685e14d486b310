"""One convolution of one picture, forward and backward.

A convolution slides a small kernel over the picture.  Written out as a matrix
("im2col": Chellapilla, Puri & Simard, 2006), it is one matrix product: column p
of the matrix holds the pixels under the kernel when it stands at place p, and

    output (O, places) = kernel (O, C k k) @ columns (C k k, places)

so the gradients follow from the rules for a matrix product:

    d kernel  = d output @ columns^T
    d columns = kernel^T @ d output

and each column's gradient goes back to the pixels it was copied from.
:mod:`.reference` does the same place by place; read it first.
Arrays are (channels, height, width).
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided

from robotlab.neural.engine.scratch import Scratch
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


def filled_columns(x: np.ndarray, layer: Layer, rows: slice, width: int, scratch: Scratch) -> np.ndarray:
    """The columns as a matrix for the matrix product.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    layer : Layer
        A ``conv``.
    rows : slice
        Rows of the output whose columns are asked.
    width : int
        Width w of the output.
    scratch : Scratch
        Where the matrix is built; it is overwritten by the next call.

    Returns
    -------
    (C k k, rows w) ndarray
        A 1x1 kernel needs no copy: its columns are the picture.
    """
    if layer.kernel == 1 and layer.stride == 1:
        return x[:, rows].reshape(len(x), -1)
    k, count = layer.kernel, rows.stop - rows.start

    def padded() -> tuple[slice, np.ndarray, np.ndarray]:
        """Which rows of a picture lie under the kernel, their place between margins of zeros, and the columns there."""
        p, (channels, height, breadth) = padding(layer), x.shape
        top = rows.start * layer.stride - p
        bottom = (rows.stop - 1) * layer.stride - p + (k - 1) * layer.dilation + 1
        inside = slice(max(top, 0), min(bottom, height))
        zeros = np.zeros((channels, bottom - top, breadth + 2 * p), scratch.dtype)
        within = zeros[:, inside.start - top : inside.stop - top, p : p + breadth]
        return inside, within, columns(zeros, layer, (count, width))

    # Made once for each shape, since a step asks for hundreds.
    key = ("padded", x.shape, k, layer.stride, layer.dilation, rows.start, rows.stop, width)
    inside, within, view = scratch.kept(key, padded)
    within[...] = x[:, inside]
    matrix = scratch.array("columns", view.shape)
    np.copyto(matrix, view)
    return matrix.reshape(-1, count * width)


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
        Rows of `out` to work out; without it all.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> out = np.empty((1, 3, 3))
    >>> convolve(np.ones((1, 3, 3)), np.ones((1, 1, 3, 3)), layer, out, Scratch(float))
    >>> out[0].tolist()
    [[4.0, 6.0, 4.0], [6.0, 9.0, 6.0], [4.0, 6.0, 4.0]]
    """
    rows = rows or slice(0, out.shape[1])
    matrix = filled_columns(x, layer, rows, out.shape[2], scratch)
    np.matmul(kernel.reshape(len(kernel), -1), matrix, out=out[:, rows].reshape(len(out), -1))


def backward_kernel(x: np.ndarray, layer: Layer, gradient: np.ndarray, out: np.ndarray, scratch: Scratch) -> None:
    """Gradient of the kernel in a convolution of one picture.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    layer : Layer
        Stride and dilation.
    gradient : (O, h, w) ndarray
        Of the loss with respect to the output.
    out : (C k k, O) ndarray
        Where the result goes, as a matrix that lies on its side.
    scratch : Scratch
        Working arrays.
    """
    matrix = filled_columns(x, layer, slice(0, gradient.shape[1]), gradient.shape[2], scratch)
    # d kernel = d output @ columns^T; the other way round the matrix library takes two thirds of the time.
    np.matmul(matrix, gradient.reshape(len(gradient), -1).T, out=out)


def backward_matrix(kernel: np.ndarray, layer: Layer) -> np.ndarray:
    """What the output's gradient is multiplied with: the kernel, ordered for the way back.

    Parameters
    ----------
    kernel : (O, C, k, k) ndarray
        The kernel.
    layer : Layer
        Stride and dilation.

    Returns
    -------
    (C, O k k) or (C k k, O) ndarray
        The first for stride 1, and :func:`backward_both`; the second for :func:`backward_picture`.
    """
    if layer.stride > 1:
        return kernel.reshape(len(kernel), -1).T
    # Each output pixel took from the pixels around it, so each pixel gets back from the outputs
    # around it: again a convolution, the kernel turned by half a turn, channels in and out swapped.
    return np.ascontiguousarray(kernel[:, :, ::-1, ::-1].swapaxes(0, 1)).reshape(kernel.shape[1], -1)


def backward_both(
    matrix: np.ndarray,
    layer: Layer,
    x: np.ndarray,
    gradient: np.ndarray,
    x_gradient: np.ndarray,
    out: np.ndarray,
    scratch: Scratch,
    rows: slice,
) -> None:
    """Gradients of some rows of one picture, and what these rows give the kernel's; for stride 1.

    Parameters
    ----------
    matrix : (C, O k k) ndarray
        From :func:`backward_matrix`.
    layer : Layer
        Stride 1, and dilation.
    x : (C, H, W) ndarray
        Input.
    gradient : (O, H, W) ndarray
        Of the loss with respect to the output.
    x_gradient : (C, H, W) ndarray
        Where the picture's gradient goes.
    out : (O k k, C) ndarray
        Where the kernel's gradient goes, as a matrix that :func:`turned_kernel` reads.
    scratch : Scratch
        Working arrays.
    rows : slice
        Rows of the picture.

    Notes
    -----
    A pixel and an output that took from it lie as far apart for the one as for the
    other, so the columns of the output's gradient, which the picture's gradient is
    worked out from, serve the kernel's too: they are built once.
    """
    by_columns = filled_columns(gradient, layer, rows, x.shape[2], scratch)
    np.matmul(matrix, by_columns, out=x_gradient[:, rows].reshape(len(x), -1))
    np.matmul(by_columns, x[:, rows].reshape(len(x), -1).T, out=out)


def backward_picture(
    matrix: np.ndarray, layer: Layer, gradient: np.ndarray, x_gradient: np.ndarray, scratch: Scratch, rows: slice
) -> None:
    """Gradient of some rows of one picture, for a stride above 1.

    Parameters
    ----------
    matrix : (C k k, O) ndarray
        From :func:`backward_matrix`.
    layer : Layer
        Stride and dilation.
    gradient : (O, h, w) ndarray
        Of the loss with respect to the output.
    x_gradient : (C, H, W) ndarray
        Where the result goes.
    scratch : Scratch
        Working arrays.
    rows : slice
        Rows of the picture.
    """
    channels, _, breadth = x_gradient.shape
    # d columns = kernel^T @ d output, for the rows of the output that took from these rows.
    p, s, reach = padding(layer), layer.stride, (layer.kernel - 1) * layer.dilation
    first = max((rows.start + p - reach) // s, 0)
    flat = gradient[:, first : (rows.stop - 1 + p) // s + 1]
    by_columns = scratch.array("columns", (channels, layer.kernel, layer.kernel, *flat.shape[1:]))
    np.matmul(matrix, flat.reshape(len(flat), -1), out=by_columns.reshape(len(matrix), -1))
    top = first * s - p
    bottom = max(top + (flat.shape[1] - 1) * s + reach + 1, rows.stop)
    padded = scratch.array("padded", (channels, bottom - top, breadth + 2 * p))
    padded.fill(0)
    add_back(by_columns, padded, layer)
    x_gradient[:, rows] = padded[:, rows.start - top : rows.stop - top, p : p + breadth]


def turned_kernel(matrix: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """The kernel's gradient of :func:`backward_both` as a kernel: turned by half a turn, channels in and out swapped.

    Parameters
    ----------
    matrix : (O k k, C) ndarray
        From :func:`backward_both`, or the sum of several.
    shape : (int, int, int, int)
        Of the kernel, (O, C, k, k).

    Returns
    -------
    (O, C, k, k) ndarray
        A view.

    Examples
    --------
    >>> turned_kernel(np.arange(9.0)[:, None], (1, 1, 3, 3))[0, 0].tolist()
    [[8.0, 7.0, 6.0], [5.0, 4.0, 3.0], [2.0, 1.0, 0.0]]
    """
    count, channels, size, _ = shape
    return matrix.reshape(count, size, size, channels)[:, ::-1, ::-1].transpose(0, 3, 1, 2)


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
        Where the picture's gradient goes; ``None`` when nobody needs it.
    scratch : Scratch
        Working arrays.
    """
    rows = slice(0, x.shape[1])
    if layer.stride == 1 and x_gradient is not None:
        matrix = scratch.array("kernel gradient", (kernel[:, 0].size, len(x)))
        backward_both(backward_matrix(kernel, layer), layer, x, gradient, x_gradient, matrix, scratch, rows)
        kernel_gradient[...] = turned_kernel(matrix, kernel.shape)
        return
    on_its_side = scratch.array("kernel gradient", (kernel[0].size, len(kernel)))
    backward_kernel(x, layer, gradient, on_its_side, scratch)
    kernel_gradient[...] = on_its_side.T.reshape(kernel.shape)
    if x_gradient is not None:
        backward_picture(backward_matrix(kernel, layer), layer, gradient, x_gradient, scratch, rows)
