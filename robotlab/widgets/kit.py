"""What all interactive pictures share: their browser side, and pictures as bytes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import anywidget
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from robotlab.errors import PictureError
from robotlab.picture import encode

_BROWSER = Path(__file__).parent / "browser"


class Widget(anywidget.AnyWidget):
    """Answers the browser's question whether the kernel is still there.

    Examples
    --------
    >>> Widget().comm is not None
    True
    """

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self.on_msg(lambda widget, content, buffers: self.send("here"))


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


def browser_style() -> str:
    """The style sheet of all widgets.

    Returns
    -------
    str
        CSS.

    Examples
    --------
    >>> ".robotlab-widget" in browser_style()
    True
    """
    return (_BROWSER / "kit.css").read_text(encoding="utf-8")


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
