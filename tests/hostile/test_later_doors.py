"""What once came past a door of the later commands; each was found by `by_hand.py`."""

from __future__ import annotations

import ast
import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from robotlab.cli import main
from robotlab.data import DataSet, LabeledImage, Sample, open_dataset, write_dataset
from robotlab.errors import InputError
from robotlab.files import open_to_append, write_whole
from robotlab.image import save
from robotlab.marking import mark_submissions
from robotlab.marking.marking_run import _restored
from robotlab.neural.validation import scale_caution
from robotlab.packs import pack_robot
from robotlab.sweep import parse_plan, run_sweep
from robotlab.toml_file import parse_toml, read_toml

ROOT = Path(__file__).resolve().parents[2]
posix = pytest.mark.skipif(os.name != "posix", reason="devices and pipes are POSIX files")


@pytest.fixture
def photos(tmp_path):
    rng = np.random.default_rng(0)
    for n in range(3):
        save(tmp_path / "photos" / f"{n}.jpg", rng.integers(0, 255, (60, 80, 3), dtype=np.uint8))
    return tmp_path / "photos"


@pytest.mark.parametrize("content", ["a =", "a = " + "[" * 9999, "a = " + "9" * 5000, b"\xff\xfe"])
def test_toml_that_is_refused(content):
    with pytest.raises(InputError, match="a.toml must be TOML") as error:
        parse_toml(content, "a.toml")
    assert len(str(error.value)) < 300 and str(error.value).isprintable()


@posix
def test_only_plain_files_of_limited_size_are_read_or_appended_to(tmp_path):
    (tmp_path / "zero").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe")
    for name in ("zero", "pipe"):
        with pytest.raises(InputError, match="must be a plain file"):
            read_toml(tmp_path / name, "a plan")
        with pytest.raises(InputError, match="must be a plain file"), open_to_append(tmp_path / name, 9, "a state"):
            pass
    (tmp_path / "large").write_bytes(b"x" * 10)
    with pytest.raises(InputError, match="at most 0 MiB"), open_to_append(tmp_path / "large", 9, "a state"):
        pass
    assert (tmp_path / "large").read_bytes() == b"x" * 10


@posix
def test_an_endless_file_of_results_is_not_read(tmp_path):
    """It took all memory: a link to /dev/zero in place of the file that a sweep, or a marking, appends to."""
    for folder, name in (("swept", "parts.jsonl"), ("marks", "state.jsonl")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / name).symlink_to("/dev/zero")
    with pytest.raises(InputError, match="parts of a sweep must be a plain file"):
        run_sweep(parse_plan("duration_s = 2\n[vary]\nturn_gain = [1.0]"), tmp_path / "swept", jobs=1, progress=False)
    (tmp_path / "class").mkdir()
    (tmp_path / "class" / "Ada.ipynb").write_text("{}")
    with pytest.raises(InputError, match="the state of a marking must be a plain file"):
        mark_submissions(tmp_path / "class", tmp_path / "marks", trusted=True, jobs=1, progress=False)


@posix
def test_somebody_elses_file_does_not_grow(tmp_path):
    """A link in place of the file that is appended to led to somebody's words, and a file without a line feed was emptied."""
    words = tmp_path / "words.txt"
    words.write_text("somebody's words")
    plan = parse_plan("duration_s = 2\n[vary]\nturn_gain = [1.0]")
    (tmp_path / "class").mkdir()
    (tmp_path / "class" / "Ada.ipynb").write_text("{}")
    for folder, name in (("swept", "parts.jsonl"), ("marks", "state.jsonl")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / name).symlink_to(words)
    with pytest.raises(InputError, match="parts of a sweep must be a plain file, .* is a link to another; remove"):
        run_sweep(plan, tmp_path / "swept", jobs=1, progress=False)
    with pytest.raises(
        InputError, match="the state of a marking must be a plain file, .* is a link to another; remove"
    ):
        mark_submissions(tmp_path / "class", tmp_path / "marks", trusted=True, jobs=1, progress=False)
    parts = tmp_path / "swept" / "parts.jsonl"
    parts.unlink()
    parts.write_text("somebody's words")
    with pytest.raises(InputError, match="must hold parts of a sweep, its last line is none; move the file away"):
        run_sweep(plan, tmp_path / "swept", jobs=1, progress=False)
    assert parts.read_text() == words.read_text() == "somebody's words"
    parts.write_text('{"part": 0, "ro')  # cut off by a kill
    assert len(run_sweep(plan, tmp_path / "swept", jobs=1, progress=False)) == 1


def test_boxes_whose_area_is_smaller_than_any_number_are_judged(tmp_path):
    """Their side as a caution tells it is 0, and something was divided by it."""
    box = np.array([[0, 0, 5e-324, 5e-324]])
    rows = (LabeledImage(1, tmp_path / "a.png", 64, 48, boxes=box, labels=np.zeros(1, int)),)
    data = DataSet(tmp_path / "annotations.json", ("post",), (1,), rows)
    facts = {"side_px": {"p05": 4.0, "p50": 8.0, "p95": 20.0}, "picture_px": [64, 48]}
    detector = SimpleNamespace(facts=facts, working_px=640, scale=1.0)
    assert "too small for it; go closer" in scale_caution(detector, data)


def test_a_card_is_kept_byte_for_byte(tmp_path):
    """One that is not UTF-8 was a traceback."""
    data = write_dataset(tmp_path / "set", [Sample("a.png", np.zeros((6, 8, 3), np.uint8))], ["post"])
    (data.folder / "card.md").write_bytes(b"M\xfcller\r\n")
    assert main(["export", str(data.folder), "-o", str(tmp_path / "copy"), "--as", "coco"]) == 0
    assert (tmp_path / "copy" / "card.md").read_bytes() == b"M\xfcller\r\n"


@posix
def test_a_pipe_where_a_picture_is_to_go_holds_up_nothing(photos, tmp_path):
    (tmp_path / "set" / "pictures" / "bench").mkdir(parents=True)
    os.mkfifo(tmp_path / "set" / "pictures" / "bench" / "000000.jpg")
    assert main(["gather", str(photos), str(tmp_path / "set"), "--recording", "bench", "--quiet"]) == 0
    assert len(open_dataset(tmp_path / "set", unlabeled=True)) == 3
    assert (tmp_path / "set" / "pictures" / "bench" / "000000.jpg").is_fifo()


@pytest.mark.parametrize("place", ["words.txt/x.png", "words.txt", "photos/0.jpg", "x.png/"])
def test_outputs_are_refused_before_the_work(place, photos, tmp_path, monkeypatch, capsys):
    """The pictures were in the set when the command said that it could not write the one of what was left out."""
    monkeypatch.chdir(tmp_path)
    Path("words.txt").write_text("somebody's words")
    shutil.copytree(photos, tmp_path / "x.png") if place.endswith("/") else None
    assert main(["gather", "photos", "set", "--recording", "bench", "--show", place, "--quiet"]) == 2
    assert capsys.readouterr().err.count("\n") == 1 and not Path("set").exists()
    write_dataset("one", [Sample("a.png", np.zeros((6, 8, 3), np.uint8), [[1, 1, 5, 5]], [0])], ["post"])
    place = place.replace(".png", ".gif")
    assert main(["checkup", "one", "--film", place, "--quiet"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("word", ["\ud800", "\x1b[2J", ""])
def test_words_of_a_robots_program_are_plain_text(word, tmp_path):
    """A camera's name that cannot be encoded was a traceback."""
    with pytest.raises(InputError, match="--camera must be plain text"):
        pack_robot(tmp_path / "pack", "m.onnx", "r.json", "pins:5,6,13,19", camera=word)


def test_interrupted_before_the_first_picture_there_is_no_set(photos, tmp_path, monkeypatch):
    """A labels file without a picture was left, which no command could open; and the same command goes on."""
    monkeypatch.setattr("robotlab.gather.gathering._take", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    words = ["gather", str(photos), str(tmp_path / "set"), "--recording", "bench", "--quiet"]
    assert main(words) == 130 and not (tmp_path / "set" / "annotations.json").exists()
    monkeypatch.undo()
    assert main(words) == 0 and len(open_dataset(tmp_path / "set", unlabeled=True)) == 3


def test_labels_that_were_written_and_notes_that_were_not_are_gone_on_with(photos, tmp_path, monkeypatch, capsys):
    """The disk was full between the two, and the same command was refused: the recording is there already."""
    from robotlab.gather import store

    write = store.write_json

    def full(path, *words, **more):
        if (tmp_path / "set" / "annotations.json").exists():
            raise OSError(28, "No space left on device")
        return write(path, *words, **more)

    monkeypatch.setattr(store, "write_json", full)
    words = ["gather", str(photos), str(tmp_path / "set"), "--recording", "bench", "--quiet"]
    assert main(words) == 2 and "No space left" in capsys.readouterr().err
    assert len(open_dataset(tmp_path / "set", unlabeled=True)) == 3
    monkeypatch.undo()
    assert main(words) == 0 and len(open_dataset(tmp_path / "set", unlabeled=True)) == 3


def test_a_way_back_from_a_folder_that_is_not_there_leads_nowhere(photos, tmp_path, monkeypatch, capsys):
    """NEW/../FILE was no file before the folder was made, and was another's afterward: it was replaced."""
    monkeypatch.chdir(tmp_path)
    Path("words.txt").write_text("somebody's words")
    assert main(["plan", "--object-height", "0.3", "-o", "new/../words.txt"]) == 2
    assert "goes back from a folder that does not exist" in capsys.readouterr().err
    with pytest.raises(OSError, match="goes back"):
        write_whole("new/../words.txt", "mine")
    assert Path("words.txt").read_text() == "somebody's words" and not Path("new").exists()
    assert write_whole("photos/../new.txt", "mine").exists()


@posix
def test_closed_streams_are_no_files(tmp_path):
    """Without them the next file opened got what is printed, and the end was a traceback."""
    line = f"exec {sys.executable} -m robotlab plan --object-height 0.3 -o page.html"
    ended = subprocess.run(
        ["sh", "-c", f"{line} <&- >&- 2>&-"], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert ended.returncode == 0 and (tmp_path / "page.html").read_text("utf-8").startswith("<!doctype html>")


@posix
@pytest.mark.parametrize(
    ("words", "full", "said"),
    [
        ("plan --object-height=0", "stderr", ""),  # the message is lost, its code is not
        ("plan --no-such-option", "stderr", ""),
        ("plan --object-height=0.3", "stdout", "robotlab plan: No space left on device; check the path"),
        ("--help", "stdout", "robotlab: what is printed must go where there is room"),
    ],
)
def test_a_full_disk_for_what_is_printed_is_said_in_one_line(words, full, said):
    """Python tried once more at its end, which gave a traceback and the code 120, unless PYTHONUNBUFFERED was set."""
    other = {"stdout": "stderr", "stderr": "stdout"}[full]
    # Unbuffered, argparse itself lets a help text go that cannot be printed.
    for unbuffered in ("", "1")[: 1 if words == "--help" else 2]:
        with open("/dev/full", "w") as disk:
            ended = subprocess.run(
                [sys.executable, "-m", "robotlab", *words.split()],
                env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": unbuffered},
                text=True,
                **{full: disk, other: subprocess.PIPE},
            )
        got = getattr(ended, other)
        assert (ended.returncode, got.count("\n")) == (2, 1 if said else 0) and got.startswith(said), (unbuffered, got)


def test_commands_show_what_is_not_their_own_text():
    """A path with terminal sequences reached the terminal; what is printed bare is constant."""
    for path in sorted((ROOT / "robotlab" / "cli").glob("*.py")):
        if path.name == "shared.py":  # show itself
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print":
                text = ast.unparse(node)
                constant = all(isinstance(word, ast.Constant) for word in node.args)
                assert constant or "printable(" in text or text == "print(words, file=sys.stderr, flush=True)", (
                    f"{path.name}:{node.lineno}"
                )


def test_marks_that_were_damaged_are_made_again():
    """Whatever stood in a line of the state was taken for a mark, and the tables ended in a traceback."""
    words = dict.fromkeys(("kind", "says", "misconception", "printed", "hint"), "x")
    task = words | {"table": [["s", "1.0"]], "library": ["fit"], "points": 2.0, "of": 4}
    sound = {"place": "a", "marked": {"tasks": {"field_of_view": task}, "cells": ["x"]}}
    lines: list[Any] = [{"seed": -1}, {"seed": 1e3}, {"seed": 3}, {"seed": 4}, sound]
    for change in (
        {"points": None},
        {"points": float("nan")},
        {"table": [1]},
        {"says": 5},
        {"library": [[]]},
        {"more": 1},
    ):
        lines.append({"place": "b", "marked": {"tasks": {"field_of_view": task | change}, "cells": []}})
    lines += [{"place": "b", "marked": one} for one in ({}, [], {"tasks": []}, {"tasks": {"x": 1}, "cells": []})]
    file = io.BytesIO("".join(json.dumps(one) + "\n" for one in lines).encode())
    assert _restored(file) == ({"a": sound["marked"]}, 3)


@pytest.mark.parametrize("bad", [{"bits": float("nan")}, {"place": -1}, {"hash": "ff"}, {"verdict": 5}, {"kept": 1}])
def test_notes_on_a_recording_are_checked(bad, photos, tmp_path, capsys):
    """A number that is none was a traceback once all was gathered."""
    words = ["gather", str(photos), str(tmp_path / "set"), "--recording", "bench", "--quiet"]
    assert main(words) == 0
    notes = tmp_path / "set" / "gathered" / "bench.json"
    value = json.loads(notes.read_text())
    value["looks"][0] |= bad
    notes.write_text(json.dumps(value))
    assert main(words) == 2 and "must hold the notes of robotlab gather" in capsys.readouterr().err
