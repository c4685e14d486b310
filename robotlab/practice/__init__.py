"""Practice: tasks for the learner, misconceptions that are recognized, nudges, progress.

In a lesson there are five names: ``verify(fn)`` checks a function against the
task of its name, ``nudge(fn)`` gives the next hint, ``progress_map()`` shows
what has been done; ``guess(name, question)`` is a field for a guess, and
``compare_guess(name, answer)`` shows it again beside the answer.

A task (:class:`Task`) is plain data in ``robotlab/practice/tasks/lesson_NN.py``:
a reference, whose inputs and docstring are the learner's starter; cases, some
written by hand and some drawn at random with a fixed seed; nudges; and misconceptions,
each a wrong answer that runs and the sentence that helps.  A result that agrees
with a misconception's in *every* case is recognized as that misconception, so the cases must tell
all misconceptions apart; the tests prove that they do.

Data flows one way: ``task`` -> ``running`` -> ``comparing``, ``general_misconceptions`` ->
``recognizing`` (from results), ``one_edit`` (from the source) -> ``grading`` -> ``verdict`` -> ``verifying`` (verify, nudge), with ``progress`` and ``guessing`` beside it.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.practice.guessing import compare_guess, guess, guesses_in
    from robotlab.practice.progress import ProgressMap, progress_path
    from robotlab.practice.task import Misconception, Task
    from robotlab.practice.verdict import Verdict
    from robotlab.practice.verifying import Nudge, nudge, progress_map, task_named, tasks_of, verify

load_lazily(__name__)
