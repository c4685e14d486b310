"""Thresholds on hue, saturation and value, set by sliders: what stays, and where it is."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from robotlab.boxes import check_boxes, iou
from robotlab.color import HUES, Band, Components, Shape, connected_components, histogram, overlay
from robotlab.color.hsv_conversion import hsv
from robotlab.errors import InputError
from robotlab.image import check_picture
from robotlab.widgets.kit import KeptFigure
from robotlab.widgets.slider_picture import Choice, Slider, SliderPicture

# In 1/100 inch, so in px at 100 dots an inch; text stays readable when a
# window of 800 px halves it (tried).
_SIZE_PX = (660, 470)
_FONT_PT = 13
# Counts run from one pixel to a full picture; the post is a hundredth of it,
# so heights are logarithms.
_LEAST_COUNT = 0.7
_SCALES = (("hue", HUES, "hue, 2° a step"), ("saturation", 256, "saturation"), ("value", 256, "value"))


class ColorBands(SliderPicture):
    """Sliders for the thresholds of a band, over a picture, its mask and its histograms.

    Parameters
    ----------
    pictures : (H, W, 3) ndarray of uint8, or mapping from name to such
        With several, a list chooses.  All of one size.
    band : Band, optional
        Where the sliders start.
    truths : mapping from name to (4,) array-like, optional
        Ground truth, the target's box in each picture, px: the text then gives
        its IoU with the box of the largest blob.

    Raises
    ------
    InputError
        If there is no picture, sizes differ, or a box has no picture.

    Notes
    -----
    Saturation and value have a lower threshold only; the upper one is that
    of `band`.  Histograms are logarithmic, and that of hue is weighted by
    saturation (:func:`robotlab.color.histogram`).

    Examples
    --------
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> shown = ColorBands(picture, Band(hue=(5, 18), saturation=(150, 255), value=(80, 255)))
    >>> shown.text
    '300 pixels in the band, 6.2 % of the picture; largest blob 300 pixels, 10 wide and 30 tall'
    """

    def __init__(
        self,
        pictures: np.ndarray | Mapping[str, np.ndarray],
        band: Band | None = None,
        truths: Mapping[str, np.ndarray] | None = None,
    ) -> None:
        if isinstance(pictures, np.ndarray):
            pictures = {"": pictures}
        pictures = {str(name): check_picture(one, f"picture {name}".rstrip()) for name, one in pictures.items()}
        if len({one.shape for one in pictures.values()}) != 1:
            raise InputError(
                f"pictures must be of one size and at least one, got {len(pictures)}; resize them or show them apart"
            )
        truths = {name: check_boxes([box])[0] for name, box in (truths or {}).items()}
        unknown = [name for name in truths if name not in pictures]
        if unknown:
            raise InputError(
                f"each box must belong to one of {', '.join(pictures)}, got {unknown[0]!r}; use the names of the pictures"
            )
        self._panel = _Panel(pictures)
        band = Band() if band is None else band
        self._names, self._truths, self._band = tuple(pictures), truths, band
        sliders: dict[str, Any] = {}
        if len(pictures) > 1:
            sliders["name"] = Choice(self._names, "picture")
        sliders |= band_sliders(band)
        super().__init__(
            self._show,
            alt="A picture with a box around the largest blob; beside it the same picture, dark except for the mask, the pixels "
            "in the band; below, histograms of hue, saturation and value with what is outside the thresholds veiled.",
            **sliders,
        )

    def _show(
        self, hue_from: float, hue_to: float, saturation_from: float, value_from: float, name: str = ""
    ) -> tuple[np.ndarray, str]:
        name = name or self._names[0]
        band = band_at(self._band, hue_from, hue_to, saturation_from, value_from)
        mask = self._panel.mask(name, band)
        blobs = connected_components(mask, Shape().min_area_px)
        box = blobs.boxes[0] if len(blobs) else None
        text = (f"{name}: " if name else "") + mask_text(mask, blobs)
        if name in self._truths:
            overlap = 0.0 if box is None else iou(box[None], self._truths[name][None])[0, 0]
            text += f"; IoU with the ground truth {overlap:.2f}: {'found' if overlap >= 0.5 else 'not found'}"
        return self._panel.draw(name, band, mask, box), text


def band_sliders(band: Band) -> dict[str, Slider]:
    """Sliders for the thresholds of a band, at its own values.

    Parameters
    ----------
    band : Band
        Where they stand.

    Returns
    -------
    dict from str to Slider
        Hue from and to, saturation from, value from.

    Examples
    --------
    >>> list(band_sliders(Band()))
    ['hue_from', 'hue_to', 'saturation_from', 'value_from']
    """
    return {
        "hue_from": Slider(0, HUES - 1, band.hue[0], 1, "hue from"),
        "hue_to": Slider(0, HUES - 1, band.hue[1], 1, "hue to"),
        "saturation_from": Slider(0, 255, band.saturation[0], 1, "saturation from"),
        "value_from": Slider(0, 255, band.value[0], 1, "value from"),
    }


def band_at(start: Band, hue_from: float, hue_to: float, saturation_from: float, value_from: float) -> Band:
    """The band that these sliders say.

    Parameters
    ----------
    start : Band
        Its upper thresholds on saturation and value are kept; a lower one above them lifts them.
    hue_from, hue_to, saturation_from, value_from : float
        What the sliders say.

    Returns
    -------
    Band
        The band.

    Examples
    --------
    >>> band_at(Band(value=(50, 200)), 6, 15, 150, 90)
    Band(hue=(6, 15), saturation=(150, 255), value=(90, 200))
    """
    return Band(
        (int(hue_from), int(hue_to)),
        (int(saturation_from), max(int(saturation_from), start.saturation[1])),
        (int(value_from), max(int(value_from), start.value[1])),
    )


def mask_text(mask: np.ndarray, blobs: Components) -> str:
    """How much of a picture a mask holds, and how large its largest blob is.

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        The mask.
    blobs : Components
        Its connected components.

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> mask = np.ones((3, 5), bool)
    >>> mask_text(mask, connected_components(mask))
    '15 pixels in the band, 100.0 % of the picture; largest blob 15 pixels, 5 wide and 3 tall'
    """
    text = f"{mask.sum()} pixels in the band, {100 * mask.mean():.1f} % of the picture; "
    if not len(blobs):
        return text + f"no blob of {Shape().min_area_px} pixels or more"
    wide, tall = blobs.boxes[0, 2:] - blobs.boxes[0, :2]
    return text + f"largest blob {blobs.areas[0]} pixels, {wide:.0f} wide and {tall:.0f} tall"


class _Counted:
    """A picture taken apart once."""

    def __init__(self, picture: np.ndarray) -> None:
        self.picture = picture
        self.scales = np.moveaxis(hsv(picture), -1, 0)
        self.counts = [histogram(picture, scale) for scale, _, _ in _SCALES]


class _Panel:
    """One kept figure: what a slider cannot change is drawn once for each picture."""

    def __init__(self, pictures: Mapping[str, np.ndarray]) -> None:
        self._counted = {name: _Counted(one) for name, one in pictures.items()}
        height, width = next(iter(pictures.values())).shape[:2]
        self._most = height * width
        figure = Figure(figsize=(_SIZE_PX[0] / 100, _SIZE_PX[1] / 100), dpi=100, layout="constrained")
        grid = figure.add_gridspec(2, 6, height_ratios=[2.2, 1])
        # The edges of the picture, not the middles of its pixels, as boxes have it.
        extent = (0, width, height, 0)
        self._axes = [figure.add_subplot(grid[0, :3]), figure.add_subplot(grid[0, 3:])]
        empty = np.zeros((height, width, 3), np.uint8)
        self._still = self._axes[0].imshow(empty, extent=extent, interpolation="nearest")
        self._kept = self._axes[1].imshow(empty, extent=extent, interpolation="nearest")
        for ax, title in zip(self._axes, ("largest blob and its box", "the mask")):
            ax.set_title(title, fontsize=_FONT_PT)
            ax.set_axis_off()
        # Black under white shows on any ground.
        self._lines = [
            ax.plot([], [], color=color, linewidth=width_pt)[0]
            for ax in self._axes
            for color, width_pt in (("black", 2.8), ("white", 1.2))
        ]
        self._bars, self._veils = [], []
        for place, (scale, top, label) in enumerate(_SCALES):
            ax = figure.add_subplot(grid[1, 2 * place : 2 * place + 2])
            self._bars.append(_bars(ax, scale, top, self._most))
            ax.set_xlabel(label, fontsize=_FONT_PT)
            ax.tick_params(labelsize=_FONT_PT - 1)
            if place == 0:
                ax.set_ylabel("pixels", fontsize=_FONT_PT)
            else:
                ax.set_yticklabels([])
            # Hue may need two: a band that does not go through red leaves both ends out.
            veils = [Rectangle((0, _LEAST_COUNT), 0, self._most, color="#dddddd", alpha=0.85, lw=0) for _ in range(2)]
            self._veils.append([ax.add_patch(veil) for veil in veils])
        self._figure = KeptFigure(figure, [self._kept, *self._lines, *itertools.chain(*self._veils)])

    def mask(self, name: str, band: Band) -> np.ndarray:
        return band.holds(*self._counted[name].scales)

    def draw(self, name: str, band: Band, mask: np.ndarray, box: np.ndarray | None) -> np.ndarray:
        self._kept.set_data(overlay(self._counted[name].picture, mask))
        for line in self._lines:
            x0, y0, x1, y1 = (np.nan,) * 4 if box is None else box + np.array([-3, -3, 3, 3])
            line.set_data([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0])
        for veils, (scale, top, _) in zip(self._veils, _SCALES):
            low, high = getattr(band, scale)
            for veil, (start, stop) in zip(veils, [*_outside(low, high, top), (0, 0)]):
                veil.set(x=start - 0.5, width=stop - start)
        return self._figure.draw(name, lambda: self._draw_still(name))

    def _draw_still(self, name: str) -> None:
        counted = self._counted[name]
        self._still.set_data(counted.picture)
        for steps, counts in zip(self._bars, counted.counts):
            # White over the color of what is not counted.
            steps.set_data(np.maximum(counts, _LEAST_COUNT), baseline=np.full(len(counts), 2.0 * self._most))


def _bars(ax, scale: str, top: int, most: int):
    """Axes full of the scale's own colors, and the steps that hide what is above the counts."""
    ramp = np.linspace(0, 1, top)
    if scale == "hue":
        away = np.abs((np.arange(top)[:, None] / top * 6 - np.array([0, 2, 4]) + 3) % 6 - 3)
        colors = np.clip(2 - away, 0, 1) * 0.9
    elif scale == "saturation":
        colors = np.stack([0.75 + 0.15 * ramp, 0.75 - 0.35 * ramp, 0.75 - 0.65 * ramp], axis=1)
    else:
        colors = np.repeat(0.85 * ramp[:, None], 3, axis=1)
    ax.set_yscale("log")
    ax.pcolormesh(np.arange(top + 1) - 0.5, [_LEAST_COUNT, most], np.broadcast_to(colors, (1, top, 3)))
    steps = ax.stairs(np.ones(top), np.arange(top + 1) - 0.5, baseline=2, fill=True, color="white")
    ax.set(xlim=(-0.5, top - 0.5), ylim=(_LEAST_COUNT, most), yticks=[1, 100, 10_000], yticklabels=["1", "100", "10k"])
    ax.minorticks_off()
    return steps


def _outside(low: int, high: int, top: int) -> list[tuple[int, int]]:
    """What of a scale is not in a band, as half-open ranges."""
    return [(0, low), (high + 1, top)] if low <= high else [(high + 1, low)]
