"""Kill the browser in the midst of labeling, again and again: ``python tests/browser/kill_browser.py [50]``.

In a real JupyterLab, a real Chromium draws boxes with the mouse and goes on with
Enter, as fast as it can.  At a random moment, with a change on its way, all its
processes are ended by SIGKILL; every third time it is the kernel's process.
What the page had called saved by then must be in the labels file, and on the
page when it is opened anew.  After the kernel's end the browser is still there,
so that nothing at all may be lost that the page has shown.

A try counts only if a change waited to be saved at the kill, or had been called
saved in the half second before it.  A try that fails otherwise, as when a page
does not come up, is told of with a screenshot, and the next one begins.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import psutil
from playwright.sync_api import Error, TimeoutError, sync_playwright

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
import conftest
import nbformat

from robotlab.data import DataSet, Sample, open_dataset, write_dataset

PICTURES, SIZE = 400, (320, 240)
# Places of the boxes drawn on one picture, px: four columns, three rows, one box in each.
PLACES = [(10 + 76 * (n % 4), 10 + 76 * (n // 4)) for n in range(12)]
SIDE = 50
CELL = """import os
from robotlab.label import BoxLabeler
open("pid", "w").write(str(os.getpid()))
BoxLabeler({path!r}, suggestions=False)"""
# A change called saved this short before the kill counts, in seconds (a choice, no source).
JUST = 0.5
# The page says when and what it shows each time its words change: picture, boxes, words.
WATCH = """(stage) => {
  const saved = stage.parentNode.querySelector(".robotlab-labeler-saved");
  const tell = () => console.log("shown " + JSON.stringify([
    Date.now() / 1000,
    Number(stage.dataset.shown),
    [...stage.querySelectorAll("rect.own")].map((one) => [Number(one.getAttribute("x")), Number(one.getAttribute("y"))]),
    saved.textContent]));
  new MutationObserver(tell).observe(saved, { childList: true, characterData: true, subtree: true });
  tell();
}"""


class Page:
    """A browser of its own on the notebook, and what its page has shown."""

    def __init__(self, playwright, program: str, lab: conftest.Lab, profile: Path) -> None:
        self.profile = profile
        self.context = playwright.chromium.launch_persistent_context(
            profile,
            executable_path=program,
            headless=True,
            viewport={"width": 1280, "height": 900},
            args=["--no-sandbox", "--disable-background-networking", "--no-first-run"],
        )
        self.page = self.context.pages[0]
        self.page.set_default_timeout(300_000)
        self.shown: list[tuple[float, int, list, str]] = []
        self.logged: list[str] = []
        self.page.on("console", self._heard)
        self._lab = lab
        self.again()

    def again(self) -> None:
        """Open the notebook, or open it anew; this waits for its kernel."""
        self.notebook = conftest.Notebook(self._lab, self.page, "label.ipynb")

    def _heard(self, message) -> None:
        if message.text.startswith("shown "):
            self.shown.append(tuple(json.loads(message.text[6:])))
        elif message.type in ("error", "warning"):
            self.logged.append(message.text[:300])

    def report(self, what: str) -> None:
        """Say what the page shows in place of the labeler."""
        shot = self._lab.folder.parent / f"kill_{time.time():.0f}.png"
        outputs = self.page.locator(".jp-OutputArea-output").all_inner_texts()
        bar = self.page.locator("#jp-main-statusbar").inner_text()
        self.page.screenshot(path=shot)
        saved = [cell.get("outputs") for cell in json.loads(self.notebook.path.read_text())["cells"]]
        print(
            f"{what}: {outputs=}, {bar=}, saved={str(saved)[:300]}, {self._lab.kernels()}, {self.logged[-8:]}, {shot}",
            flush=True,
        )

    def open(self, run: bool) -> bool:
        """Wait for the labeler, or run its cell; whether it came by itself."""
        self.stage = self.page.locator("svg.robotlab-labeler-stage[data-shown]").last
        alone, began = not run, time.monotonic()
        if alone:
            try:
                self.stage.wait_for(timeout=60_000)
            except TimeoutError:
                alone = False
                self.report("the labeler did not come back by itself")
        if not alone:
            self.notebook.run_all(600)
            # What a page shows when it is opened anew is what the notebook's file holds.
            self.notebook.until(
                lambda: self.notebook.saved()["cells"][0]["outputs"], "the labeler in the notebook's file"
            )
        self.stage.wait_for()
        self.saved = self.stage.locator("..").locator(".robotlab-labeler-saved")
        self.notebook.until(lambda: "All saved." in self.saved.inner_text(), "everything saved")
        self.stage.evaluate("stage => stage.scrollIntoView({ block: 'center' })")
        self.page.wait_for_timeout(500)
        self.stage.evaluate(WATCH)
        print(f"the labeler is there after {time.monotonic() - began:.0f} s", flush=True)
        return alone

    def act(self, now: Callable[[], None] = lambda: None) -> None:
        """One change more: a box in a place that has none, or on to the next picture; `now` is called just before it."""
        found = self.stage.evaluate(
            """stage => [...stage.querySelectorAll("rect.own")].map((one) => [
                Number(one.getAttribute("x")), Number(one.getAttribute("y"))])"""
        )
        free = [place for place in PLACES if not any(abs(np.subtract(place, one)).max() < SIDE for one in found)]
        if not free:
            now()
            self.stage.press("Enter")
            return
        # The notebook still lays its cells out at first.
        box, (x, y) = self.notebook.until(self.stage.bounding_box, "the picture in its place"), free[0]
        scale = box["width"] / SIZE[0]
        self.page.mouse.move(box["x"] + x * scale, box["y"] + y * scale)
        self.page.mouse.down()
        self.page.mouse.move(box["x"] + (x + SIDE) * scale, box["y"] + (y + SIDE) * scale, steps=2)
        now()
        self.page.mouse.up()

    def kill(self) -> None:
        """End all of the browser's processes at once, the first before those that it might send word to."""
        tree = [
            one
            for one in psutil.process_iter(["cmdline"])
            if f"--user-data-dir={self.profile}" in (one.info["cmdline"] or ()) and one.pid != os.getpid()
        ]
        family = {child for one in tree for child in one.children(recursive=True)} - set(tree)
        for one in (*tree, *family):
            try:
                one.kill()
            except psutil.NoSuchProcess:
                pass


def holds(data: DataSet, promised: dict[int, set], labeled: int) -> int:
    """How many of the promised boxes and labeled pictures the labels file lacks."""
    there = {entry.id: entry.boxes[:, :2] for entry in data}
    lacking = sum(
        not len(there[id]) or abs(there[id] - corner).max(axis=1).min() > 0.11
        for id, corners in promised.items()
        for corner in corners
    )
    return lacking + max(0, labeled - sum(entry.record.get("labeled", False) for entry in data))


class Campaign:
    """Kills, and what became of the changes that were called saved before them."""

    def __init__(self, playwright, lab: conftest.Lab, program: str, home: Path, seed: int = 0) -> None:
        self._open = lambda: Page(playwright, program, lab, home / "profile")
        self._lab, self._rng = lab, np.random.default_rng(seed)
        gray = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
        self._set = write_dataset(
            home / "set", (Sample(f"{n:03d}.png", gray) for n in range(PICTURES)), ["post"]
        ).folder
        kernel = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
        cells = [nbformat.v4.new_code_cell(CELL.format(path=str(self._set)))]
        nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), lab.folder / "label.ipynb")
        self._promised: dict[int, set] = {}
        self._labeled = 0
        self._page: Page | None = None
        # The cell must be run: at first, and after its kernel's end.
        self._run = True
        # Tries that count, tries in which the labeler was opened anew with its kernel alive, and of these it came by itself.
        self.counted = self.reopened = self.alone = 0

    @property
    def confirmed(self) -> int:
        """Boxes and labeled pictures that were called saved."""
        return sum(map(len, self._promised.values())) + self._labeled

    def lost(self) -> int:
        """How many of them are not on the disk."""
        return holds(open_dataset(self._set), self._promised, self._labeled)

    def kill(self, kernel_too: bool) -> None:
        """Label and kill."""
        if self._page is None:
            self._page = self._open()
            self.reopened += not self._run
            self.alone += self._page.open(self._run)
            self._run = False
        page = self._page
        for _ in range(int(self._rng.integers(2, 9))):
            page.act()
        at: list[float] = []
        pid = int((self._lab.folder / "pid").read_text())

        def end() -> None:
            at.append(time.time())
            os.kill(pid, signal.SIGKILL) if kernel_too else page.kill()

        late = threading.Timer(self._rng.uniform(0.02, 0.3), end)
        try:
            page.act(late.start)
            while late.is_alive():
                page.act()
        except Error:
            pass  # the browser is gone
        late.join()
        if kernel_too:
            self._run = True
            page.page.wait_for_timeout(300)
        before = [one for one in page.shown if one[0] <= at[0]]
        self.counted += bool(before) and ("to be saved" in before[-1][3] or at[0] - before[-1][0] < JUST)
        for _, id, corners, words in page.shown:
            # The browser that lives on sends what it has shown, saved or not.
            if kernel_too or "All saved." in words:
                self._promised.setdefault(id, set()).update(map(tuple, corners))
            if "All saved." in words:
                self._labeled = max(self._labeled, int(words.split(" of ")[0].split()[-1]))
        page.shown.clear()
        if kernel_too:
            page.again()
            page.open(run=True)
            self._run = False
        else:
            self.close()

    def close(self) -> None:
        """Leave the browser."""
        page, self._page = self._page, None
        if page is not None:
            with suppress(Error):  # there may be nothing left to close
                page.context.close()
            page.kill()


def main(kills: int) -> int:
    import shutil

    program = os.environ.get("ROBOTLAB_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        for name in ("lessons", "private"):
            (home / name).mkdir()
        lab = conftest.Lab(home / "lessons", home / "private")
        failed = tries = 0
        with sync_playwright() as playwright:
            campaign = Campaign(playwright, lab, program, home)
            try:
                while campaign.counted < kills and tries < 3 * kills:
                    tries += 1
                    try:
                        campaign.kill(kernel_too=tries % 3 == 0)
                    except (Error, AssertionError) as error:
                        failed += 1
                        print(f"try {tries} failed: {error}", flush=True)
                        campaign.close()
                    print(
                        f"{tries}: {campaign.counted} kills count, {campaign.confirmed} changes, {campaign.lost()} lost",
                        flush=True,
                    )
            finally:
                campaign.close()
                lab.close()
        lost = campaign.lost()
    print(
        f"{campaign.counted} kills, {campaign.confirmed} changes called saved, {lost} of them lost; {tries} tries, "
        f"{failed} failed; opened anew {campaign.reopened} times, {campaign.alone} of them the labeler was there by itself"
    )
    return int(lost > 0 or campaign.counted < kills)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 50))
