"""Every example in a docstring runs and prints what it says, without a warning."""

import doctest
from pathlib import Path

import pytest
from docs_walk import ROOT, load, module_names


def source_of(name: str) -> Path:
    place = ROOT.joinpath(*name.split("."))
    return place / "__init__.py" if place.is_dir() else place.with_suffix(".py")


# The others have no example; that those who need one have it, test_docs_api.py asks.
WITH_EXAMPLES = [name for name in module_names() if ">>>" in source_of(name).read_text(encoding="utf-8")]
# These take more than half a second of one core: they render, measure, build, drive or learn.
LONG = (
    "robotlab.classify.crops",
    "robotlab.classify.sliding_window",
    "robotlab.course.builder",
    "robotlab.course.drawings",
    "robotlab.data.coins",
    "robotlab.design_sheet.measure_motion",
    "robotlab.design_sheet.measure_vision",
    "robotlab.design_sheet.sheets",
    "robotlab.greenhouse.film",
    "robotlab.greenhouse.recordings",
    "robotlab.greenhouse.renderer",
    "robotlab.loop.campaigns",
    "robotlab.metrics.comparison",
    "robotlab.packs.class_pack",
    "robotlab.robot.camera_delay",
    "robotlab.robot.rehearsal",
    "robotlab.widgets.gain_and_delay",
)
CASES = [pytest.param(name, marks=pytest.mark.long() if name in LONG else []) for name in WITH_EXAMPLES]


def test_long_examples_are_there():
    assert set(LONG) < set(WITH_EXAMPLES)


@pytest.mark.parametrize("name", CASES)
def test_examples(name, tmp_path, monkeypatch):
    module = load(name)
    # An example that writes a file by a bare name writes it there.
    monkeypatch.chdir(tmp_path)
    said = []
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE, verbose=False)
    for example in doctest.DocTestFinder(exclude_empty=True).find(module, name):
        runner.run(example, out=said.append)
    assert runner.summarize(verbose=False).failed == 0, "".join(said)
