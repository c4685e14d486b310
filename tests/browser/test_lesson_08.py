"""Lesson 08 as a learner has it: run in JupyterLab, the threshold moved, two tasks solved by typing, the report opened."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "08_judge_it.ipynb"


def test_lesson_08_has_a_still_where_something_will_move():
    assert "precision-recall" in still_alt(LESSON, "08_threshold")


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_08_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("08_threshold")

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []

    # The threshold. Counts never grow when it rises; nothing is found at 1.
    picture = page.locator(".robotlab-slider-picture").first
    picture.scroll_into_view_if_needed()
    image, text = picture.locator("img"), picture.locator(".robotlab-text")
    assert "test pictures with boxes" in image.get_attribute("alt")

    def counts():
        return [int(number) for number in re.search(r": (\d+) TP, (\d+) FP, (\d+) FN", text.inner_text()).groups()]

    notebook.until(lambda: " TP, " in text.inner_text(), "the counts")
    score = picture.get_by_label("confidence threshold")
    at_first, source = counts(), image.get_attribute("src")
    lowest = "confidence threshold 0.00"
    notebook.press_until(score, "Home", lambda: text.inner_text().startswith(lowest), "the lowest threshold")
    cell = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    at_lowest = counts()
    assert at_lowest[0] > at_first[0] and at_lowest[1] > at_first[1] and at_lowest[2] < at_first[2]
    assert sum(at_lowest[::2]) == sum(at_first[::2])
    notebook.keys(score, "ArrowRight", 3)
    notebook.until(lambda: text.inner_text().startswith("confidence threshold 0.03"), "three steps of the keyboard")
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == cell
    assert image.get_attribute("src") != source
    # The mouse: drag the threshold past all scores.
    notebook.drag(score, (0.03, 0.5), (1.2, 0.5))
    notebook.until(
        lambda: text.inner_text().startswith("confidence threshold 1.00") and counts()[0] == 0, "nothing left"
    )
    # A stricter IoU turns true positives into false ones, and their truths into false negatives.
    notebook.press_until(score, "Home", lambda: counts() == at_lowest, "the lowest threshold again")
    notebook.keys(picture.get_by_label("IoU threshold"), "ArrowRight", 6)
    notebook.until(
        lambda: "IoU threshold 0.80" in text.inner_text() and counts()[0] < at_lowest[0] and counts()[2] > at_lowest[2],
        "a stricter overlap",
    )
    chooser = picture.get_by_label("class")
    assert chooser.locator("option").all_inner_texts() == ["all classes", "post", "bucket", "crate"]
    notebook.keys(chooser, "ArrowDown")
    notebook.until(lambda: text.inner_text().startswith("post: "), "the posts alone")
    notebook.keys(chooser, "Home")
    notebook.keys(score, "ArrowRight", 25)
    notebook.keys(picture.get_by_label("IoU threshold"), "ArrowLeft", 6)
    notebook.until(
        lambda: text.inner_text().startswith("confidence threshold 0.25, IoU threshold 0.50"), "near where it began"
    )

    notebook.fits(image, [image], tmp_path)

    # The report, inside the notebook, with its tables and pictures.
    report = page.locator(".robotlab-replay iframe")
    report.scroll_into_view_if_needed()
    inside = page.frame_locator(".robotlab-replay iframe")
    notebook.until(lambda: inside.locator("h1").inner_text().endswith("evaluated on 203 pictures"), "the report")
    assert inside.locator("img").count() >= 8
    assert "AP50, 95 %" in inside.locator("table").first.inner_text()
    # A link to a part of the page leads there, and nowhere else.
    inside.get_by_role("link", name="Pictures").click()
    notebook.until(
        lambda: inside.locator("#pictures-4").evaluate("part => part.getBoundingClientRect().top < innerHeight"),
        "the pictures",
    )
    assert inside.locator("h1").count() == 1
    page.screenshot(path=tmp_path / "lesson_08_report.png")
    print(f"screenshot: {tmp_path / 'lesson_08_report.png'}")

    # Two tasks: first a usual misconception, which is recognized, then the answer, which passes.
    said = notebook.type_answer("precision_recall", "return np.cumsum(hits) / len(hits), np.cumsum(hits) / truths")
    assert "all detections at once" in said
    said = notebook.type_answer(
        "precision_recall", "return np.cumsum(hits) / np.arange(1, len(hits) + 1), np.cumsum(hits) / truths"
    )
    assert "precision_recall: passed" in said
    share = "p, n, z = hits / trials, trials, 1.96; "
    said = notebook.type_answer("wilson_interval", share + "h = z * (p * (1 - p) / n) ** 0.5; return p - h, p + h")
    assert "the textbook's interval" in said
    half = "h = z * (p * (1 - p) / n + z * z / (4 * n * n)) ** 0.5; m = p + z * z / (2 * n); "
    said = notebook.type_answer(
        "wilson_interval", share + half + "return (m - h) / (1 + z * z / n), (m + h) / (1 + z * z / n)"
    )
    assert "wilson_interval: passed" in said
    page.screenshot(path=tmp_path / "lesson_08_task.png")
    print(f"screenshot: {tmp_path / 'lesson_08_task.png'}")
