"""The five kinds of lighting: spectrum, level, and how much of it is direct.

Each lighting is a spectrum.  A pixel's reflectance is taken as a mix of three
smooth bands (blue, green, red), the camera as three bell-shaped filters, so
that a lighting turns daylight colors into its own by one 3 x 3 matrix::

    seen = balance @ M(lighting) @ inv(M(daylight)) @ daylight
    M[i, j] = sum over wavelengths of filter_i * spectrum * band_j

This is not a full spectral renderer: real reflectances have more shape than
three bands, and no particular sensor is meant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.errors import InputError

# The visible range in steps of 5 nm.
WAVELENGTHS_NM = np.arange(400.0, 701.0, 5.0)

# Center and standard deviation (nm) of the red, green and blue filters of a
# common silicon sensor: read off typical data-sheet curves, from memory.
_FILTERS_NM = ((600.0, 35.0), (535.0, 35.0), (455.0, 25.0))

# Where a reflectance passes from its blue to its green and to its red band,
# and how softly (nm): the edges that make the daylight matrix best conditioned.
_BAND_EDGES_NM, _BAND_SOFTNESS_NM = (492.0, 580.0), 12.0

# Second radiation constant h c / k, m K (CODATA 2018).
_RADIATION_M_K = 1.438776877e-2


def _planck(kelvin: float) -> np.ndarray:
    """Black-body spectrum (Planck's law), largest value 1."""
    meters = WAVELENGTHS_NM * 1e-9
    power = meters**-5 / np.expm1(_RADIATION_M_K / (meters * kelvin))
    return power / power.max()


def _lines(*lines: tuple[float, float, float]) -> np.ndarray:
    """Sum of bell-shaped lines, each (center nm, standard deviation nm, weight)."""
    bells = (weight * np.exp(-0.5 * ((WAVELENGTHS_NM - center) / spread) ** 2) for center, spread, weight in lines)
    return sum(bells, np.zeros(len(WAVELENGTHS_NM)))


@dataclass(frozen=True)
class Lighting:
    """One kind of lighting.

    Parameters
    ----------
    name : str
        What the scene calls it.
    level : float
        Brightness of a white card as the camera's fixed exposure sees it; at 1
        it just fills a pixel.
    direct : float
        Fraction of the light that comes from one direction and casts shadows, 0 to 1.
    elevation_rad : float
        Height of that direction above the horizon, rad.
    balance : float
        How far the camera's white balance follows the lighting: 0 not at all,
        1 wholly (a white card looks gray again).
    outside : float
        Brightness of what is seen through the glass, against the light inside:
        low where lamps replace the day.
    lines_nm : tuple of (float, float, float)
        Of a lamp: center and standard deviation (nm) and weight of each bell-shaped
        line of its spectrum; empty for the kinds of :data:`LIGHTING`.
    """

    name: str
    level: float
    direct: float
    elevation_rad: float
    balance: float
    outside: float
    lines_nm: tuple[tuple[float, float, float], ...] = ()

    def matrix(self) -> np.ndarray:
        """What this light does to a linear daylight color.

        Returns
        -------
        (3, 3) ndarray
            Multiply a linear red-green-blue column vector with it.

        Examples
        --------
        >>> bool(np.allclose(LIGHTING["daylight"].matrix(), LIGHTING["daylight"].level * np.eye(3)))
        True
        """
        filters = np.array([_lines((center, spread, 1.0)) for center, spread in _FILTERS_NM])
        low, high = (1 / (1 + np.exp((edge - WAVELENGTHS_NM) / _BAND_SOFTNESS_NM)) for edge in _BAND_EDGES_NM)
        bands = np.array([high, low - high, 1 - low])
        daylight = _SPECTRA["daylight"]
        own = _lines(*self.lines_nm) if self.lines_nm else _SPECTRA.get(self.name, daylight)
        day, light = ((filters * spectrum) @ bands.T for spectrum in (daylight, own))
        matrix = light @ np.linalg.inv(day)
        white = matrix.sum(axis=1)
        matrix = matrix * (white.max() / white)[:, None] ** self.balance
        # Luminance weights of linear sRGB (IEC 61966-2-1).
        matrix = matrix * self.level / (np.array([0.2126, 0.7152, 0.0722]) @ matrix.sum(axis=1))
        # Without the last digits, where only rounding is left, so that daylight needs no mixing.
        return matrix.round(12)


_SPECTRA = {
    # CIE daylight D65 has a correlated color temperature of 6504 K (CIE 15:2018).
    "daylight": _planck(6504.0),
    "overcast": _planck(7500.0),
    # Twilight is bluer than any black body; its color temperature is printed as 9000-12000 K.
    "dusk": _planck(11000.0),
    # High-pressure sodium: the D lines at 589 nm, reversed in the middle and
    # broadened to both sides, and the weaker lines of its spectrum (from memory).
    "warm": _lines(
        (582, 5, 0.9), (597, 8, 1.0), (569, 3, 0.5), (616, 4, 0.3), (498, 3, 0.16), (467, 3, 0.08), (670, 20, 0.15)
    )
    + 0.03,
    # Horticultural LEDs: royal blue 450 nm and deep red 660 nm, with a little
    # phosphor white (makers' data sheets, from memory).
    "grow": _lines((450, 9, 0.75), (660, 9, 2.4), (560, 60, 0.08)),
}


# Levels, shares and heights are choices for a lively demo, not measurements:
# sun well up, a closed sky, after sunset, sodium lamps and LED bars overhead.
LIGHTING: dict[str, Lighting] = {
    lighting.name: lighting
    for lighting in (
        Lighting("daylight", 1.15, 0.62, 0.85, 0.0, 1.0),
        Lighting("overcast", 0.85, 0.0, 1.2, 0.3, 1.0),
        Lighting("dusk", 0.36, 0.12, 0.35, 0.1, 1.0),
        Lighting("warm", 0.65, 0.35, 1.25, 0.35, 0.12),
        Lighting("grow", 0.52, 0.40, 1.30, 0.15, 0.10),
    )
}
LIGHTINGS: tuple[str, ...] = tuple(LIGHTING)


def lighting_named(name: str) -> Lighting:
    """The lighting of that name.

    Parameters
    ----------
    name : str
        One of :data:`LIGHTINGS`.

    Returns
    -------
    Lighting
        Its spectrum, level and direction.

    Raises
    ------
    InputError
        If there is no such lighting.

    Examples
    --------
    >>> lighting_named("dusk").level < lighting_named("daylight").level
    True
    """
    if name not in LIGHTING:
        raise InputError(f"lighting must be one of {', '.join(LIGHTINGS)}, got {name!r}; choose one of them")
    return LIGHTING[name]
