"""Lesson 04 as a learner has it: opened in JupyterLab in a real Chromium, run, its square moved, a task solved."""

import re
from pathlib import Path

import numpy as np
import pytest
from notebook_words import still_alt

import robotlab
from robotlab.widgets.top_classes import TopClasses

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "04_what_versus_where.ipynb"

WRONG = """def abstain(probabilities, least):
return probabilities.argmax(axis=1)"""


class FourClasses:
    """Only its number of classes counts, for the layout of the drawing."""

    classes = ("post", "bucket", "crate", "nothing")

    def probabilities(self, pictures):
        return np.full((len(pictures), len(self.classes)), 0.25)


# JupyterLab indents after a colon by itself.
RIGHT = """def abstain(probabilities, least):
import numpy as np
answers = np.argmax(probabilities, axis=1)
answers[np.max(probabilities, axis=1) < least] = -1
return answers"""


def test_lesson_04_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "04_top_classes")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_04_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("04_top_classes")
    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    printed = "".join(
        "".join(output.get("text", "")) + "".join(output.get("data", {}).get("text/plain", ""))
        for cell in ran["cells"]
        for output in cell.get("outputs", [])
    )
    assert "most drums are called: bucket" in printed
    for task in ("softmax", "top_k", "abstain"):
        assert f"{task}: not started" in printed

    # The square: it starts on the post; with the keys, then with the mouse, it leaves it.
    picture = page.locator(".robotlab-slider-picture").first
    notebook.bring(picture)
    image, text = picture.locator("img"), picture.locator(".robotlab-text")
    notebook.until(lambda: text.inner_text().startswith("post: "), "the post")
    across = picture.get_by_label("from the left")
    first, asked = image.get_attribute("src"), image.get_attribute("data-answered")
    notebook.keys(across, "ArrowRight", 8)
    notebook.until(
        lambda: image.get_attribute("src") != first and image.get_attribute("data-answered") != asked,
        "the square to move",
    )
    page.screenshot(path=tmp_path / "lesson_04_1280.png")

    # The bucket fills columns 52 to 94 of 320 and rows 117 to 157: first a click, then the square is dragged onto it.
    left, top, width, height = TopClasses(
        np.zeros((240, 320, 3), np.uint8), FourClasses(), (160, 120), 40, alt="None."
    ).panels[0]

    def at(column, row):
        return left + width * column / 320, top + height * row / 240

    notebook.drag(image, at(250, 60), at(250, 60))
    notebook.until(lambda: abs(int(across.input_value()) - 250) <= 2, "the square where the click was")
    notebook.drag(image, at(250, 60), at(73, 135))
    down = picture.get_by_label("from the top")
    assert abs(int(across.input_value()) - 73) <= 2 and abs(int(down.input_value()) - 135) <= 2
    notebook.keys(picture.get_by_label("side", exact=True), "ArrowLeft", 55)
    notebook.until(lambda: re.match(r"bucket: ", text.inner_text()), "the bucket")
    # A limit of 1 silences it.
    limit = picture.get_by_label("confidence threshold")
    notebook.bring(limit)
    box = limit.bounding_box()
    page.mouse.click(box["x"] + box["width"] - 2, box["y"] + box["height"] / 2)
    notebook.until(lambda: text.inner_text().startswith("no answer: bucket is the most probable"), "silence")

    # Task 3: a known mistake is recognized, the right answer passes.
    starter = page.locator(".jp-CodeCell", has_text="def abstain(probabilities, least):").first
    verifier = page.locator(".jp-CodeCell", has_text="verify(abstain)").first

    def answer(code, said):
        starter.scroll_into_view_if_needed()
        starter.locator(".cm-content").click()
        page.keyboard.press("Control+a")
        page.keyboard.press("Delete")
        for number, line in enumerate(code.splitlines()):
            if number:
                page.keyboard.press("Enter")
            page.keyboard.insert_text(line)
        page.keyboard.press("Shift+Enter")
        verifier.locator(".cm-content").click()
        page.keyboard.press("Shift+Enter")
        notebook.until(lambda: said in verifier.locator(".jp-OutputArea").inner_text(), said)

    answer(WRONG, "recognized: never abstains")
    answer(RIGHT, "abstain: passed")
    page.screenshot(path=tmp_path / "lesson_04_task.png")

    # Readable on a small window too: nothing of the widget is cut off at 800 px.
    page.set_viewport_size({"width": 800, "height": 900})
    notebook.bring(picture)
    page.wait_for_timeout(500)
    frame, inner = page.locator(".jp-Notebook").first.bounding_box(), image.bounding_box()
    assert inner["x"] + inner["width"] <= frame["x"] + frame["width"] + 1
    shot = tmp_path / "lesson_04_800.png"
    page.screenshot(path=shot)
    print(f"screenshots: {tmp_path}")
    assert shot.stat().st_size > 10_000
