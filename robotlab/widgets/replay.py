"""A run of the loop, replayed in the browser."""

from __future__ import annotations

import traitlets

from robotlab.errors import InputError
from robotlab.widgets.kit import Widget, browser_code


class Replay(Widget):
    """A replay page inside a notebook, in a frame of its own.

    Parameters
    ----------
    page : str
        A self-contained piece of HTML, such as
        :func:`robotlab.loop.replay.replay_html` makes of a run.
    alt : str
        What it shows, in words.

    Raises
    ------
    InputError
        If the page or its text alternative is empty.

    Notes
    -----
    The frame keeps the page's keys and styles apart from the notebook's.  It
    may run its own script and nothing else (``sandbox="allow-scripts"``).

    Examples
    --------
    >>> Replay("<p>no run yet</p>", alt="An empty replay.")
    Replay: An empty replay.
    """

    _esm = browser_code("replay")

    page = traitlets.Unicode().tag(sync=True)

    def __init__(self, page: str, *, alt: str) -> None:
        if not page.strip() or not alt.strip():
            raise InputError("a replay must have a page and a text alternative, one is empty; pass both")
        super().__init__(page=page, alt=alt)

    def __repr__(self) -> str:
        return f"Replay: {self.alt}"
