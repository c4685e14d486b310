"""Tables of a lesson's results."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from robotlab.report.page import cell_texts, text_table

# Numbers stand to the right; a column with a cell of more letters than this is text, and stands to the left.
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
        What the table says, above it.
    decimals : int
        For floats.

    Raises
    ------
    InputError
        If a row has more or fewer cells than the header.

    Examples
    --------
    >>> Table(("gain", "overshoot"), [("1.0", "0.0°"), ("2.2", "4.1°")], "after a jump of 15°")
    after a jump of 15°
    gain  overshoot
    1.0        0.0°
    2.2        4.1°
    """

    def __init__(
        self, header: Sequence[str], rows: Iterable[Sequence[object]], caption: str = "", decimals: int = 3
    ) -> None:
        self.header, self.caption = tuple(header), caption
        self.rows = cell_texts(self.header, rows, decimals)

    def __repr__(self) -> str:
        return "\n".join(filter(None, [self.caption, text_table(self.header, self.rows)]))

    def _repr_html_(self) -> str:
        columns = list(zip(self.header, *self.rows, strict=True))
        texts = [not number or any(len(cell) > _SENTENCE for cell in cells[1:]) for number, cells in enumerate(columns)]

        def row(kind: str, cells: Sequence[str]) -> str:
            parts = []
            for number, (cell, text) in enumerate(zip(cells, texts, strict=True)):
                tag = 'th scope="col"' if kind == "head" else "td" if number else 'th scope="row"'
                whole = "white-space:nowrap;" if kind == "body" and len(cell) <= _SENTENCE else ""
                style = whole + ("text-align:left" if text else "")
                parts.append(f'<{tag} style="{style}">{html.escape(cell)}</{tag[:2]}>')
            return f"<tr>{''.join(parts)}</tr>"

        head, body = row("head", self.header), "".join(row("body", cells) for cells in self.rows)
        above = ""
        if self.caption:
            above = f'<caption style="caption-side:top;text-align:left">{html.escape(self.caption)}</caption>'
        return (
            f'<div style="overflow-x:auto"><table style="margin-left:0">{above}<thead>{head}</thead>'
            f"<tbody>{body}</tbody></table></div>"
        )
