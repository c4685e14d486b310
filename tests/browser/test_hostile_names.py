"""Names from a labels file and a model stay text: in a report, a replay and a notebook, in real Chromium."""

import json

import numpy as np
import pytest
from small_notebook import write_notebook

from robotlab.cli import main
from robotlab.data import Sample, write_dataset
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Run, replay_pair_html, simulate
from robotlab.neural import NeuralDetector
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import BACKBONE, first_weights
from robotlab.report import Report, drive_page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

HOSTILE = (
    "</script></style></title></textarea>--><script>window.hit = 1; parent.hit = 1</script>"
    "<img src=x onerror='window.hit = 1; parent.hit = 1'>\"'><svg onload=window.hit=1>${hit=1}`"
)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A data set and a model, all of whose names try to run a script."""
    home = tmp_path_factory.mktemp("hostile")
    picture = np.zeros((60, 80, 3), np.uint8)
    picture[10:50, 20:40] = 230, 110, 30
    samples = [
        Sample(f"{n}.png", picture + n, [[20, 10, 40, 50]], [0], recording=f"{n}{HOSTILE}", lighting=HOSTILE)
        for n in range(2)
    ]
    write_dataset(home / "set", samples, [HOSTILE])
    layers = BACKBONE + head_layers(1)
    facts = {
        "recordings": [HOSTILE],
        "training": HOSTILE,
        "validation_split": HOSTILE,
        "pictures": 2,
        "best_score": 0.1,
    }
    NeuralDetector.build(layers, first_weights(layers), [HOSTILE], facts).save(home / f"a{'<b onclick=hit>'}.onnx")
    return home


def test_reports_run_no_foreign_script(hostile, page, tmp_path):
    (model,) = hostile.glob("*.onnx")
    dialogs, pages = [], [tmp_path / "judged.html", tmp_path / "compared.html"]
    page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    assert main(["judge", str(hostile / "set"), "--with", str(model), "--html", str(pages[0]), "--quiet"]) == 0
    words = ["compare", str(hostile / "set"), "--with", str(model), "--walks", "none", "-o", str(pages[1]), "--quiet"]
    assert main(words) == 0
    for path in pages:
        page.goto(path.as_uri())
        assert page.locator("h1").count() == 1 and page.locator("table").count() > 0
        assert "<script>window.hit" in page.locator("body").inner_text()  # it is there, as text
        assert page.evaluate("window.hit") is None and page.locator("script, svg, img[src=x]").count() == 0
    assert dialogs == []


@pytest.mark.long(short="test_reports_run_no_foreign_script")
def test_pages_of_the_other_commands_run_no_foreign_script(hostile, page, tmp_path):
    """Check-up, plans to print, choices of parts, sweeps and marks: names of theirs stand in files, options and file names."""
    name = json.dumps(HOSTILE)  # TOML has the same escapes
    (tmp_path / "parts.toml").write_text(
        f"[cameras.{name}]\nhfov_deg = 70\nframe_hz = 30\n[boards.{name}]\nclock_ghz = 2\nflops_per_cycle = 8\n"
    )
    (tmp_path / "plan.toml").write_text(
        f"name = {name}\nduration_s = 1\n[vary]\nturn_gain = [1.0, 2.0]\ndetector = [{name}, 'b']\n"
        f"[detectors.{name}]\nmiss_rate = 0.1\n[detectors.b]\nmiss_rate = 0.2\n[cost]\nlabel = {name}\nturn_gain = [1, 2]\n"
    )
    cell = {"cell_type": "code", "source": f"raise ValueError({HOSTILE!r})", "metadata": {}, "outputs": []}
    words = {"cell_type": "markdown", "source": HOSTILE, "metadata": {"tags": ["answer"]}}
    about = {"metadata": {"robotlab": {"source": f"02_{HOSTILE} 0"}}, "nbformat": 4, "cells": [cell, words]}
    for who in ("<script>window.hit = 1<\u2215script>", "<img src=x onerror='window.hit = 1'>"):
        (tmp_path / "class" / who).mkdir(parents=True)
        (tmp_path / "class" / who / "02_'><svg onload=window.hit=1>.ipynb").write_text(json.dumps(about))
    data, quiet = str(hostile / "set"), "--quiet"
    out = {kind: tmp_path / f"{kind}.html" for kind in ("checkup", "plan", "parts")}
    assert main(["checkup", data, "--html", str(out["checkup"]), "--quick", quiet]) in (0, 1)
    plan = [
        "plan",
        data,
        "--object-height=0.3",
        f"--target={HOSTILE}",
        f"--lightings={HOSTILE}",
        "-o",
        str(out["plan"]),
    ]
    assert main(plan) == 0
    assert main(["parts", "--parts", str(tmp_path / "parts.toml"), "-o", str(out["parts"])]) == 0
    assert main(["sweep", str(tmp_path / "plan.toml"), "-o", str(tmp_path / "swept"), "--jobs=1", quiet]) == 0
    marks = ["mark", str(tmp_path / "class"), "-o", str(tmp_path / "marks"), "--jobs=1", "--trusted", quiet]
    assert main(marks) in (0, 1)
    pages = [*out.values(), tmp_path / "swept" / "report.html", *(tmp_path / "marks").rglob("*.html")]
    assert len(pages) >= 7
    dialogs = []
    page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    for path in pages:
        page.goto(path.as_uri())
        assert "window.hit = 1" in page.locator("body").inner_text(), path  # it is there, as text
        assert page.evaluate("window.hit") is None, path
        assert page.locator("img[src=x], [onload], [onerror]").count() == 0, path
    assert dialogs == []


def hostile_log(path):
    """The log of a short walk; each text in it, where one may be anything, tries to run a script."""
    simulate(GroundTruthDetector(), WALKS["weave"], duration_s=1, pictures=True, log=path)
    changed = []

    def spoil(value, key=""):
        if isinstance(value, dict):
            spoiled = {name: spoil(one, name) for name, one in value.items()}
            return spoiled if "version" in value or "kind" not in value else spoiled | {"note": HOSTILE}
        if isinstance(value, list):
            return [spoil(one) for one in value]
        if isinstance(value, str) and key in ("walk", "lighting", "detector", "what", "shape", "why", "reason"):
            changed.append(key)
            return HOSTILE
        return value

    records = [spoil(json.loads(line)) for line in path.read_text().splitlines()]
    for thing in records[0]["things"]:
        thing["kind"] = HOSTILE
    path.write_text("".join(json.dumps(record) + "\n" for record in records))
    assert {"walk", "lighting", "detector", "shape"} <= set(changed)
    return Run.load(path)


@pytest.mark.long(short="test_reports_run_no_foreign_script")
def test_a_replay_runs_no_foreign_script(page, tmp_path):
    run = hostile_log(tmp_path / "run.jsonl")
    pair = Report(HOSTILE)
    pair.raw(replay_pair_html(run, run, (HOSTILE, "b"), HOSTILE))
    pages = drive_page(run, HOSTILE).save(tmp_path / "one.html"), pair.save(tmp_path / "two.html")
    dialogs = []
    page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    for path in pages:
        page.goto(path.as_uri())
        page.get_by_role("button", name="Play").first.click()
        page.locator("input[type=range]").first.fill("0.5")
        page.wait_for_timeout(300)
        everywhere = [page, *page.frames]
        assert any("<script>window.hit" in frame.locator("body").inner_text() for frame in everywhere)
        for frame in everywhere:
            assert (
                frame.evaluate("window.hit") is None and frame.locator("img[src=x], [onload], [onerror]").count() == 0
            )
    assert dialogs == []


@pytest.mark.long(short="test_reports_run_no_foreign_script")
def test_a_notebook_runs_no_foreign_script(hostile, tmp_path, lab, open_notebook):
    cells = [
        f"""from robotlab.data import check_dataset, contact_sheet, open_dataset
from robotlab.neural import NeuralDetector
data = open_dataset({str(hostile / "set")!r})
detector = NeuralDetector.load({str(next(hostile.glob("*.onnx")))!r})
display(data, data[0], detector)
print(check_dataset(data).text())""",
        """from robotlab.metrics import evaluate
from robotlab.widgets import ThresholdCurve
found = [detector.detect(data.load(entry)) for entry in data]
print(evaluate(data, found, 'x').text())
ThresholdCurve(data, found)""",
    ]
    source = write_notebook(tmp_path / "names.ipynb", cells)
    notebook = open_notebook(lab(source), "names.ipynb")
    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    assert "<script>window.hit" in notebook.page.locator(".jp-Notebook").inner_text()
    assert notebook.page.evaluate("window.hit") is None and notebook.page.locator("img[src=x]").count() == 0
