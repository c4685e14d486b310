"""Check whether a color band works in a lighting and place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.color.bands import Band, LabBand
from robotlab.color.components import blobs_of_runs, runs_of_pixels
from robotlab.color.fast_threshold import pixels_in_band
from robotlab.color.hsv_conversion import HUES, hsv_of_bytes, hue_step, mean_hue
from robotlab.color.learn import CORE, OneOrMore, colorful, core_pixels, paired, thin
from robotlab.errors import InputError
from robotlab.image import check_picture, lab

# Below this fraction of the target inside the band, its blob falls to pieces; in
# this fraction of pictures with the wrong blob largest, a follower is led astray
# more often than it is worth (common practice, no source).
LEAST_COVERAGE = 0.6
MOST_ASTRAY = 0.1

# A blob that is a picture's largest counts as the target when its middle lies
# in a target's box; smaller blobs than a dozen pixels are noise (common
# practice, no source).
_LEAST_BLOB_PX = 12


@dataclass(frozen=True)
class LightingCheck:
    """How a band fits one lighting.

    Parameters
    ----------
    pictures, boxes : int
        How many were looked at.
    coverage : float
        Fraction of a target's core that is in the band, 0 to 1, not counting
        white stripes and gaps: the median over boxes; NaN without boxes.
    hue_moved_deg : float
        Turn from the middle of the band to the mean hue of the targets,
        degrees, positive from red toward yellow; NaN without boxes, or where
        either has no hue.
    saturation_moved, value_moved : float
        How far the targets' median lies outside the band's range, byte scale;
        negative is below it, 0 inside; NaN without boxes or for a LabBand.
    lookalikes : float
        Same-colored pixels outside the boxes for each one inside them, or,
        without boxes, outside the largest blob for each one in it; infinite
        when none is inside.
    astray : float
        Fraction of the pictures in which the largest blob is not a target (a
        picture without a target counts when it has any blob); NaN without
        boxes.
    usable : bool
        False when color is the wrong tool here.
    sentence : str
        The finding in words.
    """

    pictures: int
    boxes: int
    coverage: float
    hue_moved_deg: float
    saturation_moved: float
    value_moved: float
    lookalikes: float
    astray: float
    usable: bool
    sentence: str


def lighting_check(
    pictures: OneOrMore, band: Band | LabBand, boxes: OneOrMore | None = None, core: float = CORE
) -> LightingCheck:
    """Measure how well a band fits the pictures of one lighting.

    Parameters
    ----------
    pictures : (H, W, 3) ndarray of uint8, or a sequence of them
        Taken in the lighting in question, where the robot will drive; of a
        detector with white balance pass ``detector.balanced(picture)``.
    band : Band or LabBand
        The band, learned anywhere.
    boxes : (N, 4) array-like, or one such array for each picture, optional
        The targets in them.  Without boxes only the same-colored stuff can
        be measured, not how far the target's color has moved.
    core : float
        Middle fraction of each box that is surely target.

    Returns
    -------
    LightingCheck
        Numbers, a verdict, and a sentence.

    Raises
    ------
    InputError
        If pictures and boxes do not fit together, or there are no pictures.

    Examples
    --------
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> orange = Band(hue=(5, 18), saturation=(150, 255), value=(80, 255))
    >>> lighting_check(picture, orange, [[30, 20, 40, 50]]).usable
    True
    >>> print(lighting_check(picture[..., ::-1].copy(), orange, [[30, 20, 40, 50]]).sentence)
    Wrong tool: the target's color has left the band: 0 % of it is inside, its hue has turned by -169 degrees. \
Learn the band again in this lighting, or use a detector that also looks at shape.
    """
    if boxes is None:
        pictures = [pictures] if isinstance(pictures, np.ndarray) and pictures.ndim == 3 else list(pictures)
        return _without_boxes([check_picture(one, f"picture {n}") for n, one in enumerate(pictures)], band)
    pictures, boxes = paired(pictures, boxes)
    _some(pictures)
    cores = [colors[colorful(colors)] for one, some in zip(pictures, boxes) for colors in core_pixels(one, some, core)]
    if not cores:
        raise InputError(
            "lighting_check needs at least one box where boxes are given, got none; leave boxes out to count lookalikes alone"
        )
    coverage = float(np.median([len(pixels_in_band(colors[None], band)[0]) / len(colors) for colors in cores]))
    moved = _moved(np.concatenate([thin(colors) for colors in cores]), band)

    inside = outside = led_astray = 0
    for one, some in zip(pictures, boxes):
        width = one.shape[1]
        pixels, _ = pixels_in_band(one, band)
        x, y = pixels % width + 0.5, pixels // width + 0.5
        own = _in_any(x, y, some)
        inside += int(own.sum())
        outside += int((~own).sum())
        blobs, _ = blobs_of_runs(runs_of_pixels(pixels, width), _LEAST_BLOB_PX)
        first = (blobs.boxes[:1, :2] + blobs.boxes[:1, 2:]) / 2
        led_astray += bool(len(blobs)) and not _in_any(first[:, 0], first[:, 1], some)[0]
    astray = led_astray / len(pictures)
    lookalikes = outside / inside if inside else np.inf
    faults = []
    if coverage < LEAST_COVERAGE:
        turned = "" if np.isnan(moved[0]) else f", its hue has turned by {moved[0]:+.0f} degrees"
        faults.append(f"the target's color has left the band: {100 * coverage:.0f} % of it is inside{turned}")
    if astray > MOST_ASTRAY:
        ratio = "" if np.isinf(lookalikes) else f", {lookalikes:.1f} pixels for each of the target's"
        faults.append(f"something else of this color is the largest in {100 * astray:.0f} % of the pictures{ratio}")
    if faults:
        repair = (
            "Learn the band again in this lighting, or use a detector that also looks at shape."
            if coverage < LEAST_COVERAGE
            else "Take the lookalikes away, or use a detector that also looks at shape."
        )
        sentence = f"Wrong tool: {'; and '.join(faults)}. {repair}"
    else:
        sentence = (
            f"Color will do here: {100 * coverage:.0f} % of the target is in the band, and in "
            f"{100 * (1 - astray):.0f} % of the pictures nothing else of this color is larger."
        )
    return LightingCheck(len(pictures), len(cores), coverage, *moved, lookalikes, astray, not faults, sentence)


def _without_boxes(pictures: list[np.ndarray], band: Band | LabBand) -> LightingCheck:
    """Without boxes only lookalikes can be measured."""
    _some(pictures)
    largest = rest = rivals = 0
    for one in pictures:
        pixels, _ = pixels_in_band(one, band)
        blobs, _ = blobs_of_runs(runs_of_pixels(pixels, one.shape[1]), _LEAST_BLOB_PX)
        first = int(blobs.areas[:1].sum())
        largest, rest = largest + first, rest + len(pixels) - first
        # A second blob half as large is one step nearer from being the largest.
        rivals += bool((blobs.areas[1:] * 2 >= first).any())
    lookalikes = rest / largest if largest else np.inf
    fraction = rivals / len(pictures)
    usable = bool(largest) and fraction <= MOST_ASTRAY
    if not largest:
        words = "Wrong tool: nothing here has this color"
    elif usable:
        words = (
            f"No rival: in {100 * (1 - fraction):.0f} % of the pictures no second blob is half as large as the largest"
        )
    else:
        words = f"Wrong tool: in {100 * fraction:.0f} % of the pictures a second blob is at least half as large as the largest"
    sentence = f"{words}. How far the target's color has moved cannot be told without a box around it."
    nan = float("nan")
    return LightingCheck(len(pictures), 0, nan, nan, nan, nan, lookalikes, nan, usable, sentence)


def _some(pictures: list[np.ndarray]) -> None:
    if not pictures:
        raise InputError("lighting_check needs at least one picture, got none; take some in the lighting in question")


def _in_any(x: np.ndarray, y: np.ndarray, boxes: np.ndarray) -> np.ndarray:
    """Which points are inside any of the boxes."""
    inside = np.zeros(len(x), bool)
    for x0, y0, x1, y1 in boxes:
        inside |= (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
    return inside


def _moved(pixels: np.ndarray, band: Band | LabBand) -> tuple[float, float, float]:
    """Turn of hue in degrees, and how far saturation and value lie outside."""
    nan = float("nan")
    if isinstance(band, LabBand):
        colors = lab(pixels[None])[0]
        at = np.angle(band.center[1] + 1j * band.center[2])
        arrow = (colors[:, 1] + 1j * colors[:, 2]).mean() * np.exp(-1j * at)
        # Hue means nothing within a just noticeable difference of gray (2.3:
        # Mahy et al., Color Res. Appl. 19:105-121, 1994; cited from memory).
        gray = min(abs(arrow), np.hypot(*band.center[1:])) < 2.3
        return nan if gray else float(np.degrees(np.angle(arrow))), nan, nan
    hue, saturation, value = hsv_of_bytes(*pixels.T)
    turned = nan
    if band.hue_width < HUES and saturation.any():
        turn = float(hue_step(mean_hue(hue, saturation.astype(float) * value), band.hue_center))
        # Half the circle either way is one and the same; say +180.
        turned = 360 / HUES * abs(turn) if turn == -HUES / 2 else 360 / HUES * turn
    outside = []
    for scale, (low, high) in ((saturation, band.saturation), (value, band.value)):
        middle = float(np.median(scale))
        outside.append(min(middle - low, 0.0) + max(middle - high, 0.0))
    return turned, outside[0], outside[1]
