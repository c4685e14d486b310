"""Lesson 07 as a learner has it: run in JupyterLab, its training watched live and replayed, tasks solved by typing."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "07_train_a_detector.ipynb"

# The name of a task, then what is typed over the last line of its starter and what verify has to say to it.
ANSWERS = [
    (
        "cross_entropy",
        "return -np.log((np.exp(logits) / np.exp(logits).sum(axis=1)[:, None])[np.arange(len(logits)), classes]).mean()",
        "recognized: large logits overflow",
    ),
    (
        "cross_entropy",
        "return np.mean(np.logaddexp.reduce(logits, axis=1) - logits[np.arange(len(logits)), classes])",
        "cross_entropy: passed",
    ),
    (
        "head_gradient",
        "return x.T @ (probabilities - np.eye(probabilities.shape[1])[classes])",
        "recognized: sum for mean",
    ),
    (
        "head_gradient",
        "return x.T @ (probabilities - np.eye(probabilities.shape[1])[classes]) / len(x)",
        "head_gradient: passed",
    ),
    ("ridge", "return np.linalg.solve(x.T @ x + penalty, x.T @ y)", "recognized: penalty on every entry"),
    ("ridge", "return np.linalg.solve(x.T @ x + penalty * np.eye(x.shape[1]), x.T @ y)", "ridge: passed"),
]


def test_lesson_07_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "07_full_training")) > 60


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_07_in_the_browser(lab, open_notebook, tmp_path):
    started = lab(LESSON)
    notebook = open_notebook(started, LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("07_full_training")

    watched = page.locator(
        ".robotlab-training-monitor", has=page.locator("svg[aria-label^='A gray photograph of coins']")
    )
    training = page.locator(".jp-CodeCell", has_text="coin_finder = fit(coins").first

    def moves_while_busy():
        # Still in this cell, not in one further down.
        busy = "*" in training.locator(".jp-InputPrompt").inner_text()
        return busy and re.match(r"Step [1-9]", watched.locator(".robotlab-text").inner_text())

    def watch_live():
        """The picture above the cell that trains moves while the cell runs."""
        training.scroll_into_view_if_needed()
        watched.scroll_into_view_if_needed()
        notebook.until(moves_while_busy, "a stage while the cell runs")
        page.screenshot(path=tmp_path / "lesson_07_live.png")
        print(f"screenshot: {tmp_path / 'lesson_07_live.png'}")

    ran = notebook.run_all(timeout_s=900, meanwhile=watch_live)
    assert notebook.troubles(ran) == []

    # The training that was replayed from its log: slider, play button, the table of numbers.
    replayed = page.locator(
        ".robotlab-training-monitor", has=page.locator("svg[aria-label^='A rendered greenhouse at dusk']")
    )
    replayed.scroll_into_view_if_needed()
    text, slider = replayed.locator(".robotlab-text"), replayed.get_by_label("stage")
    said = r"Step (\d+)\. Loss [\d.]+\. Held out: AP50 [\d.]+, AP [\d.]+\. In this picture \d TP, \d FP, \d FN"
    last = notebook.until(lambda: re.match(said, text.inner_text()), "the last stage")
    assert int(last[1]) > 500
    shapes = replayed.locator(".robotlab-monitor-picture").inner_html()
    notebook.press_until(slider, "Home", lambda: text.inner_text().startswith("Step 0. Held out"), "the first stage")
    assert replayed.locator(".robotlab-monitor-picture").inner_html() != shapes
    cell = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    notebook.keys(slider, "ArrowRight")
    notebook.until(lambda: not text.inner_text().startswith("Step 0."), "the second stage")
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == cell
    box = slider.bounding_box()
    page.mouse.click(box["x"] + 3, box["y"] + box["height"] / 2)
    notebook.until(lambda: text.inner_text().startswith("Step 0. "), "the first stage, by the mouse")
    replayed.get_by_role("button", name="Play").press("Enter")
    notebook.until(lambda: text.inner_text().startswith(last[0]), "the last stage, played")
    notebook.until(lambda: replayed.get_by_role("button", name="Play").is_visible(), "the end of the play")
    stages = int(slider.get_attribute("max")) + 1
    replayed.locator("summary").click()
    assert replayed.locator("tr").count() == stages + 1

    notebook.fits(
        replayed,
        [replayed.locator(part) for part in (".robotlab-monitor-picture", ".robotlab-monitor-chart")],
        tmp_path,
    )

    # The cell trains once more, from random weights, which begins at once; the picture above it begins anew.
    watched.scroll_into_view_if_needed()
    text = watched.locator(".robotlab-text")
    assert re.match(r"Step \d+\. Loss", text.inner_text())
    training.locator(".cm-content").click()
    for key in ("Control+End", "Shift+Home"):
        page.keyboard.press(key)
    page.keyboard.insert_text("coin_finder = fit(coins, **options, watch=monitor.watch, start='scratch')")
    page.keyboard.press("Control+Enter")
    watched.scroll_into_view_if_needed()
    notebook.until(lambda: text.inner_text().startswith("Step 0. "), "a new training")
    assert not watched.locator(".robotlab-gone").is_visible()
    # The stop button ends it early, without an error.
    notebook.choose("Kernel", "Interrupt Kernel")
    notebook.until(
        lambda: all(kernel["execution_state"] == "idle" for kernel in started.kernels() or [{"execution_state": "?"}]),
        "the training to stop",
    )
    assert notebook.troubles() == []

    for name, line, said in ANSWERS:
        assert said in notebook.type_answer(name, line)
    page.screenshot(path=tmp_path / "lesson_07_task.png")
    print(f"screenshot: {tmp_path / 'lesson_07_task.png'}")

    # Without its kernel the monitor says so, and still plays what it has.
    notebook.choose("Kernel", "Shut Down Kernel")
    notebook.until(lambda: started.kernels() == [], "the kernel to stop")
    replayed.scroll_into_view_if_needed()
    notebook.press_until(
        replayed.get_by_label("stage"),
        "Home",
        lambda: replayed.locator(".robotlab-text").inner_text().startswith("Step 0. "),
        "the first stage, without a kernel",
    )
    notebook.until(lambda: replayed.locator(".robotlab-gone").is_visible(), "the notice", 30)
