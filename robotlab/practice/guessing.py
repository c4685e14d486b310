"""The learner's guess before a cell is run, kept and shown again beside the answer.

In a lesson it takes two cells.  Under the question, before anything gives the answer away::

    guess("02.post_width", "How wide is the post at 3 m?", choices=(2, 6, 20, 60), unit="px")

and at the end of the cell that finds the answer::

    compare_guess("02.post_width", f"{wide:.1f} px")

A guess is kept in the progress file (:mod:`robotlab.practice.progress`); nothing waits
for one, so that "run all" goes on.  The answer's cell output holds guess and answer a second
time, as data, so that a saved notebook that is handed in says what was guessed (:func:`guesses_in`).
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import ipywidgets

from robotlab.errors import InputError
from robotlab.practice import missing_names
from robotlab.practice.notebook_data import part_of
from robotlab.practice.progress import LONGEST_GUESS, open_progress

# A media type of our own, as RFC 6838 wants it; browsers that do not know it show the text beside it.
MEDIA_TYPE = "application/vnd.robotlab.guess+json"
_NOT_CHOSEN = "choose"

# The first cell of a lesson imports this module; from then on a missing name is explained.
missing_names.install()


class Guess(ipywidgets.VBox):
    """A question and a field for the guess; made by :func:`guess`.

    Parameters
    ----------
    name : str
        What the guess is called, such as ``"02.post_width"``.
    question : str
        One line.
    field : ipywidgets.Dropdown or ipywidgets.Text
        Where the guess is written.
    unit : str
        Unit of the guess, empty for none.

    Examples
    --------
    >>> Guess("02.post_width", "How wide is it?", ipywidgets.Text(), "px")
    my guess: How wide is it?
    """

    def __init__(self, name: str, question: str, field: ipywidgets.ValueWidget, unit: str) -> None:
        self.name, self.question, self.field, self.unit = name, question, field, unit
        self.says = ipywidgets.HTML()
        row = ipywidgets.HBox([field, self.says], layout=ipywidgets.Layout(flex_flow="row wrap"))
        super().__init__([ipywidgets.HTML(html.escape(question)), row])
        field.observe(self._keep, names="value")

    def _keep(self, change: dict[str, Any]) -> None:
        progress = open_progress()
        progress.add_guess(self.name, change["new"])
        words = progress.take_note() or ("kept" if change["new"] else "")
        self.says.value = f"{html.escape(self.unit)} &nbsp; {html.escape(words)}"

    def __repr__(self) -> str:
        return f"my guess: {self.question}"


def guess(name: str, question: str, choices: Sequence[object] = (), unit: str = "") -> Guess:
    """A field for the learner's guess: a list to choose from, or one line of text.

    Parameters
    ----------
    name : str
        The lesson's number, a dot and a word, such as ``"02.post_width"``; the guess is kept by it.
    question : str
        One line, shown above the field.
    choices : sequence, optional
        What to choose from; without, the field takes any text.
    unit : str
        Unit of the guess, shown behind it.

    Returns
    -------
    Guess
        What a notebook shows.  It is filled with the guess that was kept, if there is one.

    Raises
    ------
    InputError
        If the name or the question is empty.

    Examples
    --------
    >>> field = guess("00.example", "How many pixels tall?", choices=(17, 66), unit="px")
    >>> field.field.options[1]
    ('17 px', '17 px')
    """
    if not name.strip() or not question.strip():
        raise InputError(f"a guess must have a name and a question, got {name!r} and {question!r}; write both")
    kept = open_progress().guess(name)
    field: ipywidgets.ValueWidget
    if choices:
        texts = tuple(f"{one} {unit}".strip() for one in choices)
        options = [(_NOT_CHOSEN, ""), *((text, text) for text in texts)]
        field = ipywidgets.Dropdown(options=options, value=kept if kept in texts else "", description="my guess")
        return Guess(name, question, field, "")
    field = ipywidgets.Text(value=kept, description="my guess", placeholder="write it here", continuous_update=False)
    return Guess(name, question, field, unit)


@dataclass(frozen=True)
class GuessBeside:
    """The guess beside the answer; made by :func:`compare_guess`.

    Parameters
    ----------
    name : str
        What the guess is called.
    guess : str
        Empty where none was written.
    answer : str
        What came out.

    Examples
    --------
    >>> GuessBeside("02.post_width", "20 px", "6.5 px")
    Your guess: 20 px. The answer: 6.5 px.
    >>> GuessBeside("02.post_width", "", "6.5 px")
    You wrote no guess. The answer: 6.5 px.
    """

    name: str
    guess: str
    answer: str

    def __repr__(self) -> str:
        first = f"Your guess: {self.guess.removesuffix('.')}." if self.guess else "You wrote no guess."
        return f"{first} The answer: {self.answer.removesuffix('.')}."

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
        data = {"name": self.name, "guess": self.guess, "answer": self.answer}
        panel = f'<div style="border-left:4px solid #0072b2;padding:.3em .9em;max-width:60em">{html.escape(repr(self))}</div>'
        return {"text/plain": repr(self), "text/html": panel, MEDIA_TYPE: data}


def compare_guess(name: str, answer: object) -> GuessBeside:
    """Show the guess again, beside the answer; the last line of the cell that finds it.

    Parameters
    ----------
    name : str
        As in :func:`guess`.
    answer : object
        What came out, with its unit; shown as text.

    Returns
    -------
    GuessBeside
        What a notebook shows.

    Examples
    --------
    >>> compare_guess("00.nobody_guessed_this", "67 px")
    You wrote no guess. The answer: 67 px.
    """
    return GuessBeside(name, open_progress().guess(name), str(answer))


def guesses_in(notebook: dict[str, Any]) -> list[GuessBeside]:
    """The guesses that a saved notebook holds, for a teacher who collects notebooks.

    Parameters
    ----------
    notebook : dict
        A notebook file's content, format 4.  It comes from a learner: nothing of it is trusted,
        and what is not of the right form is left out.

    Returns
    -------
    list of GuessBeside
        In the order of the cells; those never compared with an answer are not in it.

    Examples
    --------
    >>> data = {MEDIA_TYPE: {"name": "02.post_width", "guess": "20 px", "answer": "6.5 px"}}
    >>> guesses_in({"cells": [{"outputs": [{"data": data}]}]})[0].guess
    '20 px'
    """
    found = []
    for cell in part_of(notebook, "cells", list):
        for output in part_of(cell, "outputs", list):
            one = part_of(part_of(output, "data", dict), MEDIA_TYPE, dict)
            words = [one.get(key) for key in ("name", "guess", "answer")]
            if all(isinstance(word, str) and len(word) <= LONGEST_GUESS for word in words):
                found.append(GuessBeside(*words))
    return found
