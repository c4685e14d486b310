"""A guess that is kept and comes back beside the answer, and a click that learns a color, in a real JupyterLab."""

import json

import pytest
from small_notebook import write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow]

CELLS = [
    """
import numpy as np
from robotlab.practice import compare_guess, guess
guess("02.post_width", "How wide is the post?", choices=(2, 6, 20), unit="px")
""",
    'compare_guess("02.post_width", "6.5 px")',
    """
from robotlab.widgets import PickColor
picture = np.zeros((60, 80, 3), np.uint8)
picture[20:50, 30:40] = 230, 110, 20
picture[20:50, 60:70] = 20, 110, 230
PickColor(picture, (35, 30))
""",
    """
from robotlab.widgets import LiveMask
looks = iter(range(10_000))
def take():
    seen = picture.copy()
    seen[0, : next(looks) % 40] = 230, 110, 20
    return seen
LiveMask(take, PickColor(picture, (35, 30)).band, every_ms=50)
""",
]


def test_a_guess_and_a_click(tmp_path, lab, open_notebook):
    source = write_notebook(tmp_path / "guess.ipynb", [cell.strip() for cell in CELLS])
    room = lab(source)
    notebook = open_notebook(room, "guess.ipynb")
    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    page = notebook.page
    answer = page.locator(".jp-Cell").nth(1).locator(".jp-OutputArea")
    assert "You wrote no guess. The answer: 6.5 px." in answer.inner_text()

    page.get_by_label("my guess").select_option("20 px")
    notebook.until(lambda: "kept" in page.locator(".jp-Cell").first.inner_text(), "the guess to be kept")
    assert json.loads(room.progress.read_text())["guesses"] == {"02.post_width": "20 px"}
    notebook.run_all()
    notebook.until(lambda: "Your guess: 20 px. The answer: 6.5 px." in answer.inner_text(), "both side by side")
    notebook.until(lambda: page.get_by_label("my guess").input_value() == "20 px", "the field to remember")

    widget = page.locator(".robotlab-slider-picture").first
    widget.scroll_into_view_if_needed()
    image, text = widget.locator("img"), widget.locator(".robotlab-text")
    first = text.inner_text()
    assert first.startswith("300 pixels have this color") and "Hue 1" in first
    # The blue thing, clicked in the left picture and then in the mask beside it.
    box = image.bounding_box()
    image.click(position={"x": box["width"] * 65 / 160, "y": box["height"] * 35 / 60})
    notebook.until(lambda: "Hue 10" in text.inner_text(), "the color of the blue thing")
    column, row = (int(widget.get_by_label(name).input_value()) for name in ("column", "row"))
    assert abs(column - 65) <= 1 and abs(row - 35) <= 1
    image.click(position={"x": box["width"] * (80 + 35) / 160, "y": box["height"] * 30 / 60})
    notebook.until(lambda: text.inner_text() == first, "the orange thing again")

    # A live picture moves by itself, until the button lets the camera go.
    live = page.locator(".robotlab-slider-picture").last
    live.scroll_into_view_if_needed()
    said, button = live.locator(".robotlab-text"), live.get_by_role("button")
    for _ in range(2):
        before = said.inner_text()
        notebook.until(lambda before=before: said.inner_text() != before, "the next picture")
    button.click()
    assert button.inner_text() == "Start"
    page.wait_for_timeout(600)
    stopped = said.inner_text()
    page.wait_for_timeout(600)
    assert said.inner_text() == stopped
    button.click()
    notebook.until(lambda: said.inner_text() != stopped, "it to go on")
    assert button.inner_text() == "Stop"
    button.click()

    # What every run asks of a lesson's outputs can say no, of cells out of sight too.
    page.locator(".jp-Cell").first.scroll_into_view_if_needed()
    image.evaluate("image => { image.style.width = image.style.maxWidth = '3000px'; }")
    assert len(notebook.too_wide(looks=5)) == 2
    # So can it of code that does not wrap.
    page.locator(".jp-CodeCell .cm-content").first.evaluate("code => { code.style.minWidth = '3000px'; }")
    assert len(notebook.too_wide(looks=5)) == 4
