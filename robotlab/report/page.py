"""One self-contained HTML page from text, tables, pictures and figures.

Nothing is fetched: pictures are inside the file, so it can be mailed, opened
from a memory stick, or handed in.
"""

from __future__ import annotations

import base64
import html
import io
import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from robotlab.errors import InputError
from robotlab.files import write_whole
from robotlab.image import encode

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Report:
    """A page that grows from top to bottom.

    Parameters
    ----------
    title : str
        Heading of the page and of the browser's tab.

    Examples
    --------
    >>> page = Report("Ten crates")
    >>> page.heading("Count")
    >>> page.text("Ten.")
    >>> "<h2" in page.html()
    True
    """

    def __init__(self, title: str) -> None:
        self.title = title
        self._parts: list[str] = []
        self._headings: list[tuple[str, str]] = []

    def heading(self, text: str) -> None:
        """Begin a section; it is listed at the top of the page.

        Parameters
        ----------
        text : str
            Plain text.
        """
        base = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "part"
        name = f"{base}-{len(self._headings) + 1}"
        self._headings.append((name, text))
        self._parts.append(f'<h2 id="{name}">{html.escape(text)}</h2>')

    def text(self, text: str, kind: str = "plain") -> None:
        """Add a paragraph.

        Parameters
        ----------
        text : str
            Plain text; what stands between backticks is shown as code.
        kind : {"plain", "note", "caution"}
            A note or a caution gets a colored edge and is announced as such.

        Raises
        ------
        InputError
            If the kind is another.
        """
        body = re.sub(r"`([^`]+)`", r"<code>\1</code>", html.escape(text, quote=False))
        if kind == "plain":
            self._parts.append(f"<p>{body}</p>")
        elif kind in ("note", "caution"):
            word = "Note" if kind == "note" else "Caution"
            self._parts.append(f'<div class="{kind}" role="note"><strong>{word}.</strong> {body}</div>')
        else:
            raise InputError(f"kind must be plain, note or caution, got {kind!r}; choose one of them")

    def table(self, header: Sequence[str], rows: Iterable[Sequence[object]], caption: str = "") -> None:
        """Add a table.

        Parameters
        ----------
        header : sequence of str
            Column names.
        rows : iterable of sequence
            Cells; floats are shown with three decimals, ``None`` and NaN as a dash.
        caption : str
            What the table says, below it.

        Raises
        ------
        InputError
            If a row has more or fewer cells than the header.
        """
        lines = []
        for row in cell_texts(header, rows):
            first, *others = map(html.escape, row)
            lines.append(f'<tr><th scope="row">{first}</th>' + "".join(f"<td>{cell}</td>" for cell in others) + "</tr>")
        head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in header)
        foot = f"<caption>{html.escape(caption)}</caption>" if caption else ""
        self._parts.append(
            f'<div class="scroll"><table>{foot}<thead><tr>{head}</tr></thead><tbody>{"".join(lines)}</tbody></table></div>'
        )

    def picture(
        self, picture: np.ndarray, alt: str, caption: str = "", width_px: int | None = None, kind: str = "png"
    ) -> None:
        """Add a picture.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.
        alt : str
            What it shows, for those who cannot see it.
        caption : str
            Text below it.
        width_px : int, optional
            Show it this wide; wider than it is shows its pixels as squares.
        kind : {"png", "jpg"}
            How it is kept in the page.
        """
        mime = "png" if kind == "png" else "jpeg"
        magnified = width_px is not None and width_px > picture.shape[1]
        self._figure(encode(picture, kind), mime, alt, caption, width_px, "magnified" if magnified else "")

    def figure(self, figure: Figure, alt: str, caption: str = "", dpi: int = 110) -> None:
        """Add a matplotlib figure.

        Parameters
        ----------
        figure : matplotlib.figure.Figure
            Drawn at its own size.
        alt : str
            What it shows, for those who cannot see it.
        caption : str
            Text below it.
        dpi : int
            Pixels an inch.
        """
        out = io.BytesIO()
        # No software name or date inside, so that the same figure gives the same bytes.
        figure.savefig(out, format="png", dpi=dpi, bbox_inches="tight", metadata={"Software": None})
        self._figure(out.getvalue(), "png", alt, caption, None, "")

    def raw(self, fragment: str) -> None:
        """Add a fragment of HTML as it is, such as a replay.

        Parameters
        ----------
        fragment : str
            Trusted HTML of our own.
        """
        self._parts.append(fragment)

    def begin_row(self) -> None:
        """Put the figures that follow side by side, as many as there is room for."""
        self._parts.append('<div class="row">')

    def end_row(self) -> None:
        """End what :meth:`begin_row` began."""
        self._parts.append("</div>")

    def html(self) -> str:
        """The whole page.

        Returns
        -------
        str
            HTML.
        """
        links = "".join(f'<a href="#{name}">{html.escape(text)}</a>' for name, text in self._headings)
        style = Path(__file__).with_suffix(".css").read_text(encoding="utf-8")
        nav = f'<nav aria-label="Sections">{links}</nav>' if len(self._headings) > 1 else ""
        return (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{html.escape(self.title)}</title><style>\n{style}</style></head>\n"
            f"<body><main><h1>{html.escape(self.title)}</h1>{nav}\n"
            + "\n".join(self._parts)
            + "\n</main></body></html>\n"
        )

    def save(self, path: str | os.PathLike) -> Path:
        """Write the page, whole or not at all.

        Parameters
        ----------
        path : path-like
            Usually ends in .html.

        Returns
        -------
        Path
            The path written.
        """
        return write_whole(path, self.html())

    def _figure(self, content: bytes, mime: str, alt: str, caption: str, width_px: int | None, css: str) -> None:
        if not alt:
            raise InputError("a picture must have a text alternative, got none; say in a sentence what it shows")
        width = f' style="width:{int(width_px)}px"' if width_px else ""
        data = base64.b64encode(content).decode("ascii")
        below = f"<figcaption>{html.escape(caption)}</figcaption>" if caption else ""
        self._parts.append(
            f'<figure class="{css}"><img alt="{html.escape(alt)}" src="data:image/{mime};base64,{data}"{width}>{below}</figure>'
        )


def cell_text(value: object, decimals: int = 3) -> str:
    """How a table shows a value.

    Parameters
    ----------
    value : object
        A number, text or ``None``.
    decimals : int
        For floats.

    Returns
    -------
    str
        A dash for ``None`` and NaN.

    Examples
    --------
    >>> cell_text(0.25), cell_text(None), cell_text(7)
    ('0.250', '–', '7')
    """
    if value is None:
        return "–"
    if isinstance(value, (float, np.floating)):
        return "–" if not np.isfinite(value) else f"{value:.{decimals}f}"
    return str(value)


def cell_texts(header: Sequence[str], rows: Iterable[Sequence[object]], decimals: int = 3) -> list[tuple[str, ...]]:
    """The cells of a table as text, in rows as long as its header.

    Parameters
    ----------
    header : sequence of str
        Column names.
    rows : iterable of sequence
        Cells, as in :func:`cell_text`.
    decimals : int
        For floats.

    Returns
    -------
    list of tuple of str
        One for each row.

    Raises
    ------
    InputError
        If a row has more or fewer cells than the header.

    Examples
    --------
    >>> cell_texts(("lighting", "AP"), [("dusk", 0.5)])
    [('dusk', '0.500')]
    """
    texts = []
    for row in rows:
        if len(row) != len(header):
            raise InputError(
                f"a row must have {len(header)} cells like the header, got {len(row)}: {row!r}; fill it with None"
            )
        texts.append(tuple(cell_text(cell, decimals) for cell in row))
    return texts


def text_table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table for the terminal.

    Parameters
    ----------
    header : sequence of str
        Column names.
    rows : iterable of sequence
        Cells, as in :meth:`Report.table`.

    Returns
    -------
    str
        Lines, the first column to the left and the others to the right.

    Examples
    --------
    >>> print(text_table(["lighting", "AP"], [["dusk", 0.5]]))
    lighting     AP
    dusk      0.500
    """
    cells = [tuple(header), *cell_texts(header, rows)]
    first, *others = (max(map(len, column)) for column in zip(*cells, strict=True))
    lines = ("  ".join([row[0].ljust(first), *map(str.rjust, row[1:], others)]).rstrip() for row in cells)
    return "\n".join(lines)
