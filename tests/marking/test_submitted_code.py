"""Learners' functions as text; what is run of a notebook; which written answers are found."""

import json
import random
from hashlib import sha256
from pathlib import Path

from robotlab.marking.slicing import needed, statements_of
from robotlab.marking.submissions import read_submissions
from robotlab.marking.submitted_code import alike_pairs, function_source, is_starter, library_calls, tokens
from robotlab.practice import tasks_of

LESSONS = Path(__file__).parents[2] / "lessons"


def answer(seed: int) -> str:
    """A long function; another seed gives other operations in another order."""
    rng = random.Random(seed)
    lines = [
        f"    v{k} = v{rng.randrange(k)} {rng.choice('+-*/')} {rng.choice(['a', 'b', '2', '7'])}" for k in range(1, 30)
    ]
    return "\n".join(["def f(a, b):", "    v0 = a", *lines, "    return v29"])


def test_renamed_and_commented_copies_are_alike_and_others_are_not():
    copied = answer(1).replace("v", "value_").replace("(a, b)", "(a,b)").replace("\n", "  # mine\n", 5)
    others = [[answer(seed)] for seed in range(2, 20)]
    assert alike_pairs([[answer(1)], *others, [copied]]) == [(0, 19, 1.0)]


def test_what_the_whole_class_writes_is_no_hint():
    assert alike_pairs([[answer(1)]] * 12) == []


def test_tokens_keep_what_changes_the_result():
    assert tokens("def f(a):\n  return a + 1") != tokens("def f(a):\n  return a - 1")
    assert tokens("def f(a):\n  return a.min()") != tokens("def f(a):\n  return a.max()")
    assert tokens('def f(a):\n  "Doc."\n  return a') == tokens("def f(b):\n\n    return b  # hi")


def test_every_starter_of_the_course_is_seen_as_one():
    for task in tasks_of():
        assert is_starter(task.starter, task.starter) and is_starter(task.starter.replace("...", "pass"), task.starter)
        assert not is_starter(task.starter.replace("    ...", "    return 1"), task.starter)


def test_the_last_definition_counts_and_brackets_do_not_end_it():
    cells = ["def f(a):\n    return 1", "def f(\n    a,\n):\n    return 2\n\n\ndef g(a):\n    return 3"]
    assert function_source(cells, "f") == "def f(\n    a,\n):\n    return 2" and function_source(cells, "h") == ""


def test_library_calls_are_found_under_any_name():
    assert library_calls(
        ["from robotlab.boxes import (\n    iou as same,\n)", "def iou(a, b):\n    return same(a, b)"], "iou"
    ) == ["same"]
    assert library_calls(["import robotlab.boxes as rb\niou = rb.iou"], "iou") == ["rb.iou"]
    assert library_calls(["import numpy as np\ndef iou(a, b):\n    return np.sum(a)"], "iou") == []


def lines_run(*cells, names=("f",)):
    statements = [one for k, cell in enumerate(cells) for one in statements_of(k, cell)]
    return [(one.cell, one.node.lineno) for one in needed(statements, names)]


def test_what_a_function_needs_is_run_and_no_more():
    cells = (
        "import math\nprint(1)\nK = 3\nfigure = draw()",
        "K += 1\ntable = {}\ntable['a'] = K",
        "def g(x): return K * x\ndef f(x): return g(x) + table['a']",
    )
    assert lines_run(*cells) == [(0, 3), (1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
    assert lines_run("from x import *", "def f(a): return a") == [(0, 1), (1, 1)]
    assert lines_run("%%time\nx = 1", "!ls\ndef f(a): return a", "globals()['k'] = 1") == [(1, 2), (2, 1)]
    assert lines_run("x = 1", "def f(x): return x") == [(1, 1)]


def test_every_lesson_is_read_and_none_of_its_own_text_is_taken_for_an_answer(tmp_path):
    paths = sorted(LESSONS.glob("*.ipynb"))
    for path in paths:
        folder = tmp_path / path.stem
        folder.mkdir()
        (folder / path.name).write_bytes(path.read_bytes())
    with_tasks = {task.lesson for task in tasks_of()}
    for one in read_submissions(tmp_path, {task.name: task.lesson for task in tasks_of()}):
        assert one.written == (), one.file
        assert (one.lesson if not one.problem else None) == (
            int(one.learner[:2]) if int(one.learner[:2]) in with_tasks else None
        )


def test_text_that_the_learner_wrote_stands_beside_its_question(tmp_path):
    question = "## 7. Look\n\nWhy is it so?"
    course = sha256(f"02_x|markdown|{question}|1".encode()).hexdigest()[:8]
    cells = [
        {"cell_type": "markdown", "id": course, "source": question, "metadata": {}},
        {"cell_type": "markdown", "id": "own", "source": "Because <b>light</b>\x1b[1m bends.", "metadata": {}},
    ]
    (tmp_path / "02.ipynb").write_text(json.dumps({"cells": cells, "metadata": {"robotlab": {"source": "02_x.py 1"}}}))
    (one,) = read_submissions(tmp_path, {"field_of_view": 2})
    (written,) = one.written
    assert written.question == "7. Look: Why is it so?" and written.answer == "Because <b>light</b>\\x1b[1m bends."
    assert written.name == f"{course}.1"


def test_each_learner_has_one_notebook_of_a_lesson(tmp_path):
    (tmp_path / "Ada").mkdir()
    for name in ("02.ipynb", "02 again.ipynb"):
        (tmp_path / "Ada" / name).write_text(json.dumps({"cells": [], "metadata": {}}))
    found = read_submissions(tmp_path, {"field_of_view": 2})
    assert [bool(one.problem) for one in found] == [False, True] and {one.learner for one in found} == {"Ada"}
