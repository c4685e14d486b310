"""``robotlab mark``: learners' notebooks in, marks and feedback out."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from robotlab.cli.shared import add_jobs_options, show


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    sub = command("mark", "mark learners' notebooks in a sandbox: tables, a page for each learner, one for the class")
    sub.add_argument(
        "submissions", metavar="SUBMISSIONS", help="a folder of notebooks, or of one folder for each learner"
    )
    sub.add_argument(
        "-o", "--output", default="marks", metavar="FOLDER", help="where marks go, and go on (default: marks)"
    )
    sub.add_argument(
        "--key", metavar="KEY.toml", help="points (default: instructor/marking_key.toml, where there is one)"
    )
    sub.add_argument("--lesson", type=int, metavar="N", help="the lesson of all notebooks (default: each says it)")
    sub.add_argument("--seed", type=int, metavar="N", help="seed of the unseen cases (default: drawn once and kept)")
    sub.add_argument(
        "--anonymous", action="store_true", help="numbers in place of names; names.csv says whose they are"
    )
    sub.add_argument(
        "--trusted",
        action="store_true",
        help="run without a sandbox, on this account: only work that you would run yourself",
    )
    sub.add_argument("--limit-s", type=float, default=60.0, metavar="S", help="seconds for one notebook (default: 60)")
    add_jobs_options(sub)


def run(options: argparse.Namespace) -> int:
    """Mark, write tables and pages, say where."""
    from robotlab.environment import find_above
    from robotlab.errors import InputError
    from robotlab.marking import Limits, MarkingKey, mark_submissions, read_key, save_pages, save_tables

    for name, low, high in (("limit_s", 1, 3600), ("lesson", 0, 99)):
        value = getattr(options, name)
        if value is not None and not low <= value <= high:
            raise InputError(
                f"--{name.replace('_', '-')} must be from {low} to {high}, got {value:g}; choose a number in between"
            )
    path = options.key or find_above("instructor/marking_key.toml")
    key = read_key(path) if path else MarkingKey()
    limit_s = options.limit_s
    limits = Limits(wall_s=limit_s, cell_s=min(20.0, limit_s / 2), task_s=min(5.0, limit_s / 4))
    folder = Path(options.output)
    marking = mark_submissions(
        options.submissions,
        folder,
        key,
        options.lesson,
        options.seed,
        limits,
        options.trusted,
        options.anonymous,
        options.jobs,
        options.cluster,
        not options.quiet,
    )
    written = save_tables(marking, folder, options.anonymous)
    page = save_pages(marking, written, folder)
    problems = [one for one in marking.notebooks if one.submission.problem]
    show(f"{len(marking.notebooks)} notebooks of {len(marking.names)} learners: {folder / 'marks.csv'}")
    for one in problems[:20]:
        show(f"not marked, {one.label}: {one.submission.problem}")
    waiting = sum(row["points"] is None for row in written)
    if waiting:
        show(f"{waiting} written answers wait for points in {folder / 'written.csv'}; then give the same command again")
    show(f"class page: {page}; feedback for each learner: {folder / 'feedback'}")
    return 1 if problems else 0
