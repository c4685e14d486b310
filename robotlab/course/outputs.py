"""Clean the outputs of a worked notebook: keep what is the same on every machine."""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from typing import Any

from robotlab.errors import InputError

# nbval's tag for a cell whose output is its own machine's affair.
CHECKS_NOTHING = "nbval-ignore-output"
# Numbers that another processor may compute a little differently.
APPROXIMATE = "approximate"
# Names a model in a running kernel, means nothing outside it.
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"


class LessonError(InputError):
    """A lesson's source or a lesson's run that breaks a rule."""


def tidy(outputs: list[dict[str, Any]], count: int, tags: list[str], where: str) -> list[dict[str, Any]]:
    """The outputs of one cell without what differs from run to run.

    Parameters
    ----------
    outputs : list of dict
        As the notebook format has them.
    count : int
        The cell's place among the code cells.
    tags : list of str
        The cell's tags; those tagged ``nbval-ignore-output`` keep their
        pictures and lose their text.
    where : str
        How an error message calls the cell.

    Returns
    -------
    list of dict
        Neighboring pieces of printed text joined, widgets as their text.

    Raises
    ------
    LessonError
        If the cell failed, warned, or printed a path or an address of this machine.

    Examples
    --------
    >>> pieces = [{"output_type": "stream", "name": "stdout", "text": text} for text in ("6.5 ", "px")]
    >>> tidy(pieces, 1, [], "a cell")[0]["text"]
    '6.5 px'
    """
    kept: list[dict[str, Any]] = []
    for output in outputs:
        output = dict(output)
        kind = output["output_type"]
        if kind == "error" and "raises-exception" not in tags:
            raise LessonError(f"{where}: it must run, it raised {output['ename']}: {output['evalue']}; correct it")
        if kind == "stream":
            warned = output["name"] == "stderr"
            if CHECKS_NOTHING in tags or (warned and APPROXIMATE in tags):
                continue
            if warned:
                raise LessonError(
                    f"{where}: it must run without warnings, it wrote {_short(output['text'])!r}; remove the cause"
                )
            if kept and kept[-1]["output_type"] == "stream":
                kept[-1]["text"] += output["text"]
                continue
        if kind in ("display_data", "execute_result"):
            data = {name: value for name, value in output["data"].items() if name != WIDGET_VIEW}
            output.update(data=data, metadata={})
            if CHECKS_NOTHING in tags and not any(name.startswith("image/") for name in data):
                continue
        if kind == "execute_result":
            output["execution_count"] = count
        kept.append(output)
    for output in kept:
        refuse_noise(_words(output), where)
    return kept


def refuse_noise(text: str, where: str) -> None:
    """Refuse text that only this machine, or only this run, would print.

    Parameters
    ----------
    text : str
        What a cell printed.
    where : str
        How an error message calls the cell.

    Raises
    ------
    LessonError
        If it holds an address in memory, or a path of this machine.

    Examples
    --------
    >>> refuse_noise("<Camera object at 0x7f00aa>", "a cell")
    Traceback (most recent call last):
    ...
    robotlab.course.outputs.LessonError: a cell: output must be the same in every run, got 'at 0x7f00aa'; give the object a plain repr or print less
    """
    found = re.search(r"at 0x[0-9a-f]{6,}", text)
    if found:
        raise LessonError(
            f"{where}: output must be the same in every run, got {found[0]!r}; give the object a plain repr or print less"
        )
    places = {sys.prefix, str(Path.home()), tempfile.gettempdir(), str(Path(__file__).resolve().parents[2])}
    for place in places:
        if len(place) > 1 and re.search(re.escape(place) + r"(?![\w-])", text):
            raise LessonError(
                f"{where}: output must name no folder of this machine, got {place!r}; print the name only"
            )


def _words(output: dict[str, Any]) -> str:
    if output["output_type"] == "stream":
        return output["text"]
    if output["output_type"] == "error":
        return "\n".join(output["traceback"])
    return "\n".join(str(value) for name, value in output["data"].items() if name.startswith("text/"))


def _short(text: str) -> str:
    return text.strip().splitlines()[-1][:120] if text.strip() else text
