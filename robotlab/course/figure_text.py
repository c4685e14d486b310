"""Check that the text of a lesson's figures stays readable in a small window.

The builder's kernel measures every figure that a cell shows, and refuses one
with smaller text.  So no lesson holds such a figure.
"""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

from robotlab.course.outputs import LessonError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Width that a figure gets in a window 800 px wide, px: measured in JupyterLab 4.6, of a picture among the text;
# one beneath its cell gets 690.
NARROW_PX = 605
# Common practice, no source: smaller text on a screen is hard to read.
LEAST_PX = 11.0
_POINTS_PER_INCH = 72


def smallest_text_px(figure: Figure, picture_width_px: float, shown_px: float = NARROW_PX) -> float:
    """Size of the smallest text of a figure on the screen, when its picture has to fit a width.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    picture_width_px : float
        Width of the picture that it became, px: what a notebook shows is cut at the figure's edge.
    shown_px : float
        Width of the place it is shown in; a wider picture is made smaller, a narrower one is not made larger.

    Returns
    -------
    float
        Font size in px; infinite without any text.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> figure = Figure(figsize=(12.1, 4), dpi=100)
    >>> _ = figure.text(0, 0, "half of this size", fontsize=14.4)
    >>> round(smallest_text_px(figure, 1210), 3)
    10.0
    """
    from matplotlib.text import Text

    scale = min(1.0, shown_px / picture_width_px) * figure.dpi / _POINTS_PER_INCH
    sizes = [float(one.get_fontsize()) for one in figure.findobj(Text) if one.get_visible() and one.get_text().strip()]
    return scale * min(sizes, default=float("inf"))


def watch_figures() -> None:
    """From now on, refuse each figure that a notebook shows with text below `LEAST_PX` in a small window.

    The cell that shows it then has a :class:`LessonError` among its outputs.

    Examples
    --------
    >>> from IPython.core import pylabtools
    >>> before = pylabtools.print_figure
    >>> watch_figures()
    >>> pylabtools.print_figure is before
    False
    >>> pylabtools.print_figure = before
    """
    from IPython.core import pylabtools

    draw = pylabtools.print_figure

    def drawn(fig: Figure, fmt: str = "png", *others: Any, **options: Any) -> Any:
        content = draw(fig, fmt, *others, **options)
        if fmt == "png" and content:
            head = base64.b64decode(content[:64]) if isinstance(content, str) else content[:24]
            # A PNG file names its width in bytes 16 to 19 (ISO/IEC 15948, 11.2.2).
            width = int.from_bytes(head[16:20], "big")
            size = smallest_text_px(fig, width)
            if size < LEAST_PX:
                raise LessonError(
                    f"the text of a figure must be {LEAST_PX:g} px tall in a window of 800 px, the smallest of this one, "
                    f"{width} px wide, is {size:.1f}; make the figure narrower or the text larger"
                )
        return content

    pylabtools.print_figure = drawn
