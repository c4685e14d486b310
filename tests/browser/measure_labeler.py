"""Measures the box labeler: ``python tests/browser/measure_labeler.py``.

In a real JupyterLab, on 1000 pictures of 1920×1080: from a key to the next
picture on the page, and from a key to "saved" (the change is on the disk).
Then, without a browser: how long a refit on 100 pictures of 384×288 takes in
the background, and how long saving takes meanwhile.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat
import numpy as np
from playwright.sync_api import sync_playwright

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
import conftest

from robotlab.data import Sample, write_dataset
from robotlab.files import write_json
from robotlab.greenhouse import film_frames
from robotlab.image import encode, resize
from robotlab.label import LabeledBox, LabelStore, PictureLabels

STEPS = 40
TIMES = """async ([stage, steps, key]) => {
  const saved = stage.parentNode.querySelector(".robotlab-labeler-saved"), times = [];
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  for (let i = 0; i < steps; i++) {
    const shown = stage.dataset.shown, start = performance.now();
    stage.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
    if (key === "n") {
      while (stage.dataset.shown === shown) await frame();
      const image = new Image();
      image.src = stage.querySelector("image").getAttribute("href");
      await image.decode();
    } else while (!saved.textContent.includes("All saved.")) await new Promise((done) => setTimeout(done, 1));
    await frame();
    times.push(performance.now() - start);
    // As long as a person needs at least to look at a picture.
    await new Promise((done) => setTimeout(done, 400));
  }
  return times;
}"""


def large_set(folder: Path, count: int = 1000) -> Path:
    """Rendered pictures of 1920×1080, one file under many names, four boxes each."""
    picture = next(film_frames(size_px=(480, 270))).picture
    grain = np.random.default_rng(0).normal(0, 4, (1080, 1920, 1))
    large = (resize(picture, (1920, 1080), "linear") + grain).clip(0, 255).astype(np.uint8)
    (folder / "pictures").mkdir(parents=True)
    first = folder / "pictures" / "00000.jpg"
    first.write_bytes(encode(large, "jpg"))
    for number in range(1, count):
        os.link(first, folder / "pictures" / f"{number:05d}.jpg")
    images = [
        {
            "id": n + 1,
            "file_name": f"pictures/{n:05d}.jpg",
            "width": 1920,
            "height": 1080,
            "recording": f"walk{n // 100}",
            "labeled": n % 2 == 0,
        }
        for n in range(count)
    ]
    notes = [
        {"id": n + 1, "image_id": n // 4 * 2 + 1, "category_id": 1, "bbox": [100 + n % 4 * 300, 200, 80, 300]}
        for n in range(count * 2)
    ]
    value = {"images": images, "annotations": notes, "categories": [{"id": 1, "name": "post"}]}
    print(f"pictures of {first.stat().st_size / 1000:.0f} kB")
    return write_json(folder / "annotations.json", value)


def in_the_browser(home: Path) -> None:
    """Next picture and saving, in the page."""
    program = os.environ.get("ROBOTLAB_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    labels = large_set(home / "large")
    folder, private = home / "lessons", home / "private"
    folder.mkdir()
    private.mkdir()
    kernel = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    code = f"from robotlab.label import BoxLabeler\nBoxLabeler({str(labels)!r}, suggestions=False)"
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code)], metadata=kernel)
    nbformat.write(notebook, folder / "measure.ipynb")
    lab = conftest.Lab(folder, private)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, headless=True, args=["--no-sandbox"])
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 1200})
            conftest.Notebook(lab, page, "measure.ipynb").run_all()
            stage = page.locator("svg.robotlab-labeler-stage").first
            stage.wait_for()
            page.wait_for_timeout(3000)
            for key, words in (("n", "next picture shown"), ("i", "change saved")):
                times = sorted(page.evaluate(TIMES, [stage.element_handle(), STEPS, key]))
                say(words, times)
        finally:
            browser.close()
            lab.close()


def refit(home: Path) -> None:
    """A refit on 100 labeled pictures, and saving meanwhile."""
    frames = list(film_frames(frames=140))
    samples = []
    for number, frame in enumerate(frames):
        truths = frame.truths
        boxes, labels = (truths.boxes, truths.labels) if number < 100 else ((), ())
        samples.append(Sample(f"{number:03d}.jpg", frame.picture, boxes, labels, recording=f"shot{number // 35}"))
    store = LabelStore(write_dataset(home / "refit", samples, ["post", "bucket", "crate"]).folder)
    started = time.perf_counter()
    words = [sys.executable, "-m", "robotlab.label.fitting", str(store.labels_path), str(home)]
    times = []
    with subprocess.Popen(words, stdin=subprocess.PIPE) as process:
        while process.poll() is None:
            begun = time.perf_counter()
            store.put(120, PictureLabels((LabeledBox((1.0, 1.0, 20.0 + len(times) % 50, 30.0), 1),)))
            times.append((time.perf_counter() - begun) * 1000)
            time.sleep(0.1)
        assert process.returncode == 0
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"refit on 100 pictures of 384×288, 40 more looked at: {time.perf_counter() - started:.1f} s, "
        f"{used.ru_utime + used.ru_stime:.1f} s of a core"
    )
    say("saved while it ran (without the page)", sorted(times))


def say(words: str, times: list[float]) -> None:
    print(f"{words}: median {statistics.median(times):.0f} ms, 95 % {times[int(0.95 * len(times))]:.0f} ms")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        refit(Path(place))
        in_the_browser(Path(place))
