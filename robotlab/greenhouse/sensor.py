"""From light to bytes: blur of the lens, exposure, noise, sRGB encoding.

All pixel work here uses only additions, products, square roots and table
look-ups, whose results do not depend on the processor.
"""

from __future__ import annotations

import functools

import numpy as np

# Electrons that fill one pixel of a small sensor, and its read noise in
# electrons: typical of 1.4 um pixels (data sheets, from memory).
FULL_WELL_E = 5000.0
READ_NOISE_E = 6.0

# Steps of the encoding table: fine enough that near black, where the curve is
# steepest (12.92 x 255 bytes a unit), one step is a fifth of a byte.
_CODE_STEPS = 16384
_NOISE_BANK = 1 << 20


def srgb_encode(linear: np.ndarray) -> np.ndarray:
    """The sRGB curve: linear light to the values that a picture stores.

    Parameters
    ----------
    linear : ndarray
        Light, 0 to 1.

    Returns
    -------
    ndarray
        0 to 1: ``12.92 c`` up to 0.0031308, then ``1.055 c^(1/2.4) - 0.055``
        (IEC 61966-2-1:1999).

    Examples
    --------
    >>> round(float(srgb_encode(np.array(0.18))), 9)
    0.46135613
    """
    linear = np.asarray(linear, float)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def srgb_decode(encoded: np.ndarray) -> np.ndarray:
    """The inverse of :func:`srgb_encode`.

    Parameters
    ----------
    encoded : ndarray
        Stored values, 0 to 1 (a byte divided by 255).

    Returns
    -------
    ndarray
        Linear light, 0 to 1 (IEC 61966-2-1:1999).

    Examples
    --------
    >>> round(float(srgb_decode(np.array(128 / 255))), 7)
    0.2158605
    """
    encoded = np.asarray(encoded, float)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4)


@functools.lru_cache(maxsize=1)
def _code_table() -> np.ndarray:
    return np.round(srgb_encode(np.arange(_CODE_STEPS) / (_CODE_STEPS - 1)) * 255).astype(np.uint8)


@functools.lru_cache(maxsize=1)
def _noise_bank() -> np.ndarray:
    return np.random.default_rng(0).standard_normal(_NOISE_BANK, dtype=np.float32)


def blur_planes(light: np.ndarray, sigma_px: float) -> np.ndarray:
    """Soften planes of light as a lens does.

    Parameters
    ----------
    light : (3, H, W) ndarray of float32
        Linear light.
    sigma_px : float
        Standard deviation of the blur, px.

    Returns
    -------
    (3, H, W) ndarray of float32
        Blurred by repeated passes of ``[w, 1 - 2w, w]`` along both axes; one
        pass has the variance ``2 w``, and variances add.
    """
    if sigma_px == 0:
        return light
    passes = int(np.ceil(sigma_px**2 / 0.5))
    side = np.float32(sigma_px**2 / passes / 2)
    middle = np.float32(1 - 2 * float(side))
    for _ in range(passes):
        for axis in (1, 2):
            out = light * middle
            scaled = light * side
            here, there = [slice(None)] * 3, [slice(None)] * 3
            here[axis], there[axis] = slice(1, None), slice(None, -1)
            out[tuple(here)] += scaled[tuple(there)]
            out[tuple(there)] += scaled[tuple(here)]
            first, last = [slice(None)] * 3, [slice(None)] * 3
            first[axis], last[axis] = slice(0, 1), slice(-1, None)
            out[tuple(first)] += scaled[tuple(first)]
            out[tuple(last)] += scaled[tuple(last)]
            light = out
    return light


def expose(light: np.ndarray, exposure: float, noise: float, seed: int) -> np.ndarray:
    """Turn light on the sensor into a picture.

    Parameters
    ----------
    light : (3, H, W) ndarray of float32
        Linear light; 1 fills the pixel at exposure 1.
    exposure : float
        Factor on the light.
    noise : float
        Factor on the noise: 1 is a small sensor, 0 none.
    seed : int
        Same seed, same noise.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        sRGB picture.

    Notes
    -----
    A pixel that holds N electrons has the standard deviation
    ``sqrt(N + read^2)``: shot noise (Poisson, here its normal limit) and read
    noise.  The normal numbers come from one fixed table, read from a seeded
    place on, since drawing them afresh would take longer than all else.
    """
    signal = light * np.float32(exposure)
    if noise:
        bank = _noise_bank()
        rng = np.random.default_rng(seed)
        variance = np.maximum(signal, np.float32(0))
        variance *= np.float32(noise**2 / FULL_WELL_E)
        variance += np.float32((noise * READ_NOISE_E / FULL_WELL_E) ** 2)
        np.sqrt(variance, out=variance)
        for plane, spread in zip(signal, variance, strict=True):
            start = int(rng.integers(0, max(1, _NOISE_BANK - plane.size)))
            spread *= np.resize(bank[start : start + plane.size], plane.size).reshape(plane.shape)
            plane += spread
    signal *= np.float32(_CODE_STEPS - 1)
    signal += np.float32(0.5)
    np.clip(signal, 0, _CODE_STEPS - 1, out=signal)
    codes = _code_table().take(signal.astype(np.int32).ravel(), mode="clip").reshape(signal.shape)
    return np.ascontiguousarray(codes.transpose(1, 2, 0))
