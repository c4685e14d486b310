"""A real JupyterLab and a real Chromium for the tests in this folder.

Set ROBOTLAB_CHROMIUM to the program to use; ROBOTLAB_NEED_BROWSER=1 makes a
missing one a failure instead of a skip.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest
from notebook_words import differences

import robotlab

WINDOW = {"width": 1280, "height": 900}
FAILED = pytest.StashKey[bool]()
OPEN = """async path => {
    await jupyterapp.commands.execute("filebrowser:open-path", { path, dontShowBrowser: true });
}"""
# In JavaScript, since the menus ask whether to save.
CLOSE_ALL = """() => {
    const shell = jupyterapp.shell;
    for (const one of [...shell.widgets("main")]) one.dispose();
    localStorage.clear();
    return shell.mode === "single-document" && shell.leftCollapsed && shell.rightCollapsed
        && !document.querySelector(".jp-Document, .jp-Dialog, .lm-Menu");
}"""
# The key Ctrl+S is dropped without a word while JupyterLab still writes the checkpoint of the save before; this says when
# all is written.
SAVE = """() => {
    window.robotlabSaved = false;
    jupyterapp.commands.execute("docmanager:save").then(
        () => { window.robotlabSaved = true; }, (why) => { window.robotlabSaved = `refused: ${why}`; });
}"""
# What a key changes at once, before the kernel hears of it: the value of a slider or a list, or where circles are drawn.
VALUE = """element => element.value
    ?? [...element.querySelectorAll("circle")].map(one => [one.getAttribute("cx"), one.getAttribute("cy")]).join()"""
WORKED = Path(robotlab.__file__).resolve().parents[1] / "instructor" / "worked"


@pytest.fixture(scope="session")
def chromium(chromium_path) -> str:
    if chromium_path:
        return chromium_path
    reason = "needs a Chromium on the path or in ROBOTLAB_CHROMIUM"
    if os.environ.get("ROBOTLAB_NEED_BROWSER") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def browser(chromium):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium,
            headless=True,
            args=["--no-sandbox", "--disable-background-networking", "--disable-component-update", "--no-first-run"],
        )
        yield browser
        browser.close()


def new_page(browser):
    """An empty page of its own context."""
    page = browser.new_context(viewport=WINDOW).new_page()
    # As long as ``Notebook.until`` waits: JupyterLab puts what is out of sight on the page when nothing else is to be done.
    page.set_default_timeout(120_000)
    return page


@pytest.fixture
def page(browser):
    page = new_page(browser)
    yield page
    page.context.close()


class JupyterPage:
    """The page of JupyterLab that the tests of this process use one after another.

    Loading it takes Chromium three times as long as opening a notebook in it.  A test that failed, or left anything
    open, takes its page along: the next one gets a new page.
    """

    def __init__(self, browser) -> None:
        self.browser, self.page = browser, None

    def get(self):
        self.page = self.page or new_page(self.browser)
        return self.page

    def open(self, lab: Lab, name: str) -> Notebook:
        loaded = self.page is not None
        return Notebook(lab, self.get(), name, loaded)

    def tidy(self, failed: bool) -> None:
        """Close what is open in the page; or the page, unless it is as good as new then."""
        if self.page and (failed or not self.closes_all()):
            self.page.context.close()
            self.page = None

    def closes_all(self, timeout_s: float = 30) -> bool:
        """Close all documents, saved or not; whether JupyterLab then looks, in time, as when it was opened."""
        from playwright.sync_api import Error

        try:
            # First what has a limit of time.
            self.page.wait_for_function(CLOSE_ALL, timeout=1000 * timeout_s, polling=200)
            self.page.set_viewport_size(WINDOW)
            self.page.mouse.move(0, 0)
        except Error:  # It crashed, hangs, shows something else, or keeps something open.
            return False
        return self.page.context.pages == [self.page]


@pytest.fixture(scope="session")
def jupyter_page(browser):
    return JupyterPage(browser)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    item.stash[FAILED] = item.stash.get(FAILED, False) or report.failed
    return report


class Lab:
    """A JupyterLab of its own, with its own settings, on a folder of notebooks.

    Tests share one, and its page: each works in a folder of its own, and leaves no kernel and no progress behind.
    """

    def __init__(self, folder: Path, private: Path) -> None:
        self.root = self.folder = folder
        self.progress = private / "progress.json"
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"
        places = {
            name: str(private / name.lower())
            for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR", "MPLCONFIGDIR")
        }
        # It would now and then come in the way of a test's own save, and JupyterLab ask which of the two to keep.
        settings = private / "settings" / "@jupyterlab" / "docmanager-extension"
        settings.mkdir(parents=True)
        (settings / "plugin.jupyterlab-settings").write_text('{"autosave": false}')
        self.log = (private / "lab.log").open("w+")
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "jupyterlab",
                "--no-browser",
                "--ip=127.0.0.1",
                f"--port={port}",
                "--ServerApp.port_retries=0",
                "--IdentityProvider.token=",
                "--ServerApp.allow_root=True",
                # So that a test may stop its kernels; nobody but the tests knows this server.
                "--ServerApp.disable_check_xsrf=True",
                f"--ServerApp.root_dir={folder}",
                "--LabApp.extension_manager=readonly",
                # So that the next notebook can be opened where the last one was; see JupyterPage.
                "--LabApp.expose_app_in_browser=True",
            ],
            env={
                **os.environ,
                **places,
                "ROBOTLAB_PROGRESS": str(self.progress),
                "JUPYTERLAB_SETTINGS_DIR": str(private / "settings"),
                "JUPYTERLAB_WORKSPACES_DIR": str(private / "workspaces"),
                "JUPYTER_PREFER_ENV_PATH": "1",
                # As `robotlab open` sets it.
                "JUPYTER_CONFIG_PATH": str(Path(robotlab.__file__).parent / "course" / "jupyter"),
            },
            stdin=subprocess.DEVNULL,
            stdout=self.log,
            stderr=subprocess.STDOUT,
        )
        until = time.monotonic() + 240
        while not self._answers():
            if self.process.poll() is not None or time.monotonic() > until:
                self.close()
                raise RuntimeError("JupyterLab did not start:\n" + (private / "lab.log").read_text()[-3000:])
            time.sleep(0.3)

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/api/status", timeout=2) as reply:
                return reply.status == 200
        except OSError:
            return False

    def kernels(self) -> list[dict] | None:
        """The running kernels; None while the server cannot tell, as when one is just starting."""
        try:
            with urllib.request.urlopen(f"{self.url}/api/kernels", timeout=10) as reply:
                return json.load(reply)
        except OSError:
            return None

    def tidy(self) -> None:
        """Stop all kernels and forget all progress."""
        until = time.monotonic() + 30
        while (left := self.kernels()) != []:
            if time.monotonic() > until:
                raise RuntimeError(f"kernels that do not stop: {left}")
            for kernel in left or []:
                order = urllib.request.Request(f"{self.url}/api/kernels/{kernel['id']}", method="DELETE")
                with contextlib.suppress(OSError):
                    urllib.request.urlopen(order, timeout=30).close()
            time.sleep(0.1)
        self.progress.unlink(missing_ok=True)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.log.close()


@pytest.fixture(scope="session")
def server(chromium, tmp_path_factory):
    """One JupyterLab for all tests of this process."""
    place = tmp_path_factory.mktemp("jupyterlab")
    folder, private = place / "lessons", place / "private"
    folder.mkdir()
    private.mkdir()
    lab = Lab(folder, private)
    yield lab
    lab.close()


@pytest.fixture
def lab(server, request):
    """Called with the notebooks to copy; gives the running JupyterLab, at a folder of this test alone."""

    def start(*notebooks: Path) -> Lab:
        server.folder = server.root / request.node.name
        for notebook in notebooks:
            server.folder.mkdir(exist_ok=True)
            shutil.copy(notebook, server.folder)
            pictures = notebook.parent / "pictures"
            if pictures.is_dir():
                shutil.copytree(pictures, server.folder / "pictures", dirs_exist_ok=True)
        return server

    yield start
    server.tidy()


class Notebook:
    """One notebook, open in JupyterLab, used as a person uses it."""

    def __init__(self, lab: Lab, page, name: str, loaded: bool = False) -> None:
        """On a page where JupyterLab is ``loaded``, or to be loaded."""
        self.lab, self.page, self.path = lab, page, lab.folder / name
        path = self.path.relative_to(lab.root).as_posix()
        if loaded:
            # What JupyterLab does with an address, and with File > Open from Path.
            page.evaluate(OPEN, path)
        else:
            # As `robotlab open` shows it. A workspace of its own: the common one would open the tabs of another page.
            page.goto(f"{lab.url}/doc/workspaces/{lab.folder.name}/tree/{path}")
        page.locator(".jp-Notebook .jp-Cell").first.wait_for()
        self.until(lambda: lab.kernels(), "a kernel")
        # Cells that are run before the page has reached the kernel are left out without a word.
        self.until(lambda: "| Idle" in page.locator("#jp-main-statusbar").inner_text(), "the page to reach its kernel")

    def until(self, true, what: str, timeout_s: float = 120, every_s: float = 0.15):
        """Wait, with the page alive, until a function gives something true."""
        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            if value := true():
                return value
            self.page.wait_for_timeout(1000 * every_s)
        shot = self.lab.folder.parent / "in_vain.png"
        self.page.screenshot(path=shot)
        raise AssertionError(f"waited {timeout_s:g} s in vain for {what}; the page is in {shot}")

    def still(self, name: str):
        """The picture that stands in for what will move, once it is on the page."""
        shown = self.page.locator(f"img[src*='{name}']")
        shown.scroll_into_view_if_needed()
        self.until(lambda: shown.evaluate("image => image.complete && image.naturalWidth > 100"), "the still to load")
        return shown

    def press_until(self, shown, key: str, true, what: str) -> None:
        """Press a key on something until it has done its work: a busy page may take the focus away in between."""

        def done() -> bool:
            if not true():
                shown.press(key)
                self.page.wait_for_timeout(300)
            return true()

        self.until(done, what)

    def keys(self, shown, key: str, times: int = 1) -> None:
        """Press a key on a slider, a list or a drawing; again where a busy page took the focus away, three times in all."""
        shown.focus()
        lost = 0
        for _ in range(times):
            before = shown.evaluate(VALUE)
            self.page.keyboard.press(key)
            while shown.evaluate(VALUE) == before:
                self.page.wait_for_timeout(300)
                if shown.evaluate(VALUE) == before:
                    lost += 1
                    assert lost <= 3, f"{key} changed nothing, {lost} times"
                    shown.press(key)

    def bring(self, shown) -> None:
        """Scroll to something and wait until it stands still: cells above it get their height when they are first shown."""

        def stands() -> bool:
            shown.scroll_into_view_if_needed()
            before = shown.bounding_box()
            self.page.wait_for_timeout(800)
            return before is not None and before == shown.bounding_box()

        self.until(stands, "the page to stand still")

    def drag(self, shown, start, end) -> None:
        """Drag with the mouse: on what is shown, places in shares of its box, while the page may still be moving it."""
        mouse = self.page.mouse

        def at(across, down):
            box = shown.bounding_box()
            return box["x"] + across * box["width"], box["y"] + down * box["height"]

        def pressed() -> bool:
            # Cells above may get their height late, and push it out of the window.
            shown.scroll_into_view_if_needed()
            point = at(*start)
            hit = "(node, [x, y]) => node.contains(document.elementFromPoint(x, y))"
            mouse.move(*point)
            if not shown.evaluate(hit, point):
                return False
            mouse.down()
            if at(*start) == point:
                return True
            mouse.up()  # It was pressed beside: the page had moved on.
            return False

        def reached() -> bool:
            point = at(*end)
            mouse.move(*point, steps=12)
            return at(*end) == point

        self.until(pressed, "a place to drag from that stands still")
        self.until(reached, "a place to drag to that stands still")
        mouse.up()

    def choose(self, menu: str, item: str) -> None:
        self.page.get_by_role("menuitem", name=menu, exact=True).click()
        # By its label alone: the accessible name of an item also holds its keys.
        self.page.locator(".lm-Menu-itemLabel").get_by_text(item, exact=True).click()

    def type_answer(self, name: str, line: str) -> str:
        """Put in the last line of a starter, run it and its verify cell, as a learner does; what verify says.

        All but the line's last character comes at once, as from the clipboard: JupyterLab computes
        for 20 ms after each key.  Lesson 03 types every key, lesson 05 those of two lines.
        """
        starter = self.page.locator(".jp-CodeCell", has_text=f"def {name}(")
        starter.scroll_into_view_if_needed()
        editor = starter.locator(".cm-content")
        editor.click()
        # On a busy computer the focus comes later, and keys before it are lost.
        self.until(lambda: editor.evaluate("element => element === document.activeElement"), "the cell to take keys")
        self.page.keyboard.press("Control+End")
        self.page.keyboard.press("Shift+Home")
        self.page.keyboard.insert_text(line[:-1])
        self.page.keyboard.type(line[-1])
        self.page.keyboard.press("Shift+Enter")
        said = self.page.locator(".jp-CodeCell", has_text=f"verify({name})").locator(".jp-OutputArea-output")
        before = said.inner_text()
        self.page.keyboard.press("Shift+Enter")
        self.until(lambda: said.inner_text() != before, "another verdict")
        return said.inner_text()

    def fits(self, shown, parts, shots: Path) -> None:
        """At a wide and at a narrow window, nothing of these parts is cut off; a screenshot of each in `shots`."""
        for width in (800, 1280):
            self.page.set_viewport_size({"width": width, "height": 900})
            self.page.wait_for_timeout(500)
            shown.scroll_into_view_if_needed()
            frame = self.page.locator(".jp-Notebook").first.bounding_box()
            for part in parts:
                box = part.bounding_box()
                right, most = box["x"] + box["width"], frame["x"] + frame["width"] + 1
                assert box["x"] >= frame["x"] - 1 and right <= most, (width, part)
            shot = shots / f"{self.path.stem}_{width}.png"
            self.page.screenshot(path=shot)
            print(f"screenshot: {shot}")

    def too_wide(self, looks: int = 20) -> list[str]:
        """Outputs and code wider than their place, in a narrow and in a wide window: by how much, and their first words."""
        found = []
        for width in (800, 1280):
            self.page.set_viewport_size({"width": width, "height": 900})
            # While the page still lays out what it shows, something may be too wide for a moment.
            for _ in range(looks):
                self.page.wait_for_timeout(300)
                wide = self.page.evaluate(
                    """() => [...document.querySelectorAll(".jp-OutputArea-output, .jp-CodeCell .cm-scroller")]
                        .filter((one) => one.scrollWidth > one.clientWidth + 1)
                        .map((one) => `${innerWidth}: ${one.scrollWidth - one.clientWidth} px, ${one.innerText.slice(0, 60)}`)"""
                )
                if not wide:
                    break
            found += wide
        return found

    def run_all(self, timeout_s: float = 600, meanwhile: Callable[[], object] = lambda: None) -> dict:
        """Run > Run All Cells, then wait until the kernel has nothing left to do; what is in the notebook's file then.

        A lesson shows what its worked notebook does.  `meanwhile` is called once all cells are asked to run.
        """
        self.choose("Run", "Run All Cells")
        meanwhile()
        # Each question takes time from the kernel, which runs for a minute.
        self.until(self._all_ran, "all cells to run", timeout_s, every_s=0.5)
        assert self.too_wide() == []
        # Saved again: on a busy computer, what takes the focus after the last cell and what that cell printed reach the page late.
        ran, worked = self.saved(), WORKED / self.path.name
        if worked.exists():
            expected, looks = json.loads(worked.read_text("utf-8")), 20
            while differences(ran, expected) and (looks := looks - 1):
                self.page.wait_for_timeout(500)
                ran = self.saved()
            assert differences(ran, expected) == []
        return ran

    def _all_ran(self) -> bool:
        kernels = self.lab.kernels()
        if not kernels or any(kernel["execution_state"] != "idle" for kernel in kernels):
            return False
        # The page hears of it after the last output.
        if "| Idle" not in self.page.locator("#jp-main-statusbar").inner_text():
            return False
        cells = self.saved()["cells"]
        if any(output["output_type"] == "error" for cell in cells for output in cell.get("outputs", [])):
            return True  # An error ends Run All; the question for troubles says which.
        return all(
            cell["execution_count"] for cell in cells if cell["cell_type"] == "code" and "".join(cell["source"]).strip()
        )

    def saved(self) -> dict:
        """Save, as with Ctrl+S, then read the file, as the next program would."""
        before = self.path.stat().st_mtime_ns
        self.page.evaluate(SAVE)
        self.until(lambda: self.page.evaluate("robotlabSaved"), "the notebook to be saved", every_s=0.05)
        assert self.path.stat().st_mtime_ns != before, self.page.evaluate("robotlabSaved")
        return json.loads(self.path.read_text())

    def troubles(self, saved: dict | None = None) -> list[str]:
        """Every error and warning among the outputs, as saved; progress bars, in cells marked as such, are neither."""
        found = []
        for cell in (saved or self.saved())["cells"]:
            loud = "nbval-ignore-output" not in cell["metadata"].get("tags", [])
            for output in cell.get("outputs", []):
                if output["output_type"] == "error":
                    found.append(f"{output['ename']}: {output['evalue']}")
                if output["output_type"] == "stream" and output["name"] == "stderr" and loud:
                    found.append("".join(output["text"])[-300:])
        return found


@pytest.fixture
def open_notebook(jupyter_page, lab, request):
    """Called with what ``lab`` gave and a name: the notebook, open in the page that tests share."""
    yield jupyter_page.open
    jupyter_page.tidy(request.node.stash.get(FAILED, True))


@pytest.fixture
def notebook_on():
    """Makes the handle of a notebook on a page of one's own: ``(lab, page, name)``."""
    return Notebook
