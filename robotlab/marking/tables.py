"""The tables of a marking: CSV for a spreadsheet, JSON for programs, and the marks that a person gives."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from robotlab.errors import InputError
from robotlab.files import read_plain, write_json, write_whole
from robotlab.marking.marking_run import Marking

MARKS, ANSWERS, WRITTEN, NAMES, JSON = "marks.csv", "answers.csv", "written.csv", "names.csv", "marks.json"
_WRITTEN = ("learner", "lesson", "question_id", "question", "answer", "points", "of", "note")
_ANSWERS = ("learner", "lesson", "task", "points", "of", "result", "misconception", "library", "says")
_EARLIER = "marked for an earlier answer; look again"
_GONE = "no such answer now"


def safe_cell(text: object) -> str:
    """A cell that no spreadsheet takes for a formula.

    Parameters
    ----------
    text : object
        Its ``str`` is taken.

    Returns
    -------
    str
        With an apostrophe in front, where the first sign would begin a formula.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell(-1.5), safe_cell("post")
    ("'=1+1", '-1.5', 'post')
    """
    words = str(text)
    return "'" + words if isinstance(text, str) and words[:1] in tuple("=+-@\t\r") else words


def save_csv(path: Path, header: Sequence[str], rows: Iterable[Mapping[str, object]]) -> None:
    """Write a table, whole or not at all.

    Parameters
    ----------
    path : Path
        The file.
    header : sequence of str
        Names of the columns.
    rows : iterable of mapping
        Cells by column; what is None or not there stays empty, what has no column is left out.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        cells = [row.get(name) for name in header]
        writer.writerow(["" if cell is None else safe_cell(cell) for cell in cells])
    write_whole(path, out.getvalue())


def lesson_text(lesson: int | None) -> str:
    """A lesson's number as the tables write it.

    Parameters
    ----------
    lesson : int or None
        Its number.

    Returns
    -------
    str
        Two digits, or nothing.

    Examples
    --------
    >>> lesson_text(2)
    '02'
    """
    return "" if lesson is None else f"{lesson:02d}"


def written_rows(marking: Marking, folder: Path) -> list[dict[str, Any]]:
    """Written answers with the points that a person has put into the table of an earlier marking.

    Parameters
    ----------
    marking : Marking
        The marking.
    folder : Path
        Where its tables are.

    Returns
    -------
    list of dict
        Rows of ``written.csv``; ``points`` is None where nobody has marked it.
        Points for which there is no answer now are kept at the end.

    Raises
    ------
    InputError
        If the table is damaged, or points are none.
    """
    most, before = marking.key.written_points, _given_points(folder / WRITTEN)
    rows = []
    for one in marking.notebooks:
        for written in one.submission.written:
            place = (one.label, lesson_text(one.submission.lesson), written.name)
            old = before.pop(place, None)
            points = _points(old, most, folder) if old else None
            # The note stays until a person removes it.
            earlier = old and (old["answer"] != _plain(written.answer) or old["note"] == _EARLIER)
            note = _EARLIER if earlier and points is not None else ""
            rows.append((*place, written.question, written.answer, points, most, note))
    for place, old in before.items():
        points = _points(old, most, folder)
        if points is not None:
            rows.append((*place, old["question"], old["answer"], points, most, _GONE))
    return [dict(zip(_WRITTEN, row)) for row in rows]


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").strip()


def _given_points(path: Path) -> dict[tuple[str, str, str], dict[str, str]]:
    """Rows of an earlier table, as a spreadsheet may have saved it again."""
    if not path.exists():
        return {}
    try:
        text = read_plain(path, 2**27, "the table of written answers").decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path} must be a table in UTF-8, it is not; save it again as CSV, UTF-8") from None
    first = text.partition("\n")[0]
    rows = list(csv.reader(io.StringIO(text), delimiter=max(",;\t", key=first.count)))
    if not rows or tuple(rows[0][: len(_WRITTEN)]) != _WRITTEN:
        raise InputError(f"{path} must have the columns {', '.join(_WRITTEN)}; give it the first line again")
    found = {}
    for cells in rows[1:]:
        row = dict(zip(_WRITTEN, (*cells, *[""] * len(_WRITTEN))))
        row = {
            name: _plain(cell[1:] if cell[:1] == "'" and safe_cell(cell[1:]) == cell else cell)
            for name, cell in row.items()
        }
        lesson = row["lesson"].zfill(2) if row["lesson"] else ""  # A spreadsheet makes 2 of 02.
        found[row["learner"], lesson, row["question_id"]] = row
    return found


def _points(row: dict[str, str], most: float, folder: Path) -> float | None:
    if not row["points"]:
        return None
    try:
        value = float(row["points"].replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value <= most:
        raise InputError(
            f"points in {folder / WRITTEN} must be from 0 to {most:g}, {row['learner']}, {row['question_id']} has {row['points']}; correct them"
        )
    return value


def save_tables(marking: Marking, folder: Path, anonymous: bool) -> list[dict[str, Any]]:
    """Write all tables.

    Parameters
    ----------
    marking : Marking
        The marking.
    folder : Path
        Where they go.
    anonymous : bool
        Also write who has which number.

    Returns
    -------
    list of dict
        The rows of :func:`written_rows`.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.marking import MarkingKey
    >>> folder = Path(tempfile.mkdtemp())
    >>> save_tables(Marking([], [], {}, MarkingKey()), folder, anonymous=False)
    []
    >>> (folder / "marks.csv").read_text()
    'learner,written,total,of,note\\n'
    """
    written = written_rows(marking, folder)
    totals = totals_of(marking, written)
    columns = sorted({column for row in totals.values() for column in row["columns"]})
    marks = [{"learner": label, **row["columns"], **row} for label, row in totals.items()]
    save_csv(folder / MARKS, ("learner", *columns, "written", "total", "of", "note"), marks)
    answers = [
        {
            **task,
            "learner": one.label,
            "lesson": lesson_text(one.submission.lesson),
            "task": name,
            "result": task["kind"],
            "library": " ".join(task["library"]),
        }
        for one in marking.notebooks
        for name, task in one.tasks.items()
    ]
    save_csv(folder / ANSWERS, _ANSWERS, answers)
    if written or (folder / WRITTEN).exists():
        save_csv(folder / WRITTEN, _WRITTEN, written)
    if anonymous:
        names = [{"learner": label, "name": name} for label, name in sorted(marking.names.items())]
        save_csv(folder / NAMES, ("learner", "name"), names)
    value = {
        "learners": totals,
        "notebooks": [
            {
                "learner": one.label,
                "lesson": one.submission.lesson,
                "problem": one.submission.problem,
                "tasks": one.tasks,
                "failed_cells": one.cells,
            }
            for one in marking.notebooks
        ],
        "written": written,
        "alike": [{"learners": [a, b], "share": share} for a, b, share in marking.alike],
    }
    write_json(folder / JSON, value)
    return written


def totals_of(marking: Marking, written: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Points of each learner.

    Parameters
    ----------
    marking : Marking
        The marking.
    written : list of dict
        Written answers with their points.

    Returns
    -------
    dict
        By label: ``columns`` (points by lesson and task), ``written``,
        ``total``, ``of`` and ``note``.  Written answers count once they have points.
    """
    found: dict[str, dict[str, Any]] = {}
    for one in marking.notebooks:
        row = found.setdefault(one.label, {"columns": {}, "written": 0.0, "total": 0.0, "of": 0.0, "note": ""})
        for name, task in one.tasks.items():
            row["columns"][f"{lesson_text(one.submission.lesson)}.{name}"] = task["points"]
            row["total"] += task["points"]
            row["of"] += task["of"]
        if one.submission.problem:
            row["note"] = "; ".join(filter(None, [row["note"], one.submission.problem]))
    for answer in written:
        if answer["points"] is not None and answer["learner"] in found and answer["note"] != _GONE:
            row = found[answer["learner"]]
            row["written"] += answer["points"]
            row["total"] += answer["points"]
            row["of"] += answer["of"]
    for row in found.values():
        row.update({name: round(row[name], 2) for name in ("written", "total", "of")})
    return found
