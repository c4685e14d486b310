"""One convolution of one picture, written as one would explain it: place by place.

:mod:`.layers` has the same two functions, as matrix products and hundreds of
times as fast; a test proves that both give the same numbers.
"""

from __future__ import annotations

import numpy as np

from robotlab.neural.engine.layers import output_size, padding
from robotlab.neural.spec import Layer


def _padded(x: np.ndarray, layer: Layer) -> np.ndarray:
    """The picture with zeros around it."""
    p = padding(layer)
    return np.pad(x, ((0, 0), (p, p), (p, p)))


def _under(layer: Layer, row: int, column: int) -> tuple[slice, slice, slice]:
    """Where the pixels under the kernel lie in the padded picture, for one place of the output."""
    top, left = row * layer.stride, column * layer.stride
    reach = layer.dilation * (layer.kernel - 1) + 1
    return (slice(None), slice(top, top + reach, layer.dilation), slice(left, left + reach, layer.dilation))


def convolve_reference(x: np.ndarray, kernel: np.ndarray, layer: Layer) -> np.ndarray:
    """Convolution of one picture: kernel times the pixels under it, summed, at every place.

    Parameters
    ----------
    x : (C, H, W) ndarray
        Input.
    kernel : (O, C, k, k) ndarray
        The kernel.
    layer : Layer
        Stride and dilation.

    Returns
    -------
    (O, h, w) ndarray
        As :func:`robotlab.neural.engine.layers.convolve` gives it.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> convolve_reference(np.ones((1, 3, 3)), np.ones((1, 1, 3, 3)), layer)[0].tolist()
    [[4.0, 6.0, 4.0], [6.0, 9.0, 6.0], [4.0, 6.0, 4.0]]
    """
    padded = _padded(x, layer)
    height, width = output_size(layer, *x.shape[1:])
    out = np.zeros((len(kernel), height, width))
    for row in range(height):
        for column in range(width):
            pixels = padded[_under(layer, row, column)]
            for channel in range(len(kernel)):
                out[channel, row, column] = (kernel[channel] * pixels).sum()
    return out


def convolve_backward_reference(
    x: np.ndarray, kernel: np.ndarray, layer: Layer, gradient: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Gradients of a convolution of one picture: every product forward gives two backward.

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

    Returns
    -------
    kernel_gradient : (O, C, k, k) ndarray
        Of the loss with respect to the kernel.
    x_gradient : (C, H, W) ndarray
        Of the loss with respect to the input.

    Examples
    --------
    >>> layer = Layer("a", "conv", ("picture",), 1)
    >>> one = np.zeros((1, 3, 3)); one[0, 1, 1] = 1
    >>> convolve_backward_reference(2 * np.ones((1, 3, 3)), np.ones((1, 1, 3, 3)), layer, one)[0][0, 0].tolist()
    [[2.0, 2.0, 2.0], [2.0, 2.0, 2.0], [2.0, 2.0, 2.0]]
    """
    padded = _padded(x, layer)
    kernel_gradient, padded_gradient = np.zeros_like(kernel), np.zeros_like(padded)
    for row in range(gradient.shape[1]):
        for column in range(gradient.shape[2]):
            under = _under(layer, row, column)
            for channel in range(len(kernel)):
                slope = gradient[channel, row, column]
                kernel_gradient[channel] += slope * padded[under]
                padded_gradient[under] += slope * kernel[channel]
    p, (height, width) = padding(layer), x.shape[1:]
    return kernel_gradient, padded_gradient[:, p : p + height, p : p + width]
