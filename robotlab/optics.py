"""Formulas of a lens: field of view, focal length, and the size of an object in pixels."""

from __future__ import annotations

import math

from robotlab.checks import positive, view_angle


def focal_px(width_px: float, hfov_rad: float) -> float:
    """Focal length in pixels from the field of view.

    Parameters
    ----------
    width_px : float
        Picture width, px.
    hfov_rad : float
        Horizontal field of view, rad.

    Returns
    -------
    float
        ``(W / 2) / tan(HFOV / 2)``, px (Hartley & Zisserman, Multiple View
        Geometry, 2nd ed., chapter 6).

    Raises
    ------
    InputError
        If the width is not positive or the angle not between 0 and pi.

    Notes
    -----
    This is not the focal length in millimeters printed on a lens; that one
    needs the size of a pixel on the sensor too.

    Examples
    --------
    >>> round(focal_px(640, math.radians(90)), 3)
    320.0
    """
    return positive("width_px", width_px, "px") / 2 / math.tan(view_angle("hfov_rad", hfov_rad) / 2)


def fov_rad(sensor_m: float, focal_m: float) -> float:
    """Field of view from the sensor's size and the lens.

    Parameters
    ----------
    sensor_m : float
        Width (or height, or diagonal) of the sensor's active area, m.  Any
        unit will do when `focal_m` has the same: pixels with pixels too.
    focal_m : float
        Focal length, m.

    Returns
    -------
    float
        ``2 atan(s / 2f)``, rad (Hartley & Zisserman, chapter 6).

    Raises
    ------
    InputError
        If a length is not positive.

    Notes
    -----
    An "inch type" such as 1/4" is a name, not a size: look the active area up
    in the sensor's data sheet.

    Examples
    --------
    >>> round(math.degrees(fov_rad(3.68e-3, 3.04e-3)), 2)
    62.37
    """
    return 2 * math.atan(positive("sensor_m", sensor_m, "m") / 2 / positive("focal_m", focal_m, "m"))


def pixels_on_target(size_m: float, distance_m: float, hfov_rad: float, width_px: float) -> float:
    """How many pixels a thing covers.

    Parameters
    ----------
    size_m : float
        Width of the thing across the line of sight, m (with square pixels
        also its height).
    distance_m : float
        Distance along the camera's axis, m.
    hfov_rad : float
        Horizontal field of view, rad.
    width_px : float
        Picture width, px: of the picture that the detector gets, after any
        resizing.

    Returns
    -------
    float
        ``W s / (2 Z tan(HFOV / 2))``, px (Hartley & Zisserman, chapter 6).

    Raises
    ------
    InputError
        If a length is not positive or the angle not between 0 and pi.

    Examples
    --------
    >>> round(pixels_on_target(0.10, 2.0, math.radians(62.2), 640), 2)
    26.52
    """
    size = positive("size_m", size_m, "m")
    return focal_px(width_px, hfov_rad) * size / positive("distance_m", distance_m, "m")
