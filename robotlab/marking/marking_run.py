"""Marking a folder of submissions: each notebook once, kept on disk as soon as it is marked.

The folder of marks holds ``state.jsonl`` (the seed, then one line a notebook,
appended and flushed to the disk), so that marking that was cut off goes on, and
marking again gives the same bytes; the tables and pages are made from it.
"""

from __future__ import annotations

import json
import os
import secrets
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, BinaryIO

from robotlab import __version__
from robotlab._progress import progress_bar
from robotlab.errors import InputError
from robotlab.files import open_to_append
from robotlab.json_file import parse_json
from robotlab.marking.judging import mark_notebook
from robotlab.marking.key import MarkingKey
from robotlab.marking.sandbox import CONTAINER, Limits, missing_sandbox
from robotlab.marking.submissions import Submission, read_submissions
from robotlab.marking.submitted_code import alike_pairs, function_source
from robotlab.one_writer import append_line, one_writer
from robotlab.parallel import parts_done
from robotlab.practice import tasks_of

STATE = "state.jsonl"
# A notebook takes some 10 kB.
LARGEST_STATE_BYTES = 2**29

# What is noted of a task.
_TASK = {
    **dict.fromkeys(("kind", "says", "misconception", "printed", "hint"), str),
    **dict.fromkeys(("table", "library"), list),
    **dict.fromkeys(("points", "of")),
}


@dataclass(frozen=True)
class Marked:
    """One notebook and its marks.

    Parameters
    ----------
    label : str
        The learner's name or number.
    submission : Submission
        What was handed in.
    tasks : dict
        What became of each task, by name.
    cells : list of str
        Statements that failed.
    """

    label: str
    submission: Submission
    tasks: dict[str, Any]
    cells: list[str]


@dataclass(frozen=True)
class Marking:
    """All notebooks, marked.

    Parameters
    ----------
    notebooks : list of Marked
        By label and lesson.
    alike : list of (str, str, float)
        Labels of two learners whose answers are alike, and how much.
    names : dict
        Learner's name by label.
    key : MarkingKey
        Points.
    """

    notebooks: list[Marked]
    alike: list[tuple[str, str, float]]
    names: dict[str, str]
    key: MarkingKey


def mark_submissions(
    submissions: str | os.PathLike,
    output: str | os.PathLike,
    key: MarkingKey | None = None,
    lesson: int | None = None,
    seed: int | None = None,
    limits: Limits | None = None,
    trusted: bool = False,
    anonymous: bool = False,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: bool = True,
) -> Marking:
    """Mark all notebooks below a folder, or go on with marking that was cut off.

    Parameters
    ----------
    submissions : path-like
        Folder of notebooks, or of folders of them, one for each learner.
    output : path-like
        Folder of the marks; empty, or one of an earlier marking.
    key : MarkingKey, optional
        Points.
    lesson : int, optional
        The lesson of all of them; by default each notebook says it.
    seed : int, optional
        Of the unseen cases; by default drawn once and kept in `output`.
    limits : Limits, optional
        What one notebook may use.
    trusted : bool
        Run the notebooks on this very account, without a sandbox.
    anonymous : bool
        Numbers in place of names.
    jobs : int, optional
        Processes on this machine; by default one for each core.
    cluster : str, optional
        Address of a Dask scheduler; the marks are the same.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Marking
        The same for the same notebooks, key and seed.

    Raises
    ------
    InputError
        If there is no sandbox here and the notebooks are not said to be
        trusted, or the folders are wrong.

    Examples
    --------
    >>> mark_submissions("nowhere", "marks")
    Traceback (most recent call last):
    robotlab.errors.InputError: submissions must be a folder of notebooks, nowhere is none; check its name
    """
    key, limits = key or MarkingKey(), limits or Limits()
    handed_in = read_submissions(submissions, {task.name: task.lesson for task in tasks_of()}, lesson)
    why = "" if trusted or cluster else missing_sandbox()
    if why:
        raise InputError(
            f"{why}; install it, run '{CONTAINER}', or give --trusted for notebooks that you would run yourself"
        )
    if trusted and os.name != "posix":
        raise InputError("marking must run where processes can fork, Windows cannot; run it in WSL or a container")
    folder = Path(output)
    _claim(folder)
    what = "the state of a marking"
    with one_writer(folder, "another marking"), open_to_append(folder / STATE, LARGEST_STATE_BYTES, what) as file:
        known, kept_seed = _restored(file)
        if kept_seed is None:
            kept_seed = secrets.randbelow(2**63) if seed is None else seed
            append_line(file, {"seed": kept_seed})
        seed = kept_seed if seed is None else seed
        settings = {"key": asdict(key), "limits": asdict(limits), "closed": not trusted, "seed": seed}
        stamp = sha256(json.dumps([settings, __version__], sort_keys=True).encode()).hexdigest()
        found: dict[str, dict[str, Any]] = {}
        left: dict[str, dict[str, Any]] = {}
        for one in handed_in:
            place = sha256(f"{stamp}|{one.identity}|{one.lesson}".encode()).hexdigest()[:24]
            if one.problem:
                found[one.identity] = {"tasks": {}, "cells": []}
            elif place in known:
                found[one.identity] = known[place]
            else:
                left[one.identity] = {"cells": one.cells, "lesson": one.lesson, "place": place, **settings}
        order = list(left)
        with progress_bar(len(handed_in), "marking", progress, initial=len(found), unit="notebook") as bar:
            for number, marked in parts_done(mark_notebook, list(left.values()), jobs, cluster):
                append_line(file, {"place": left[order[number]]["place"], "marked": marked})
                found[order[number]] = marked
                bar.update()
    labels = _labels(handed_in, seed if anonymous else None)
    notebooks = [Marked(labels[one.learner], one, **found[one.identity]) for one in handed_in]
    notebooks.sort(key=lambda one: (one.label, one.submission.lesson or 0, one.submission.identity))
    return Marking(notebooks, _alike(notebooks), {label: name for name, label in labels.items()}, key)


def _labels(handed_in: list[Submission], seed: int | None) -> dict[str, str]:
    """What each learner is called; numbers are dealt out in an order that the alphabet does not give away."""
    learners = sorted({one.learner for one in handed_in})
    if seed is None:
        return {name: name for name in learners}
    order = sorted(learners, key=lambda name: sha256(f"{seed}|{name}".encode()).digest())
    wide = max(3, len(str(len(order))))
    return {name: f"learner {number:0{wide}d}" for number, name in enumerate(order, start=1)}


def _alike(notebooks: list[Marked]) -> list[tuple[str, str, float]]:
    answers: dict[str, list[str]] = {}
    for one in notebooks:
        # What came with the lesson unchanged is not an answer.
        begun = [name for name, task in one.tasks.items() if task["kind"] != "not started"]
        answers.setdefault(one.label, []).extend(function_source(one.submission.cells, name) for name in begun)
    labels = list(answers)
    return [(labels[a], labels[b], share) for a, b, share in alike_pairs(list(answers.values()))]


def _claim(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise InputError(f"marks must go into a folder, {folder} is a file; choose another name") from None
    if not (folder / STATE).exists() and any(folder.iterdir()):
        raise InputError(
            f"marks must go into an empty folder or one of an earlier marking, {folder} holds other files; choose another name"
        )


def _restored(file: BinaryIO) -> tuple[dict[str, dict[str, Any]], int | None]:
    """Marks by place, and the seed.  A line that a kill has cut in two, or that is damaged, is left out: its notebook is marked again."""
    file.seek(0)
    known, seed, line = {}, None, b"\n"
    for line in file:
        try:
            value = parse_json(line, STATE)
        except InputError:
            continue
        if not isinstance(value, dict):
            continue
        if value.keys() == {"place", "marked"} and _is_sound(value["marked"]):
            known[str(value["place"])] = value["marked"]
        elif value.keys() == {"seed"} and type(value["seed"]) is int and 0 <= value["seed"] < 2**63:
            seed = value["seed"] if seed is None else seed
    if not line.endswith(b"\n"):
        file.write(b"\n")
    return known, seed


def _is_sound(marked: Any) -> bool:
    """Whether a mark that was read is of the form that :func:`robotlab.marking.judging.mark_notebook` gives."""

    def words(value: Any) -> bool:
        return isinstance(value, list) and all(isinstance(word, str) for word in value)

    def task(value: Any) -> bool:
        return (
            isinstance(value, dict)
            and value.keys() == _TASK.keys()
            and all(kind is None or isinstance(value[key], kind) for key, kind in _TASK.items())
            and all(type(value[key]) in (int, float) and 0 <= value[key] <= 1e9 for key in ("points", "of"))
            and all(words(row) and len(row) == 2 for row in value["table"])
            and words(value["library"])
        )

    return (
        isinstance(marked, dict)
        and marked.keys() == {"tasks", "cells"}
        and isinstance(marked["tasks"], dict)
        and all(map(task, marked["tasks"].values()))
        and words(marked["cells"])
    )
