"""Tables of a lesson: the same cells as text and as HTML."""

import re

import pytest

from robotlab.course import Table
from robotlab.errors import InputError


def test_a_table_has_the_same_cells_in_text_and_html():
    table = Table(("gain", "left <°>"), [(1.25, None), ("a & b", 3)], "above", decimals=2)
    assert repr(table).splitlines() == ["above", "gain   left <°>", "1.25          –", "a & b         3"]
    page = table._repr_html_()
    cells = re.findall(r"<t[hd](?: [^>]*)?>(.*?)</t[hd]>", page)
    assert cells == ["gain", "left &lt;°&gt;", "1.25", "–", "a &amp; b", "3"]
    assert page.count('scope="col"') == page.count('scope="row"') == 2
    assert "overflow-x:auto" in page and ">above</caption>" in page


def test_each_row_is_as_wide_as_the_header():
    with pytest.raises(InputError, match="a row must have 2 cells like the header, got 1"):
        Table(("a", "b"), [(1,)])
