"""The commands as a person types them: exit codes, one-line errors, files whole or absent."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from robotlab.cli import main
from robotlab.data import open_dataset, write_dataset
from robotlab.data.write import Sample
from robotlab.image import resize

COINS = Path(__file__).resolve().parents[1] / "datasets" / "coins"


@pytest.fixture(scope="module")
def posts(tmp_path_factory) -> Path:
    """Six small pictures: an orange upright on gray, in two recordings."""
    rng = np.random.default_rng(3)
    samples = []
    for i in range(6):
        picture = rng.integers(90, 130, (96, 128, 3), dtype=np.uint8)
        x, y = int(rng.integers(5, 90)), int(rng.integers(5, 30))
        picture[y : y + 50, x : x + 14] = (230, 110, 30)
        samples.append(
            Sample(f"p{i}.png", picture, [[x, y, x + 14, y + 50]], [0], recording="ab"[i % 2], lighting="daylight")
        )
    folder = tmp_path_factory.mktemp("posts") / "my set \N{POTTED PLANT}"
    write_dataset(folder, samples, ["post"])
    return folder


def said(capsys) -> tuple[str, str]:
    out = capsys.readouterr()
    return out.out, out.err


class TestJudge:
    def test_color_in_json(self, posts, capsys):
        assert main(["judge", str(posts), "--with", "color", "--recordings", "b", "--json", "--quiet"]) == 0
        value = json.loads(said(capsys)[0])
        assert list(value)[:2] == ["AP", "AP50"]
        assert value["AP50"] == 1.0 and value["note"] == "learned from a"
        assert set(value["per_class"]) == {"post"} and set(value["per_lighting"]) == {"daylight"}

    def test_says_when_it_judges_on_what_it_learned(self, posts, capsys):
        assert main(["judge", str(posts), "--with", "color", "--quiet"]) == 0
        assert "so the metrics are optimistic" in said(capsys)[0]
        assert main(["judge", str(posts), "--with", "color", "--recordings", "b", "--learn", "a,b", "--quiet"]) == 0
        assert "caution, data leakage: it also learned from b" in said(capsys)[0]

    def test_results_file_gives_the_twelve_numbers_of_pycocotools(self, posts, tmp_path, capsys):
        from pycocotools.coco import COCO
        from pycocotools.cocoeval import COCOeval

        results = tmp_path / "results.json"
        assert main(["judge", str(posts), "--with", "color", "--save-results", str(results), "--quiet"]) == 0
        said(capsys)
        rows = json.loads(results.read_text())
        rng = np.random.default_rng(0)
        for row in rows:  # shift the boxes, so that the numbers are not all 1
            row["bbox"] = [float(v) for v in np.array(row["bbox"]) + rng.uniform(-3, 3, 4)]
        results.write_text(json.dumps(rows))
        assert main(["judge", str(posts), "--results", str(results), "--json"]) == 0
        ours = list(json.loads(said(capsys)[0])["coco"].values())
        truth = COCO(str(posts / "annotations.json"))
        theirs = COCOeval(truth, truth.loadRes(str(results)), "bbox")
        theirs.evaluate(), theirs.accumulate(), theirs.summarize()
        assert ours == theirs.stats.tolist()  # determined with pycocotools: equal to the last bit
        assert 0 < ours[0] < 1

    def test_report_shows_pictures_and_tables(self, posts, tmp_path):
        page = tmp_path / "page.html"
        assert main(["judge", str(posts), "--with", "color", "--recordings", "b", "--html", str(page), "--quiet"]) == 0
        text = page.read_text()
        assert text.count("<img") >= 4 and "AP50" in text and "http" not in text.replace("http-equiv", "")


class TestOutputs:
    """Nothing that anybody made is replaced, and a place that cannot be written is noticed before the work."""

    @pytest.mark.skipif(os.name != "posix", reason="links and pipes are made as POSIX has them")
    @pytest.mark.parametrize(
        ("words", "part"),
        [
            (["fit", "{set}", "-o", "{set}/annotations.json/m.onnx"], "Not a directory"),
            (["fit", "{set}", "-o", "{out}/folder.onnx"], "is a folder"),
            (["fit", "{set}", "-o", "{out}/notes.onnx"], "is not a model"),
            (
                ["judge", "{set}", "--with", "color", "--save-results", "{set}/annotations.json"],
                "must not replace an input",
            ),
            (
                ["judge", "{set}", "--with", "color", "--save-results", "{set}/../set/pictures/p0.png"],
                "must not replace an input",
            ),
            (["judge", "{set}", "--with", "color", "--save-results", "{out}/notes.onnx"], "is not a results file"),
            (["judge", "{set}", "--with", "color", "--html", "{out}/link.json"], "must not replace an input"),
            (["judge", "{set}", "--with", "color", "--html", "{out}/a", "--save-results", "{out}/a"], "another output"),
            (["judge", "{set}", "--results", "{results}", "--html", "{results}"], "must not replace an input"),
            (["compare", "{set}", "-o", "{out}/notes.onnx", "--walks", "none"], "is not a report"),
            (["drive", "--with", "color", "-o", "{out}/a", "--log", "{out}/a"], "another output"),
            (["drive", "--with", "color", "-o", "{out}/pipe"], "a device or a pipe"),
            (["tour", "-o", "{results}"], "Not a directory"),
            (["fit", "{set}", "--seed", "-1"], "--seed must be from 0"),
            (["fit", "{set}", "-o", ""], "--output must have a value"),
            (["judge", "{set}", "--results", ""], "--results must have a value"),
            (["judge", "{set}", "--with", "color", "--recordings", ","], "--recordings must have a value"),
            (["fit", "{set}", "--training", "fine-tuning", "--epochs", "0"], "--epochs must be from 1"),
        ],
    )
    def test_refused_before_the_work(self, posts, tmp_path, capsys, words, part):
        folder, out, results = tmp_path / "set", tmp_path / "out", tmp_path / "results.json"
        shutil.copytree(posts, folder)
        (out / "folder.onnx").mkdir(parents=True)
        (out / "notes.onnx").write_text("my own notes"), results.write_text("[]")
        (out / "link.json").symlink_to(folder / "annotations.json")
        os.mkfifo(out / "pipe")
        before = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
        assert main([word.format(set=folder, out=out, results=results) for word in words]) == 2
        shown, error = said(capsys)
        # No progress bar has begun: it would stand before the error.
        assert part in error and error.count("\n") == 1 and error.startswith(f"robotlab {words[0]}: ") and shown == ""
        assert before == {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}

    def test_its_own_outputs_are_replaced(self, posts, tmp_path):
        words = ["judge", str(posts), "--with", "color", "--quiet"]
        for _ in range(2):
            assert main([*words, "--save-results", str(tmp_path / "r.json"), "--html", str(tmp_path / "r.html")]) == 0
        for _ in range(2):
            assert main(["fit", str(posts), "-o", str(tmp_path / "m.onnx"), "--quiet"]) == 0


class TestBadInput:
    @pytest.mark.parametrize(
        ("words", "part"),
        [
            (["judge", "nowhere", "--with", "color"], "nowhere"),
            (["judge", "{posts}", "--with", "missing.onnx"], "missing.onnx"),
            (["judge", "{posts}", "--with", "{junk}"], "junk.onnx"),
            (["judge", "{posts}", "--with", "shade"], "the word color or an .onnx file"),
            (["judge", "{posts}", "--with", "color", "--recordings", "z"], "recordings must be among a, b"),
            (["judge", "{posts}", "--with", "color", "--classes", "drum"], "drum"),
            (["judge", "{posts}", "--results", "{junk_json}"], "junk.json"),
            (["fit", "{posts}", "-o", "{out}/model.txt"], ".onnx"),
            (["fit", "{posts}", "-o", "{out}/m.onnx", "--epochs", "3"], "--training fine-tuning"),
            (["drive", "--with", "missing.onnx"], "missing.onnx"),
            (["compare", "{coins}", "--walks", "weave", "-o", "{out}/c.html"], "followed"),
        ],
    )
    def test_one_line_and_code_2(self, posts, tmp_path, capsys, words, part):
        junk, junk_json, out = tmp_path / "junk.onnx", tmp_path / "junk.json", tmp_path / "out"
        junk.write_bytes(b"\x08\x07not a model"), junk_json.write_text("[{"), out.mkdir()
        words = [word.format(posts=posts, junk=junk, junk_json=junk_json, out=out, coins=COINS) for word in words]
        assert main(words) == 2
        shown, error = said(capsys)
        assert part in error and error.count("\n") == 1 and error.startswith(f"robotlab {words[0]}: ")
        assert shown == "" and not list(out.iterdir())

    @pytest.mark.parametrize("damage", ["truncated picture", "labels", "missing picture"])
    def test_damaged_data_set(self, posts, tmp_path, capsys, damage):
        folder = tmp_path / "set"
        shutil.copytree(posts, folder)
        picture = sorted((folder / "pictures").iterdir())[2]
        if damage == "truncated picture":
            picture.write_bytes(picture.read_bytes()[:3000])
        elif damage == "labels":
            (folder / "annotations.json").write_text((folder / "annotations.json").read_text()[:-40])
        else:
            picture.unlink()
        out = tmp_path / "model.onnx"
        assert main(["fit", str(folder), "-o", str(out), "--quiet"]) == 2
        error = said(capsys)[1]
        assert (picture.name if damage != "labels" else "annotations.json") in error
        assert not out.exists() and not list(tmp_path.glob(".*.part"))

    def test_no_command_and_unknown_options(self, capsys):
        for words in ([], ["judge"], ["judge", "x", "--with", "color", "--results", "y"], ["jude"]):
            with pytest.raises(SystemExit) as end:
                main(words)
            assert end.value.code == 2


class TestFitAndJudge:
    def test_a_model_and_a_data_set_of_other_classes(self, posts, tmp_path, capsys):
        model = tmp_path / "model.onnx"
        assert main(["fit", str(posts), "-o", str(model), "--quiet"]) == 0
        out = said(capsys)[0]
        # Six pictures are too few to hold any out: nothing may be called a validation set, and nothing is left to test on.
        assert model.exists() and "next: no recording here is left for a test" in out and "maximizes F1" not in out
        assert main(["judge", str(posts), "--with", str(model), "--json", "--quiet"]) == 0
        assert json.loads(said(capsys)[0])["AP50"] > 0.9
        assert main(["judge", str(COINS), "--with", str(model)]) == 2
        error = said(capsys)[1]
        assert "coin" in error and "post" in error

    def test_judging_on_what_was_learned_is_cautioned(self, posts, tmp_path, capsys):
        model = str(tmp_path / "model.onnx")
        assert main(["fit", str(posts), "-o", model, "--quiet", "--recordings", "a"]) == 0
        assert f"next: robotlab judge {shlex.quote(str(posts))} --with {model} --recordings b\n" in said(capsys)[0]
        assert main(["judge", str(posts), "--with", model, "--quiet", "--recordings", "b"]) == 0
        assert "caution" not in said(capsys)[0]
        assert main(["judge", str(posts), "--with", model, "--quiet"]) == 0
        assert "caution, data leakage: it also learned from a, so" in said(capsys)[0]
        page = str(tmp_path / "c.html")
        assert (
            main(["compare", str(posts), "--with", model, "--walks", "none", "-o", page, "--quiet", "--learn", "b"])
            == 0
        )
        out = said(capsys)[0]
        assert "data leakage: it also learned from b" in out and "data leakage: it also learned from a" in out

    def test_a_validation_set_is_named_as_one(self, posts, tmp_path, capsys):
        folder = tmp_path / "my set"
        shutil.copytree(posts, folder)
        model = str(tmp_path / "my model.onnx")
        assert main(["fit", str(folder), "-o", model, "--quiet", "--hold-out", "b"]) == 0
        out = said(capsys)[0]
        assert "on the validation set (recording b): 0." in out
        line = next(line for line in out.splitlines() if line.startswith("next: "))
        command, note = line.removeprefix("next: robotlab ").split("  ")
        assert "validation set" in note
        # The line can be pasted into a shell, spaces and all.
        assert main([*shlex.split(command), "--quiet"]) == 0
        assert "b is its validation set" in said(capsys)[0]

    def test_other_scale_is_cautioned(self, posts, tmp_path, capsys):
        model, large = str(tmp_path / "model.onnx"), tmp_path / "large"
        assert main(["fit", str(posts), "-o", model, "--quiet"]) == 0
        data = open_dataset(posts)
        write_dataset(
            large,
            [
                Sample(f"l{n}.png", resize(data.load(e), (1280, 960)), e.boxes * 10, e.labels, "z")
                for n, e in enumerate(data)
            ],
            ["post"],
        )
        said(capsys)
        assert main(["judge", str(large), "--with", model, "--quiet"]) == 0
        out = said(capsys)[0]
        assert "caution, scale" in out and "shrink the pictures to about 128 x 96 px" in out
        assert "caution, size" not in out
        huge = Sample("huge.jpg", resize(data.load(data[0]), (4000, 3000)), [[0, 0, 90, 90]], [0], "z")
        write_dataset(tmp_path / "huge", [huge], ["post"])
        assert main(["judge", str(tmp_path / "huge"), "--with", model]) == 0
        out, error = said(capsys)
        for text in (out, error):  # before the work, and beside the figures
            assert "4000 x 3000 px are shrunk to 2309 x 1732 px" in text

    def test_same_seed_same_file(self, posts, tmp_path):
        for name in ("one.onnx", "two.onnx"):
            assert main(["fit", str(posts), "-o", str(tmp_path / name), "--seed", "4", "--quiet"]) == 0
        assert (tmp_path / "one.onnx").read_bytes() == (tmp_path / "two.onnx").read_bytes()


class TestCheckup:
    def test_environment_is_ready_here(self, capsys):
        assert main(["checkup", "--json"]) == 0
        assert json.loads(said(capsys)[0])["ok"] is True

    def test_data_set(self, posts, capsys):
        assert main(["checkup", str(posts)]) == 0
        assert "post" in said(capsys)[0]
        assert open_dataset(posts).box_count == 6


@pytest.mark.skipif(os.name != "posix", reason="a signal to end is POSIX's")
def test_a_signal_in_the_midst_of_an_import_ends_it_as_a_signal(monkeypatch):
    from robotlab.cli import parser

    def importing():
        try:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(5)
        except SystemExit as end:
            raise RuntimeError("Error calling __set_name__") from end

    kept = {kind: signal.getsignal(kind) for kind in (signal.SIGTERM, signal.SIGHUP)}
    monkeypatch.setattr(parser, "main", importing)
    monkeypatch.setattr(parser, "_ENDING", [])
    try:
        with pytest.raises(SystemExit) as end:
            parser.run()
    finally:
        for kind, handler in kept.items():
            signal.signal(kind, handler)
    assert end.value.code == 128 + signal.SIGTERM
