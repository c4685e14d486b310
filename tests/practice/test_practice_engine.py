"""Whatever a learner's function does, ``verify`` answers with its own clear sentence and never raises."""

import io
import math
import signal
import sys
import threading
import time
import warnings

import numpy as np
import pytest
from scipy import ndimage
from some_long import some_long

from robotlab.practice import Verdict, nudge, task_named, tasks_of, verify
from robotlab.practice.grading import grade
from robotlab.practice.running import PRINT_LIMIT, TIME_LIMIT_S, outcome_of, run_cases
from robotlab.practice.verdict import KINDS

TASKS = tasks_of()
# Seconds; a right answer takes a few milliseconds.
SHORT_S = 0.2


def named(name, function):
    function.__name__ = name
    return function


def hangs(*inputs):
    while True:
        pass


def hangs_asleep(*inputs):
    """As long, and without keeping the processor from other tests."""
    while True:
        time.sleep(0.01)


def floods(*inputs):
    while True:
        print("a post, a post, a post")


def raises(*inputs):
    return 1 / 0


def says_nothing(*inputs):
    len(inputs)


def gives_text(*inputs):
    return "a post"


def without_numbers(right):
    """A result of the same form, all NaN; None stays, as it says that nothing was found."""
    if right is None:
        return None
    if isinstance(right, tuple):
        return tuple(map(without_numbers, right))
    return np.full(right.shape, math.nan) if isinstance(right, np.ndarray) else math.nan


def misshapen(right):
    if isinstance(right, tuple):
        return (*right, 0)
    return np.asarray(right)[None] if right is not None else None


def after(task, change):
    return lambda *inputs: change(task.reference(*inputs))


@pytest.mark.parametrize("task", some_long(TASKS, every=3), ids=lambda task: task.name)
def test_each_misbehavior_gets_its_own_sentence(task):
    answers = {
        "hang": hangs if task is TASKS[0] else hangs_asleep,
        "flood": floods,
        "raised": raises,
        "nothing": says_nothing,
        "type": gives_text,
        "nan": after(task, without_numbers),
        "shape": after(task, misshapen),
    }
    words = isinstance(task.reference(*task.cases()[0]), str)
    if words:  # They have no shape and are never NaN.
        answers = {kind: answers[kind] for kind in ("hang", "flood", "raised", "nothing")} | {"type": after(task, len)}
    verdicts = {
        kind: grade(task, answer, SHORT_S if kind == "hang" else TIME_LIMIT_S) for kind, answer in answers.items()
    }
    for kind, verdict in verdicts.items():
        assert verdict.kind == kind, verdict
        assert not verdict.passed
    assert len({verdict.says for verdict in verdicts.values()}) == len(verdicts)
    assert "does not end" in str(verdicts["hang"]) and "becomes False" in verdicts["hang"].says
    assert f"more than {PRINT_LIMIT} characters" in verdicts["flood"].says
    assert (
        "ZeroDivisionError: division by zero" in verdicts["raised"].says and "return 1 / 0" in verdicts["raised"].says
    )
    assert words or "NaN" in verdicts["nan"].says
    assert "return" in verdicts["nothing"].says
    assert ("an int" if words else "a str") in verdicts["type"].says


@pytest.mark.parametrize(
    "task",
    [task for task in TASKS if any(isinstance(one, np.ndarray) for one in task.fixed[0])],
    ids=lambda task: task.name,
)
def test_a_changed_input_is_noticed_though_the_result_is_right(task):
    place = next(i for i, one in enumerate(task.fixed[0]) if isinstance(one, np.ndarray))

    def changes(*inputs):
        right = task.reference(*inputs)
        inputs[place][...] = ~inputs[place] if inputs[place].dtype == bool else inputs[place] + 1
        return right

    verdict = grade(task, changes)
    assert verdict.kind == "changed", verdict
    assert task.inputs[place] in verdict.says and "copy" in verdict.says


def test_the_learners_own_line_is_shown_not_the_librarys():
    def softmax(scores):
        wrong = np.zeros((3, 3, 3))
        return np.concatenate([scores, wrong])

    says = verify(softmax).says
    assert "return np.concatenate([scores, wrong])" in says
    assert f"line {softmax.__code__.co_firstlineno + 2}" in says


@pytest.mark.parametrize(
    ("body", "kind", "words"),
    [
        ("return bearing(x_px, width_px, hfov_rad)", "raised", "RecursionError"),
        ("raise SystemExit(3)", "raised", "SystemExit: 3"),
        ("import sys; sys.exit()", "raised", "SystemExit"),
        ("raise ValueError(chr(10) * 9 + 'many' * 1000)", "raised", "..."),
        ("yield 1.0", "type", "use return"),
        ("return bearing", "type", "parentheses"),
        ("return 1j", "type", "complex"),
        ("return None if x_px == 80 else 1.0", "type", "None"),
        ("return np.array([1.0])", "shape", "(1,)"),
        ("return math.inf", "misconception", "is inf, whatever the inputs"),
        ("return {1: 2}", "type", "dict"),
        ("return True", "type", "True or False"),
        ("return ...", "not started", "left"),
        ("raise NotImplementedError", "not started", "left"),
        ("raise io.UnsupportedOperation('no reading')", "raised", "UnsupportedOperation"),
        ("raise type('Own', (NotImplementedError,), {})()", "raised", "Own"),
        ("pass", "not started", "left"),
        ("return", "not started", "left"),
        ("return [[1, 2], [3]]", "type", "list"),
        ("return Strange()", "type", "Strange"),
        ("return math.atan((width_px / 2 - x_px) / (width_px / 2) * math.tan(hfov_rad / 2))", "passed", ""),
        ("return np.float32(1)", "misconception", "is 1, whatever the inputs"),
        ("return np.asarray(math.atan((1 - 2 * x_px / width_px) * math.tan(hfov_rad / 2)))", "passed", ""),
    ],
)
def test_odd_answers(body, kind, words):
    class Strange:
        def __repr__(self):
            raise RuntimeError("no text")

        def __array__(self, *args, **kwargs):
            raise RuntimeError("no array")

        def __eq__(self, other):
            return True

    namespace = {"math": math, "np": np, "io": io, "Strange": Strange}
    exec(f"def bearing(x_px, width_px, hfov_rad):\n    {body}\n", namespace)
    verdict = verify(namespace["bearing"])
    assert verdict.kind == kind, verdict
    assert words in verdict.says
    assert str(verdict) and verdict._repr_html_()


def test_async_functions_are_told_apart_without_a_warning():
    async def bearing(x_px, width_px, hfov_rad):
        return 1.0

    verdict = verify(bearing)
    assert verdict.kind == "type" and "write def, not async def" in verdict.says


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("def iou(a): return 1", "It must take 2 inputs, a and b; yours takes a."),
        ("def iou(): return 1", "yours takes none"),
        ("def iou(a, b, c): return 1", "yours takes a, b, c"),
        ("def iou(a, b, *, clip): return 1", "yours takes a, b, clip"),
        ("def softmax(): return 1", "It must take 1 input, scores; yours takes none."),
    ],
)
def test_other_inputs_than_asked(source, words):
    namespace = {}
    exec(source, namespace)
    verdict = verify(namespace[source[4 : source.index("(")]])
    assert verdict.kind == "signature" and words in verdict.says


def test_more_inputs_with_defaults_and_other_names_are_welcome():
    def iou(first, second, eps=0.0):
        return task_named("iou").reference(first, second)

    assert verify(iou)
    assert verify(named("iou", lambda *boxes: task_named("iou").reference(*boxes)))


def test_names_that_are_no_task():
    def bearings(x_px):
        return 0

    verdict = verify(bearings)
    assert verdict.kind == "unknown" and "Did you mean bearing?" in verdict.says
    assert all(task.name in verdict.says for task in tasks_of(2))
    assert not any(task.name in verdict.says for task in tasks_of(5))
    # Nothing like it: all tasks, by lesson.
    far = verify(named("zzzz", lambda: 0))
    assert all(task.name in far.says for task in TASKS) and "lesson 05:" in far.says
    assert "write def" in verify(lambda x: x).says
    assert nudge("bearings").says == verdict.says


@pytest.mark.parametrize(
    "thing", [3.5, None, np.zeros(3), "iou", task_named("iou")], ids=lambda thing: type(thing).__name__
)
def test_something_that_is_no_function(thing):
    verdict = verify(thing)
    assert verdict.kind == "no function" and "without parentheses" in verdict.says


def test_a_loop_that_catches_everything_is_ended_all_the_same():
    def bearing(x_px, width_px, hfov_rad):
        while True:
            try:
                x_px += 1
            except:  # noqa: E722
                pass

    assert verify(bearing, SHORT_S).kind == "hang"


def test_sleeping_and_waiting_for_input_count_as_hanging():
    def bearing(x_px, width_px, hfov_rad):
        time.sleep(1000)

    verdict = verify(bearing, SHORT_S)
    assert verdict.kind == "hang" and "time.sleep(1000)" in verdict.says


def test_the_time_limit_leaves_no_timer_and_gives_back_the_old_one():
    if not hasattr(signal, "setitimer"):
        pytest.skip("this system has no setitimer")
    rung = []
    old = signal.signal(signal.SIGALRM, lambda *args: rung.append(1))
    signal.setitimer(signal.ITIMER_REAL, 100)
    try:
        grade(task_named("bearing"), hangs, SHORT_S)
        grade(task_named("bearing"), task_named("bearing").reference)
        left, again = signal.getitimer(signal.ITIMER_REAL)
        assert 50 < left < 100 and again == 0
        signal.getsignal(signal.SIGALRM)()
        assert rung == [1]
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)


def test_in_another_thread_the_same_verdicts():
    """Where there is no timer, as on Windows, the function runs in a thread that is told to stop."""
    verdicts = {}

    def work():
        for kind, answer in {
            "hang": hangs,
            "flood": floods,
            "raised": raises,
            "passed": task_named("iou").reference,
        }.items():
            verdicts[kind] = grade(task_named("iou"), answer, SHORT_S if kind == "hang" else TIME_LIMIT_S)

    thread = threading.Thread(target=work)
    before = threading.active_count()
    thread.start()
    thread.join(30)
    assert {kind: verdict.kind for kind, verdict in verdicts.items()} == {kind: kind for kind in verdicts} and len(
        verdicts
    ) == 4
    assert "return 1 / 0" in verdicts["raised"].says
    for _ in range(100):
        if threading.active_count() == before:
            break
        time.sleep(0.05)
    assert threading.active_count() == before, "the function that hung must have been stopped"


def test_printing_is_shown_once_and_capped_and_goes_nowhere_else(capsys):
    def bearing(x_px, width_px, hfov_rad):
        print("x", x_px)
        sys.stderr.write("to stderr\n")
        return task_named("bearing").reference(x_px, width_px, hfov_rad)

    verdict = verify(bearing)
    assert verdict.passed and verdict.printed == "x 80.0\nto stderr\n"
    assert "    | x 80.0" in str(verdict)

    def much(x_px, width_px, hfov_rad):
        print("word " * 300)
        for n in range(30):
            print(n)
        return bearing(x_px, width_px, hfov_rad)

    printed = verify(named("bearing", much)).printed
    assert len(printed) < 1200 and "and more" in printed
    assert capsys.readouterr() == ("", "")


def test_warnings_become_notes():
    def softmax(scores):
        return np.exp(scores) / np.exp(scores).sum(axis=1, keepdims=True)

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        verdict = verify(softmax)
    assert verdict.misconception == "large scores overflow"
    assert any("RuntimeWarning: overflow" in note for note in verdict.notes)


def test_an_interrupt_by_the_user_is_let_through():
    def interrupt(*inputs):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        grade(task_named("bearing"), interrupt)


GENERAL = [
    ("field_of_view", lambda right: -right, "sign"),
    ("bearing", lambda right: math.radians(right), "radians twice"),
    ("mean_hue", lambda right: right / 2, "half"),
    ("working_range", lambda right: (1000 * right[0], 1000 * right[1]), "thousand"),
    ("iou", lambda right: 100 * right, "percent"),
    ("pixels_on_target", lambda right: right + 1, "one too many"),
    ("mean_hue", lambda right: round(right, 2), "rounded to 2 decimals"),
    ("shrink", lambda right: np.round(right).astype(float), "rounded to 0 decimals"),
    ("in_band", lambda right: ~right, "inverted mask"),
    ("largest_blob", lambda right: ~right, "inverted mask"),
    ("nms", lambda right: right[::-1], "other way round"),
    ("softmax", lambda right: np.round(right, 3), "rounded to 3 decimals"),
]


@pytest.mark.parametrize(
    ("name", "change", "misconception"), GENERAL, ids=[f"{name}: {misconception}" for name, _, misconception in GENERAL]
)
def test_misconceptions_of_every_task_are_recognized_too(name, change, misconception):
    verdict = grade(task_named(name), after(task_named(name), change))
    assert (verdict.kind, verdict.misconception) == ("misconception", misconception), verdict


def test_two_misconceptions_at_once_are_both_named():
    verdict = grade(task_named("field_of_view"), lambda sensor, focal: math.degrees(math.atan(sensor / focal / 2)))
    assert verdict.misconception == "half the angle, and degrees for radians"
    assert verdict.says.startswith("Two things at once.")


@pytest.mark.parametrize(
    ("source", "misconception"),
    [
        # A mask without True pixels: the mean of nothing.
        ("def centroid(mask):\n rows, columns = np.nonzero(mask)\n return columns.mean(), rows.mean()", "half a pixel"),
        (
            "def centroid(mask):\n rows, columns = np.nonzero(mask)\n return sum(rows) / len(rows) + .5, sum(columns) / len(columns) + .5",
            "rows for columns",
        ),
        ("def softmax(scores):\n return np.exp(scores) / np.exp(scores).sum()", "all rows share one sum"),
        ("def scaled_size(w, h, n):\n return n, round(h * n / w)", "always by the width"),
        (
            "def largest_blob(mask):\n labels = ndimage.label(mask)[0]\n return labels == 1 + np.bincount(labels.ravel())[1:].argmax()",
            "no corners",
        ),
        ("def nms(boxes, scores, limit):\n return np.array([scores.argmax()])", "only one box stays"),
    ],
)
def test_a_misconception_is_named_though_the_answer_stumbles_at_the_edges_in_its_own_way(source, misconception):
    namespace = {"np": np, "ndimage": ndimage}
    exec(source, namespace)
    verdict = verify(namespace[source[4 : source.index("(")]])
    assert verdict.misconception == misconception, verdict


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("0 <= scores <= 1", "use & and |"),
        ("scores + np.zeros(99)", "keepdims=True"),
        ("math.exp(scores)", "np.sin and the like"),
        ("scores[1, 1, 1]", "fewer axes"),
        ("scores[999]", "counts rows"),
        ("scores[0, 999]", "begins at 0"),
        ("[1, 2][5]", "begins at 0"),
        ("numpy.exp(scores)", "does not know this name"),
        ("a, b, c = [1, 2]", "number of names"),
        ("scores(1)", "square brackets"),
        ("[1, 2] / 2", "A list is not an array"),
        ("None + 1", "None where a value"),
        ("softmax(scores)", "without end"),
        ("x = scores.astype(int); x /= 3", "cannot take fractions"),
        ("np.exp(np.array(['a']))", "dtype"),
        ("len(later); later = 1", "in some paths"),
    ],
)
def test_common_errors_are_explained(line, words):
    namespace = {"np": np, "math": math}
    exec(f"def softmax(scores):\n    {line}\n    return scores", namespace)
    verdict = verify(namespace["softmax"])
    assert verdict.kind == "raised" and words in verdict.says, verdict


def test_a_misconception_that_holds_in_some_cases_only_is_not_named():
    def iou(a, b):
        if a[0] == 0:
            return task_named("iou").reference(a, b) * 0.9
        return 0.123

    verdict = verify(iou)
    assert verdict.kind == "value" and verdict.misconception == ""
    assert "too small" in verdict.says


def test_the_failing_case_shows_inputs_units_and_shape_and_not_the_answer():
    def shrink(gray, step):
        return gray[::step, ::step] * 1.5

    verdict = verify(shrink)
    table = dict(verdict.table)
    assert list(table) == ["asked for", "gray", "step", "your result"]
    assert table["asked for"].startswith("A smaller picture: each pixel the mean of step × step")
    assert "(4, 4) float64" in table["gray"] and "(2, 2) float64" in table["your result"]
    assert "2.5" not in table["your result"] and "2.5" not in verdict.says
    band = grade(task_named("working_range"), lambda *inputs: (1.0, 2.0))
    assert dict(band.table)["object_m"] == "0.5 m" and dict(band.table)["width_px"] == "320 px"
    assert dict(band.table)["your result"] == "(1, 2) m"
    mask = grade(task_named("centroid"), lambda mask: (1.0, 2.0))
    assert set("".join(dict(mask.table)["mask"].splitlines()[1:])) <= {"#", "."}


def test_verdicts_are_the_same_every_time_and_escape_what_they_show():
    def bearing(x_px, width_px, hfov_rad):
        print("<script>alert(1)</script>")
        raise ValueError("<b>bold</b>")

    one, other = verify(bearing), verify(bearing)
    assert str(one) == str(other) and one._repr_html_() == other._repr_html_()
    page = one._repr_html_()
    assert "<script" not in page and "<b>" not in page and "&lt;b&gt;bold" in page
    assert 'scope="row"' in page and "<caption" in page


def test_every_kind_has_words_and_shows():
    for kind in KINDS:
        verdict = Verdict(
            "iou",
            kind,
            "A sentence.",
            misconception="half" if kind == "misconception" else "",
            table=(("a", "1\n2"),),
            notes=("Note.",),
            printed="text",
        )
        assert "iou" in str(verdict) and "A sentence." in str(verdict) and "      2" in str(verdict)
        assert "A sentence." in verdict._repr_html_()
        assert bool(verdict) == (kind == "passed")


def test_a_misconception_that_raises_is_recognized_by_its_error():
    assert outcome_of(raises, (1,)).kind == "raised"
    assert [outcome.kind for outcome in run_cases(raises, [(1,), (2,)])] == ["raised", "raised"]
