"""Grade a learner's function: run it on the cases, recognize misconceptions, give a verdict."""

from __future__ import annotations

import dis
import inspect
from collections.abc import Callable, Sequence
from types import FunctionType
from typing import Any

import numpy as np

from robotlab.practice.code_signs import code_sign
from robotlab.practice.comparing import Difference, as_numbers, compare, wanted
from robotlab.practice.contrast import where_it_fails
from robotlab.practice.failing import in_failing, lines_of_failing
from robotlab.practice.hints import did_you_mean, hint
from robotlab.practice.one_edit import one_edit, one_slip
from robotlab.practice.patterns import nearly_right, unused_inputs
from robotlab.practice.recognizing import known_mistakes, pattern, recognize
from robotlab.practice.responses import responses
from robotlab.practice.running import PRINT_LIMIT, TIME_LIMIT_S, Outcome, error_text, outcome_of, run_cases
from robotlab.practice.showing import listed, show
from robotlab.practice.task import Task
from robotlab.practice.verdict import Verdict

# Lines of a learner's own printing that a verdict repeats.
PRINTED_LINES = 12
_EMPTY_OF_FLOAT = (
    "For nothing you give an array of float: np.array([]) is one, and it cannot serve as an index. "
    "np.array(..., dtype=int) is safe."
)
# All that the body of an unstarted function compiles to (names of the dis
# module; POP_TOP throws the ``...`` away where an old compiler keeps it).
_STUB = {"RESUME", "NOP", "LOAD_CONST", "RETURN_CONST", "RETURN_VALUE", "POP_TOP", "COPY_FREE_VARS"}


def grade(task: Task, function: Callable, limit_s: float = TIME_LIMIT_S, reveal: bool = False) -> Verdict:
    """Run a learner's function on a task's cases and give the verdict.

    Parameters
    ----------
    task : Task
        The task.
    function : callable
        The learner's.
    limit_s : float
        Seconds for all cases together.
    reveal : bool
        Show the right result of the case that is shown.

    Returns
    -------
    Verdict
        Whatever the function does.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> grade(task_named("field_of_view"), lambda sensor_mm: 1).says
    'It must take 2 inputs, sensor_mm and focal_mm; yours takes sensor_mm.'
    """
    if is_stub(function):
        return Verdict(task.name, "not started", task.statement)
    cases = task.cases()
    said = _wrong_inputs(task, function, cases[0])
    if said:
        return Verdict(task.name, "signature", said)
    outcomes = run_cases(function, cases, limit_s)
    if type(outcomes[0].error) is NotImplementedError or all(one.value is ... for one in outcomes):
        return Verdict(task.name, "not started", task.statement)
    return grade_outcomes(task, cases, outcomes, function, reveal)


def grade_outcomes(
    task: Task,
    cases: Sequence[tuple],
    outcomes: Sequence[Outcome],
    function: Callable | None = None,
    reveal: bool = False,
) -> Verdict:
    """Give the verdict from the outcomes of the cases.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        Its cases.
    outcomes : sequence of Outcome
        What became of them; they may end at a hang or a flood.
    function : callable, optional
        The learner's, if it is here: its code tells more than its results.  Changed copies of its plain
        computing are run, so leave it out for work of strangers.
    reveal : bool
        Show the right result of the case that is shown.

    Returns
    -------
    Verdict
        The evaluation.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> grade_outcomes(task, task.cases(), run_cases(task.reference, task.cases())).kind
    'passed'
    """
    right = [outcome_of(task.reference, case).value for case in cases]
    faults = [_fault(task, cases[i], right[i], outcome) for i, outcome in enumerate(outcomes)]
    failing = [i for i, fault in enumerate(faults) if fault]
    # What does not end comes first, edges last; of the plain ones the smallest, which can be done on paper.
    first = min(
        failing,
        key=lambda i: (outcomes[i].kind not in ("hang", "flood"), i >= task.plain, sum(map(np.size, cases[i])), i),
        default=None,
    )
    outcome = outcomes[first or 0]
    beside: dict[str, Any] = {
        "notes": (f"Python warned: {outcome.warned}",) if outcome.warned else (),
        "printed": "" if outcome.kind == "flood" else _first_lines(outcome.printed),
    }
    if first is None:
        notes = (*beside["notes"], *_empty_of_float(right, outcomes))
        return Verdict(task.name, "passed", cases=len(cases), notes=notes, printed=beside["printed"])
    fault = faults[first]
    assert fault is not None
    table = _table(task, cases[first], outcome, right[first] if reveal else None)
    complete = len(outcomes) == len(cases)

    def recognized(name: str, says: str) -> Verdict:
        says = " ".join(filter(None, [_error(outcome, says), says]))
        return Verdict(task.name, "misconception", says, name, table=table, **beside)

    if complete and all(one.kind == "value" and one.value is None for one in outcomes):
        given = next(value for value in right if value is not None)
        does = "prints something" if any(one.printed for one in outcomes) else "computes something"
        says = f"Your function {does} and returns None. It must end with return and give {wanted(given)}."
        return Verdict(task.name, "nothing", says, **beside)
    code = function if complete and fault.kind in ("value", "shape", "nan", "raised", "type") else None
    order = sorted(range(len(cases)), key=lambda i: (i != first, i not in failing))
    ordered, rights = [cases[i] for i in order], [right[i] for i in order]
    slip = one_slip(task, code, ordered, rights) if code is not None else None
    where = where_it_fails(task, cases, right, failing, len(outcomes)) if fault.kind not in ("hang", "flood") else ""
    if complete:
        known = recognize(task, cases, right, outcomes)
        if known:
            name, says, sure = known
            name, says = (slip[0], f"All but one thing is right. {slip[1]}") if slip and not sure else (name, says)
            return recognized(name, _with_slip(says, slip if sure else None))
        found = unused_inputs(task, code) if code is not None and fault.kind != "type" else None
        if found:
            return recognized(*found)
        if slip:
            says = " ".join(filter(None, ["All but one thing is right.", slip[1], where]))
            return recognized(slip[0], says)
        found = pattern(task, cases, right, outcomes) if fault.kind in ("value", "shape", "nan") else None
        if found:
            return recognized(*found)
    if code is not None and fault.kind != "type":
        # Right in most cases, or stopped by Python: then there is one thing to say, not two.
        mostly = fault.kind != "raised" and sum(i < task.plain for i in failing) > task.plain / 2
        mistakes = known_mistakes(task, cases, right, order) if mostly else []
        edges = [place for place, i in enumerate(order) if i >= task.plain] if mostly else []
        found = one_edit(task, code, ordered, rights, mistakes, edges, fault.kind == "nan")
        if found:
            return recognized(found[0], " ".join(filter(None, [found[1], where])))
    found = nearly_right(right[: task.plain], [one.value for one in outcomes[: task.plain]]) if complete else None
    if found:
        return recognized(*found)
    answers = responses(task, code, cases[: task.plain]) if code is not None and fault.kind == "value" else ""
    sign = code_sign(code, [cases[i] for i in failing], fault.kind != "raised") if code is not None else None
    there = _there(task, cases, first, right, outcome) if fault.kind == "value" else ""
    alike = in_failing(task, cases, right, outcomes, failing) if complete else ""
    stops = _stops(faults) if fault.kind in ("value", "shape") else ""
    seen = lines_of_failing(code, cases, failing) if code is not None and not sign else ""
    again = "" if "none of the answers" in alike else fault.says
    parts = [again, there, alike, answers, "" if fault.kind == "changed" else where, stops, seen]
    if sign:
        return recognized(sign[0], " ".join(filter(None, [sign[1], alike, answers, where])))
    return Verdict(task.name, fault.kind, " ".join(filter(None, parts)), table=table, **beside)


def _with_slip(says: str, slip: tuple[str, str, bool] | None) -> str:
    """The sentence of a known mistake, with the line in which it was made, where that is sure."""
    _, place, adds = slip or ("", "", False)
    return f"{says} {place}" if adds or "parenthes" in says and "parenthes" in place else says


def _error(outcome: Outcome, says: str) -> str:
    """The error in which a case ended, the line unless it is said already, and the name that was meant."""
    if outcome.error is None:
        return ""
    error, source = error_text(outcome.error), outcome.place.partition(", ")[2]
    at = f"Your {outcome.place}." if outcome.place and not (source and source in says) else ""
    return " ".join(filter(None, [f"{error.removesuffix('.')}.", at, did_you_mean(outcome.error)]))


def _empty_of_float(right: Sequence[Any], outcomes: Sequence[Outcome]) -> tuple[str, ...]:
    """A note where an empty list has become an array of float, which is not an index."""
    for one, outcome in zip(right, outcomes):
        if isinstance(one, np.ndarray) and one.dtype.kind in "iu" and not one.size:
            got = as_numbers(outcome.value)
            if got is not None and got.dtype.kind == "f":
                return (_EMPTY_OF_FLOAT,)
    return ()


def _stops(faults: Sequence[Difference | None]) -> str:
    """The error in which most other cases end, if there is one: it tells more than a wrong value."""
    raised = [fault.says for fault in faults if fault and fault.kind == "raised"]
    shapes = [fault.says for fault in faults if fault and fault.kind == "shape"]
    if not raised:
        value_first = next(fault for fault in faults if fault).kind == "value"
        return f"In another case: {shapes[0]}" if shapes and value_first else ""
    return f"In {'another case' if len(raised) == 1 else f'{len(raised)} other cases'} it stops: {raised[0]}"


def _there(task: Task, cases: Sequence[tuple], first: int, rights: Sequence[Any], outcome: Outcome) -> str:
    """The inputs at the first place of an array that is not right, where each place has its own."""
    case, right = cases[first], rights[first]
    got = as_numbers(outcome.value) if outcome.kind == "value" else None
    if got is None or not isinstance(right, np.ndarray) or got.shape != right.shape or not right.ndim:
        return ""
    wrong = np.argwhere(~np.isclose(got.astype(float), right.astype(float), task.rtol, task.atol))
    if not len(wrong):
        return ""
    place = tuple(wrong[0])
    there = []
    for name, value, given in zip(task.inputs, case, zip(*cases)):
        if all(isinstance(one, np.ndarray) and one.shape[: right.ndim] == r.shape for one, r in zip(given, rights)):
            there.append(f"{name} is {_brief(value[place])}")
    return f"There {' and '.join(there)}, and your result is {show(got[place])}." if there else ""


def _brief(value: Any) -> Any:
    numbers = np.asarray(value)
    return (np.round(numbers, 4) if numbers.dtype.kind == "f" else numbers).tolist()


def is_stub(function: Callable) -> bool:
    """Whether a function's body is ``...``, ``pass`` or a docstring alone.

    Parameters
    ----------
    function : callable
        Any.

    Returns
    -------
    bool
        True for a starter that nobody has touched.

    Examples
    --------
    >>> def iou(a, b):
    ...     "Overlap."
    ...     ...
    >>> is_stub(iou), is_stub(lambda a, b: a)
    (True, False)
    """
    if not isinstance(function, FunctionType):
        return False
    steps = list(dis.get_instructions(function))
    constants = (step.argval for step in steps if step.opname in ("LOAD_CONST", "RETURN_CONST"))
    return all(step.opname in _STUB for step in steps) and all(value is None or value is ... for value in constants)


def _wrong_inputs(task: Task, function: Callable, case: tuple) -> str:
    try:
        signature = inspect.signature(function)
    except (TypeError, ValueError):  # Some functions written in C do not say.
        return ""
    try:
        signature.bind(*case)
    except TypeError:
        names, own = task.inputs, [str(name) for name in signature.parameters]
        count = f"{len(names)} input{'s' if len(names) > 1 else ''}"
        return f"It must take {count}, {listed(names)}; yours takes {', '.join(own) or 'none'}."
    return ""


def _fault(task: Task, case: tuple, right: Any, outcome: Outcome) -> Difference | None:
    """What is wrong with one call."""
    if outcome.kind in ("hang", "flood"):
        rule = {
            "hang": "It did not end within the time limit: look for a loop whose condition never becomes False.",
            "flood": f"It printed more than {PRINT_LIMIT} characters: take print out of the loop.",
        }[outcome.kind]
        return Difference(outcome.kind, rule + (f" It was stopped in {outcome.place}." if outcome.place else ""))
    if outcome.kind == "raised":
        assert outcome.error is not None
        said = _error(outcome, "")
        more = "" if "Did you mean" in said else hint(error_text(outcome.error))
        return Difference("raised", " ".join(filter(None, [said, more])))
    try:
        fault = compare(right, outcome.value, task.rtol, task.atol)
    except Exception as error:  # A learner's object may do anything when it is compared.
        fault = Difference("type", f"The result cannot be compared ({error_text(error)}); it must be {wanted(right)}.")
    if fault is None and outcome.changed:
        names = " and ".join(task.inputs[i] for i in outcome.changed)
        says = f"The result is right, but {names} is not what it was before the call."
        return Difference("changed", f"{says} Whoever called still needs it: work on a copy.")
    return fault


def _table(task: Task, case: tuple, outcome: Outcome, right: Any = None) -> tuple[tuple[str, str], ...]:
    rows = [("asked for", (inspect.getdoc(task.reference) or "").split("\n\n")[0].replace("\n", " "))]
    rows += [(name, show(value, task.unit_of(name))) for name, value in zip(task.inputs, case)]
    if outcome.kind == "value":
        rows.append(("your result", show(outcome.value, task.unit)))
    if right is not None:
        rows.append(("right result", show(right, task.unit)))
    return tuple(rows)


def _first_lines(printed: str) -> str:
    lines = printed.splitlines()
    if len(lines) <= PRINTED_LINES and len(printed) <= 80 * PRINTED_LINES:
        return printed
    kept = [line[:80] for line in lines[:PRINTED_LINES]]
    return "\n".join([*kept, f"... and more, {len(printed)} characters in all"])
