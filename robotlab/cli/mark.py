"""``robotlab mark``: learners' notebooks in, marks and feedback out."""

from __future__ import annotations

from pathlib import Path

from robotlab.cli.shared import Command, Options, add_jobs_options, option, show


def add_options(command: Command) -> None:
    """Add the command to the parser."""
    sub = command("mark", "mark learners' notebooks in a sandbox: tables, a page for each learner, one for the class")
    option(sub, "submissions SUBMISSIONS", "a folder of notebooks, or of one folder for each learner")
    option(sub, "-o --output FOLDER", "where marks go, and go on (default: marks)", "marks")
    option(sub, "--key KEY.toml", "points (default: instructor/marking_key.toml, where there is one)")
    option(sub, "--lesson N", "the lesson of all notebooks (default: each says it)", kind=int)
    option(sub, "--seed N", "seed of the unseen cases (default: drawn once and kept)", kind=int)
    option(sub, "--anonymous", "numbers in place of names; names.csv says whose they are")
    option(sub, "--trusted", "run without a sandbox, on this account: only work that you would run yourself")
    option(sub, "--limit-s S", "seconds for one notebook (default: 60)", 60.0)
    add_jobs_options(sub)


def run(options: Options) -> int:
    """Mark, write tables and pages, say where."""
    from robotlab.environment import find_above
    from robotlab.marking import Limits, MarkingKey, mark_submissions, read_key, save_pages, save_tables

    path = options.key or find_above("instructor/marking_key.toml")
    key = read_key(path) if path else MarkingKey()
    limit_s = options.limit_s
    limits = Limits(wall_s=limit_s, cell_s=min(20.0, limit_s / 2), task_s=min(5.0, limit_s / 4))
    folder = Path(options.output)
    same = ("lesson", "seed", "trusted", "anonymous", "jobs", "cluster")
    asked = {name: getattr(options, name) for name in same}
    marking = mark_submissions(options.submissions, folder, key, limits=limits, progress=not options.quiet, **asked)
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
