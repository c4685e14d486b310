"""Hostile inputs thought up by hand for the commands that came later, and more for the first ones; `by_hand.py` tries them."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

Case = tuple[list[str], Callable[[], object] | None]
ODD = ["nan", "inf", "-1", "1e308", "0"]
# Places that nothing may be written to, or on top of.
TAKEN = "set set/annotations.json model.onnx words.txt words.txt/x /proc/x /dev/full link /sys/x"
NO_PLACES = [*TAKEN.split(), "", "\0", "a" * 300]
REHEARSE = "drive --camera=rendered --dry-run --with=model.onnx --quiet --time=0.1 --rate=50 --delay=0 --size=64x48"
NO_TEXT = ["\x1b[2J", "\u202epost", "a" * 5000, " ", "\ud800"]
DEEP = b"[" * 10**5


def put(name: str, content: bytes | str) -> Callable[[], object]:
    """Put a file there, with the folders that it needs."""

    def change() -> None:
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(name).write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass"))

    return change


def pipe(name: str) -> Callable[[], object]:
    def change() -> None:
        Path(name).unlink(missing_ok=True)
        os.mkfifo(name)

    return change


def endless(name: str) -> Callable[[], object]:
    def change() -> None:
        Path(name).unlink(missing_ok=True)
        os.symlink("/dev/zero", name)

    return change


def gather() -> Iterator[Case]:
    words = ["gather", "photos", "new", "--quiet"]
    recording = ["--recording", "bench"]
    for source in (
        "",
        "\0",
        "nope",
        "/dev/zero",
        "set/annotations.json",
        "99",
        "-1",
        "٣",
        "words.txt",
        "http://127.0.0.1:9/x",
        "rtsp://127.0.0.1:9/x",
        "a" * 5000,
        "/proc/self/mem",
        ".",
        "class",
        "model.onnx",
    ):
        yield ["gather", source, "new", "--quiet", *recording], None
    for content in (
        b"",
        b"RIFF\xff\xff\xff\xffAVI LIST",
        b"GIF89a",
        b"\0\0\0\x18ftypmp42",
        b"#EXTM3U\nhttp://127.0.0.1:9/x\n",
        b"ffconcat version 1.0\nfile '/etc/passwd'\n",
    ):
        for name in ("film.avi", "film.mp4"):
            yield ["gather", name, "new", "--quiet", *recording], put(name, content)
    for change in (
        pipe("photos/0.jpg"),
        endless("photos/0.jpg"),
        put("photos/0.jpg", b""),
        put("photos/0.jpg", b"%!PS"),
    ):
        yield [*words, *recording], change
    yield ["gather", "pipe.avi", "new", "--quiet", *recording], pipe("pipe.avi")
    for folder in (*NO_PLACES[1:], "photos", ".", "/", "set/pictures"):
        yield ["gather", "photos", folder, "--quiet", *recording], None
    for name in ("", "..", "a/b", "-x", "CON", "é" * 50, "a,b", "a\\b", *NO_TEXT):
        yield [*words, f"--recording={name}"], None
    for option, values in {
        "every": ["0", "-1", "1e3", "9" * 30],
        "changed": ["-1", "128", "nan"],
        "longest": ["0", "15", "9" * 12],
        "most": ["0", "-1", "9" * 12],
        "keep": ["", "x", ",", "blurred,x"],
        "classes": ["post,post", *NO_TEXT],
        "lighting": ["", *NO_TEXT],
        "show": [
            "",
            "x.txt",
            "photos/0.jpg",
            "/proc/x.png",
            "/dev/full",
            "words.txt/x.png",
            "\0.png",
            "a" * 300 + ".png",
        ],
    }.items():
        yield from (([*words, *recording, f"--{option}={value}"], None) for value in values)


def plan_and_parts() -> Iterator[Case]:
    words = ["plan", "--object-height=0.3"]
    yield from ((["plan", f"--object-height={value}"], None) for value in (*ODD, "1e-308"))
    for option in ("object-width", "hfov", "lens-height", "pitch", "smallest", "farthest"):
        yield from (([*words, f"--{option}={value}"], None) for value in (*ODD, "180", "1e9"))
    for value in ("0x0", "1x1", "99999x99999", "axb", "", "640X480", "٣x٣", "1x99999", "640x480x3"):
        yield [*words, f"--size={value}"], None
    for option in ("pictures", "backgrounds"):
        yield from (([*words, f"--{option}={value}"], None) for value in ("0", "-1", "9" * 9, "9" * 30, "1e3"))
    for value in ("", ",", *NO_TEXT, ",".join(map(str, range(20_000))), "a,a"):
        yield [*words, f"--lightings={value}"], None
    yield from (([*words, "set", f"--target={value}"], None) for value in ("", "nope", *NO_TEXT))
    yield from (([*words, "-o", place], None) for place in NO_PLACES)
    yield from (([*words, data], None) for data in ("nope", "model.onnx", "/dev/zero", ""))
    parts = ["parts", "--parts", "parts.toml", "-o", "new.html"]
    for option in ("smallest", "distance", "object-height"):
        yield from (([*parts, f"--{option}={value}"], None) for value in ODD)
    yield from ((["parts", "--parts", "parts.toml", "-o", place], None) for place in (*NO_PLACES, "parts.toml"))
    good = "[boards.S]\nclock_ghz = 2\nflops_per_cycle = 8\n"
    for content in (
        b"",
        b"[",
        b"\xff",
        b"a = " + DEEP,
        "[cameras.E]\nhfov_deg = nan\nframe_hz = 30\n" + good,
        "[cameras.E]\nhfov_deg = '70'\nframe_hz = true\n" + good,
        "[cameras.'\\u001b[2J']\nhfov_deg = 1\n" + good,
        "cameras = 3\n" + good,
        b"a" * (2 * 2**20),
        "x = " + "9" * 5000 + "\n",
    ):
        yield parts, put("parts.toml", content)
    yield from ((parts, change) for change in (pipe("parts.toml"), endless("parts.toml")))


def pack() -> Iterator[Case]:
    robot = ["pack", "robot", "-o", "new", "--with", "model.onnx", "--robot", "robot.json", "--target", "post"]
    yield from (
        (["pack", kind, "-o", place], None)
        for kind in ("class",)
        for place in (*NO_PLACES, "words.zip/x", "/proc/x.zip", ".", "gone.zip")
    )
    for value in (
        "",
        "wings",
        "serial:",
        "pins:1,2",
        "serial:\x1b[2J",
        "serial:$(id)\n",
        "pins:5,5,5,5",
        "pins:٣,1,2,4",
    ):
        yield [*robot, f"--wheels={value}"], None
    pins = [*robot, "--wheels=pins:5,6,13,19"]
    for option, values in {
        "camera": ["", "-1", *NO_TEXT],
        "target": ["", "nope", *NO_TEXT],
        "platform": ["", "vax", "windows-x86_64"],
        "python": ["", "2", "3.x", "٣.٣", "3.99", "9" * 30],
        "with": ["", "nope", "set", "/dev/zero", "robot.json"],
        "robot": ["", "nope", "set", "/dev/zero", "model.onnx"],
    }.items():
        yield from (([*pins, f"--{option}={value}"], None) for value in values)
    yield from ((pins, change) for change in (pipe("robot.json"), endless("model.onnx"), put("robot.json", DEEP)))
    yield ["pack", "class", "-o", "new", "--with", "model.onnx"], None
    for card in (b"\xff\xfe", b"x" * 20_000_000):
        yield ["export", "set", "-o", "new", "--as", "coco"], put("set/card.md", card)
    for change in (endless, pipe):
        yield ["export", "set", "-o", "new", "--as", "coco"], change("set/card.md")
        yield (
            ["gather", "photos", "new", "--quiet", "--recording", "bench"],
            lambda change=change: (
                Path("new/pictures/bench").mkdir(parents=True),
                change("new/pictures/bench/000000.jpg")(),
            ),
        )
    yield ["pack", "robot", "-o", "new"], None


def robots() -> Iterator[Case]:
    """A robot's file, each of its values replaced."""
    about = json.loads((Path(__file__).parents[2] / "robotlab" / "budget" / "example_robot.json").read_text())
    checkup = ["checkup", "--robot", "robot.json"]
    bad = [None, "x", -1, 0, float("nan"), 1e308, [], {}, True, 10**400, "\x1b[2J"]
    for count, (part, value) in enumerate(about.items()):
        yield from ((checkup, put("robot.json", json.dumps(about | {part: one}))) for one in bad[count % 3 :: 3])
        for place, key in enumerate(value if isinstance(value, dict) else ()):
            for one in (bad[(place + count) % len(bad)], bad[(3 * place + count + 1) % len(bad)]):
                yield checkup, put("robot.json", json.dumps(about | {part: value | {key: one}}))
    yield from ((["checkup", "--robot", path], None) for path in ("", "nope", "set", "/dev/zero", "model.onnx"))


def mark() -> Iterator[Case]:
    words = ["mark", "class", "-o", "new", "--trusted", "--jobs", "1", "--quiet"]
    for folder in ("", "\0", "nope", "model.onnx", "/dev/zero", "set", "/proc/self"):
        yield ["mark", folder, "-o", "new", "--trusted", "--quiet"], None
    yield from ((["mark", "class", "-o", place, "--trusted", "--quiet"], None) for place in (*NO_PLACES, "class", "."))
    for option, values in {
        "key": ["", "nope", "set", "/dev/zero", "model.onnx"],
        "lesson": ["-1", "100", "1e3"],
        "limit-s": [*ODD, "1e9"],
        "jobs": ["0", "-1", "1025", "9" * 30],
        "cluster": ["", "x", "tcp://127.0.0.1:9", "\x1b[2J"],
    }.items():
        yield from (([*words, f"--{option}={value}"], None) for value in values)
    for content in ("points = nan", "[points]\nx = -1", "[points]\nx = 1e308", "[", "a = " + "[" * 5000, "\ud800"):
        yield [*words, "--key", "key.toml"], put("key.toml", content)
    for content in (
        b"",
        b"null",
        b"[]",
        DEEP,
        b'{"cells": null}',
        b'{"cells": [{"cell_type": "code", "source": 5}]}',
        b'{"cells": [1, null, []]}',
        b'{"cells": {"a": 1}, "metadata": []}',
        b"\xff" * 99,
        b'{"metadata": {"robotlab": {"source": {}}}, "cells": []}',
    ):
        yield words, lambda content=content: (shutil.rmtree("class"), put("class/Ada.ipynb", content)())
    for name in ("\x1b[2J.ipynb", "=1+1.ipynb", "\u202eAda.ipynb", "<script>.ipynb", "a" * 240 + ".ipynb"):
        yield words, lambda name=name: (shutil.rmtree("class"), put(f"class/{name}", b"{}")())
    yield from ((words, change) for change in (pipe("class/Ada.ipynb"), endless("class/Ada.ipynb")))
    for change in (endless, pipe):
        yield words, lambda change=change: (Path("new").mkdir(), change("new/state.jsonl")())


def sweep() -> Iterator[Case]:
    words = ["sweep", "plan.toml", "-o", "new", "--quiet", "--jobs=1"]
    for plan in ("", "\0", "nope", "set", "model.onnx", "/dev/zero"):
        yield ["sweep", plan, "-o", "new", "--quiet"], None
    yield from ((["sweep", "plan.toml", "-o", place, "--quiet"], None) for place in (*NO_PLACES, "."))
    yield from (([*words[:-1], f"--jobs={value}"], None) for value in ("0", "-1", "1025", "1e3"))
    yield from (([*words, f"--cluster={value}"], None) for value in ("", "x", "tcp://127.0.0.1:9", "\x1b[2J"))
    vary = "\n[vary]\nturn_gain = [1.0]\n"
    for content in (
        "",
        "[",
        "[vary]",
        "duration_s = nan" + vary,
        "duration_s = inf" + vary,
        "duration_s = 1e308" + vary,
        "duration_s = -1" + vary,
        "duration_s = true" + vary,
        "duration_s = '2'" + vary,
        "name = '\\u001b[2J'" + vary,
        'name = "\\u001b[2J"' + vary,
        "name = '" + "a" * 5000 + "'" + vary,
        "name = '../../x'" + vary,
        "name = ''" + vary,
        "duration_s = 2\n[vary]\nturn_gain = { from = 0, to = 1, steps = 1000000000 }",
        "duration_s = 2\n[vary]\nturn_gain = { from = 0, to = 1, steps = -1 }",
        "duration_s = 2\n[vary]\nturn_gain = { from = nan, to = 1, steps = 3 }",
        "duration_s = 2\n[vary]\nturn_gain = { from = 0, to = 1, steps = 1.5 }",
        "duration_s = 2\n[vary]\nturn_gain = []",
        "duration_s = 2\n[vary]\nturn_gain = [nan]",
        "duration_s = 2\n[vary]\nturn_gain = [[1]]",
        "duration_s = 2\n[vary]\nturn_gain = ['1']",
        "duration_s = 2\n[vary]\nturn_gain = [true]",
        "duration_s = 2\n[vary]\nseed = [-1]",
        "duration_s = 2\n[vary]\nseed = [99999999999999999999999]",
        "duration_s = 2\n[vary]\nwalk = ['../x']",
        "duration_s = 2\n[vary]\nframe_hz = [0]",
        "duration_s = 2\n[vary]\nframe_hz = [1e9]",
        "duration_s = 2\n[vary]\nlatency_s = [-1, 1e9]",
        "duration_s = 2\n[vary]\nhfov_deg = [0, 180]",
        "duration_s = 2\n[vary]\nno_such = [1]",
        "duration_s = 2\n[fixed]\ndetector = 'nope'" + vary,
        "duration_s = 2" + vary + "[rendered]\nchosen = 1000000000",
        "duration_s = 2" + vary + "[rendered]\nchosen = -1",
        "duration_s = 2" + vary + "[cost]\nx = 1",
        "runs = 'sideways'" + vary,
        "a = " + "[" * 5000,
        "duration_s = 2\n[vary]\n"
        + "\n".join(
            f"{name} = {{ from = 1, to = 2, steps = 100 }}"
            for name in ("turn_gain", "drive_gain", "latency_s", "frame_hz")
        ),
    ):
        yield words, put("plan.toml", content)
    yield from ((words, change) for change in (pipe("plan.toml"), endless("plan.toml"), put("plan.toml", b"\xff" * 99)))
    for change in (endless, pipe):
        yield words, lambda change=change: (Path("new").mkdir(), change("new/parts.jsonl")())
    for content in (
        "{}",
        '{"part": 0, "rows": []}',
        '{"part": -1, "rows": [{}]}',
        '{"part": 1e99, "rows": 1}',
        "[" * 9999,
    ):
        yield words, lambda content=content: (put("new/parts.jsonl", content + "\n")(), shutil.copy("plan.toml", "new"))


def measure_and_drive() -> Iterator[Case]:
    view = ["measure", "field-of-view", "--picture", "sheet.png", "--distance=0.5"]
    yield from (
        (["measure", "field-of-view", "--picture", "sheet.png", f"--distance={value}"], None)
        for value in (*ODD, "1e-300")
    )
    for value in ("0x0", "1e9x1", "-1x1", "nanxnan", "...x...", "x", "", "٣x٣", "0.3x0.2x0.1", "9" * 400 + "x1"):
        yield [*view, f"--sheet={value}"], None
    for path in ("", "nope", "set", "/dev/zero", "model.onnx", "\0"):
        yield ["measure", "field-of-view", "--picture", path, "--distance=0.5"], None
    yield from ((view, change) for change in (pipe("sheet.png"), endless("sheet.png"), put("sheet.png", b"\x89PNG")))
    for camera in ("nope.avi", "99", "-1", "/dev/zero", "", "\0", "words.txt", "pipe.avi"):
        change = pipe("pipe.avi") if camera == "pipe.avi" else None
        yield ["measure", "field-of-view", "--distance=0.5", f"--camera={camera}"], change
        yield ["drive", f"--camera={camera}", "--dry-run", "--quiet", "-o", "new.html"], change
    yield from (
        (["measure", "delay", "--camera", "nope.avi", "--light", value], None)
        for value in ("", "pin:99", "pin:x", "\x1b[2J", "sun")
    )
    for wheels in (
        "",
        "x",
        "serial:/dev/null",
        "serial:/dev/zero",
        "serial:words.txt",
        "serial:\0",
        "pins:1,2,3,99",
        "serial:/dev/full@9",
        "pins:1,1,1,1",
    ):
        yield ["measure", "wheels", f"--wheels={wheels}"], None
        yield ["drive", "--camera=nope.avi", f"--wheels={wheels}", "--quiet", "-o", "new.html"], None
    rehearse = [*REHEARSE.split(), "--log=new.jsonl", "-o", "new.html"]
    for page in (
        "x",
        "127.0.0.1",
        "127.0.0.1:99999",
        "127.0.0.1:-1",
        "[::]:0",
        "224.0.0.1:0",
        "255.255.255.255:1",
        "127.0.0.1:80\x1b",
        "a" * 300 + ":80",
        ":80",
        "127.0.0.1:٣",
    ):
        yield [*rehearse, f"--page={page}"], None
    for setting in (
        "turn_gain=nan",
        "turn_gain=inf",
        "frame_hz=0",
        "hold_s=-1",
        "watchdog_s=1e308",
        "turn_gain=",
        "=1",
        "",
        "turn_gain=1=2",
        "ramp_hz=1e-9",
        "max_yaw_radps=nan",
        "search_s=1e9",
        "\x1b[2J=1",
        "turn_gain=٣",
    ):
        yield [*rehearse, f"--setting={setting}"], None
    for option, values in {
        "battery": ["nan", "-1", "inf"],
        "time": [*ODD],
        "rate": [*ODD],
        "wheel-factors": ["nan,nan", "1", "1,1,1", "inf,1", "-1,1", "٣,٣", ""],
        "size": ["0x0", "1x1", "9999x9999", "x", "٣٣x٣٣"],
        "target": ["nope", *NO_TEXT],
        "log": [*NO_PLACES, ".."],
        "walk": ["", "weave:", "../x", "\x1b[2J"],
        "seed": ["-1", "9" * 30],
    }.items():
        yield from (([*rehearse, f"--{option}={value}"], None) for value in values)


def labels_and_sets() -> Iterator[Case]:
    yield from (
        (["label", data, "--no-browser"], None)
        for data in ("", "nope", "model.onnx", "/dev/zero", "voc", "photos", "\0", "link")
    )
    yield from (
        (["label", "set", "--no-browser", f"--pictures={value}"], None)
        for value in ("nope", "1,nope", "\x1b[2J", "²", "-1", "1.0")
    )
    for place in (*NO_PLACES, "set/pictures/0.png"):
        yield ["checkup", "set", "--quiet", "--quick", "--html", place], None
        yield (
            [
                "checkup",
                "set",
                "--quiet",
                "--film",
                f"{place}.gif" if place in ("/proc/x", "words.txt/x", "\0") else place,
            ],
            None,
        )
    yield from (
        (["checkup", "set", "--quiet", "--second-annotator", data], None)
        for data in ("", "nope", "model.onnx", "one", "/dev/zero")
    )
    for option in ("object-height", "hfov", "lens-height", "pitch"):
        yield from (
            (
                [
                    "checkup",
                    "set",
                    "--quiet",
                    "--quick",
                    "--html",
                    "new.html",
                    "--object-height=0.3",
                    f"--{option}={value}",
                ],
                None,
            )
            for value in (*ODD, "180")
        )
    fit = ["fit", "set", "--quiet", "-o", "new.onnx"]
    for state in (b"", b"PK\x03\x04", b"x" * 99, DEEP):
        yield (
            [*fit, "--training", "fine-tuning", "--engine", "numpy", "--epochs=1", "--resume", "state"],
            put("state", state),
        )
    for change in (pipe("state"), endless("state")):
        yield [*fit, "--training", "fine-tuning", "--engine", "numpy", "--epochs=1", "--resume", "state"], change
    for place in ("set/annotations.json", "set/pictures/0.png", "model.onnx", "words.txt", "set", ""):
        yield [*fit, "--training", "fine-tuning", "--engine", "numpy", "--epochs=1", "--resume", place], None
    yield from (([*fit, f"--hold-out={value}"], None) for value in ("", "nope", "a,b", "a,a", *NO_TEXT))
    yield from (([*fit, f"--epochs={value}"], None) for value in ("0", "-1", "9" * 30, "nan"))
    head = "<annotation><filename>0.png</filename><size><width>64</width><height>48</height></size>"
    box = "<object><name>post</name><bndbox><xmin>1</xmin><ymin>1</ymin><xmax>9</xmax><ymax>9</ymax></bndbox></object>"
    entities = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10 if n else "x" * 99}">' for n in range(12))
    for content in (
        "",
        "<",
        "<annotation/>",
        head,
        f"{head}{box}",
        f"<!DOCTYPE a [{entities}]>{head}<object><name>&e11;</name></object></annotation>",
        f'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>{head}<object><name>&x;</name></object></annotation>',
        f"{head}{box.replace('>9<', '>1e308<')}</annotation>",
        f"{head}{box.replace('>9<', '>nan<')}</annotation>",
        f"{head}{box.replace('>9<', '>' + '9' * 400 + '<')}</annotation>",
        f"{head}{box.replace('post', chr(0x202E))}</annotation>",
        f"{head}{'<a>' * 9999}{'</a>' * 9999}</annotation>",
        f"{head.replace('0.png', '../../../../etc/passwd')}{box}</annotation>",
        f"{head.replace('0.png', '/dev/zero')}{box}</annotation>",
        f"{head.replace('64', '-64')}{box}</annotation>",
        f'<?xml version="1.0" encoding="utf-7"?>{head}{box}</annotation>',
        b"\xff\xfe" + f"{head}{box}</annotation>".encode("utf-16-le"),
        b"\xef\xbb\xbf" + f"{head}{box}</annotation>".encode(),
        f"{head}{box * 20_000}</annotation>",
    ):
        yield (
            ["checkup", "voc"],
            lambda content=content: (put("voc/0.xml", content)(), shutil.copy("set/pictures/0.png", "voc")),
        )
    for change in (pipe, endless):
        yield (
            ["checkup", "voc"],
            lambda change=change: (
                Path("voc").mkdir(),
                shutil.copy("set/pictures/0.png", "voc"),
                change("voc/0.xml")(),
            ),
        )


def cases() -> Iterator[Case]:
    """Words of a command, and what is done to the files before."""
    for part in (gather, plan_and_parts, pack, robots, mark, sweep, measure_and_drive, labels_and_sets):
        yield from part()
