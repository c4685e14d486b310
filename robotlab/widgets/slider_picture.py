"""A picture that a Python function draws anew whenever a slider moves."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import traitlets

from robotlab.errors import InputError
from robotlab.widgets.kit import AnsweringWidget, browser_code, picture_bytes


@dataclass(frozen=True)
class Slider:
    """One slider: its range, its start, what it says.

    Parameters
    ----------
    low, high : float
        Ends of the range, in the slider's own unit.
    start : float
        Where it stands at first.
    step : float
        The smallest move.
    label : str
        What it sets, in words.
    unit : str
        Unit shown behind the number.

    Raises
    ------
    InputError
        If the range is empty, the step is not positive, or the start is outside.

    Examples
    --------
    >>> Slider(0.3, 6.0, start=2.0, step=0.1, label="distance", unit="m").high
    6.0
    """

    low: float
    high: float
    start: float
    step: float
    label: str
    unit: str = ""

    def __post_init__(self) -> None:
        numbers = (self.low, self.high, self.start, self.step)
        if not all(math.isfinite(number) for number in numbers):
            raise InputError(f"a slider must have finite numbers, got {numbers}; check its range")
        if not (self.low < self.high and self.step > 0 and self.low <= self.start <= self.high):
            raise InputError(
                f"a slider must have low < high, step > 0 and its start between, got {numbers}; check its range"
            )


@dataclass(frozen=True)
class Choice:
    """A drop-down list among the sliders; it starts at its first option.

    Parameters
    ----------
    options : tuple of str
        What can be chosen.
    label : str
        What it sets, in words.

    Raises
    ------
    InputError
        If there are fewer than two options, or one comes twice.

    Examples
    --------
    >>> Choice(("all", "post"), "class").start
    'all'
    """

    options: tuple[str, ...]
    label: str

    def __post_init__(self) -> None:
        if len(set(self.options)) < max(2, len(self.options)):
            raise InputError(f"a choice must have two or more different options, got {self.options}; name each once")

    @property
    def start(self) -> str:
        """The option that is chosen at first."""
        return self.options[0]


class SliderPicture(AnsweringWidget):
    """A picture with sliders under it; each move draws it anew.

    Parameters
    ----------
    draw : callable
        Called with one keyword for each slider; returns a picture
        ``(H, W, 3)`` of uint8 or a matplotlib Figure, alone or with a line of
        text.  For speed keep one Figure and move its artists.
    alt : str
        What the picture shows, in words, for those who do not see it; the
        line of text is read out at every move.
    zoom : float
        CSS pixels for one pixel of the picture; it never gets wider than the page.
    place : pair of str, optional
        Names of two sliders that a click on the picture, or dragging on it, sets: those for
        the place from the left and from the top, each from one end to the other of a panel.
    panels : sequence of (float, float, float, float)
        Left, top, width and height of the panels to click, as fractions of the picture.
    **sliders : Slider or Choice
        By the name of the keyword that `draw` takes.

    Raises
    ------
    InputError
        If there is no slider, no text alternative, or `draw` fails at the start.

    Notes
    -----
    The browser asks for one picture at a time and remembers only the newest
    request, so a slow drawing lags by one picture and never piles up.

    Examples
    --------
    >>> import numpy as np
    >>> def gray(level):
    ...     return np.full((4, 6, 3), int(level), np.uint8), f"level {level:.0f}"
    >>> SliderPicture(gray, alt="One even gray.", level=Slider(0, 255, 90, 1, "gray level"))
    Picture with sliders (gray level): One even gray. Now: level 90
    """

    _esm = browser_code("slider_picture")

    sliders: traitlets.List = traitlets.List().tag(sync=True)
    zoom = traitlets.Float(1.0).tag(sync=True)
    picture = traitlets.Bytes().tag(sync=True)
    place: traitlets.List = traitlets.List().tag(sync=True)
    panels: traitlets.List = traitlets.List().tag(sync=True)
    # Above 0: the page asks again after so many ms, until its button stops it.
    every_ms = traitlets.Int(0).tag(sync=True)

    def __init__(
        self,
        draw: Callable[..., Any],
        *,
        alt: str,
        zoom: float = 1.0,
        place: tuple[str, ...] = (),
        panels: Sequence[tuple[float, ...]] = ((0, 0, 1, 1),),
        **sliders: Slider | Choice,
    ) -> None:
        if not sliders:
            raise InputError("a picture with sliders must have one at least, got none; pass one as name=Slider(...)")
        if not alt.strip():
            raise InputError("alt must say in words what the picture shows, got an empty text; write a sentence")
        if place and (len(place) != 2 or not all(isinstance(sliders.get(name), Slider) for name in place)):
            raise InputError(
                f"place must name two sliders, for column and row, got {place}; name two of {', '.join(sliders)}"
            )
        self._draw = draw
        super().__init__(
            {"values": {name: slider.start for name, slider in sliders.items()}},
            sliders=[{"name": name, **vars(slider)} for name, slider in sliders.items()],
            alt=alt,
            zoom=float(zoom),
            place=list(place),
            panels=[list(panel) for panel in panels],
        )

    def _seen(self, asked: dict[str, Any]) -> dict[str, Any]:
        result = self._draw(**asked["values"])
        drawn, text = result if isinstance(result, tuple) else (result, "")
        return {"picture": picture_bytes(drawn), "text": str(text)}

    def __repr__(self) -> str:
        labels = ", ".join(slider["label"] for slider in self.sliders)
        return f"Picture with sliders ({labels}): {self.alt} Now: {self.text}"
