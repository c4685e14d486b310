"""Wrong answers as learners write them: how many are refused, and how many get a sentence that fits.

``python tests/practice/measure_wrong_answers.py [FILE ...]`` prints every answer with what ``verify`` says, and
the counts; whether the sentence fits its mistake is for a reader to judge.  The answers in ``wrong_answers.txt``
were written without a look at the tasks' misconceptions, ``### task: mistake`` above each body.
"""

from __future__ import annotations

import linecache
import math
import re
import sys
import textwrap
import warnings
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np

from robotlab.practice import Verdict, task_named
from robotlab.practice.grading import grade

FILE = Path(__file__).with_name("wrong_answers.txt")


def answers(path: Path = FILE) -> Iterator[tuple[str, str, str]]:
    """Task, mistake and body of each."""
    for block in re.split(r"^### ", path.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]:
        head, body = block.split("\n", 1)
        name, mistake = head.split(": ", 1)
        yield name, mistake, body


@cache
def verdict_on(name: str, body: str) -> Verdict:
    task = task_named(name)
    names: dict[str, object] = {"np": np, "math": math}
    names |= {other: task_named(other).reference for other in ("iou", "precision_recall")}  # of the task before
    source = f"def {name}({', '.join(task.inputs)}):\n" + textwrap.indent(body, "    ")
    file = f"answer {hash(source)}"
    # As IPython does with a cell, so that the source can be looked up.
    linecache.cache[file] = (len(source), None, source.splitlines(keepends=True), file)
    exec(compile(source, file, "exec"), names)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return grade(task, names[name])


def is_explained(verdict: Verdict) -> bool:
    """More than which value is wrong: a recognized mistake, a rule that is broken, or where it fails."""
    where = re.search("and nowhere else|and only where|in other words|capital letters", verdict.says)
    return verdict.kind != "value" or bool(where)


def main(paths: list[str]) -> None:
    count = passed = explained = 0
    for path in [Path(one) for one in paths] or [FILE]:
        for name, mistake, body in answers(path):
            verdict = verdict_on(name, body)
            count, passed, explained = count + 1, passed + verdict.passed, explained + is_explained(verdict)
            mark = "PASSED" if verdict.passed else "      " if is_explained(verdict) else "------"
            print(f"{mark} {name} | {mistake} => {verdict.misconception or verdict.kind} | {verdict.says}")
    print(f"{count} answers, {passed} passed, {explained} explained ({100 * explained / count:.0f} %)")


if __name__ == "__main__":
    main(sys.argv[1:])
