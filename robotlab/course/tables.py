"""Tables of a lesson's results."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from robotlab.errors import InputError
from robotlab.report.page import cell_text, text_table

# Numbers stand to the right; cells with more letters than this are text, and stand to the left.
_SENTENCE = 24


class Table:
    """Results in rows: a table in a notebook, aligned text elsewhere.

    Printed lines wrap where the window is narrow, and their columns with
    them; a table keeps its columns and scrolls.

    Parameters
    ----------
    header : sequence of str
        Column names.
    rows : iterable of sequence
        Cells; floats are shown with `decimals`, ``None`` and NaN as a dash.
    caption : str
        What the table says, below it.
    decimals : int
        For floats.

    Raises
    ------
    InputError
        If a row has more or fewer cells than the header.

    Examples
    --------
    >>> Table(("gain", "overshoot"), [("1.0", "0.0°"), ("2.2", "4.1°")], "after a jump of 15°")
    gain  overshoot
    1.0        0.0°
    2.2        4.1°
    after a jump of 15°
    """

    def __init__(
        self, header: Sequence[str], rows: Iterable[Sequence[object]], caption: str = "", decimals: int = 2
    ) -> None:
        self.header, self.caption = tuple(header), caption
        self.rows = [tuple(cell_text(cell, decimals) for cell in row) for row in rows]
        for row in self.rows:
            if len(row) != len(self.header):
                raise InputError(
                    f"a row must have {len(self.header)} cells like the header, got {len(row)}: {row!r}; fill it with None"
                )

    def __repr__(self) -> str:
        return "\n".join([text_table(self.header, self.rows), *([self.caption] if self.caption else [])])

    def _repr_html_(self) -> str:
        left = 'style="text-align:left"'
        head = "".join(
            f'<th scope="col"{"" if column else " " + left}>{html.escape(name)}</th>'
            for column, name in enumerate(self.header)
        )
        body = "".join(
            f'<tr><th scope="row" {left}>{html.escape(first)}</th>'
            + "".join(f"<td{' ' + left if len(cell) > _SENTENCE else ''}>{html.escape(cell)}</td>" for cell in others)
            + "</tr>"
            for first, *others in self.rows
        )
        below = (
            f'<caption style="caption-side:bottom;text-align:left">{html.escape(self.caption)}</caption>'
            if self.caption
            else ""
        )
        return (
            f'<div style="overflow-x:auto"><table style="margin-left:0">{below}<thead><tr>{head}</tr></thead>'
            f"<tbody>{body}</tbody></table></div>"
        )
