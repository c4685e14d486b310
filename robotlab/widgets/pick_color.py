"""Click an object in a photograph: its color is learned, and the mask shows what else has that color."""

from __future__ import annotations

import numpy as np

from robotlab.color import Band, click_boxes, connected_components, learn_from_boxes, overlay
from robotlab.data import draw_boxes
from robotlab.errors import InputError
from robotlab.image import check_picture
from robotlab.widgets.slider_picture import Slider, SliderPicture

# Smallest patch of color that counts as an object, px, as in the color detector.
_LEAST_PX = 12


class PickColor(SliderPicture):
    """A picture to click, and beside it what has the color of the place that was clicked.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        RGB.
    start : pair of int, optional
        Column and row to begin with, px; the middle of the picture if not given.

    Raises
    ------
    PictureError
        If it is not a picture.
    InputError
        If the start is outside of it.

    Notes
    -----
    Sliders for column and row do what a click does.  ``band`` is the band of colors learned
    at the place that is set now.

    Examples
    --------
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> picked = PickColor(picture, (35, 30))
    >>> picked.band.hue[0] <= 13 <= picked.band.hue[1], picked.text.split(";")[0]
    (True, '300 pixels have this color, 6.2 % of the picture')
    """

    def __init__(self, picture: np.ndarray, start: tuple[int, int] | None = None) -> None:
        self._picture = check_picture(picture, "picture")
        height, width = self._picture.shape[:2]
        column, row = (width // 2, height // 2) if start is None else start
        if not (0 <= column < width and 0 <= row < height):
            raise InputError(
                f"start must lie in the picture of {width} × {height} px, got {start}; give column and row"
            )
        self.band = Band()
        super().__init__(
            self._show,
            alt="A photograph to click, and beside it the same photograph, dark except for the pixels that have the color "
            "of the place that was clicked.",
            place=("column", "row"),
            panels=((0, 0, 0.5, 1), (0.5, 0, 0.5, 1)),
            column=Slider(0, width - 1, column, 1, "column", "px"),
            row=Slider(0, height - 1, row, 1, "row", "px"),
            radius_px=Slider(1, 12, 3, 1, "learn from this far around", "px"),
        )

    def _show(self, column: float, row: float, radius_px: float) -> tuple[np.ndarray, str]:
        height, width = self._picture.shape[:2]
        box = click_boxes([[column + 0.5, row + 0.5]], radius_px).clip(0, [width, height, width, height])
        band = learn_from_boxes(self._picture, box)
        assert isinstance(band, Band)
        self.band = band
        mask = band.mask(self._picture)
        marked = self._picture
        for reach, shade in ((2, 0), (1, 255)):  # White within black shows on any ground.
            marked = draw_boxes(marked, box + np.array([-reach, -reach, reach, reach]), [(shade,) * 3], 1)
        blobs = connected_components(mask, _LEAST_PX)
        text = f"{mask.sum()} pixels have this color, {100 * mask.mean():.1f} % of the picture; "
        if len(blobs):
            x0, y0, x1, y1 = blobs.boxes[0]
            which = "in one blob," if len(blobs) == 1 else f"in {len(blobs)} blobs, the largest"
            text += f"{which} {x1 - x0:.0f} wide and {y1 - y0:.0f} tall. "
        else:
            text += f"no blob of {_LEAST_PX} pixels. "
        text += f"Hue {band.hue[0]} to {band.hue[1]}, saturation from {band.saturation[0]}, value from {band.value[0]}"
        return np.hstack([marked, overlay(self._picture, mask)]), text
