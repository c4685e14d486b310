"""A learner's progress, kept in one small file on the learner's machine.

The file lies in the user's data folder, or where the environment variable
``ROBOTLAB_PROGRESS`` says.  Its value ``off`` keeps progress in memory until
Python ends: right for tests, and where notebooks are run for others.
"""

from __future__ import annotations

import errno
import html
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import platformdirs

from robotlab.errors import InputError
from robotlab.files import write_json
from robotlab.json_file import parse_json
from robotlab.practice.task import Task

VARIABLE = "ROBOTLAB_PROGRESS"
OFF = "off"
VERSION = 1
STATES = ("not started", "tried", "passed")
_SIGNS = {"not started": "○", "tried": "◐", "passed": "✓"}
# A progress file is a few kB; anything larger is not a progress file.
_LARGEST_BYTES = 1_000_000
# Letters of a guess or of its name that are kept; a guess is a word or a line.
LONGEST_GUESS = 300


@dataclass(frozen=True)
class Record:
    """Progress in one task.

    Parameters
    ----------
    state : {"not started", "tried", "passed"}
        Once passed it stays passed.
    tries : int
        Answers verified.
    nudges : int
        Nudges seen.
    """

    state: str = "not started"
    tries: int = 0
    nudges: int = 0


@dataclass
class Progress:
    """Records by task, and the file they are kept in.

    Parameters
    ----------
    path : Path or None
        None keeps them in memory.

    Examples
    --------
    >>> progress = Progress(None)
    >>> progress.add_try("iou", passed=True)
    >>> progress.record("iou")
    Record(state='passed', tries=1, nudges=0)
    """

    path: Path | None

    def __post_init__(self) -> None:
        self._records: dict[str, Record] = {}
        self._guesses: dict[str, str] = {}
        self.note = ""

    def record(self, name: str) -> Record:
        """What is known of a task.

        Parameters
        ----------
        name : str
            The task.

        Returns
        -------
        Record
            An empty one for a task never tried.

        Examples
        --------
        >>> Progress(None).record("iou").tries
        0
        """
        self._read()
        return self._records.get(name, Record())

    def add_try(self, name: str, passed: bool) -> None:
        """Note that an answer was verified.

        Parameters
        ----------
        name : str
            The task.
        passed : bool
            Whether it was right.

        Examples
        --------
        >>> progress = Progress(None)
        >>> progress.add_try("iou", passed=False)
        >>> progress.record("iou").state
        'tried'
        """
        old = self.record(name)
        state = "passed" if passed or old.state == "passed" else "tried"
        self._write(name, replace(old, state=state, tries=old.tries + 1))

    def add_nudge(self, name: str) -> int:
        """Note that the next nudge is seen.

        Parameters
        ----------
        name : str
            The task.

        Returns
        -------
        int
            How many were seen, this one included.

        Examples
        --------
        >>> progress = Progress(None)
        >>> progress.add_nudge("iou"), progress.add_nudge("iou")
        (1, 2)
        """
        old = self.record(name)
        self._write(name, replace(old, nudges=old.nudges + 1))
        return old.nudges + 1

    def guess(self, name: str) -> str:
        """What was guessed.

        Parameters
        ----------
        name : str
            The guess, such as ``"02.post_width"``.

        Returns
        -------
        str
            Empty where nothing was.

        Examples
        --------
        >>> Progress(None).guess("02.post_width")
        ''
        """
        self._read()
        return self._guesses.get(name, "")

    def add_guess(self, name: str, guess: str) -> None:
        """Keep a guess in place of an earlier one.

        Parameters
        ----------
        name : str
            The guess.
        guess : str
            What is guessed; empty takes it back, a long one is cut.

        Examples
        --------
        >>> progress = Progress(None)
        >>> progress.add_guess("02.post_width", "20 px")
        >>> progress.guess("02.post_width")
        '20 px'
        """
        self._read()
        self._guesses[name[:LONGEST_GUESS]] = guess[:LONGEST_GUESS].strip()
        self._save()

    def _read(self) -> None:
        """Take what the file says; another notebook may have written since."""
        if self.path is None:
            return
        try:
            if not self.path.is_file() and self.path.exists():
                raise OSError(errno.EINVAL, "it is not a plain file")
            if self.path.stat().st_size > _LARGEST_BYTES:
                raise InputError("too large")
            self._records, self._guesses = _content_of(parse_json(self.path.read_bytes(), self.path.name))
        except FileNotFoundError:
            # Deleted on purpose, or not made yet; what this Python knows is not thrown away by a read.
            return
        except OSError as error:
            self.note = f"Your progress could not be read from {self.path.name} ({error.strerror}); it is kept until you close the notebook."
        except (ValueError, RecursionError):  # Not JSON, not UTF-8, or not what this module writes.
            self._set_aside(self.path)

    def _set_aside(self, path: Path) -> None:
        number = 1
        while (beside := path.with_name(f"{path.stem}.damaged-{number}{path.suffix}")).exists():
            number += 1
        try:
            os.replace(path, beside)
            self.note = f"The progress file was damaged. It is kept as {beside.name}, beside the new one."
        except OSError as error:
            self.note = f"The progress file is damaged and cannot be moved ({error.strerror}); progress is kept until you close the notebook."

    def _write(self, name: str, record: Record) -> None:
        self._records[name] = record
        self._save()

    def _save(self) -> None:
        if self.path is None:
            return
        try:
            tasks = {name: asdict(self._records[name]) for name in sorted(self._records)}
            guesses = {name: self._guesses[name] for name in sorted(self._guesses) if self._guesses[name]}
            write_json(self.path, {"version": VERSION, "tasks": tasks} | ({"guesses": guesses} if guesses else {}))
        except OSError as error:
            self.note = f"Your progress could not be saved ({error.strerror}); it is kept until you close the notebook."

    def take_note(self) -> str:
        """What the user should know about the file, once.

        Returns
        -------
        str
            A sentence, or nothing.

        Examples
        --------
        >>> Progress(None).take_note()
        ''
        """
        note, self.note = self.note, ""
        return note


@dataclass(frozen=True)
class ProgressMap:
    """All tasks by lesson, with what has been done of them.

    Parameters
    ----------
    rows : tuple of (int, tuple of (str, str))
        Lesson, and its tasks with their states.

    Examples
    --------
    >>> ProgressMap(((2, (("field_of_view", "passed"), ("bearing", "tried"))),))
    lesson 02   1 of 2   ✓ field_of_view   ◐ bearing
    ✓ passed   ◐ tried   ○ not started
    """

    rows: tuple[tuple[int, tuple[tuple[str, str], ...]], ...]

    def _count(self, tasks: tuple[tuple[str, str], ...]) -> str:
        return f"{sum(state == 'passed' for _, state in tasks)} of {len(tasks)}"

    def __repr__(self) -> str:
        lines = [
            f"lesson {lesson:02d}   {self._count(tasks)}   "
            + "   ".join(f"{_SIGNS[state]} {name}" for name, state in tasks)
            for lesson, tasks in self.rows
        ]
        return "\n".join([*lines, "   ".join(f"{_SIGNS[state]} {state}" for state in reversed(STATES))])

    def _repr_html_(self) -> str:
        rows = ""
        for lesson, tasks in self.rows:
            names = " &nbsp; ".join(
                f'<span style="white-space:nowrap" title="{state}">{_SIGNS[state]} {html.escape(name)}</span>'
                for name, state in tasks
            )
            rows += (
                f'<tr><th scope="row" style="text-align:left;white-space:nowrap">lesson {lesson:02d}</th>'
                f'<td style="text-align:left;white-space:nowrap">{self._count(tasks)}</td><td style="text-align:left">{names}</td></tr>'
            )
        key = ", ".join(f"{_SIGNS[state]} {state}" for state in reversed(STATES))
        return (
            f'<table><caption style="text-align:left;caption-side:top">Your tasks: {key}</caption>'
            '<thead><tr><th scope="col" style="text-align:left">lesson</th><th scope="col" style="text-align:left">passed</th>'
            f'<th scope="col" style="text-align:left">tasks</th></tr></thead><tbody>{rows}</tbody></table>'
        )


def map_of(progress: Progress, tasks: Iterable[Task]) -> ProgressMap:
    """The map of some tasks.

    Parameters
    ----------
    progress : Progress
        What has been done.
    tasks : iterable of Task
        In the order of the course.

    Returns
    -------
    ProgressMap
        For showing.

    Examples
    --------
    >>> from robotlab.practice import tasks_of
    >>> map_of(Progress(None), tasks_of())._count((("iou", "passed"), ("nms", "tried")))
    '1 of 2'
    """
    by_lesson: dict[int, tuple[tuple[str, str], ...]] = {}
    for task in tasks:
        by_lesson[task.lesson] = (*by_lesson.get(task.lesson, ()), (task.name, progress.record(task.name).state))
    return ProgressMap(tuple(sorted(by_lesson.items())))


def progress_path() -> Path | None:
    """Where the progress file is.

    Returns
    -------
    Path or None
        None where ``ROBOTLAB_PROGRESS`` is ``off``.

    Notes
    -----
    Without the variable: ``robotlab/progress.json`` in the operating system's own
    place for a program's data (:mod:`platformdirs`).

    Examples
    --------
    >>> path = progress_path()
    >>> path is None or path.suffix == ".json"
    True
    """
    chosen = os.environ.get(VARIABLE, "").strip()
    if chosen.lower() == OFF:
        return None
    if chosen:
        return Path(chosen).expanduser()
    return platformdirs.user_data_path("robotlab", appauthor=False) / "progress.json"


_open: dict[Path | None, Progress] = {}


def open_progress() -> Progress:
    """The progress kept where the environment says now.

    Returns
    -------
    Progress
        One for each place, however often it is asked for.

    Examples
    --------
    >>> open_progress() is open_progress()
    True
    """
    path = progress_path()
    return _open.setdefault(path, Progress(path))


def _content_of(value: object) -> tuple[dict[str, Record], dict[str, str]]:
    """Records and guesses from the file's content, or say that it is none of ours."""
    if not isinstance(value, dict) or value.get("version") != VERSION or not isinstance(value.get("tasks"), dict):
        raise InputError(f"a progress file must hold version {VERSION} and tasks; it is set aside")
    records = {}
    for name, one in value["tasks"].items():
        record = Record(**one) if isinstance(one, dict) and set(one) == {"state", "tries", "nudges"} else None
        counts = (record.tries, record.nudges) if record else ()
        if record is None or record.state not in STATES or any(type(n) is not int or n < 0 for n in counts):
            raise InputError(f"a record must hold state, tries and nudges, {name} does not; the file is set aside")
        records[name] = record
    guesses = value.get("guesses", {})
    if not isinstance(guesses, dict) or not all(isinstance(one, str) for one in guesses.values()):
        raise InputError("the guesses of a progress file must be text by name; the file is set aside")
    return records, guesses
