"""The top k classes of a square that one moves over a picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from matplotlib.figure import Figure

from robotlab.classify import square_crop
from robotlab.errors import InputError
from robotlab.image import check_picture
from robotlab.widgets.kit import KeptFigure
from robotlab.widgets.slider_picture import Slider, SliderPicture

# Blue for bars, vermilion for the threshold: two of the set by Okabe and Ito, told apart
# with any color vision (Okabe & Ito, Color Universal Design, 2008).
BAR_COLOR, LIMIT_COLOR = "#0072b2", "#d55e00"
# Smallest square, px: below it there is hardly a picture.
SMALLEST_PX = 12


class ProbabilisticClassifier(Protocol):
    """Anything with class names and probabilities, such as a Classifier or ImageNetClassifier."""

    classes: tuple[str, ...]

    def probabilities(self, pictures: Sequence[np.ndarray]) -> np.ndarray:
        """(N, K) probabilities of N pictures."""
        ...


class TopClasses(SliderPicture):
    """A picture, a square to move over it, and its top k classes.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue, 24 px or more on each side.
    classifier : ProbabilisticClassifier
        Asked about the square.
    middle : (float, float)
        Where the middle of the square starts, px: x to the right, y down.
    side_px : float
        Side of the square at the start.
    least : float, 0 to 1
        Where the confidence threshold starts; below it the classifier abstains.
    k : int
        How many classes are shown.
    alt : str
        What the picture shows, in words.

    Raises
    ------
    InputError
        If the picture is too small, or the start outside of it.

    Examples
    --------
    >>> class Gray:
    ...     classes = ("dark", "bright")
    ...     def probabilities(self, pictures):
    ...         bright = np.array([picture.mean() / 255 for picture in pictures])
    ...         return np.stack([1 - bright, bright], axis=1)
    >>> look = TopClasses(np.full((60, 80, 3), 204, np.uint8), Gray(), (40, 30), 20, alt="One even gray.")
    >>> look.text
    'bright: 0.80. Next: dark 0.20'
    """

    def __init__(
        self,
        picture: np.ndarray,
        classifier: ProbabilisticClassifier,
        middle: tuple[float, float],
        side_px: float,
        *,
        least: float = 0.5,
        k: int = 4,
        alt: str,
    ) -> None:
        check_picture(picture)
        height, width = picture.shape[:2]
        if min(height, width) < 2 * SMALLEST_PX:
            raise InputError(
                f"the picture must have {2 * SMALLEST_PX} px or more on each side, got {width}x{height}; take a larger one"
            )
        if k < 1:
            raise InputError(f"k must be 1 or more classes, got {k}; 4 is usual")
        self._picture, self._classifier, self._k = picture, classifier, min(k, len(classifier.classes))
        panel = self._build(picture)
        super().__init__(
            self._show,
            alt=alt,
            place=("x_px", "y_px"),
            panels=(panel,),
            x_px=Slider(0, width, middle[0], 1, "from the left", "px"),
            y_px=Slider(0, height, middle[1], 1, "from the top", "px"),
            side_px=Slider(SMALLEST_PX, min(height, width), side_px, 1, "side", "px"),
            least=Slider(0, 1, least, 0.01, "confidence threshold"),
        )

    def _build(self, picture: np.ndarray) -> tuple[float, ...]:
        """The kept figure, picture and square at the left, bars at the right; says where the picture is in it."""
        figure = Figure(figsize=(6.4, 3.0), dpi=100, layout="constrained")
        seen, bars = figure.subplots(1, 2, width_ratios=[1.2, 1])
        seen.imshow(picture, extent=(0, picture.shape[1], picture.shape[0], 0))
        seen.set(xlim=(0, picture.shape[1]), ylim=(picture.shape[0], 0), xticks=[], yticks=[])
        # A light line on a dark one shows on every picture.
        self._outlines = [
            seen.plot([], [], color=color, linewidth=width)[0] for color, width in (("black", 3.6), ("white", 1.6))
        ]
        self._bars = bars.barh(range(self._k), [0] * self._k, color=BAR_COLOR, height=0.5)
        # The names' plates cover the line of the threshold, so that letters stay readable.
        plate = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
        self._names = [
            bars.text(0.01, row - 0.28, "", va="bottom", ha="left", fontsize=13, bbox=plate) for row in range(self._k)
        ]
        self._limit = bars.axvline(0.5, color=LIMIT_COLOR, linewidth=2, linestyle="--")
        bars.set(xlim=(0, 1), ylim=(self._k - 0.4, -0.8), yticks=[], xticks=[0, 0.5, 1])
        bars.set_xlabel("probability; dashed: threshold", fontsize=12)
        bars.tick_params(labelsize=12)
        bars.spines[["top", "right"]].set_visible(False)
        self._figure = KeptFigure(figure, [*self._outlines, *self._bars, self._limit, *self._names])
        self._figure.draw()  # Lays the figure out.
        at = seen.get_position()
        # Where the picture is in the drawing: left, top, width and height as fractions of it.
        return (float(at.x0), 1 - float(at.y1), float(at.width), float(at.height))

    def _show(self, x_px: float, y_px: float, side_px: float, least: float) -> tuple[np.ndarray, str]:
        """The drawing and its line of text for one place of the square."""
        x0, y0 = x_px - side_px / 2, y_px - side_px / 2
        x1, y1 = x0 + side_px, y0 + side_px
        probabilities = self._classifier.probabilities(
            [square_crop(self._picture, np.array([x0, y0, x1, y1]), margin=0)]
        )[0]
        order = np.argsort(-probabilities, kind="stable")[: self._k]
        for outline in self._outlines:
            outline.set_data([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0])
        for bar, name, place in zip(self._bars, self._names, order, strict=True):
            bar.set_width(float(probabilities[place]))
            name.set_text(f"{self._classifier.classes[place]}  {probabilities[place]:.2f}")
        self._limit.set_xdata([least, least])
        best, confidence = self._classifier.classes[order[0]], float(probabilities[order[0]])
        # Rounded up to the threshold it would seem to reach it.
        below = f"only {confidence:.2f}" if round(confidence, 2) < least else f"a little less than {least:.2f}"
        unsure = f"no answer: {best} is the most probable, with {below}"
        said = f"{best}: {confidence:.2f}" if confidence >= least else unsure
        rest = ", ".join(f"{self._classifier.classes[place]} {probabilities[place]:.2f}" for place in order[1:])
        return self._figure.draw(), f"{said}. Next: {rest}" if rest else said
