"""What a task is: a question, its answer, its cases, its nudges and its misconceptions."""

from __future__ import annotations

import copy
import inspect
import textwrap
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from robotlab.errors import InputError
from robotlab.practice.comparing import agree, compare

# Units by the ending of an input's name, the law of names in this library.
UNITS = {
    "px": "px",
    "mm": "mm",
    "m": "m",
    "rad": "rad",
    "deg": "°",
    "hz": "Hz",
    "s": "s",
    "mps": "m/s",
    "mps2": "m/s²",
    "radps": "rad/s",
}
# Fewer misconceptions than this and a wrong answer mostly meets a plain "not yet".
LEAST_MISCONCEPTIONS = 3
# One to point at the right place, one at the idea, one at the formula.
LEAST_NUDGES = 3


@dataclass(frozen=True)
class Misconception:
    """A known misconception, written as a wrong answer that runs.

    Parameters
    ----------
    name : str
        A few words, such as "half the angle".
    says : str
        The sentence or two that help: what the learner's numbers are, and
        where to look.  Never the answer.
    function : callable
        Takes what the task's reference takes, and gives what a learner with
        this misconception gets.  It may raise; it must not change its inputs.
    also : tuple of callable
        Other spellings of the same misconception whose results differ, for
        instance where NumPy leaves the order of equal values open.

    Examples
    --------
    >>> Misconception("twice", "Your result is twice as large.", lambda x: 2 * x).function(3)
    6
    """

    name: str
    says: str
    function: Callable[..., Any]
    also: tuple[Callable[..., Any], ...] = ()


@dataclass(frozen=True)
class Task:
    """A function for the learner to write.

    Parameters
    ----------
    reference : callable
        The right answer.  Its name is the task's name; its inputs and its
        docstring become the starter.
    lesson : int
        Number of the lesson it belongs to.
    statement : str
        One paragraph: what to write, with units.
    unit : str
        Unit of the result, empty for one without.
    fixed : tuple of tuple
        Cases written by hand, each the inputs of one call.  The first that
        fails is shown to the learner, so the plainest come first.
    draw : callable
        Takes a seeded :class:`numpy.random.Generator`, gives one more case.
    nudges : tuple of str
        Hints from faint to strong, at least three; the last may show the
        formula, none is the code.
    misconceptions : tuple of Misconception
        At least three.  The cases must tell them from the reference and from
        one another.
    edges : tuple of tuple
        Cases at the border: empty, equal, huge.  They count like the others
        and come last; a misconception is also recognized without them, since many an
        answer with a misconception stumbles there in its own way.
    draws : int
        How many random cases.
    rtol, atol : float
        How far a right number may be from the reference: relative, absolute.

    Raises
    ------
    InputError
        If there are too few nudges or misconceptions, or two misconceptions with one name.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> task.inputs, task.unit, len(task.misconceptions) >= 3
    (('sensor_mm', 'focal_mm'), 'rad', True)
    """

    reference: Callable[..., Any]
    lesson: int
    statement: str
    unit: str
    fixed: tuple[tuple, ...]
    draw: Callable[[np.random.Generator], tuple]
    nudges: tuple[str, ...]
    misconceptions: tuple[Misconception, ...]
    edges: tuple[tuple, ...] = ()
    draws: int = 12
    rtol: float = 1e-6
    atol: float = 1e-9

    def __post_init__(self) -> None:
        for what, found, least in (
            ("nudges", self.nudges, LEAST_NUDGES),
            ("misconceptions", self.misconceptions, LEAST_MISCONCEPTIONS),
        ):
            if len(found) < least:
                raise InputError(
                    f"{self.name}: a task must have {least} {what} or more, got {len(found)}; add what learners need"
                )
        names = [misconception.name for misconception in self.misconceptions]
        if len(set(names)) < len(names):
            raise InputError(
                f"{self.name}: each misconception must have a name of its own, got {', '.join(sorted(names))}; rename one"
            )

    @property
    def name(self) -> str:
        """Name of the function to write."""
        return self.reference.__name__

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of its inputs."""
        return tuple(inspect.signature(self.reference).parameters)

    @property
    def starter(self) -> str:
        """Source of the stub that the learner begins with."""
        words = inspect.getdoc(self.reference) or ""
        docstring = textwrap.indent(f'"""{words}' + ("\n" if "\n" in words else "") + '"""', "    ")
        return f"def {self.name}({', '.join(self.inputs)}):\n{docstring}\n    ...\n"

    def unit_of(self, name: str) -> str:
        """Unit of an input, read from the ending of its name.

        Parameters
        ----------
        name : str
            The input.

        Returns
        -------
        str
            Empty where the name has no such ending.

        Examples
        --------
        >>> from robotlab.practice import task_named
        >>> task_named("field_of_view").unit_of("sensor_mm")
        'mm'
        """
        if "_per_" in name:
            upper, _, lower = name.rpartition("_per_")
            return f"{upper.rpartition('_')[2]}/{UNITS.get(lower, lower)}"
        return UNITS.get(name.rpartition("_")[2], "") if "_" in name else ""

    def cases(self) -> list[tuple]:
        """All cases: fixed, drawn, edges; the same in every run.

        Returns
        -------
        list of tuple
            Inputs of one call each, yours to change.

        Examples
        --------
        >>> from robotlab.practice import task_named
        >>> task = task_named("field_of_view")
        >>> len(task.cases()) == task.plain + len(task.edges)
        True
        """
        rng = np.random.default_rng(zlib.crc32(self.name.encode()))
        return copy.deepcopy([*self.fixed, *(self.draw(rng) for _ in range(self.draws)), *self.edges])

    @property
    def plain(self) -> int:
        """How many cases come before the edges."""
        return len(self.fixed) + self.draws

    def agree(self, one: Any, other: Any) -> bool:
        """Whether two results are the same within the task's tolerances, but for their types.

        Parameters
        ----------
        one, other : object
            Results.

        Returns
        -------
        bool
            True for an array and a list of the same numbers.

        Examples
        --------
        >>> from robotlab.practice import task_named
        >>> task_named("bearing").agree([1, 2], np.array([1.0, 2.0]))
        True
        """
        return agree(one, other, self.rtol, self.atol)

    def is_right(self, right: Any, got: Any) -> bool:
        """Whether a learner's result is right.

        Parameters
        ----------
        right : object
            The right result.
        got : object
            The learner's; it may be anything.

        Returns
        -------
        bool
            False also for what cannot be compared.

        Examples
        --------
        >>> from robotlab.practice import task_named
        >>> task_named("bearing").is_right(0.25, 0.25)
        True
        """
        try:
            return compare(right, got, self.rtol, self.atol) is None
        except Exception:  # A learner's object may do anything when it is compared.
            return False
