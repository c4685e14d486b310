"""From light to bytes: blur of the lens, exposure, noise, sRGB encoding.

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
    return np.random.default_rng(0).standard_normal(_NOISE_BANK, dtype=np.float32) * np.float32(spread) + np.float32(0.5)


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
    return blur_in_place(np.array(light, np.float32, order="C"), sigma_px)


def blur_in_place(light: np.ndarray, sigma_px: float) -> np.ndarray:
    """:func:`blur_planes` into the planes themselves, which must lie in one piece."""
    if sigma_px == 0:
        return light
    passes = math.ceil(sigma_px**2 / 0.5)
    side = np.float32(sigma_px**2 / passes / 2)
    _, rows, columns = light.shape
    flow = np.empty(rows * columns, np.float32)
    # One plane after the other: it stays in the processor's cache.
    for plane in light.reshape(3, -1):
        for _ in range(passes):
            # Each pair of neighbours exchanges a share of its difference, which is that
            # kernel; the edge has one neighbour less, as if it went on for ever.
            for step in (columns, 1):
                before, after, part = plane[:-step], plane[step:], flow[:-step]
                np.subtract(after, before, out=part)
                if step == 1:
                    # The end of a row and the start of the next are no neighbours.
                    part[columns - 1 :: columns] = 0
                part *= side
                before += part
                after -= part
    return light


def expose(light: np.ndarray, exposure: float | np.ndarray, noise: float, seed: int) -> np.ndarray:
    """Turn light on the sensor into a picture.

    Parameters
    ----------
    light : (3, H, W) ndarray of float32
        Linear light; 1 fills the pixel at exposure 1.
    exposure : float or (H, W) ndarray
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
    noise.  The square root of ``N + read^2`` then has the same standard
    deviation, 1/2, everywhere (the square root makes Poisson counts equally
    noisy: Bartlett, 1936), so the noise is added there.  The normal numbers
    come from one fixed table, read from a seeded place on, since drawing them
    afresh would take longer than all else.
    """
    gain = gain_of(np.asarray(exposure, np.float32), noise)
    return develop(np.array(light, np.float32), np.broadcast_to(gain, light.shape[1:]), noise, seed)


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
    """:func:`expose` by a gain from :func:`gain_of`, (H, W), which uses the light (3, H, W) up as scratch.

    `negative` says whether there may be less than no light.
    """
    steps, dark = _scale(noise)
    if noise:
        bank = _noise_bank(steps * noise * 0.5 / math.sqrt(FULL_WELL_E))
        # Knuth's multiplicative hash spreads neighbouring seeds over the table.
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
