"""Changed answers only compute, the search ends by count, marking runs nothing, and nudges are not the answer."""

import ast
import inspect
import linecache
import math
import re
import sys
import textwrap
import types

import numpy as np
import pytest

from robotlab.practice import task_named, tasks_of
from robotlab.practice.grading import grade_outcomes
from robotlab.practice.one_edit import one_edit
from robotlab.practice.plain_source import STEPS_OF_A_CALL, Steps, parsed, plain_names
from robotlab.practice.running import PRINT_LIMIT, run_cases

TASK = task_named("field_of_view")


def function_of(body, inputs="sensor_mm, focal_mm", **outside):
    name, source = "field_of_view", f"def field_of_view({inputs}):\n" + textwrap.indent(body, "    ")
    file = f"answer {hash(source)}"
    linecache.cache[file] = (len(source), None, source.splitlines(keepends=True), file)
    names = {"np": np, "math": math, **outside}
    exec(compile(source, file, "exec"), names)
    return names[name]


def is_plain(function):
    tree, _ = parsed(function)
    return plain_names(tree, function, Steps(1000)) is not None


@pytest.mark.parametrize(
    "body",
    [
        "return 2 * math.atan(sensor_mm / focal_mm)",
        "import numpy\nreturn numpy.arctan(sensor_mm / focal_mm)",
        "from scipy import ndimage\nreturn ndimage.label(np.ones((2, 2)))[1]",
        "total = 0\nfor n in range(3):\n    total += n\nreturn total",
        "print(sensor_mm)\nreturn sensor_mm",
    ],
)
def test_plain_computing_is_seen_as_such(body):
    assert is_plain(function_of(body))


@pytest.mark.parametrize(
    "body",
    [
        "return open('f')",
        "return np.load('f')",
        "return np.fromfile('f')",
        "return np.memmap('f')",
        "np.savetxt('f', [1])",
        "return np.genfromtxt('f')",
        "return np.ones(2).tofile('f')",
        "return np.random.rand()",
        "return np.lib.npyio",
        "return np.ctypeslib",
        "import os\nreturn os.getcwd()",
        "import subprocess",
        "import numpy.ctypeslib as c\nreturn c",
        "from numpy import load\nreturn load('f')",
        "from scipy import io\nreturn io",
        "import scipy.datasets",
        "from robotlab.files import write_text\nreturn 1",
        "return __import__('os')",
        "return eval('1')",
        "return exec('1')",
        "return getattr(math, 'tan')(1)",
        "return globals()",
        "return input()",
        "return ().__class__.__bases__",
        "return field_of_view.__globals__",
        "return field_of_view(1, 2)",
        "global kept\nkept = 1",
        "math.tau = 3\nreturn 1",
        "try:\n    return 1\nexcept Exception:\n    return 2",
        "with sensor_mm:\n    pass",
        "def inner():\n    return 1\nreturn inner()",
        "yield 1",
        "del sensor_mm",
        "return tool.now()",
        "return helper()",
    ],
)
def test_whatever_may_reach_outside_is_never_run_again(body):
    class Tool:
        def now(self):
            return 1

    def helper():
        return open("f")

    assert not is_plain(function_of(body, tool=Tool(), helper=helper))


def test_data_from_outside_are_copies():
    seen, table = [], np.zeros(3)
    body = "seen.append(1)\ntable[0] += 1\nreturn math.atan(sensor_mm / focal_mm + 0.01)"
    function = function_of(body, seen=seen, table=table)
    assert is_plain(function)
    right = [TASK.reference(*case) for case in TASK.cases()]
    one_edit(TASK, function, TASK.cases(), right)
    assert seen == [] and not table.any()


def test_a_loop_without_end_is_stopped_by_its_turns():
    body = "n = 1\nwhile n < focal_mm * 1e9:\n    n += 1\nreturn n"
    right = [TASK.reference(*case) for case in TASK.cases()]
    assert one_edit(TASK, function_of(body), TASK.cases(), right) is None
    steps = Steps(10 * STEPS_OF_A_CALL)
    with pytest.raises(Exception, match="^$"):
        list(steps.count(range(10**6)))
    assert 10 * STEPS_OF_A_CALL - steps.total <= STEPS_OF_A_CALL + 1


def test_a_slow_machine_finds_the_same_place(monkeypatch):
    """Changes and turns are counted; seconds are not."""
    import sys
    import time

    function = function_of("return 2 * math.atan(sensor_mm / 3 / focal_mm)")
    right = [TASK.reference(*case) for case in TASK.cases()]
    found = one_edit(TASK, function, TASK.cases(), right)
    module = sys.modules["robotlab.practice.one_edit"]
    plain = module.outcome_of
    monkeypatch.setattr(module, "outcome_of", lambda *inputs: time.sleep(0.001) or plain(*inputs))
    assert found is not None and one_edit(TASK, function, TASK.cases(), right) == found


def test_marking_results_runs_no_learners_code():
    """What is marked outside of the sandbox has outcomes only: no function is there to run."""

    def bomb(sensor_mm, focal_mm):
        if calls["armed"]:
            raise SystemExit("it was run")
        return sensor_mm / focal_mm

    for answer in (bomb, lambda sensor_mm, focal_mm: 3.0 + sensor_mm % 0.7):
        calls = {"armed": False}
        outcomes = run_cases(answer, TASK.cases())
        calls["armed"] = True
        assert not grade_outcomes(TASK, TASK.cases(), outcomes).passed


def test_marking_never_reaches_the_search_that_runs_changes(monkeypatch):
    import robotlab.practice.grading as grading

    def never(*_):
        raise AssertionError("the search ran")

    monkeypatch.setattr(grading, "one_edit", never)
    outcomes = run_cases(lambda sensor_mm, focal_mm: 3.0 + sensor_mm % 0.7, TASK.cases())
    assert grade_outcomes(TASK, TASK.cases(), outcomes).kind == "value"
    with pytest.raises(AssertionError, match="the search ran"):
        grade_outcomes(TASK, TASK.cases(), outcomes, lambda sensor_mm, focal_mm: 1.0 + sensor_mm + focal_mm)


@pytest.mark.parametrize("task", tasks_of(), ids=lambda task: task.name)
def test_no_nudge_holds_a_line_of_the_answer(task):
    body = ast.parse(textwrap.dedent(inspect.getsource(task.reference))).body[0].body
    lines = [ast.unparse(node) for part in body[1:] for node in ast.walk(part) if isinstance(node, ast.stmt)]
    lines = [re.sub(r"^return |\s", "", line) for one in lines for line in one.splitlines()]
    lines += [line.split("=", 1)[1] for line in lines if re.match(r"\w+=[^=]", line)]
    told = re.sub(r"\s", "", task.nudges[-1])
    assert [line for line in lines if len(line) > 12 and line in told] == []


def test_another_module_from_outside_is_not_plain():
    assert not is_plain(function_of("return tool.x", tool=types.ModuleType("os")))


def test_a_stream_that_an_answer_keeps_is_that_of_every_case():
    """As logging's handlers do: what is printed belongs to the case that prints it, and counts for that one alone."""
    kept = []

    def answer(letters):
        if not kept:
            kept.append(sys.stdout)
        kept[0].write("x" * letters)

    outcomes = run_cases(answer, [(PRINT_LIMIT - 1,), (3,), (PRINT_LIMIT,)])
    assert [(outcome.kind, len(outcome.printed)) for outcome in outcomes] == [
        ("value", PRINT_LIMIT - 1),
        ("value", 3),
        ("value", PRINT_LIMIT),
    ]
