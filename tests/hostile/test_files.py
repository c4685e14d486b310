"""Files that are cut, filled with rubbish, or written while the machine gives up."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from robotlab import files
from robotlab.data import Sample, write_dataset
from robotlab.errors import PictureError
from robotlab.image import decode, encode, load, write_film
from robotlab.packs.writing import new_pack

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module", params=["png", "jpg"])
def content(request) -> bytes:
    """A picture with texture, so that its file has no long run of zeros to lose."""
    rng = np.random.default_rng(0)
    return encode(rng.integers(0, 255, (48, 64, 3), dtype=np.uint8), request.param)


def test_every_cut_of_a_picture_is_noticed(content, tmp_path):
    path = tmp_path / "cut.bin"
    for length in [*range(0, len(content) - 40, max(1, len(content) // 60)), len(content) // 2]:
        path.write_bytes(content[:length])
        with pytest.raises(PictureError, match="cut.bin"):
            load(path)


def test_spoiled_bytes_give_a_picture_or_one_error(content):
    rng = np.random.default_rng(1)
    for _ in range(200):
        spoiled = bytearray(content)
        for place in rng.integers(0, len(spoiled), 8):
            spoiled[place] = rng.integers(256)
        try:
            picture = decode(bytes(spoiled))
        except PictureError:
            continue
        assert picture.dtype == np.uint8 and picture.ndim == 3


def test_too_many_pixels_are_refused_before_they_are_made():
    # A PNG header that promises 60000 x 60000 pixels (PNG specification, section 11.2.1).
    import struct
    import zlib

    head = b"IHDR" + struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    bomb = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head))
    with pytest.raises(PictureError):
        decode(bomb)


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch, call):
    path = tmp_path / "annotations.json"
    files.write_whole(path, "old")

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, call, full)
    with pytest.raises(OSError, match="No space"):
        files.write_whole(path, "new")
    assert path.read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["annotations.json"]


@pytest.mark.skipif(os.name != "posix", reason="a pipe is a POSIX file")
def test_only_plain_files_are_replaced(tmp_path):
    # A pipe stands for any device: as an administrator, a report renamed onto /dev/null took its place.
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="never replaced"):
        files.write_whole(tmp_path / "pipe", "text")
    assert (tmp_path / "pipe").is_fifo() and len(list(tmp_path.iterdir())) == 1


def test_nan_is_not_written_as_json(tmp_path):
    with pytest.raises(ValueError):
        files.write_json(tmp_path / "a.json", {"score": float("nan")})
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is a POSIX signal")
def test_killed_while_writing_leaves_one_whole_version(tmp_path):
    path = tmp_path / "model.onnx"
    code = (
        "import sys; from robotlab.files import write_whole\n"
        "n = 0\n"
        "while True:\n"
        "    n = (n + 1) % 256\n"
        "    write_whole(sys.argv[1], bytes([n]) * 400_000)\n"
        "    print(n, flush=True)\n"
    )
    for wait in (0.0, 0.01, 0.03):
        child = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, cwd=ROOT)
        child.stdout.readline()
        time.sleep(wait)
        child.send_signal(signal.SIGKILL)
        child.communicate()
        found = path.read_bytes()
        assert len(found) == 400_000 and len(set(found)) == 1


@pytest.mark.skipif(os.name != "posix", reason="SIGINT is sent as a terminal on POSIX sends it")
@pytest.mark.parametrize(("number", "code", "says"), [(signal.SIGINT, 130, b"interrupted"), (signal.SIGTERM, 143, b"")])
def test_interrupted_fit_writes_nothing_and_says_so(tmp_path, number, code, says):
    model = tmp_path / "model.onnx"
    words = [sys.executable, "-m", "robotlab", "fit", str(ROOT / "datasets" / "greenhouse"), "-o", str(model)]
    child = subprocess.Popen(words, stderr=subprocess.PIPE, stdout=subprocess.PIPE, cwd=tmp_path)
    seen = b""
    while b"head fit" not in seen:  # the progress bar has begun
        piece = child.stderr.read1(256)
        assert piece, seen
        seen += piece
    child.send_signal(number)
    _, error = child.communicate(timeout=120)
    assert child.returncode == code and says in error and b"Traceback" not in error
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="signals are sent as POSIX sends them")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
@pytest.mark.parametrize("late_s", [0, 0.2])
def test_a_signal_that_comes_while_python_tidies_up_is_not_lost(number, code, late_s):
    # What is raised in __del__ Python prints and drops (its data model, object.__del__).
    program = f"""
import os, sys, threading, time
from robotlab.cli.parser import handle_signals
# A busy computer: who starts a thread goes on later than the thread.
start = threading.Thread.start
threading.Thread.start = lambda thread: (start(thread), time.sleep({late_s}))
class Gone:
    def __del__(self):
        os.kill(os.getpid(), {int(number)})
        time.sleep(0.1)
handle_signals()
try:
    Gone()
    time.sleep(60)
except KeyboardInterrupt:
    sys.exit(130)
"""
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, timeout=50, cwd=ROOT)
    assert (ran.returncode, ran.stderr) == (code, b"")


@pytest.mark.parametrize("kind", ["file", "folder", "pack", "film"])
def test_a_signal_that_comes_just_after_a_file_or_folder_is_made_leaves_nothing(kind, tmp_path, monkeypatch):
    """A disk is slow: the signal comes within the call that makes the file, and counts right after it."""

    def then_interrupted(make):
        def made(*words, **more):
            if hasattr(one := make(*words, **more), "close"):
                one.close()
            raise KeyboardInterrupt

        return made

    monkeypatch.setattr(os, "mkdir", then_interrupted(os.mkdir))
    monkeypatch.setattr(Path, "open", then_interrupted(Path.open))
    work = {
        "file": lambda: files.write_whole(tmp_path / "a", b"words"),
        "folder": lambda: write_dataset(tmp_path / "a", [Sample("a.png", np.zeros((6, 8, 3), np.uint8))], ["post"]),
        "pack": lambda: new_pack(tmp_path / "a.zip").__enter__(),
        "film": lambda: write_film(tmp_path / "a.gif", [np.zeros((6, 8, 3), np.uint8)]),
    }
    with pytest.raises(KeyboardInterrupt):
        work[kind]()
    assert not list(tmp_path.iterdir())
