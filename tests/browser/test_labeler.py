"""The box labeler in a real JupyterLab, with real mouse, keys and fingers: nothing that it calls saved is ever lost."""

import json
import os
import signal
import subprocess
import sys

import numpy as np
import pytest
from labeler_page import SIZE, Page, Shared, begun_again, bench, frame

from robotlab.data import open_dataset

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def shared(server, jupyter_page):
    kept = Shared(server, jupyter_page)
    yield kept
    kept.forget()


@pytest.fixture
def labeler(tmp_path, request, shared):
    failed = request.session.testsfailed

    def start(suggestions=False, held=False, emulate=None, **settings):
        data = bench(tmp_path / request.node.name, **settings)
        notebook = shared.get()
        place = notebook.path.parent
        for left in ("order", "hold"):
            (place / left).unlink(missing_ok=True)
        now = {"path": str(data.folder), "suggestions": suggestions, "held": held}
        (place / "now.json").write_text(json.dumps(now))
        ran = None
        if emulate is None:
            ran = notebook.run_all()
        else:
            emulate(notebook.page)
            notebook.choose("Run", "Run All Cells")
        one = Page(notebook, data.folder)
        assert notebook.troubles(ran) == []
        return one

    yield start
    if request.session.testsfailed > failed:
        shared.forget(failed=True)


def near(found, wanted, px=2.0):
    assert np.abs(np.asarray(found) - wanted).max() <= px, (found, wanted)


def test_draw_move_resize_and_keys(labeler, tmp_path):
    one = labeler()
    page = one.page
    shown = int(one.stage.get_attribute("data-shown"))
    one.drag((100, 50), (160, 120))
    one.all_saved()
    # It is said once.
    assert one.saved.inner_text().lower().count("saved") == 1, one.saved.inner_text()
    near(one.boxes(shown).boxes, [[100, 50, 160, 120]])
    # By its inside, then by its lower right corner.
    one.drag((130, 90), (150, 100))
    one.drag((180, 130), (200, 150))
    one.all_saved()
    one.notebook.until(lambda: np.abs(one.boxes(shown).boxes - [[120, 60, 200, 150]]).max() <= 3, "moved, resized")
    # Keys: the cell cursor of JupyterLab stays, and so does every cell.
    cells = page.locator(".jp-Cell").count()
    before = one.boxes(shown).boxes
    for key in ("ArrowRight", "ArrowRight", "ArrowDown", "Shift+ArrowLeft", "2", "q", "h"):
        page.keyboard.press(key)
    one.all_saved()
    entry = one.boxes(shown)
    near(entry.boxes, before + [[2, 1, 1, 1]], 0.2)
    assert entry.labels.tolist() == [1] and entry.ignore.tolist() == [True]
    assert entry.annotations[0]["hidden"] == 1 and entry.annotations[0]["not_sure"] == 1
    page.keyboard.press("u")
    one.notebook.until(lambda: "hidden" not in one.boxes(shown).annotations[0], "the mark undone")
    page.keyboard.press("r")
    one.notebook.until(lambda: one.boxes(shown).annotations[0].get("hidden") == 1, "the mark made again")
    # The disk has it before the page hears of it.
    one.notebook.until(lambda: "hidden" in one.stage.text_content(), "the mark shown again")
    # Save goes through to JupyterLab, deletion and the rest of its single keys do not.
    before = one.notebook.path.stat().st_mtime_ns
    page.keyboard.press("Control+s")
    one.notebook.until(lambda: one.notebook.path.stat().st_mtime_ns != before, "the notebook to be saved by its key")
    for key in ("a", "d", "d", "z", "y"):
        page.keyboard.press(key)
    assert page.locator(".jp-Cell").count() == cells
    page.keyboard.press("x")
    one.notebook.until(lambda: len(one.boxes(shown)) == 0, "an undone box")
    page.screenshot(path=tmp_path / "labeler.png")
    print(f"screenshot: {tmp_path / 'labeler.png'}")


def test_by_keyboard_alone(labeler):
    one = labeler()
    page = one.page
    one.stage.focus()
    page.keyboard.press("i")
    one.all_saved()
    page.keyboard.press("Control+ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Enter")
    one.shows("pictures/01.png")
    one.all_saved()
    near(one.boxes(1).boxes, [[130, 80, 210, 161]], 0.6)
    assert one.boxes(1).record["labeled"] is True
    page.keyboard.press("c")
    one.notebook.until(lambda: len(one.boxes(2)) == 1, "the copied box")
    near(one.boxes(2).boxes, one.boxes(1).boxes, 0.01)
    page.keyboard.press("3")
    one.said("There is no class 3.")
    # A class, added and renamed: Tab to the field as a reader of screens does.
    name = page.get_by_label("Class name")
    name.focus()
    page.keyboard.type("tray")
    page.keyboard.press("Enter")
    one.notebook.until(lambda: open_dataset(one.folder).classes == ("post", "crate", "tray"), "a third class")
    one.classes(3)
    one.stage.focus()
    page.keyboard.press("Space")
    page.keyboard.press("3")
    one.notebook.until(lambda: one.boxes(2).labels.tolist() == [2], "its class")
    name.focus()
    page.keyboard.type("drum")
    page.get_by_role("button", name="rename class").focus()
    page.keyboard.press("Enter")
    one.notebook.until(lambda: open_dataset(one.folder).classes == ("post", "crate", "drum"), "another name")
    one.stage.focus()
    page.keyboard.press("b")
    one.shows("pictures/00.png")
    # 200 %: half the px for the page; everything still lies inside of it.
    page.set_viewport_size({"width": 640, "height": 450})
    page.wait_for_timeout(500)
    frame_box = page.locator(".jp-Notebook").first.bounding_box()
    for part in (one.stage, page.locator(".robotlab-labeler-bench"), page.locator(".robotlab-labeler-classes")):
        box = part.bounding_box()
        assert box["x"] + box["width"] <= frame_box["x"] + frame_box["width"] + 1
    for key in ("+", "+", "ArrowRight", "-", "0"):
        page.keyboard.press(key)
    assert one.stage.get_attribute("viewBox").split()[2] == str(SIZE[0])


def test_suggestions_by_color_and_a_click(labeler):
    one = labeler(suggestions=True)
    page = one.page
    first = int(one.stage.get_attribute("data-shown"))
    # A click on the thing outlines it.
    x0, y0, x1, y1 = frame(first - 1)[1]
    page.mouse.click(*one.at((x0 + x1) / 2, (y0 + y1) / 2))
    one.notebook.until(lambda: len(one.boxes(first)) == 1, "the thing outlined")
    near(one.boxes(first).boxes, [[x0, y0, x1, y1]], 1)
    page.keyboard.press("Enter")
    one.notebook.until(lambda: "1 suggested" in one.line.inner_text(), "a suggestion by color")
    second = int(one.stage.get_attribute("data-shown"))
    page.keyboard.press("Enter")
    one.notebook.until(lambda: len(one.boxes(second)) == 1, "the suggestion accepted")
    near(one.boxes(second).boxes, [frame(second - 1)[1]], 1)
    one.notebook.until(
        lambda: "spread over the whole recording" in one.line.inner_text(), "the reason for this picture"
    )


def test_touch_at_device_pixel_ratio_2(labeler):
    devices = []

    def emulate(page):
        devices.append(page.context.new_cdp_session(page))
        screen = {"width": 1280, "height": 900, "mobile": False}
        devices[0].send("Emulation.setDeviceMetricsOverride", screen | {"deviceScaleFactor": 2})
        devices[0].send("Emulation.setTouchEmulationEnabled", {"enabled": True})
        assert page.evaluate("devicePixelRatio") == 2

    try:
        one = labeler(emulate=emulate)
        page = one.page
        shown = int(one.stage.get_attribute("data-shown"))

        def touch(kind, *points):
            places = [dict(zip(("x", "y"), one.at(*point)), id=n) for n, point in enumerate(points)]
            devices[0].send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

        touch("touchStart", (60, 60))
        for step in range(1, 6):
            touch("touchMove", (60 + 12 * step, 60 + 16 * step))
        touch("touchEnd")
        one.all_saved()
        near(one.boxes(shown).boxes, [[60, 60, 120, 140]], 2)
        # Two fingers apart: nearer; no box is drawn by that.
        touch("touchStart", (100, 100), (140, 100))
        touch("touchMove", (60, 100), (180, 100))
        touch("touchEnd")
        one.notebook.until(lambda: float(one.stage.get_attribute("viewBox").split()[2]) < 200, "nearer")
        assert len(one.boxes(shown)) == 1
        # A mouse at this ratio: what is drawn is where the pointer was.
        page.keyboard.press("0")
        one.drag((200, 40), (260, 100))
        one.notebook.until(lambda: len(one.boxes(shown)) == 2, "a second box")
        near(one.boxes(shown).boxes[1], [200, 40, 260, 100], 2)
    finally:
        for device in devices:
            device.send("Emulation.setTouchEmulationEnabled", {"enabled": False})
            device.send("Emulation.clearDeviceMetricsOverride")
            device.detach()


@pytest.mark.long(short="label/test_label_suggestions.py::test_what_a_read_only_window_sends_is_to_be_kept_there")
def test_full_disk_and_second_window(labeler):
    one = labeler()
    page, shown = one.page, int(one.stage.get_attribute("data-shown"))

    def run(order):
        (one.notebook.path.parent / "order").write_text(order)
        cell = page.locator(".jp-CodeCell").first
        cell.locator(".cm-content").click()
        page.keyboard.press("Control+Enter")
        one.notebook.until(lambda: f"'{order}'" in cell.locator(".jp-OutputArea").inner_text(), order)

    run("full")
    before = one.folder.joinpath("annotations.json").read_bytes()
    one.drag((20, 20), (60, 80))
    one.said("not saved", "the refusal of a full disk")
    assert "it is tried again. 1 picture waits to be saved." in one.saved.inner_text()
    assert one.folder.joinpath("annotations.json").read_bytes() == before
    run("room")
    one.notebook.until(lambda: len(one.boxes(shown)) == 1, "saved once there is room")

    # A second program on the same set only shows, says so, and goes on when the first is done.
    run("let go")
    code = (
        "import sys; from robotlab.label import LabelStore; store = LabelStore(sys.argv[1]); "
        "print(store.read_only, flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(one.folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline().strip() == "False"
        one.drag((100, 20), (160, 80))
        one.said("Read-only", "that it only shows")
        one.said("1 picture waits to be saved", "that it keeps the change")
        assert len(one.boxes(shown)) == 1
        other.stdin.close()
    one.notebook.until(lambda: "Read-only" not in one.saved.inner_text(), "the lock to be free again")
    one.notebook.until(lambda: len(one.boxes(shown)) == 2, "what waited, saved")
    one.drag((200, 20), (260, 80))
    one.notebook.until(lambda: len(one.boxes(shown)) == 3, "labeling goes on")
    assert json.loads(one.folder.joinpath("annotations.json").read_text())["images"][0]["file_name"]


@pytest.mark.long(
    short="label/test_label_suggestions.py::test_a_change_made_before_the_answer_to_an_undo_does_not_bring_back_what_was_undone"
)
def test_changes_made_before_the_answer_to_an_undo_are_kept(labeler):
    one = labeler(held=True)
    page, shown, hold = one.page, int(one.stage.get_attribute("data-shown")), one.notebook.path.parent / "hold"
    one.drag((20, 20), (60, 80))
    one.all_saved()
    hold.touch()
    one.drag((100, 20), (160, 80))
    # Undone before its own answer has come; then a new box before the answer to the undo.
    page.keyboard.press("u")
    one.drag((200, 20), (260, 80))
    one.notebook.until(
        lambda: len(one.boxes(shown)) == 2 and one.boxes(shown).boxes[1, 0] > 190, "the kernel to be done"
    )
    assert len(one.drawn()) == 3 and "1 picture waits" in one.saved.inner_text()
    hold.unlink()
    one.all_saved()
    near(one.drawn(), [[20, 20, 60, 80], [200, 20, 260, 80]])
    near(one.boxes(shown).boxes, one.drawn(), 0.01)
    # A drag under way when the answer comes.
    hold.touch()
    page.keyboard.press("u")
    one.notebook.until(lambda: len(one.boxes(shown)) == 1, "the kernel to be done")
    page.mouse.move(*one.at(40, 50))
    page.mouse.down()
    page.mouse.move(*one.at(50, 60), steps=4)
    hold.unlink()
    one.said("Done. All saved.")
    page.mouse.move(*one.at(60, 70), steps=4)
    page.mouse.up()
    one.all_saved()
    near(one.drawn(), [[40, 40, 80, 100]])
    near(one.boxes(shown).boxes, one.drawn(), 0.01)
    # The next save keeps it too.
    page.keyboard.press("Shift+Enter")
    one.all_saved()
    near(one.boxes(shown).boxes, [[40, 40, 80, 100]])
    # On a picture that has not come yet nothing is changed, and that is said; when it comes, it is as it was.
    one.shows("pictures/01.png")
    hold.touch()
    page.get_by_label("Picture", exact=True).fill("5")
    one.notebook.until(lambda: one.line.inner_text().startswith("pictures/04.png, 5 of 6"), "its line")
    one.stage.press("i")
    one.said("still being loaded")
    page.keyboard.press("x")
    one.drag((20, 20), (60, 80))
    one.said("still being loaded")
    page.keyboard.press("Enter")
    one.said("still being loaded")
    # The next one is what the kernel chooses, not just the file's, however late the choice comes.
    page.keyboard.press("n")
    one.said("The next picture is being chosen")
    hold.unlink()
    one.shows("pictures/02.png, 3 of 6, to be labeled: 0 boxes")
    one.notebook.until(lambda: "picture is" not in one.saved.inner_text(), "nothing more to wait for")
    page.keyboard.press("i")
    one.notebook.until(lambda: len(one.boxes(3)) == 1, "a box, now that it is there")
    assert len(one.boxes(5)) == 0
    # A picture whose file is gone does not hold up the others.
    (one.folder / "pictures" / "05.png").unlink()
    page.get_by_label("Picture", exact=True).fill("6")
    one.said("05.png")
    one.stage.press("n")
    one.shows("pictures/00.png, 1 of 6, labeled")


@pytest.mark.long(short="label/test_label_suggestions.py::test_odd_messages_change_nothing")
def test_the_choice_that_was_asked_for_elsewhere_is_not_taken(labeler):
    one = labeler(held=True, count=4)
    hold = one.notebook.path.parent / "hold"
    one.shows("pictures/00.png")
    one.page.wait_for_timeout(1000)  # the second picture is loaded ahead
    hold.touch()
    one.stage.press("Shift+Enter")
    one.shows("pictures/01.png")
    # The kernel has chosen the third, and its answer is on the way, when a person goes there, and on.
    one.page.get_by_label("Picture", exact=True).fill("3")
    one.notebook.until(lambda: one.line.inner_text().startswith("pictures/02.png, 3 of 4"), "its line")
    one.stage.press("n")
    one.said("The next picture is being chosen")
    hold.unlink()
    one.shows("pictures/03.png")
    # Nor does the answer that something is saved take away what has been said since.
    hold.touch()
    one.drag((20, 20), (60, 80))
    one.page.keyboard.press("9")
    one.said("There is no class 9. 1 picture waits")
    hold.unlink()
    one.said("There is no class 9. All saved.")


@pytest.mark.long(short="label/test_label_suggestions.py::test_changes_of_two_pages_are_merged")
def test_two_tabs_on_one_notebook_agree_and_lose_nothing(labeler, notebook_on):
    one = labeler(count=5, labeled=1)
    one.shows("pictures/01.png")
    one.stage.press("Enter")
    one.shows("pictures/02.png")
    # There is room for two lines, so that the buttons below stay under the pointer from picture to picture.
    size = float(one.line.evaluate("line => parseFloat(getComputedStyle(line).lineHeight)"))
    assert one.line.bounding_box()["height"] >= 2 * size - 1
    shown = 3
    one.drag((20, 100), (60, 160))
    one.all_saved()
    # Opened anew, while nobody runs the cell again, it goes on where the last one was.
    second = one.page.context.new_page()
    two = Page(notebook_on(one.notebook.lab, second, "label.ipynb"), one.folder)
    tabs = [one, two]

    def at(tab):
        """As a person does: a browser hands the pointer's moves to a hidden tab once in a while only."""
        tab.page.bring_to_front()
        return tab

    two.shows("pictures/02.png, 3 of 5, to be labeled: 1 box")

    def agree(*wanted):
        for tab in tabs:
            tab.notebook.until(lambda: len(tab.drawn()) == len(wanted), f"{len(wanted)} boxes")
            near(tab.drawn(), list(wanted) or np.zeros((0,)))
        near(one.boxes(shown).boxes, one.drawn() or np.zeros((0, 4)), 0.01)

    agree([20, 100, 60, 160])
    at(one).drag((200, 180), (240, 220))
    agree([20, 100, 60, 160], [200, 180, 240, 220])
    two.said("changed in another window")
    # A click is answered where it was made.
    x0, y0, x1, y1 = thing = frame(shown - 1)[1]
    at(two).page.mouse.click(*two.at((x0 + x1) / 2, (y0 + 100) / 2))
    agree([20, 100, 60, 160], [200, 180, 240, 220], thing)
    two.page.keyboard.press("u")
    one.said("changed in another window")
    agree([20, 100, 60, 160], [200, 180, 240, 220])
    # Each at its own picture, whatever the other does.
    two.page.keyboard.press("Shift+Enter")
    two.shows("pictures/03.png")
    one.shows("pictures/02.png, 3 of 5, labeled")
    # The kernel's process stops in the midst of the work; what is drawn then waits in the browser.
    pid = int((one.notebook.path.parent / "pid").read_text())
    os.kill(pid, signal.SIGSTOP)
    at(one).drag((100, 20), (160, 80))
    at(two).drag((200, 20), (260, 80))
    for tab in tabs:
        tab.said("1 picture waits to be saved")
        tab.notebook.until(tab.gone.is_visible, "the notice that the kernel is gone", 20)
        assert "kept in this browser" in tab.gone.inner_text()
    assert len(one.boxes(shown)) == 2 and len(one.boxes(shown + 1)) == 0
    # The kernel is killed, and both tabs are closed; the restarted one gets what waited.
    second.close()
    os.kill(pid, signal.SIGKILL)
    one.page.goto("about:blank")
    again = notebook_on(one.notebook.lab, one.page, "label.ipynb")
    begun_again(again, pid)
    again.run_all()
    again.until(lambda: len(one.boxes(shown)) == 3 and len(one.boxes(shown + 1)) == 1, "what waited in both, saved")
    Page(again, one.folder).all_saved()


def test_a_box_drawn_before_there_is_a_class_waits_for_its_name(labeler):
    one = labeler(classes=[])
    page, shown = one.page, int(one.stage.get_attribute("data-shown"))
    # At the right edge: the words beside it end inside the picture.
    one.drag((290, 60), (318, 120))
    one.said("What is in this box?")
    page.keyboard.type("watering can")
    page.keyboard.press("Enter")
    one.notebook.until(lambda: len(one.drawn()) == 1, "the box, with its class")
    one.all_saved()
    near(one.boxes(shown).boxes, [[290, 60, 318, 120]])
    assert open_dataset(one.folder).classes == ("watering can",)
    words, stage = one.stage.locator("text").bounding_box(), one.stage.bounding_box()
    assert words["x"] + words["width"] <= stage["x"] + stage["width"]
    # The class is undone with its box; the next box asks again.
    page.keyboard.press("u")
    page.keyboard.press("u")
    one.classes(0)
    one.drag((20, 60), (60, 120))
    one.said("What is in this box?")
