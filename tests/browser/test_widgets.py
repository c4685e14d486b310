"""The kit of interactive pictures, in a real JupyterLab, with real mouse and keys."""

import pytest
from small_notebook import write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow]

CELLS = [
    """
import numpy as np
from robotlab.widgets import Replay, Slider, SliderPicture
def draw(level, width):
    if level > 250:
        raise ValueError("too bright for this lamp")
    return np.full((40, int(width), 3), int(level), np.uint8), f"level {level:.0f}, {width:.0f} px wide"
SliderPicture(draw, alt="One even gray.", zoom=3, level=Slider(0, 255, 90, 1, "gray level"), width=Slider(20, 80, 40, 1, "width", "px"))
""",
    "Replay(\"<p id='said'>waits</p><script>document.getElementById('said').textContent = 'plays'</script>\", alt=\"A word.\")",
]


def test_slider_picture_and_replay(tmp_path, lab, open_notebook):
    source = write_notebook(tmp_path / "kit.ipynb", [cell.strip() for cell in CELLS])
    kit = open_notebook(lab(source), "kit.ipynb")
    kit.run_all()
    assert kit.troubles() == []
    page = kit.page
    picture = page.locator(".robotlab-slider-picture")
    picture.wait_for()
    image, text = picture.locator("img"), picture.locator(".robotlab-text")
    assert text.inner_text() == "level 90, 40 px wide"
    assert image.get_attribute("alt") == "One even gray."
    kit.until(lambda: image.bounding_box()["width"] == 120, "the picture at three times its 40 px")

    # Arrow keys move the slider and do not move JupyterLab's own cursor between cells.
    slider = picture.get_by_label("gray level")
    slider.focus()
    active = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    before = image.get_attribute("src")
    # Plain keys, one focus: no answer of the kernel takes it away.
    for _ in range(5):
        page.keyboard.press("ArrowUp")
    kit.until(lambda: text.inner_text() == "level 95, 40 px wide", "five steps up")
    assert image.get_attribute("src") != before
    assert slider.evaluate("element => element === document.activeElement")
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == active

    # The mouse: drag the second slider from its middle to its right end.
    kit.drag(picture.get_by_label("width"), (1 / 3, 0.5), (1.2, 0.5))
    kit.until(lambda: text.inner_text() == "level 95, 80 px wide", "the right end")
    kit.until(lambda: image.bounding_box()["width"] == 240, "a picture twice as wide")

    # A drawing function that fails says so on the page, and the next value mends it.
    kit.keys(slider, "End")
    kit.until(lambda: text.inner_text() == "ValueError: too bright for this lamp", "the function's own error")
    kit.keys(slider, "Home")
    kit.until(lambda: text.inner_text() == "level 0, 80 px wide", "the picture after the error")

    # The replay's own script runs inside its frame, which is as high as its page.
    frame = page.locator(".robotlab-replay iframe")
    assert frame.get_attribute("title") == "A word."
    assert page.frame_locator(".robotlab-replay iframe").locator("#said").inner_text() == "plays"
    kit.until(lambda: frame.bounding_box()["height"] < 100, "a frame that fits its page")

    # Each says when the kernel is gone, and not before.
    notices = page.locator(".robotlab-gone")
    page.locator(".robotlab-slider-picture").hover()
    page.locator(".robotlab-replay").hover()
    page.wait_for_timeout(6000)
    assert notices.count() == 2 and not notices.nth(0).is_visible() and not notices.nth(1).is_visible()
    kit.choose("Kernel", "Shut Down Kernel")
    kit.until(lambda: kit.lab.kernels() == [], "the kernel to stop")
    kit.keys(slider, "ArrowUp")
    page.locator(".robotlab-replay").hover()
    kit.until(lambda: notices.nth(0).is_visible() and notices.nth(1).is_visible(), "both notices", 30)
    assert "restart it and run the cells from the top" in notices.first.inner_text()
