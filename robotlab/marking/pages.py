"""Pages of a marking: one for each learner, one for the class."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from robotlab.marking.marking_run import Marked, Marking
from robotlab.marking.tables import lesson_text, totals_of
from robotlab.practice.verdict import KINDS
from robotlab.report.page import Report

FEEDBACK, CLASS = "feedback", "class.html"


def page_name(label: str) -> str:
    """The file name of a learner's page: letters that every system allows, and never the same for two.

    Parameters
    ----------
    label : str
        Name or number.

    Returns
    -------
    str
        Ends in .html.

    Examples
    --------
    >>> page_name("learner 001"), page_name("../a")
    ('learner_001.html', 'a_61b4c98b.html')
    """
    plain = re.sub(r"[^A-Za-z0-9]+", "_", label).strip("_")[:60] or "learner"
    known = re.fullmatch(r"learner \d+", label)
    return f"{plain}.html" if known else f"{plain}_{sha256(label.encode()).hexdigest()[:8]}.html"


def save_pages(marking: Marking, written: list[dict[str, Any]], folder: Path) -> Path:
    """Write a page for each learner, and the class page.

    Parameters
    ----------
    marking : Marking
        The marking.
    written : list of dict
        Rows of written answers.
    folder : Path
        Where the marks are.

    Returns
    -------
    Path
        The class page.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.marking import Marking, MarkingKey
    >>> save_pages(Marking([], [], {}, MarkingKey()), [], Path(tempfile.mkdtemp())).name
    'class.html'
    """
    totals = totals_of(marking, written)
    for label, total in totals.items():
        own = [one for one in marking.notebooks if one.label == label]
        answers = [row for row in written if row["learner"] == label]
        learner_page(label, total, own, answers).save(folder / FEEDBACK / page_name(label))
    return class_page(marking, totals).save(folder / CLASS)


def learner_page(label: str, total: dict[str, Any], notebooks: list[Marked], answers: list[dict[str, Any]]) -> Report:
    """What a learner reads: what failed, on which case, which misconception, which hint.

    Parameters
    ----------
    label : str
        Name or number.
    total : dict
        Of :func:`robotlab.marking.tables.totals_of`.
    notebooks : list of Marked
        The learner's.
    answers : list of dict
        The learner's written answers.

    Returns
    -------
    Report
        The page.
    """
    page = Report(f"Feedback for {label}")
    page.text(f"{total['total']:g} of {total['of']:g} points.")
    for one in notebooks:
        lesson = lesson_text(one.submission.lesson)
        if one.submission.problem:
            page.text(f"This notebook was not marked: {one.submission.problem}", "caution")
            continue
        page.heading(f"Lesson {lesson}")
        rows = [(name, _points(task), _result(task)) for name, task in one.tasks.items()]
        page.table(("task", "points", "result"), rows)
        for name, task in one.tasks.items():
            if task["kind"] in ("passed", "not started"):
                continue
            page.heading(f"{name}: {_result(task)}")
            page.text(task["says"])
            if task["table"]:
                page.table(("a case that fails", ""), task["table"])
            if task["printed"]:
                page.text(f"It printed: {task['printed'][:500]}")
            if task["hint"]:
                page.text(f"A hint: {task['hint']}")
        if one.cells:
            page.heading("Statements that stopped with an error")
            page.table(("where, and what Python said",), [(cell,) for cell in one.cells])
    if answers:
        page.heading("Written answers")
        rows = [(f"{row['question_id']}: {row['question']}", row["answer"], _points(row)) for row in answers]
        page.table(("question", "your answer", "points"), rows)
    return page


def _points(row: dict[str, Any]) -> str:
    return "not marked yet" if row["points"] is None else f"{row['points']:g} of {row['of']:g}"


def _result(task: dict[str, Any]) -> str:
    return task["misconception"] or KINDS.get(task["kind"], task["kind"]).removeprefix("not yet: ")


def class_page(marking: Marking, totals: dict[str, dict[str, Any]]) -> Report:
    """What the instructor reads.

    Parameters
    ----------
    marking : Marking
        The marking.
    totals : dict
        Points of each learner.

    Returns
    -------
    Report
        Marks, frequent misconceptions, time-outs, what nobody solved, what to look at.
    """
    page = Report("The class")
    tasks: dict[str, list[tuple[str, dict[str, Any]]]] = {}
    for one in marking.notebooks:
        for name, task in one.tasks.items():
            tasks.setdefault(f"{lesson_text(one.submission.lesson)}.{name}", []).append((one.label, task))
    page.text(f"{len(totals)} learners, {len(marking.notebooks)} notebooks, {sum(map(len, tasks.values()))} answers.")
    page.heading("Marks")
    marks = [(label, f"{row['total']:g}", f"{row['of']:g}", row["note"]) for label, row in totals.items()]
    page.table(("learner", "total", "of", "note"), marks)
    page.heading("Tasks")
    rows = []
    for name, several in sorted(tasks.items()):
        kinds = Counter(task["kind"] for _, task in several)
        rows.append((name, len(several), kinds["passed"], kinds["not started"], kinds["hang"]))
    page.table(("task", "answers", "passed", "not started", "time-outs"), rows)
    unsolved = [row[0] for row in rows if not row[2]]
    page.heading("What nobody solved")
    page.text(", ".join(unsolved) if unsolved else "Every task was solved by somebody.")
    page.heading("Most frequent misconceptions")
    answers = [(name, label, task) for name, several in sorted(tasks.items()) for label, task in several]
    seen = Counter((name, task["misconception"]) for name, _, task in answers if task["misconception"])
    says = {(name, task["misconception"]): task["says"] for name, _, task in answers}
    frequent = sorted(seen.items(), key=lambda item: (-item[1], item[0]))[:20]
    for (name, which), count in frequent:
        page.text(f"{count} × {which}, in `{name}`. {says[name, which]}")
    if not frequent:
        page.text("None was recognized.")
    slow = sorted((name, label) for name, label, task in answers if task["kind"] == "hang")
    page.heading("Time-outs")
    _table(page, ("task", "learner"), slow)
    page.heading("To look at")
    page.text(
        "Hints, no verdicts: people who learned together write alike, and the library may be called for good reasons."
    )
    pairs = [(a, b, f"{100 * share:.0f} %") for a, b, share in marking.alike]
    _table(page, ("learner", "and", "rows of tokens in common"), pairs)
    calls = [(label, name, ", ".join(task["library"])) for name, label, task in answers if task["library"]]
    _table(page, ("learner", "answer", "calls of the library"), calls)
    return page


def _table(page: Report, header: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    """A table, or the word that there is nothing for it."""
    if rows:
        page.table(header, rows)
    else:
        page.text(f"{header[-1].capitalize()}: none.")
