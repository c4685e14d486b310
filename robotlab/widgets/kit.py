"""What all interactive pictures share: their browser side, and pictures as bytes."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import anywidget
import numpy as np
import traitlets

from robotlab.errors import PictureError
from robotlab.image import encode

# matplotlib is imported by what draws: the box labeler, which does not, appears half as late.
if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BROWSER = Path(__file__).parent / "browser"


class Widget(anywidget.AnyWidget):
    """Has a text alternative, and answers the browser's question whether the kernel is still there.

    Examples
    --------
    >>> Widget().comm is not None
    True
    """

    _css = (_BROWSER / "kit.css").read_text(encoding="utf-8")

    alt = traitlets.Unicode().tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self.on_msg(lambda widget, content, buffers: self.send("here"))


class AnsweringWidget(Widget):
    """A widget that answers what the browser asks, one question at a time.

    A subclass gives ``_seen(asked)``, which returns the traits of the answer.
    """

    # The browser's question and the answer to it; equal numbers mean that the rest is of these values.
    asked = traitlets.Dict().tag(sync=True)
    answered = traitlets.Int(0).tag(sync=True)
    text = traitlets.Unicode().tag(sync=True)
    failed = traitlets.Bool(False).tag(sync=True)

    def __init__(self, asked: dict[str, Any], **traits: Any) -> None:
        super().__init__(asked={"number": 0, **asked}, **traits, **self._seen(asked))
        self.observe(self._answer, names="asked")

    def _seen(self, asked: dict[str, Any]) -> dict[str, Any]:
        raise NotImplementedError

    def _answer(self, change: dict[str, Any]) -> None:
        asked = change["new"]
        try:
            seen = {"failed": False, **self._seen(asked)}
        except Exception as error:  # The learner's own function: whatever it raises belongs on the page.
            seen = {"text": f"{type(error).__name__}: {error}", "failed": True}
        # One message to the browser, so that picture and text never disagree.
        with self.hold_sync():
            for name, value in seen.items():
                setattr(self, name, value)
            self.answered = int(asked["number"])


class KeptFigure:
    """A figure whose still part is drawn once: what moves is drawn on a copy of it, in a quarter of the time.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure, complete.
    moving : sequence of Artist
        What changes, in the order in which it is drawn.
    """

    def __init__(self, figure: Figure, moving: Sequence[Artist]) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        self._canvas, self._moving = FigureCanvasAgg(figure), tuple(moving)
        self._still: dict[Hashable, object] = {}
        for artist in moving:
            artist.set_animated(True)

    def draw(self, key: Hashable = None, change_still: Callable[[], object] = lambda: None) -> np.ndarray:
        """Draw the moving parts on the still one.

        Parameters
        ----------
        key : hashable
            Which still part; each is drawn once.
        change_still : callable
            Called before a still part is drawn.

        Returns
        -------
        (H, W, 3) ndarray of uint8
            The picture.
        """
        if key not in self._still:
            change_still()
            self._canvas.draw()
            # Laid out once: later draws keep the places that the stored part has.
            self._canvas.figure.set_layout_engine("none")
            self._still[key] = self._canvas.copy_from_bbox(self._canvas.figure.bbox)
        self._canvas.restore_region(self._still[key])
        for artist in self._moving:
            assert artist.axes is not None
            artist.axes.draw_artist(artist)
        return np.asarray(self._canvas.buffer_rgba())[..., :3].copy()


def label_axes(ax: Axes, x: str, y: str, points: float) -> Axes:
    """Name both axes, a little larger than their numbers, and leave the frame open above and at the right.

    Parameters
    ----------
    ax : Axes
        The axes.
    x, y : str
        Their names.
    points : float
        Size of the names.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> label_axes(Figure().subplots(), "time, s", "speed, m/s", 12).get_xlabel()
    'time, s'
    """
    ax.set_xlabel(x, fontsize=points)
    ax.set_ylabel(y, fontsize=points)
    ax.tick_params(labelsize=points - 1)
    ax.spines[["top", "right"]].set_visible(False)
    return ax


def browser_code(name: str) -> str:
    """The JavaScript module of one widget: the shared part, then its own.

    Parameters
    ----------
    name : str
        The file in ``widgets/browser``, without its ending.

    Returns
    -------
    str
        One module.

    Examples
    --------
    >>> "export default" in browser_code("slider_picture")
    True
    """
    return "\n".join((_BROWSER / f"{part}.js").read_text(encoding="utf-8") for part in ("kit", name))


def picture_bytes(drawn: np.ndarray | Figure) -> bytes:
    """A drawn picture as the bytes of a PNG file.

    Parameters
    ----------
    drawn : (H, W, 3) ndarray of uint8, or matplotlib Figure
        Keep one figure and move its artists: building a figure takes longer
        than drawing it.

    Returns
    -------
    bytes
        PNG.

    Raises
    ------
    PictureError
        If it is neither.

    Examples
    --------
    >>> picture_bytes(np.zeros((4, 6, 3), np.uint8))[1:4]
    b'PNG'
    """
    if isinstance(drawn, np.ndarray):
        return encode(drawn, "png", effort=1)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    if isinstance(drawn, Figure):
        canvas = drawn.canvas if hasattr(drawn.canvas, "buffer_rgba") else FigureCanvasAgg(drawn)
        canvas.draw()
        # Laid out once: the axes then stay where they are while numbers change, and drawing takes half the time.
        drawn.set_layout_engine("none")
        return encode(np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[..., :3]), "png", effort=1)
    raise PictureError(
        f"a drawing function must return a picture (H, W, 3) of uint8 or a matplotlib Figure, got {type(drawn).__name__}; "
        "return one of them, or one of them and a line of text"
    )
