"""The camera sensor, from light to bytes: lens blur, exposure, noise, sRGB encoding.

All pixel work here uses only additions, products, square roots and table
look-ups, whose results do not depend on the processor.
"""

from __future__ import annotations

import functools
import math

import numpy as np

# Electrons that fill one pixel of a small sensor, and its read noise in
# electrons: typical of 1.4 um pixels (data sheets, from memory).
FULL_WELL_E = 5000.0
READ_NOISE_E = 6.0

# Steps of the encoding table over the square root of light: a step is at most
# a sixth of a byte.
_CODE_STEPS = 4096
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


@functools.lru_cache(maxsize=4)
def _code_table(dark: float) -> np.ndarray:
    """Byte for each step of the square root of (light + dark)."""
    root = np.arange(_CODE_STEPS) / (_CODE_STEPS - 1) * np.sqrt(1 + dark)
    return np.round(srgb_encode(np.clip(root**2 - dark, 0, 1)) * 255).astype(np.uint8)


@functools.lru_cache(maxsize=4)
def _noise_bank(spread: float) -> np.ndarray:
    """Normal numbers, plus the half that makes a cut-off into a rounding."""
    noise = np.random.default_rng(0).standard_normal(_NOISE_BANK, dtype=np.float32)
    return noise * np.float32(spread) + np.float32(0.5)


def blur_in_place(light: np.ndarray, sigma_px: float) -> np.ndarray:
    """Soften planes of light, (3, H, W) in one piece, as a lens does.

    Repeated passes of ``[w, 1 - 2w, w]`` along both axes; one pass has the
    variance ``2 w``, and variances add.
    """
    if sigma_px == 0:
        return light
    passes = math.ceil(sigma_px**2 / 0.5)
    side = np.float32(sigma_px**2 / passes / 2)
    _, rows, columns = light.shape
    flow = np.empty(rows * columns, np.float32)
    # One plane after the other: it stays in the processor's cache.
    for plane in light.reshape(3, -1):
        for _ in range(passes):
            # Each pair of neighbors exchanges a fraction of its difference, which is that
            # kernel; the edge has one neighbor less, as if it went on forever.
            for step in (columns, 1):
                before, after, part = plane[:-step], plane[step:], flow[:-step]
                np.subtract(after, before, out=part)
                if step == 1:
                    # The end of a row and the start of the next are not neighbors.
                    part[columns - 1 :: columns] = 0
                part *= side
                before += part
                after -= part
    return light


@functools.lru_cache(maxsize=4)
def _zeros(shape: tuple[int, int]) -> np.ndarray:
    return np.zeros(shape, np.float32)


def _scale(noise: float) -> tuple[float, float]:
    """Steps of the encoding table for each unit of the square root of light, and how much light stands for the read noise."""
    # Read noise as if it were the shot noise of a little more light.
    dark = (READ_NOISE_E**2 / FULL_WELL_E) if noise else 0.0
    # The table runs over the square root of light and that.
    return (_CODE_STEPS - 1) / math.sqrt(1 + dark), dark


def gain_of(exposure: np.ndarray, noise: float) -> np.ndarray:
    """From light to steps of the encoding table, squared; `exposure` a float32."""
    return exposure * np.float32(_scale(noise)[0] ** 2)


def develop(light: np.ndarray, gain: np.ndarray, noise: float, seed: int, negative: bool = True) -> np.ndarray:
    """Bytes of the light (3, H, W), which is overwritten, by a gain (H, W) from :func:`gain_of`.

    `negative` says whether there may be less than no light.
    """
    steps, dark = _scale(noise)
    if noise:
        bank = _noise_bank(steps * noise * 0.5 / math.sqrt(FULL_WELL_E))
        # Knuth's multiplicative hash spreads neighboring seeds over the table.
        start = int(seed) * 2654435761 % 2**32 % _NOISE_BANK
    table = _code_table(dark)
    picture = np.empty((*light.shape[1:], 3), np.uint8)
    step = np.empty(light.shape[1:], np.int32)
    # NumPy finds the larger of two arrays faster than that of an array and one number.
    zero = _zeros(step.shape)
    # One plane after the other: it stays in the processor's cache.
    for channel, plane in enumerate(light):
        plane *= gain
        plane += dark * steps**2
        if negative:
            np.maximum(plane, zero, out=plane)
        np.sqrt(plane, out=plane)
        if noise:
            start = _add_from(bank, start, plane.reshape(-1))
        else:
            plane += 0.5
        np.copyto(step, plane, casting="unsafe")
        picture[..., channel] = table.take(step, mode="clip")
    return picture


def _add_from(bank: np.ndarray, start: int, values: np.ndarray) -> int:
    """Add numbers of a table from `start` on, around its end if need be; gives where the next would be."""
    done = 0
    while done < len(values):
        part = values[done : done + len(bank) - start]
        part += bank[start : start + len(part)]
        done += len(part)
        start = (start + len(part)) % len(bank)
    return start
