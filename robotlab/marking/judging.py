"""Judge answers outside the sandbox: compare what functions returned with the right results of unseen cases."""

from __future__ import annotations

import builtins
import functools
import json
import re
import time
import zlib
from collections.abc import Sequence
from hashlib import sha256
from typing import Any

import numpy as np

from robotlab.errors import InputError, printable
from robotlab.json_file import parse_json
from robotlab.marking.key import MarkingKey
from robotlab.marking.sandbox import Limits, sandbox_for
from robotlab.marking.submitted_code import function_source, is_starter, library_calls
from robotlab.marking.values import decode, encode, text_of
from robotlab.practice.grading import grade_outcomes
from robotlab.practice.running import Outcome, outcome_of
from robotlab.practice.task import Task
from robotlab.practice.verdict import Verdict
from robotlab.practice.verifying import task_named, tasks_of

# Lines of one job's output that are read: a case gives one, a failing statement one.
MOST_LINES = 5000
_ADDRESS = re.compile(r"0x[0-9a-fA-F]{6,}")
_KINDS = ("value", "raised", "hang", "flood")


@functools.lru_cache(maxsize=256)
def unseen_cases(name: str, seed: int) -> tuple[tuple[tuple, ...], tuple[Any, ...]]:
    """Cases of a task, and what is right in them.

    Parameters
    ----------
    name : str
        The task.
    seed : int
        Of this marking; who does not know it cannot know the cases.

    Returns
    -------
    cases : tuple of tuple
        The task's fixed ones, as many drawn ones as it has, none of them the
        learner's, and its edges.
    right : tuple
        Results of the reference.

    Examples
    --------
    >>> cases, right = unseen_cases("bearing", 7)
    >>> cases[-1] != unseen_cases("bearing", 8)[0][-1]
    True
    """
    task = task_named(name)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    cases = (*task.fixed, *(task.draw(rng) for _ in range(task.draws)), *task.edges)
    return cases, tuple(outcome_of(task.reference, case).value for case in cases)


def mark_notebook(part: dict[str, Any]) -> dict[str, Any]:
    """Mark one notebook; a part of work, on this machine or another.

    Parameters
    ----------
    part : dict
        ``cells``, ``lesson``, ``seed``, ``key``, ``limits``, ``closed``.

    Returns
    -------
    dict
        ``tasks``, by name what became of each; ``cells``, statements that failed; all of it JSON.
    """
    key, limits = MarkingKey(**part["key"]), Limits(**part["limits"])
    tasks = {task.name: task for task in tasks_of(part["lesson"])}
    begun = {
        name: task for name, task in tasks.items() if not is_starter(function_source(part["cells"], name), task.starter)
    }
    outcomes, failed = _run(part, begun, limits)
    marked = {}
    for name, task in tasks.items():
        if name not in begun:
            verdict, share = Verdict(name, "not started", task.statement), 0.0
        elif name not in outcomes:
            says = f"The notebook has no function {name} after it was run."
            verdict, share = Verdict(name, "no function", " ".join([says, *failed[:1]])), 0.0
        else:
            verdict, share = _judged(task, part["seed"], outcomes[name], key)
        marked[name] = {
            "kind": verdict.kind,
            "says": _clean(verdict.says),
            "misconception": verdict.misconception,
            "table": [[row, _clean(value)] for row, value in verdict.table],
            "printed": _clean(verdict.printed),
            "hint": "" if share == 1 else task.nudges[0 if share == 0 else min(1, len(task.nudges) - 1)],
            "points": round(share * key.points_of(name), 2),
            "of": key.points_of(name),
            "library": library_calls(part["cells"], name),
        }
    return {"tasks": marked, "cells": failed}


def _clean(text: str) -> str:
    """Printable, and the same whenever it is made: without addresses in memory."""
    return _ADDRESS.sub("0x...", printable(text, keep="\n"))[:6000]


def _run(part: dict[str, Any], tasks: dict[str, Task], limits: Limits) -> tuple[dict[str, list[Outcome]], list[str]]:
    """Outcomes of each task.  Where a function ends the process, the tasks after it get another one."""
    outcomes: dict[str, list[Outcome]] = {}
    failed: list[str] = []
    left, end = list(tasks), time.monotonic() + limits.wall_s
    restarts = 0
    while left:
        given = {name: unseen_cases(name, part["seed"])[0] for name in left}
        sent = [{"name": name, "cases": [list(map(encode, case)) for case in cases]} for name, cases in given.items()]
        job = {"cells": part["cells"], "tasks": sent, "cell_s": limits.cell_s, "task_s": limits.task_s}
        output, ending = sandbox_for(limits, part["closed"]).run(json.dumps(job, separators=(",", ":")).encode())
        if ending == "sandbox" and restarts < 2:
            restarts += 1  # The sandbox itself was killed, such as for want of memory on this machine: once more.
            continue
        lines = _lines(output)
        failed = failed or [_failure(line) for line in lines if isinstance(line.get("cell"), int)][:20]
        for name in list(left):
            own = [line for line in lines if line.get("task") == name]
            found = {line["case"]: line for line in own if type(line.get("case")) is int}
            got = [_outcome(found[k], case) for k, case in enumerate(given[name]) if k in found]
            cut_off = len(got) < len(given[name]) and not (got and got[-1].kind in ("hang", "flood"))
            left.remove(name)
            if cut_off and not got and any(line.get("missing") is True for line in own):
                continue
            outcomes[name] = [*got, _cut_off(ending)] if cut_off else got
            if cut_off:
                break
        if left and time.monotonic() > end:
            outcomes.update({name: [Outcome("hang")] for name in left})
            break
    return outcomes, failed


def _cut_off(ending: str) -> Outcome:
    """What became of the case in which a process ended."""
    if ending in ("time", "output"):
        return Outcome("hang" if ending == "time" else "flood")
    words = "the program ended in the middle of it: ended by your code, out of memory, or crashed"
    return Outcome("raised", error=_error("Ended", f"Ended: {words}"))


def _lines(output: bytes) -> list[dict[str, Any]]:
    """Lines that are objects of JSON; the others are left out."""
    found = []
    for line in output.split(b"\n", MOST_LINES)[:MOST_LINES]:
        try:
            value = parse_json(line, "a line") if line else None
        except InputError:
            continue
        if isinstance(value, dict):
            found.append(value)
    return found


def _failure(line: dict[str, Any]) -> str:
    where = f", line {line['line']}" if type(line.get("line")) is int and line["line"] > 0 else ""
    return _clean(f"Code cell {int(line['cell']) + 1}{where}: {str(line.get('error', ''))[:300]}")


def _error(name: str, text: str) -> Exception:
    """An exception as the child names it, so that it can be compared with one of a misconception."""
    known = getattr(builtins, name, None)
    kind = known if isinstance(known, type) and issubclass(known, Exception) else type(name[:60], (Exception,), {})
    message = text.removeprefix(name).removeprefix(": ")
    try:
        return kind(message)
    except TypeError:  # Some, such as UnicodeDecodeError, take more than a text.
        return type(name, (Exception,), {})(message)


def _outcome(line: dict[str, Any], case: tuple) -> Outcome:
    words: dict[str, Any] = {key: _clean(str(line.get(key, "")))[:2000] for key in ("place", "printed", "warned")}
    kind = line.get("kind") if line.get("kind") in _KINDS else "raised"
    try:
        if kind == "value":
            value, inputs = decode(line.get("value")), line.get("inputs")
            own = [sha256(text_of(one).encode()).hexdigest() for one in case]
            seen = inputs if isinstance(inputs, list) and len(inputs) == len(own) else None
            changed = tuple(k for k, digest in enumerate(own) if seen is None or seen[k] != digest)
            return Outcome("value", value, changed=changed, **words)
    except InputError as problem:
        return Outcome("raised", error=problem, **words)
    if kind != "raised":
        return Outcome(str(kind), **words)
    said = line.get("error")
    pair = said if isinstance(said, list) and len(said) == 2 and all(isinstance(one, str) for one in said) else ["", ""]
    name = pair[0] if re.fullmatch(r"\w{1,60}", pair[0]) else "Exception"
    return Outcome("raised", error=_error(name, _clean(pair[1])[:500]), **words)


def _judged(task: Task, seed: int, outcomes: Sequence[Outcome], key: MarkingKey) -> tuple[Verdict, float]:
    cases, right = unseen_cases(task.name, seed)
    if all(one.value is ... for one in outcomes) or isinstance(outcomes[0].error, NotImplementedError):
        return Verdict(task.name, "not started", task.statement), 0.0
    verdict = grade_outcomes(task, list(cases), outcomes)
    good = [
        one.kind == "value" and not one.changed and task.is_right(here, one.value) for here, one in zip(right, outcomes)
    ]
    good += [False] * (len(cases) - len(good))
    edges = good[task.plain :]
    if all(good[: task.plain]):
        share = key.edge_share if edges else 0.0
        return verdict, 1 - share + share * (sum(edges) / len(edges) if edges else 0.0)
    if verdict.misconception not in {one.name for one in task.misconceptions} or _all_alike(outcomes):
        return verdict, 0.0
    return verdict, float(key.misconceptions.get(verdict.misconception, key.misconception_share))


def _all_alike(outcomes: Sequence[Outcome]) -> bool:
    """One result whatever the inputs is not a misconception, though it may agree with one."""
    return len({text_of(one.value) for one in outcomes if one.kind == "value"}) < 2
