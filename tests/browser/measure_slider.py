"""Measures slider to new picture in a real JupyterLab: ``python tests/browser/measure_slider.py``.

Three pictures: one color (the way there and back), the rendered greenhouse of
lesson 00, and a matplotlib figure that is kept while its line moves.  Each time
runs in the page from setting the slider to the new picture being loaded.
"""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

import nbformat
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parent))
import conftest

STEPS = 40
CELLS = {
    "one color, 320x240": """
import numpy as np
from robotlab.widgets import Slider, SliderPicture
SliderPicture(lambda level: np.full((240, 320, 3), int(level), np.uint8), alt="gray", level=Slider(0, 255, 9, 1, "x"))
""",
    "rendered greenhouse, 320x240": """
from robotlab.loop import default_camera
from robotlab.greenhouse import WALKS, render
scene, camera = WALKS["straight"].scene, default_camera()
SliderPicture(lambda x: render(scene.with_post_at(x, 0.0), camera).picture, alt="post", x=Slider(1, 5, 2, 0.05, "x"))
""",
    "kept matplotlib figure, 640x340": """
from robotlab.report.plots import new_figure
figure, axes = new_figure(width_in=6.4, height_in=3.4)
line, = axes[0, 0].plot(np.linspace(0, 6, 200), np.zeros(200))
axes[0, 0].set(ylim=(-1, 1), xlabel="s", ylabel="m")
def draw(x):
    line.set_ydata(np.sin(x * np.linspace(0, 6, 200)))
    return figure
SliderPicture(draw, alt="wave", x=Slider(1, 5, 2, 0.05, "x"))
""",
}
TIME_STEPS = """async ([box, steps]) => {
  const slider = box.querySelector("input"), image = box.querySelector("img"), times = [];
  const low = Number(slider.min), span = Number(slider.max) - low;
  for (let i = 0; i < steps; i++) {
    const start = performance.now();
    const loaded = new Promise((done) => image.addEventListener("load", done, { once: true }));
    slider.value = low + span * ((i * 7) % steps) / steps;
    slider.dispatchEvent(new Event("input", { bubbles: true }));
    await loaded;
    times.push(performance.now() - start);
    await new Promise((done) => setTimeout(done, 30));
  }
  return times;
}"""


def measure() -> dict[str, list[float]]:
    """Sorted times of each picture, ms; nothing where there is no Chromium."""
    result = {}
    names = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
    program = os.environ.get("ROBOTLAB_CHROMIUM") or next(filter(None, map(shutil.which, names)), None)
    if program is None:
        return result
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        folder, private = Path(place) / "lessons", Path(place) / "private"
        folder.mkdir()
        private.mkdir()
        kernel = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
        cells = [nbformat.v4.new_code_cell(code.strip()) for code in CELLS.values()]
        nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), folder / "measure.ipynb")
        lab = conftest.Lab(folder, private)
        browser = playwright.chromium.launch(executable_path=program, headless=True, args=["--no-sandbox"])
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 2400})
            notebook = conftest.Notebook(lab, page, "measure.ipynb")
            notebook.run_all()
            for i, name in enumerate(CELLS):
                box = page.locator(".robotlab-slider-picture").nth(i).element_handle()
                result[name] = sorted(page.evaluate(TIME_STEPS, [box, STEPS]))
        finally:
            browser.close()
            lab.close()
    return result


def main() -> None:
    """Print median and 95th percentile, ms."""
    measured = measure()
    if not measured:
        sys.exit("needs a Chromium on the path or in ROBOTLAB_CHROMIUM")
    for name, times in measured.items():
        print(f"{name}: median {statistics.median(times):.0f} ms, 95 % under {times[int(0.95 * STEPS)]:.0f} ms")


if __name__ == "__main__":
    main()
