"""Hostile inputs thought up by hand, 2300 of them, given to the commands: each gives one clear line, or works.

    python tests/hostile/by_hand.py            # all; --every 20 for every twentieth, --command pack for one command

In parts: --every 4 --first 0, then --first 1, 2 and 3; each says after every ten how many there were.

Each runs in a forked child, with 20 s of processor time and 1 GiB of memory more than there was.  Afterward no
input may have changed, and nothing half written may be left.  Needs a POSIX system.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path

import by_hand_commands
import by_hand_floods
import by_hand_mixtures
from interrupt import fetch_nothing, prepare

import robotlab.cli.jupyter
import robotlab.cli.parser

# A machine that is busy needs longer than its processor, s.
SECONDS, WAITING_S, MEMORY_BYTES = 20, 200, 2**30
# What sweep and mark have done so far: a damaged line stays, and more may follow.
GROW = {"new/parts.jsonl", "new/state.jsonl"}
CHECKUP = ["checkup", "set"]
JUDGE = ["judge", "set", "--with", "model.onnx", "--quiet"]
RESULTS = ["judge", "set", "--results", "results.json"]
RESULT = {"image_id": 1, "category_id": 1, "bbox": [1, 1, 5, 5], "score": 0.5}
Case = tuple[list[str], Callable[[], object] | None]


def labels(part: str, key: str | None, value: object) -> Callable[[], None]:
    """Put a value into the labels file: in place of a whole part, or in the first record of it."""

    def change() -> None:
        path = Path("set/annotations.json")
        whole = json.loads(path.read_text())
        if key is None:
            whole[part] = value
        else:
            whole[part][0][key] = value
        path.write_text(json.dumps(whole))

    return change


def instead(name: str, content: bytes | str | Callable[[Path], object]) -> Callable[[], None]:
    """Put something else in a file's place: bytes, a value as JSON, or what a function makes there."""

    def change() -> None:
        path = Path(name)
        path.unlink()
        if callable(content):
            content(path)
        else:
            path.write_bytes(content if isinstance(content, bytes) else content.encode())

    return change


def link(path: Path) -> None:
    path.symlink_to("/dev/zero")


def loop(path: Path) -> None:
    path.symlink_to(path.name)


NO_FILES = (Path.mkdir, os.mkfifo, link, loop)
NOT_JSON = [
    b"",
    b"null",
    b"[]",
    b"{}",
    b"\xef\xbb\xbf{}",
    b"\xff\xfe{\0}\0",
    b'{"images":[',
    b"NaN",
    b'"' + b"a" * 10**6 + b'"',
    b"{" * 10**5,
    b"1" * 10**5,
    b'{"images":1,"images":2}',
    b"\0" * 100,
    b"PK\x03\x04",
    b"\x89PNG",
]
NO_PICTURES = [
    b"",
    b"\x89PNG\r\n\x1a\n",
    b"\xff\xd8\xff",
    b"RIFF\0\0\0\0WEBP",
    b"BM",
    b"GIF89a",
    b"%PDF-1.4",
    b"<svg/>",
    b"\xff\xd8" * 1000,
    b"RIFF" + b"\xff" * 4 + b"WEBPVP8X" + b"\xff" * 30,
]
NO_PARTS = [None, {}, [], "x", [None], [[]], [1], {"a": 1}, [{}], True, 1e999]
NO_ANNOTATIONS = {
    "bbox": [
        None,
        [],
        [1],
        [1, 2, 3, "4"],
        [0, 0, -1, -1],
        [1e308] * 4,
        [0, 0, 1e-300, 1],
        {"x": 1},
        "1,2,3,4",
        [[1, 2], [3, 4]],
        [True] * 4,
        [float("nan")] * 4,
    ],
    "image_id": [0, -1, 1.5, "1", 99, True, [1], None],
    "category_id": [0, "post", None, 1e20],
    "iscrowd": [2, "no", -1, None, []],
    "area": ["x", -5, None, 1e400],
    "visibility": [2, -1, "a", None],
    "distance_m": [-1, "far", 1e300, None],
}
NO_IMAGES = {
    "file_name": [
        "",
        "../../../../etc/passwd",
        "/etc/passwd",
        "set",
        ".",
        " ",
        "a" * 300,
        "pictures/0.png/",
        "\0",
        "CON",
        "pictures\\0.png",
        "http://a/b.png",
        5,
        None,
        ["a"],
    ],
    "width": [0, -1, 1.5, "64", 1e9, None],
    "recording": ["", None, 5, "\u200b", "a\nb", "é" * 500],
    "lighting": [5, "", []],
    "distance_m": ["x", -1],
}
NO_RESULTS = [
    [{}],
    [{"image_id": 1}],
    {"a": []},
    [[]],
    "[]",
    [RESULT | {"score": "nan"}],
    [RESULT | {"score": float("nan")}],
    [RESULT | {"bbox": [1, 1, -1, 1]}],
    [RESULT | {"score": 2}],
    [RESULT | {"image_id": 10**400}],
    [RESULT | {"bbox": [1e308] * 4}] * 3,
]
NO_NUMBERS = ["-1", "٣", "1_0", "1e3", "nan", "inf", "9" * 20, "", "0x10", "²"]
NO_NAMES = ["", ",", ",,,", "post,", "nope", "\x1b[2J", "post,post", " post ", "POST", "a" * 5000]
NO_WALKS = ["", ":warm", "weave:warm:warm", "a" * 5000, "\x1b[2J", "weave,none"]
NO_MODELS = [
    "model.onn",
    "set",
    "/dev/zero",
    "results.json",
    "set/annotations.json",
    "color ",
    "COLOR",
    "nope.onnx",
    ".",
]
NO_DATA = ["model.onnx", "results.json", "nope", "/dev/zero", "", "\0", ".", " ", "/", "a" * 5000]
# A model in a model's place and results in results' are allowed.
NO_OUTPUTS = [
    "set/annotations.json",
    "set/pictures/0.png",
    "set",
    ".",
    "/dev/full",
    "/proc/x",
    "/proc/self/mem",
    "a" * 300,
    "no/" * 100 + "x",
    "link",
    "hard",
    "set/../set/annotations.json",
    "",
    "\0",
    "results.json/x",
    "words.txt",
]


def cases() -> Iterator[Case]:
    """Words of a command, and what is done to the files before."""
    for part in ("images", "annotations", "categories"):
        yield from ((CHECKUP, labels(part, None, value)) for value in NO_PARTS)
    yield from ((CHECKUP, labels("annotations", key, one)) for key, values in NO_ANNOTATIONS.items() for one in values)
    yield from ((JUDGE, labels("images", key, one)) for key, values in NO_IMAGES.items() for one in values)
    for content in NOT_JSON:
        yield CHECKUP, instead("set/annotations.json", content)
        yield RESULTS, instead("results.json", content)
    yield from ((RESULTS, instead("results.json", json.dumps(value))) for value in NO_RESULTS)
    yield from ((JUDGE, instead("set/pictures/0.png", content)) for content in (*NO_PICTURES, *NO_FILES))
    yield from ((CHECKUP, instead("set/annotations.json", what)) for what in NO_FILES)
    yield from ((JUDGE, instead("model.onnx", what)) for what in NO_FILES)
    yield CHECKUP, lambda: shutil.rmtree("set/pictures")
    yield from ((["fit", "set", "-o", "new.onnx", "--quiet", "--seed", word], None) for word in NO_NUMBERS)
    for word in NO_NAMES:
        yield [*JUDGE, "--classes", word], None
        yield [*JUDGE, "--recordings", word], None
    for word in NO_WALKS:
        yield ["drive", "--with", "model.onnx", "--walk", word, "-o", "new.html"], None
        yield ["compare", "set", "--with", "model.onnx", "--quiet", "--walks", word, "-o", "new.html"], None
    for word in NO_OUTPUTS:
        yield [*JUDGE, "--html", word], None
        yield [*JUDGE, "--save-results", word], None
        yield ["fit", "set", "--quiet", "-o", word], None
        yield ["compare", "set", "--with", "model.onnx", "--quiet", "--walks", "none", "-o", word], None
        yield ["drive", "--with", "model.onnx", "-o", word], None
    yield [*JUDGE, "--html", "x.html", "--save-results", "x.html"], None
    yield [*JUDGE, "--html", "x", "--save-results", "./x"], None
    yield ["fit", "set", "--quiet", "-o", "a.onnx", "--resume", "./a.onnx", "--training", "fine-tuning"], None
    yield from ((["judge", "set", "--with", word, "--quiet"], None) for word in NO_MODELS)
    yield from ((["checkup", word], None) for word in NO_DATA)


def files() -> dict[str, bytes]:
    """The content of each file; of one that only says that it is large, its size."""
    plain = [path for path in Path().rglob("*") if path.is_file() and not os.path.realpath(path).startswith("/dev")]
    return {
        str(path): path.read_bytes() if path.stat().st_size < 2**29 else str(path.stat().st_size).encode()
        for path in plain
    }


def child(words: list[str], out: int, said: int) -> None:
    """In the fork: the command as the console script runs it."""
    code = 70
    try:
        os.dup2(out, 1), os.dup2(said, 2)
        sys.stdout, sys.stderr = (os.fdopen(n, "w", closefd=False) for n in (1, 2))
        signal.alarm(WAITING_S)
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
        if Path("/proc/self/statm").exists():
            most = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize() + MEMORY_BYTES
            resource.setrlimit(resource.RLIMIT_AS, (most, most))
        robotlab.cli.jupyter.start_jupyterlab = lambda *_: 0
        sys.argv = ["robotlab", *words]
        robotlab.cli.parser.run()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush(), sys.stderr.flush()
        os._exit(code)


def wrong_with(words: list[str]) -> str:
    """Run it; what is wrong, or nothing."""
    before = files()
    said, theirs = os.pipe()
    with tempfile.TemporaryFile() as out:
        pid = os.fork()
        if pid == 0:
            child(words, out.fileno(), theirs)
        os.close(theirs)
        with os.fdopen(said, "rb") as reading:
            errors = reading.read().decode("utf-8", "replace")
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        out.seek(0)
        text = out.read().decode("utf-8", "replace") + errors
    after = files()
    faults = [] if code in (0, 1, 2) else [f"exit code {code}"]
    if "Traceback" in text or "\x1b" in text:
        faults.append("a traceback, or a control character")
    if "there must be memory for the work" in text:
        faults.append("it took all memory")
    lines = errors.splitlines()
    if code == 2 and "usage:" not in text and len(lines) != 1:
        faults.append(f"{len(lines)} lines")
    for name, content in before.items():
        now = after.get(name, b"")
        if now != content and not (name in GROW and now.startswith(content)):
            faults.append(f"{name} has changed or is gone")
    faults += [f"{name} is left" for name in after if name.endswith(".part")]
    return f"{words}: {'; '.join(faults)}\n{text[-800:]}" if faults else ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every N-th case")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="begin with the N-th, counted from 0")
    parser.add_argument("--command", help="only those of one command")
    options = parser.parse_args()
    home = Path(tempfile.mkdtemp())
    prepare(home / "whole")
    (home / "whole" / "results.json").write_text(json.dumps([RESULT]))
    (home / "whole" / "words.txt").write_text("somebody's words")
    os.symlink("set/annotations.json", home / "whole" / "link")
    os.link(home / "whole" / "set" / "annotations.json", home / "whole" / "hard")
    wrong, count = [], 0
    fetch_nothing()
    parts = (cases, by_hand_commands.cases, by_hand_floods.cases, by_hand_mixtures.cases)
    chosen = [one for part in parts for one in part() if options.command in (None, one[0][0])]
    for words, change in chosen[options.first :: options.every]:
        os.chdir(home)
        shutil.rmtree("now", ignore_errors=True)
        shutil.copytree("whole", "now", symlinks=True)
        os.chdir("now")
        os.unlink("hard"), os.link("set/annotations.json", "hard")
        if change:
            change()
        count += 1
        fault = wrong_with(words)
        if fault:
            wrong.append(fault)
            print(fault, flush=True)
        if count % 10 == 0:
            print(f"{count} of {len(chosen[options.first :: options.every])}", file=sys.stderr, flush=True)
    os.chdir("/")
    shutil.rmtree(home)
    print(f"{count} cases, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
