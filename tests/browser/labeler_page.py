"""A box labeler on a page, and the one page, notebook and kernel that its tests share."""

import json

import numpy as np
import psutil
from small_notebook import write_notebook

from robotlab.data import Sample, open_dataset, write_dataset

# Run again for each test: which data set, and how, lies in a file.
CELL = """import json, pathlib
from robotlab.label import BoxLabeler
if "labeler" in globals():
    labeler.close()
now = json.loads(pathlib.Path("now.json").read_text())
labeler = BoxLabeler(now["path"], suggestions=now["suggestions"])
labeler"""
# The kernel does at once what it is told, and its answers wait, in their order, while a file is there.
HELD = """import asyncio, os
async def let_go(tell):
    while True:
        while late and not os.path.exists("hold"):
            tell(*late.pop(0))
        await asyncio.sleep(0.02)
if "waiting" in globals():
    waiting.cancel()
    del waiting
if now["held"]:
    late = []
    waiting = asyncio.ensure_future(let_go(labeler.send))
    labeler.send = lambda *words: late.append(words)"""
# What the tests order the kernel to do lies in a file: its own end, a full disk, or to let go of the data set.
ORDERS = """import os, pathlib, resource
pathlib.Path("pid").write_text(str(os.getpid()))
order = pathlib.Path("order").read_text() if os.path.exists("order") else ""
most = 200 if order == "full" else resource.RLIM_INFINITY
resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
if order == "let go":
    labeler.store.close()
order"""
SIZE = (320, 240)


def frame(number):
    """A gray picture with an orange thing at a known place."""
    picture = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
    x, y = 40 + 12 * number, 60 + 4 * number
    picture[y : y + 80, x : x + 30] = 230, 110, 20
    return picture, [x, y, x + 30, y + 80]


def bench(folder, count=6, labeled=0, classes=("post", "crate")):
    samples = [
        Sample(f"{n:02d}.png", frame(n)[0], [frame(n)[1]] * (n < labeled), [0] * (n < labeled)) for n in range(count)
    ]
    data = write_dataset(folder, samples, ["post", "crate"])
    if not classes:
        labels = folder / "annotations.json"
        labels.write_text(json.dumps(json.loads(labels.read_text()) | {"categories": []}))
    return data


class Page:
    """One labeler on a page."""

    def __init__(self, notebook, folder):
        self.notebook, self.page, self.folder = notebook, notebook.page, folder
        # Its text alternative names the folder, and the folder is a test's own.
        self.stage = self.page.locator(f'svg.robotlab-labeler-stage[aria-label^="A picture of {folder.name} "]')
        whole = self.page.locator(".robotlab-labeler", has=self.stage)
        self.saved, self.line = (whole.locator(f".robotlab-labeler-{part}") for part in ("saved", "line"))
        self.gone = whole.locator(".robotlab-gone")
        self.notebook.until(lambda: self.stage.count() and self.stage.get_attribute("data-shown"), "a picture")
        self.stage.scroll_into_view_if_needed()

    def at(self, x, y):
        box = self.stage.bounding_box()
        return box["x"] + x * box["width"] / SIZE[0], box["y"] + y * box["height"] / SIZE[1]

    def drag(self, start, end):
        self.page.mouse.move(*self.at(*start))
        self.page.mouse.down()
        self.page.mouse.move(*self.at(*end), steps=8)
        self.page.mouse.up()

    def said(self, words, what="its words", timeout_s=30):
        self.notebook.until(lambda: words in self.saved.inner_text(), f"{what}: {words!r}", timeout_s)

    def shows(self, line):
        """What the line below begins with, and its picture: before that has come nothing can be done on it."""
        number = int(line.removeprefix("pictures/")[:2]) + 1
        self.notebook.until(
            lambda: self.line.inner_text().startswith(line) and self.stage.get_attribute("data-shown") == str(number),
            f"the picture {line}",
        )

    def classes(self, count):
        """The classes to choose from: the disk has a new one before the page hears of it."""
        chips = self.page.locator(".robotlab-labeler", has=self.stage).locator("button[data-class]")
        self.notebook.until(lambda: chips.count() == count, f"{count} classes")

    def all_saved(self):
        self.notebook.until(lambda: "All saved." in self.saved.inner_text(), "everything saved")

    def drawn(self):
        """The boxes that the page shows as labels: their corners, px of the picture."""
        return self.stage.evaluate(
            """(stage) => [...stage.querySelectorAll("rect.own")].map((one) => {
              const [x, y, wide, tall] = ["x", "y", "width", "height"].map((name) => Number(one.getAttribute(name)));
              return [x, y, x + wide, y + tall];
            })"""
        )

    def boxes(self, id=1):
        """What is on the disk, as any other program reads it."""
        return next(entry for entry in open_dataset(self.folder) if entry.id == id)


class Shared:
    """One notebook and its kernel, on the page that all share, for all tests of this file; one that fails takes them with it."""

    def __init__(self, server, jupyter_page):
        self.server, self.jupyter_page, self.notebook = server, jupyter_page, None

    def get(self):
        if self.notebook is None:
            self.server.folder = self.server.root / "labeler"
            self.server.folder.mkdir(exist_ok=True)
            write_notebook(self.server.folder / "label.ipynb", [ORDERS, CELL, HELD])
            self.notebook = self.jupyter_page.open(self.server, "label.ipynb")
        return self.notebook

    def forget(self, failed=False):
        if self.notebook is not None:
            self.jupyter_page.tidy(failed)
            self.notebook = None
        self.server.tidy()


def begun_again(notebook, killed):
    """Wait for a new process: the server may not have seen yet that the killed one is gone, and calls it idle."""

    def new_and_idle() -> bool:
        try:
            ours = psutil.Process(notebook.lab.process.pid).children(recursive=True)
            new = any(one.pid != killed and "ipykernel" in " ".join(one.cmdline()) for one in ours)
        except psutil.Error:  # One ended at this moment.
            return False
        return new and any(kernel["execution_state"] == "idle" for kernel in notebook.lab.kernels() or [])

    notebook.until(new_and_idle, "a kernel")
