"""What once came past a door of the later commands; each was found by `by_hand.py`."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from robotlab.cli import main
from robotlab.data import Sample, open_dataset, write_dataset
from robotlab.errors import InputError
from robotlab.files import open_to_append
from robotlab.image import save
from robotlab.marking import mark_submissions
from robotlab.packs import pack_robot
from robotlab.sweep import parse_plan, run_sweep
from robotlab.toml_file import parse_toml, read_toml

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


def test_a_card_is_kept_byte_for_byte(tmp_path):
    """One that is no UTF-8 was a traceback."""
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
