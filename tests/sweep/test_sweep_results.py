"""What a results folder may hold: nothing of another plan, of another model, or of somebody else."""

import json
import random
import shutil

import pytest

from robotlab.cli import main
from robotlab.errors import InputError
from robotlab.neural import NeuralDetector, head_layers
from robotlab.neural.spec import BACKBONE, first_weights
from robotlab.sweep import parse_plan, run_sweep
from robotlab.sweep.running import PARTS, PLAN, TABLE

SMALL = "duration_s = 1\n[vary]\nturn_gain = [1.0, 2.0]\nlatency_s = [0.1, 0.3]\n"


def run(text, folder):
    run_sweep(parse_plan(text, folder=folder.parent), folder, jobs=1, progress=False)
    return (folder / TABLE).read_bytes()


def test_parts_of_another_plan_are_not_mixed_in_although_its_plan_is_gone(tmp_path):
    folder = tmp_path / "out"
    before = run(SMALL, folder)
    (folder / PLAN).unlink()
    (folder / TABLE).unlink()
    with pytest.raises(InputError, match="results of this plan and these model files, line 1 is of others"):
        run(SMALL.replace("1.0, 2.0", "5.0, 6.0"), folder)
    assert not (folder / TABLE).exists()
    assert run(SMALL, folder) == before


def test_a_folder_that_somebody_keeps_files_in_is_not_taken_for_results(tmp_path, capsys):
    (tmp_path / PLAN).write_text(SMALL)
    (tmp_path / TABLE).write_text("precious")
    (tmp_path / "report.html").write_text("a thesis")
    assert main(["sweep", str(tmp_path / PLAN), "-o", str(tmp_path), "--quiet"]) == 2
    assert "empty folder or their own" in capsys.readouterr().err
    assert (tmp_path / TABLE).read_text() == "precious" and (tmp_path / "report.html").read_text() == "a thesis"


def test_a_changed_bit_is_seen(tmp_path):
    folder = tmp_path / "out"
    table = run(SMALL, folder)
    content = (folder / PARTS).read_bytes()
    rng = random.Random(0)
    for place in rng.sample(range(len(content) - 1), 40):
        (folder / PARTS).write_bytes(content[:place] + bytes([content[place] ^ 1]) + content[place + 1 :])
        try:
            assert run(SMALL, folder) == table
        except InputError as refused:
            assert "must hold" in str(refused)
    # Written anew as other JSON of the same meaning, or with zeros that a power failure left, it is the same.
    lines = [json.dumps(json.loads(line), indent=None).encode() for line in content.splitlines()]
    (folder / PARTS).write_bytes(b"\n".join(lines) + b"\n" + b"\0" * 50)
    assert run(SMALL, folder) == table


def test_another_model_under_the_same_name_is_refused(tmp_path):
    layers = BACKBONE + head_layers(1)
    for seed in (0, 1):
        NeuralDetector.build(layers, first_weights(layers, seed), ["post"], {}).save(tmp_path / f"{seed}.onnx")
    text = 'runs = "rendered"\nduration_s = 0.5\n[fixed]\ndetector = "mine"\nwidth_px = 64\n[vary]\nseed = [0, 1]\n[detectors.mine]\nfile = "mine.onnx"\n'
    folder = tmp_path / "out"
    shutil.copy(tmp_path / "0.onnx", tmp_path / "mine.onnx")
    table = run(text, folder)
    (folder / PARTS).write_bytes((folder / PARTS).read_bytes().splitlines(True)[0])
    shutil.copy(tmp_path / "1.onnx", tmp_path / "mine.onnx")
    with pytest.raises(InputError, match="these model files, line 1 is of others"):
        run(text, folder)
    shutil.copy(tmp_path / "0.onnx", tmp_path / "mine.onnx")
    assert run(text, folder) == table


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            '[fixed]\ndetector = "mine"\n[vary]\nseed = [0]\n[detectors.mine]\nmiss_rate = 1\n[rendered]\nchosen = 1',
            "is numbers alone",
        ),
        ("[vary]\nmiss_rate = [0.0, 0.9]\n[rendered]\nchosen = 2", "miss_rate must be left out of runs with pictures"),
        ('runs = "rendered"\n[fixed]\nmiss_rate = 0.5\n[vary]\nseed = [0]', "set runs to fast"),
        ("[vary]\nseed = { from = 0, to = 3, steps = 10 }", "10 different values from 0 to 3"),
        ("duration_s = -1\n[vary]\nseed = [0]", "the plan: duration_s must"),
        ("design_seed = 0.5\n[vary]\nseed = [0]", "the plan: design_seed must"),
    ],
)
def test_a_plan_says_nothing_that_its_runs_do_not_do(text, words):
    with pytest.raises(InputError, match=words):
        parse_plan(text)


def test_a_plan_may_begin_with_a_byte_order_mark(tmp_path):
    (tmp_path / "p.toml").write_bytes(b"\xef\xbb\xbf" + SMALL.encode())
    assert main(["sweep", str(tmp_path / "p.toml"), "-o", str(tmp_path / "out"), "--quiet", "--jobs", "1"]) == 0
