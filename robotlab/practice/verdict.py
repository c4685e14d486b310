"""What ``verify`` shows: one verdict, in a notebook as a small panel, elsewhere as text.

Verdicts hold no time, no date and nothing of the machine, so that one answer
gets the same text everywhere.
"""

from __future__ import annotations

import html
import textwrap
from dataclasses import dataclass, replace

# How each kind begins, in the order of `KINDS` below.
KINDS = {
    "passed": "passed",
    "not started": "not started",
    "misconception": "not yet, and the mistake is a known one",
    "value": "not yet",
    "type": "not yet: another type of result is asked for",
    "shape": "not yet: the shape of the result is not right",
    "nan": "not yet: the result is not a number",
    "nothing": "not yet: it returns nothing",
    "changed": "not yet: it changes its inputs",
    "raised": "not yet: it stops with an error",
    "syntax": "not yet: its cell has a syntax error",
    "signature": "not yet: it takes other inputs",
    "hang": "not yet: it does not end",
    "flood": "not yet: it prints too much",
    "unknown": "no task has this name",
    "no function": "verify needs the function itself",
}
# Blue, orange and gray of the set by Okabe and Ito, told apart with any color
# vision (Okabe & Ito, Color Universal Design, 2008); words say the same.
_COLORS = {"passed": "#0072b2", "not started": "#767676"}
_OTHER_COLOR = "#d55e00"
_SIGNS = {"passed": "✓", "not started": "○"}
_OTHER_SIGN = "✗"
_WIDTH = 96


@dataclass(frozen=True)
class Verdict:
    """The evaluation of one answer.

    Parameters
    ----------
    name : str
        The function's name.
    kind : str
        One of ``KINDS``.
    says : str
        What helps: a sentence or two.
    misconception : str
        Name of the misconception that was recognized, if any.
    cases : int
        How many cases were tried.
    table : tuple of (str, str)
        A case that fails: inputs and the learner's result.
    notes : tuple of str
        Things beside the point: a warning, a lost progress file.
    printed : str
        What the function printed in the case shown, or in the first.

    Examples
    --------
    >>> verdict = Verdict("field_of_view", "passed", cases=18)
    >>> verdict
    ✓ field_of_view: passed, 18 cases
    >>> bool(verdict)
    True
    """

    name: str
    kind: str
    says: str = ""
    misconception: str = ""
    cases: int = 0
    table: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    printed: str = ""

    @property
    def passed(self) -> bool:
        """Whether the answer is right."""
        return self.kind == "passed"

    def __bool__(self) -> bool:
        return self.passed

    def with_note(self, note: str) -> Verdict:
        """The same verdict with one more note.

        Parameters
        ----------
        note : str
            A sentence.

        Returns
        -------
        Verdict
            A new one.

        Examples
        --------
        >>> print(Verdict("iou", "not started").with_note("Progress was not saved."))
        ○ iou: not started
          Progress was not saved.
        """
        return replace(self, notes=(*self.notes, note))

    def _head(self) -> str:
        words = f"recognized: {self.misconception}" if self.kind == "misconception" else KINDS[self.kind]
        return f"{self.name}: {words}" + (f", {self.cases} cases" if self.passed else "")

    def _printed_head(self) -> str:
        return f"In {'this' if self.table else 'the first'} case it printed:"

    def __str__(self) -> str:
        lines = [f"{_SIGNS.get(self.kind, _OTHER_SIGN)} {self._head()}"]
        if self.says:
            lines += textwrap.wrap(self.says, _WIDTH, initial_indent="  ", subsequent_indent="  ")
        if self.table:
            wide = max(len(name) for name, _ in self.table)
            lines.append("  A case that fails:")
            for name, value in self.table:
                lines += textwrap.indent(value, " " * (wide + 6)).splitlines()
                lines[-value.count("\n") - 1] = f"    {name:<{wide}}  {value.splitlines()[0] if value else ''}"
        for note in self.notes:
            lines += textwrap.wrap(note, _WIDTH, initial_indent="  ", subsequent_indent="  ")
        if self.printed:
            lines.append(f"  {self._printed_head()}")
            lines.append(textwrap.indent(self.printed, "    | ", lambda line: True).rstrip("\n"))
        return "\n".join(lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        color, sign = _COLORS.get(self.kind, _OTHER_COLOR), _SIGNS.get(self.kind, _OTHER_SIGN)
        parts = [f"<strong>{sign} {html.escape(self._head())}</strong>"]
        if self.says:
            parts.append(f'<div style="margin-top:.3em">{html.escape(self.says)}</div>')
        if self.table:
            rows = "".join(
                f'<tr><th scope="row" style="text-align:left;vertical-align:top;padding:.15em 1em .15em 0">{html.escape(name)}</th>'
                f'<td style="text-align:left;padding:.15em 0"><pre style="margin:0">{html.escape(value)}</pre></td></tr>'
                for name, value in self.table
            )
            parts.append(
                '<table style="margin:.5em 0 0 0"><caption style="text-align:left;caption-side:top;padding:0">'
                f"A case that fails</caption><tbody>{rows}</tbody></table>"
            )
        parts += [f'<div style="margin-top:.3em">{html.escape(note)}</div>' for note in self.notes]
        if self.printed:
            parts.append(f'<div style="margin-top:.3em">{self._printed_head()}</div>')
            parts.append(f'<pre style="margin:0">{html.escape(self.printed)}</pre>')
        return f'<div style="border-left:4px solid {color};padding:.4em .9em;margin:.3em 0;max-width:60em">{"".join(parts)}</div>'
