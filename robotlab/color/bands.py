"""Bands: which colors count as the target's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.color.hsv_conversion import HUES, hsv
from robotlab.errors import InputError
from robotlab.image import check_picture, lab


@dataclass(frozen=True)
class Band:
    """A range of hue, of saturation and of value, ends included.

    Parameters
    ----------
    hue : (int, int)
        From, to, 0 to 179 (two degrees a step).  ``(170, 8)`` goes through
        red: 170 to 179 and 0 to 8.
    saturation, value : (int, int)
        Lowest and highest, 0 to 255.

    Raises
    ------
    InputError
        If an end is outside its scale or no whole number, or a lowest is
        above its highest.

    Examples
    --------
    >>> orange = Band(hue=(5, 18), saturation=(150, 255), value=(80, 255))
    >>> orange.mask(np.array([[[230, 110, 20], [40, 90, 30]]], np.uint8)).tolist()
    [[True, False]]
    """

    hue: tuple[int, int] = (0, HUES - 1)
    saturation: tuple[int, int] = (0, 255)
    value: tuple[int, int] = (0, 255)

    def __post_init__(self) -> None:
        tops = {"hue": HUES - 1, "saturation": 255, "value": 255}
        for name, top in tops.items():
            object.__setattr__(self, name, _ends(getattr(self, name), name, top))
        for name in ("saturation", "value"):
            low, high = getattr(self, name)
            if low > high:
                raise InputError(f"{name} must go from low to high, got ({low}, {high}); only hue wraps around")

    @property
    def hue_width(self) -> int:
        """How many of the 180 hues are in the band."""
        return (self.hue[1] - self.hue[0]) % HUES + 1

    @property
    def hue_center(self) -> float:
        """The hue in the middle of the band, 0 up to 180."""
        return (self.hue[0] + (self.hue_width - 1) / 2) % HUES

    def holds(self, hue: np.ndarray, saturation: np.ndarray, value: np.ndarray) -> np.ndarray:
        """Which of some byte colors are in the band.

        Parameters
        ----------
        hue, saturation, value : (...) ndarray of uint8
            As from :func:`robotlab.color.hsv`.

        Returns
        -------
        (...) ndarray of bool
            True inside.

        Examples
        --------
        >>> Band(hue=(170, 8)).holds(*np.array([[175, 100], [9, 9], [9, 9]], np.uint8)).tolist()
        [True, False]
        """
        h0, h1 = self.hue
        inside = (hue >= h0) & (hue <= h1) if h0 <= h1 else (hue >= h0) | (hue <= h1)
        for scale, (low, high) in ((saturation, self.saturation), (value, self.value)):
            if low > 0:
                inside &= scale >= low
            if high < 255:
                inside &= scale <= high
        return inside

    def mask(self, picture: np.ndarray) -> np.ndarray:
        """Which pixels are in the band: convert all of them, then compare.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        (H, W) ndarray of bool
            True inside.

        Raises
        ------
        PictureError
            If the picture is wrong.

        Notes
        -----
        The reference.  :func:`robotlab.color.fast_threshold.pixels_in_band` gives the
        same pixels sooner.

        Examples
        --------
        >>> bool(Band(value=(0, 40)).mask(np.zeros((2, 2, 3), np.uint8)).all())
        True
        """
        return self.holds(*np.moveaxis(hsv(picture), -1, 0))

    def depth(self, hue: np.ndarray, saturation: np.ndarray, value: np.ndarray) -> np.ndarray:
        """How deep inside the band colors are: a margin, 0 to 1.

        Parameters
        ----------
        hue, saturation, value : (N,) ndarray of uint8
            Colors in the band.

        Returns
        -------
        (N,) ndarray of float64
            Of the three scales the smallest margin: 1 in the middle of the
            scale's range, down to 1 / (half the range + 1) at an end, 0
            outside.  An end at the end of its scale (saturation or value 255
            or 0, all hues) is not a boundary and costs nothing.

        Examples
        --------
        >>> band = Band(hue=(0, 20))
        >>> band.depth(*np.array([[10, 0], [9, 9], [9, 9]], np.uint8)).round(3).tolist()
        [1.0, 0.091]
        """
        depth = np.ones(np.shape(hue))
        if self.hue_width < HUES:
            from_start = (hue.astype(np.int64) - self.hue[0]) % HUES
            depth = _margin(from_start, 0, self.hue_width - 1, True, True)
        for scale, (low, high) in ((saturation, self.saturation), (value, self.value)):
            depth = np.minimum(depth, _margin(scale.astype(np.int64), low, high, low > 0, high < 255))
        return depth

    def to_json(self) -> dict:
        """The band as plain JSON values.

        Returns
        -------
        dict
            For :func:`band_from_json`.

        Examples
        --------
        >>> Band(hue=(170, 8)).to_json()["hue"]
        [170, 8]
        """
        return {"kind": "hsv", "hue": list(self.hue), "saturation": list(self.saturation), "value": list(self.value)}


@dataclass(frozen=True)
class LabBand:
    """All colors within a distance of one color, in CIE L*a*b*.

    Parameters
    ----------
    center : (float, float, float)
        L* (0 to 100), a*, b* of the middle.
    radius : float
        Greatest distance (ΔE*ab) still inside.
    lightness_weight : float, 0 to 1
        How much a difference of L* counts.  Less than 1 forgives shadows:
        they change lightness more than color.

    Raises
    ------
    InputError
        If a number is not finite or outside its range.

    Notes
    -----
    ``ΔE² = (w ΔL)² + Δa² + Δb²``; with w = 1 this is the CIE 1976 difference
    (CIE 15:2018).  It is not CIEDE2000.  A ball in a space where equal steps
    look about equally large; no hue to wrap, but several times slower than
    :class:`Band`.

    Examples
    --------
    >>> orange = LabBand((60, 45, 60), 30, lightness_weight=0.5)
    >>> orange.mask(np.array([[[230, 110, 20], [40, 90, 30]]], np.uint8)).tolist()
    [[True, False]]
    """

    center: tuple[float, float, float]
    radius: float
    lightness_weight: float = 1.0

    def __post_init__(self) -> None:
        try:
            center = tuple(float(n) for n in self.center)
            radius, weight = float(self.radius), float(self.lightness_weight)
        except (TypeError, ValueError):
            raise InputError(
                f"center, radius and lightness_weight must be numbers, got {self}; give (L, a, b) and a radius"
            ) from None
        if len(center) != 3 or not np.isfinite(center).all():
            raise InputError(
                f"center must be three finite numbers (L, a, b), got {self.center}; take them from picture.lab"
            )
        if not (np.isfinite(radius) and radius > 0):
            raise InputError(f"radius must be above 0, got {self.radius}; 20 is a usual start")
        if not 0 <= weight <= 1:
            raise InputError(
                f"lightness_weight must be from 0 to 1, got {self.lightness_weight}; 1 is the plain distance"
            )
        for name, value in {"center": center, "radius": radius, "lightness_weight": weight}.items():
            object.__setattr__(self, name, value)

    def distance(self, picture: np.ndarray) -> np.ndarray:
        """Distance of each pixel from the center of the band.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        (H, W) ndarray of float64
            ΔE*ab.

        Raises
        ------
        PictureError
            If the picture is wrong.

        Examples
        --------
        >>> white = np.full((1, 1, 3), 255, np.uint8)
        >>> float(LabBand((0, 0, 0), 9).distance(white)[0, 0].round(2))
        100.0
        """
        away = lab(picture) - self.center
        away[..., 0] *= self.lightness_weight
        return np.sqrt((away**2).sum(axis=-1))

    def mask(self, picture: np.ndarray) -> np.ndarray:
        """Which pixels are in the band.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        (H, W) ndarray of bool
            True inside.

        Raises
        ------
        PictureError
            If the picture is wrong.

        Examples
        --------
        >>> LabBand((0, 0, 0), 9).mask(np.zeros((1, 2, 3), np.uint8)).tolist()
        [[True, True]]
        """
        return self.distance(picture) <= self.radius

    def to_json(self) -> dict:
        """The band as plain JSON values.

        Returns
        -------
        dict
            For :func:`band_from_json`.

        Examples
        --------
        >>> LabBand((60, 45, 60), 30).to_json()["radius"]
        30.0
        """
        values = {"center": list(self.center), "radius": self.radius, "lightness_weight": self.lightness_weight}
        return {"kind": "lab", **values}


def band_from_json(value: dict, name: str = "band") -> Band | LabBand:
    """A band from what its ``to_json`` gave.

    Parameters
    ----------
    value : dict
        With ``kind`` "hsv" or "lab" and that band's numbers.
    name : str
        How error messages call it.

    Returns
    -------
    Band or LabBand
        The band.

    Raises
    ------
    InputError
        If a key is missing or unknown, or a number breaks the band's rules.

    Examples
    --------
    >>> band_from_json(Band(hue=(170, 8)).to_json()) == Band(hue=(170, 8))
    True
    """
    kinds = {"hsv": (Band, ("hue", "saturation", "value")), "lab": (LabBand, ("center", "radius", "lightness_weight"))}
    kind = value.get("kind") if isinstance(value, dict) else None
    if not isinstance(kind, str) or kind not in kinds:
        raise InputError(
            f'{name} must be an object with "kind" hsv or lab, got {str(value)[:60]!r}; save the detector again'
        )
    make, keys = kinds[kind]
    if set(value) != {"kind", *keys}:
        raise InputError(
            f"{name} must have the keys kind, {', '.join(keys)}, got {', '.join(sorted(value))}; save the detector again"
        )
    try:
        return make(**{key: tuple(value[key]) if isinstance(value[key], list) else value[key] for key in keys})
    except InputError as error:
        raise InputError(f"{name}: {error}") from None


def overlay(picture: np.ndarray, mask: np.ndarray, dim: float = 0.25) -> np.ndarray:
    """Show a mask on its picture: inside as it is, outside gray and dark.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    mask : (H, W) ndarray of bool
        Which pixels to show.
    dim : float, 0 to 1
        Brightness of the rest.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        A new picture.

    Raises
    ------
    InputError
        If the shapes differ or `dim` is outside 0 to 1.

    Examples
    --------
    >>> both = np.full((1, 2, 3), [200, 100, 50], np.uint8)
    >>> overlay(both, np.array([[True, False]]), dim=0).tolist()
    [[[200, 100, 50], [0, 0, 0]]]
    """
    check_picture(picture)
    mask = np.asarray(mask)
    if mask.shape != picture.shape[:2] or mask.dtype != bool:
        raise InputError(
            f"mask must be {picture.shape[:2]} of bool, got {mask.shape} of {mask.dtype}; use band.mask(picture)"
        )
    if not 0 <= dim <= 1:
        raise InputError(f"dim must be from 0 to 1, got {dim}; 0 is black")
    gray = (picture.mean(axis=-1) * dim).astype(np.uint8)
    return np.where(mask[..., None], picture, gray[..., None])


def _ends(pair: Sequence[int], name: str, top: int) -> tuple[int, int]:
    """A pair of whole numbers on a scale, or say what is wrong."""
    try:
        low, high = pair
        whole = int(low), int(high)
        exact = whole == (low, high)
    except (TypeError, ValueError, OverflowError):
        exact = False
    if not exact or min(whole) < 0 or max(whole) > top:
        raise InputError(f"{name} must be two whole numbers from 0 to {top}, got {pair}; write {name}=(low, high)")
    return whole


def _margin(scale: np.ndarray, low: int, high: int, low_counts: bool, high_counts: bool) -> np.ndarray:
    """Distance from the nearest end that counts, 0 to 1."""
    half = (high - low) / 2 + 1
    from_low = scale - low + 1 if low_counts else half
    from_high = high - scale + 1 if high_counts else half
    return np.clip(np.minimum(from_low, from_high) / half, 0, 1)
