"""Read the notebooks that learners hand in, as untrusted data.

``SUBMISSIONS`` holds a notebook for each learner, named after the learner, or
a folder for each learner with notebooks in it.  Links are not followed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from robotlab.errors import InputError, printable
from robotlab.files import read_plain
from robotlab.json_file import parse_json
from robotlab.practice.guessing import guesses_in
from robotlab.practice.notebook_data import part_of, text_of_cell

# A lesson with all its pictures has 4 MB.
LARGEST_NOTEBOOK_BYTES = 32 * 2**20
# Code and written answers; the longest lesson has 60 kB.
MOST_LETTERS = 500_000
MOST_CELLS = 2000
LONGEST_ANSWER = 4000


@dataclass(frozen=True)
class WrittenAnswer:
    """A written answer, for a person to mark.

    Parameters
    ----------
    name : str
        The question's, such as ``"02.post_width"``, or the id of the cell above the answer.
    question, answer : str
        Texts.
    """

    name: str
    question: str
    answer: str


@dataclass(frozen=True)
class Submission:
    """One notebook of one learner.

    Parameters
    ----------
    learner : str
        Name of the file or folder, made printable.
    file : str
        Path below the folder of submissions, made printable.
    identity : str
        Hash of learner and content.
    lesson : int or None
        Number of the lesson.
    cells : tuple of str
        Code.
    written : tuple of WrittenAnswer
        Written answers.
    problem : str
        Why it cannot be marked; empty if it can.
    """

    learner: str
    file: str
    identity: str
    lesson: int | None = None
    cells: tuple[str, ...] = ()
    written: tuple[WrittenAnswer, ...] = field(default=())
    problem: str = ""


def read_submissions(folder: str | os.PathLike, tasks: dict[str, int], lesson: int | None = None) -> list[Submission]:
    """Read every notebook below a folder.

    Parameters
    ----------
    folder : path-like
        Where they are.
    tasks : dict
        Name of each task, and its lesson.
    lesson : int, optional
        The lesson of all of them; by default each notebook says it.

    Returns
    -------
    list of Submission
        By learner and lesson.  One that cannot be read is there, with its problem.

    Raises
    ------
    InputError
        If the folder is none, or holds no notebook.

    Examples
    --------
    >>> read_submissions("nowhere", {})
    Traceback (most recent call last):
    robotlab.errors.InputError: submissions must be a folder of notebooks, nowhere is none; check its name
    """
    root = Path(folder)
    if not root.is_dir():
        raise InputError(f"submissions must be a folder of notebooks, {root} is none; check its name")
    found = [_read(root, path, tasks, lesson) for path in _notebooks(root)]
    if not found:
        raise InputError(f"submissions must hold notebooks (.ipynb), {root} has none; check the folder")
    found.sort(key=lambda one: (one.learner, one.lesson or 0, one.file))
    seen: dict[tuple[str, int | None], str] = {}
    for k, one in enumerate(found):
        first = seen.setdefault((one.learner, one.lesson), one.file)
        if first != one.file and not one.problem:
            found[k] = replace(one, problem="one notebook of a lesson is marked for each learner, another one was")
    return found


def _notebooks(root: Path) -> Iterable[Path]:
    for where, folders, names in os.walk(root):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        depth = len(Path(where).relative_to(root).parts)
        if depth >= 6:
            folders.clear()
        for name in sorted(names):
            if name.lower().endswith(".ipynb") and not name.startswith("."):
                yield Path(where) / name


def _read(root: Path, path: Path, tasks: dict[str, int], lesson: int | None) -> Submission:
    parts = path.relative_to(root).parts
    raw = parts[0] if len(parts) > 1 else path.name[: -len(".ipynb")]
    who = Submission(printable(raw)[:200] or "no name", printable("/".join(parts))[:400], "")
    name_hash = sha256(os.fsencode("/".join(parts)))
    try:
        if any((root / Path(*parts[:k])).is_symlink() for k in range(1, len(parts) + 1)):
            raise InputError("a notebook must be a file of its own, this is a link; hand in the file")
        content = read_plain(path, LARGEST_NOTEBOOK_BYTES, "a notebook")
        name_hash.update(content)
        notebook = parse_json(content, "the notebook")
        cells, written, stem = _contents(notebook)
    except InputError as problem:
        # Without its path, which names the learner.
        words = str(problem).replace(printable(path), "this")[:500]
        return replace(who, identity=name_hash.hexdigest(), problem=words, lesson=lesson)
    number = lesson if lesson is not None else _lesson(stem, path.name, cells, tasks)
    why = "" if number in tasks.values() else "a notebook must be of a lesson with tasks, this is of none; see --lesson"
    return replace(
        who, identity=name_hash.hexdigest(), lesson=number, cells=tuple(cells), written=tuple(written), problem=why
    )


def _lesson(stem: str, file: str, cells: list[str], tasks: dict[str, int]) -> int | None:
    """What the notebook says, else its file's name, else the tasks that it defines."""
    for text in (stem, file):
        if (match := re.match(r"(\d\d)(?!\d)", text)) and int(match[1]) in tasks.values():
            return int(match[1])
    code = "\n".join(cells)
    found = [number for name, number in tasks.items() if re.search(rf"^def {name}\b", code, re.MULTILINE)]
    return max(sorted(set(found)), key=found.count, default=None)


def _contents(notebook: Any) -> tuple[list[str], list[WrittenAnswer], str]:
    cells = notebook.get("cells") if isinstance(notebook, dict) else None
    if not isinstance(cells, list) or len(cells) > MOST_CELLS:
        raise InputError(
            f"a notebook must have a list of at most {MOST_CELLS} cells (format 4), this has none; save it again"
        )
    source = part_of(part_of(part_of(notebook, "metadata", dict), "robotlab", dict), "source", str)
    stem = source.split(" ")[0].removesuffix(".py")[:100]
    code: list[str] = []
    written: dict[str, WrittenAnswer] = {}
    question, name, letters = "", "", 0
    for cell in cells:
        text = text_of_cell(cell)
        letters += len(text)
        if letters > MOST_LETTERS:
            raise InputError(
                f"a notebook must have at most {MOST_LETTERS} letters of its own, this has more; clean it up"
            )
        if text.strip() and cell.get("cell_type") == "code":
            code.append(text)
            for one in guesses_in({"cells": [cell]}):
                if one.guess.strip():
                    question = f"guess before the run; the answer was {_clean(one.answer)}"
                    written[one.name] = WrittenAnswer(_clean(one.name), question, _clean(one.guess))
        elif text.strip():
            if _is_the_courses(cell, text, stem):
                question, name = text.strip().splitlines()[-1], str(cell.get("id", ""))
                heading = re.findall(r"^#+ (.*)", text, re.MULTILINE)
                question = (f"{heading[-1]}: " if heading else "") + question
            else:
                number = f"{name or 'own'}.{sum(key.startswith(name or 'own') for key in written) + 1}"
                written[number] = WrittenAnswer(_clean(number), _clean(question), _clean(text))
    return code, list(written.values()), stem


def _clean(text: str) -> str:
    return printable(text[:LONGEST_ANSWER], keep="\n").strip()


def _is_the_courses(cell: dict[str, Any], text: str, stem: str) -> bool:
    """A cell of the course has an id made of its own text (robotlab.course.notebooks); an edited or added one has not."""
    if not stem or text.startswith("!["):
        return "answer" not in part_of(part_of(cell, "metadata", dict), "tags", list)
    content = re.sub(r"\]\([^)]*?(pictures/|\w+\.md\))", r"](\1", text)
    key = f"{stem}|markdown|{content}"
    return cell.get("id") in {sha256(f"{key}|{n}".encode()).hexdigest()[:8] for n in (1, 2, 3)}
