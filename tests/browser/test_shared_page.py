"""What a test leaves in the page that the tests of this folder share: nothing, or it is not handed on."""

import pytest
from small_notebook import write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SLOW_CHECKPOINTS = """() => {
    const contents = jupyterapp.serviceManager.contents, create = contents.createCheckpoint.bind(contents);
    contents.createCheckpoint = async (...given) => {
        await new Promise((go) => setTimeout(go, 1500));
        return create(...given);
    };
}"""


# Of the tests in a browser each that follows another one takes the page that was made tidy.
@pytest.mark.long(short="browser/test_labeler.py::test_by_keyboard_alone")
def test_a_page_is_handed_on_tidy_or_not_at_all(tmp_path, lab, open_notebook, jupyter_page):
    room = lab(write_notebook(tmp_path / "first.ipynb", ["1 + 1"]), write_notebook(tmp_path / "second.ipynb", ["2"]))
    page = open_notebook(room, "first.ipynb").page
    page.locator(".jp-CodeCell .cm-content").click()
    page.keyboard.type("not saved")
    page.set_viewport_size({"width": 800, "height": 900})
    page.evaluate("localStorage.setItem('left', 'behind')")
    page.get_by_role("menuitem", name="Help", exact=True).click()
    page.locator(".lm-Menu-itemLabel").get_by_text("About JupyterLab", exact=True).click()
    page.locator(".jp-Dialog").wait_for()
    assert not jupyter_page.closes_all(timeout_s=3)
    page.keyboard.press("Escape")
    page.locator(".jp-Dialog").wait_for(state="detached")
    jupyter_page.tidy(failed=False)
    assert jupyter_page.page is page and page.viewport_size["width"] == 1280
    assert page.locator(".jp-Notebook").count() == 0 and page.evaluate("localStorage.getItem('left')") is None
    # The next notebook has the page for itself.
    open_notebook(room, "second.ipynb")
    assert page.locator(".jp-Notebook").count() == 1 and page.locator(".jp-CodeCell").inner_text().strip().endswith("2")
    other = page.context.new_page()
    assert not jupyter_page.closes_all()
    other.close()
    # What is none of JupyterLab's, and what a failed test had, is closed.
    shared = type(jupyter_page)(jupyter_page.browser)
    empty = shared.get()
    shared.tidy(failed=False)
    assert empty.is_closed()
    shared.closes_all = lambda: True
    kept = shared.get()
    shared.tidy(failed=False)
    assert shared.page is kept and not kept.is_closed()
    shared.tidy(failed=True)
    assert kept.is_closed()


def test_two_saves_in_a_row_are_both_written(tmp_path, lab, open_notebook):
    notebook = open_notebook(lab(write_notebook(tmp_path / "saved.ipynb", ["1"])), "saved.ipynb")
    notebook.page.evaluate(SLOW_CHECKPOINTS)
    for typed in ("2", "3"):
        notebook.page.locator(".jp-CodeCell .cm-content").click()
        notebook.page.keyboard.press("Control+End")
        notebook.page.keyboard.type(typed)
        assert "".join(notebook.saved()["cells"][0]["source"]).endswith(typed)
    notebook.page.evaluate("delete jupyterapp.serviceManager.contents.createCheckpoint")
