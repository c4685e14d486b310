"""Valid files and options, made hostile: by seeded chance, one way at a time."""

from __future__ import annotations

import copy
import io
import json
import re
import struct
import zlib
from typing import Any

import numpy as np
import onnx

NASTY = [
    0,
    -1,
    1,
    2,
    True,
    None,
    "",
    " ",
    [],
    {},
    [[]],
    1e300,
    -0.0,
    0.5,
    float("nan"),
    float("inf"),
    2**31,
    2**63,
    2**64,
    10**400,
    "²",
    "٣",
    "--5",
    "1_000",
    "5" * 5000,
    "a" * 70_000,
    "\x1b[2J",
    "a\nb",
    "\u202etsop",
    "\0",
    "../../etc/passwd",
    "/dev/zero",
    "a.png",
    "annotations.json",
    ".",
    "C:\\a.png",
    "<script>alert(1)</script>",
    [1, 2, 3],
    [0, 0, 1e9, 1e9],
    [1, 1, 0, 0],
    [-1, -1, 3, 3],
    ["1", 2, 3, 4],
    {"id": 1},
    "post",
    "NaN",
]


def nasty(rng: np.random.Generator) -> Any:
    """One of them, of its own: what is put into a tree may be changed there."""
    return copy.deepcopy(NASTY[rng.integers(len(NASTY))])


def mutate_bytes(rng: np.random.Generator, content: bytes) -> bytes:
    """Flip, cut, repeat, insert, remove, a few times."""
    data = bytearray(content)
    for _ in range(rng.integers(1, 6)):
        at = int(rng.integers(0, len(data) + 1))
        length = int(rng.integers(1, 1 + max(1, len(data) // 4)))
        what = rng.integers(6)
        if what == 0 and at < len(data):
            data[at] = int(rng.integers(256))
        elif what == 1:
            del data[at : at + length]
        elif what == 2:
            data[at:at] = data[at : at + length] * int(rng.integers(1, 4))
        elif what == 3:
            data[at:at] = rng.bytes(min(length, 16))
        elif what == 4:
            # Lengths and sizes stand in four bytes.
            data[at : at + 4] = struct.pack(
                rng.choice([">I", "<I"]), int(rng.choice([0, 1, 255, 65535, 2**24, 2**31 - 1, 2**32 - 1]))
            )
        else:
            data = data[: max(1, at)]
    return bytes(data)


def mutate_json(rng: np.random.Generator, content: bytes) -> bytes:
    """Replace, remove, repeat or wrap values anywhere in the tree; now and then spoil the text too."""
    value = json.loads(content)
    for _ in range(rng.integers(1, 4)):
        holders = [node for node in walk(value) if isinstance(node, (dict, list)) and node]
        if not holders:
            break
        holder = holders[rng.integers(len(holders))]
        key = list(holder)[rng.integers(len(holder))] if isinstance(holder, dict) else int(rng.integers(len(holder)))
        what = rng.integers(6)
        if what <= 2:
            holder[key] = nasty(rng)
        elif what == 3:
            del holder[key]
        elif what == 4 and isinstance(holder, list):
            holder.insert(int(rng.integers(len(holder) + 1)), copy.deepcopy(holder[key]))
        elif what == 4:
            holder[str(nasty(rng))[:99]] = copy.deepcopy(holder[key])
        else:
            for _ in range(int(rng.choice([1, 30, 60, 900]))):
                holder[key] = [holder[key]] if rng.integers(2) else {"a": holder[key]}
                if isinstance(holder[key], list) and rng.integers(50) == 0:
                    break
            break  # so deep that it cannot be copied any more
    try:
        text = json.dumps(value, ensure_ascii=bool(rng.integers(2)))
    except RecursionError:
        text = "[" * 5000 + "]" * 5000
    if rng.integers(8) == 0:
        text = text.replace('"', rng.choice([r'"\ud800', r'"\u0000', '"\\', "'"]), int(rng.integers(1, 3)))
    data = text.encode(str(rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16"])), "replace")
    return mutate_bytes(rng, data) if rng.integers(6) == 0 else data


def walk(value: object):
    """Every node of a JSON value."""
    yield value
    for child in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from walk(child)


def mutate_xml(rng: np.random.Generator, content: bytes) -> bytes:
    """Replace texts, remove and repeat elements, add declarations; now and then spoil the bytes."""
    text = content.decode()
    for _ in range(rng.integers(1, 4)):
        what = rng.integers(5)
        if what <= 1:
            texts = list(re.finditer(r">([^<>]+)<", text))
            if texts:
                one = texts[rng.integers(len(texts))]
                text = text[: one.start(1)] + str(nasty(rng)) + text[one.end(1) :]
        elif what == 2:
            parts = list(re.finditer(r"<(\w+)>.*?</\1>", text, re.S))
            if parts:
                one = parts[rng.integers(len(parts))]
                text = text[: one.start()] + one.group(0) * int(rng.choice([0, 2, 50])) + text[one.end() :]
        elif what == 3:
            head = [
                f'<?xml version="1.0" encoding="{rng.choice(["utf-16", "latin-1", "no-such", "idna", "utf-7"])}"?>',
                '<!DOCTYPE a [<!ENTITY b "ccc">]>',
                '<?xml version="9.9"?>',
                "<!-- -->",
                "\x00",
            ]
            text = head[rng.integers(len(head))] + text
        else:
            deep = int(rng.choice([5, 25, 5000]))
            text = text.replace("<object>", "<x>" * deep + "</x>" * deep + "<object>", 1)
    data = text.encode("utf-8", "replace")
    return mutate_bytes(rng, data) if rng.integers(4) == 0 else data


def mutate_image(rng: np.random.Generator, content: bytes) -> bytes:
    """Bytes anywhere; in a PNG also a chunk's content with its checksum made right again."""
    if not content.startswith(b"\x89PNG") or rng.integers(3) == 0:
        return mutate_bytes(rng, content)
    chunks, at = [], 8
    while at + 12 <= len(content):
        length = struct.unpack(">I", content[at : at + 4])[0]
        chunks.append([content[at + 4 : at + 8], content[at + 8 : at + 8 + length]])
        at += 12 + length
    for _ in range(rng.integers(1, 3)):
        place = int(rng.integers(len(chunks)))
        what = rng.integers(4)
        if what == 0:
            chunks.insert(
                place,
                [
                    rng.choice(
                        [b"tEXt", b"zTXt", b"iCCP", b"eXIf", b"PLTE", b"tRNS", b"gAMA", b"acTL", b"fcTL", b"IDAT"]
                    ),
                    rng.bytes(int(rng.integers(0, 40))),
                ],
            )
        elif what == 1:
            chunks[place][1] = mutate_bytes(rng, chunks[place][1] or b"\0")
        elif what == 2:
            chunks.insert(place, list(chunks[place]))
        else:
            head = bytearray(chunks[0][1].ljust(13, b"\0"))
            head[8:10] = bytes([rng.choice([1, 2, 4, 8, 16]), rng.choice([0, 2, 3, 4, 6])])
            if rng.integers(2):
                head[0:8] = struct.pack(">II", *(int(n) for n in rng.choice([0, 1, 48, 7000, 2**16, 2**31 - 1], 2)))
            chunks[0][1] = bytes(head)
    body = b"".join(
        struct.pack(">I", len(data)) + bytes(kind) + data + struct.pack(">I", zlib.crc32(bytes(kind) + data))
        for kind, data in chunks
    )
    return content[:8] + body


def mutate_lines(rng: np.random.Generator, content: bytes) -> bytes:
    """Lines of JSON: one of them as JSON, or lines taken out, repeated, put elsewhere."""
    lines = content.splitlines(keepends=True)
    for _ in range(rng.integers(1, 4)):
        at = int(rng.integers(len(lines))) if rng.integers(2) else 0
        what = rng.integers(5)
        if what <= 1:
            lines[at] = mutate_json(rng, lines[at]).replace(b"\n", b" ") + b"\n" if lines[at].strip() else b"{}\n"
            return b"".join(lines)  # a line may not be JSON any more
        if what == 2:
            del lines[at : at + int(rng.integers(1, 1 + max(1, len(lines) // 4)))]
        elif what == 3:
            lines[at:at] = [lines[rng.integers(len(lines))]] * int(rng.choice([1, 2, 50]))
        else:
            return mutate_bytes(rng, b"".join(lines))
        lines = lines or [b"{}\n"]
    return b"".join(lines)


# Words that a plan of a sweep may hold, right and wrong ones.
PLAN_WORDS = (
    "nan",
    "inf",
    "-1",
    "0",
    "1e308",
    "1" * 400,
    "true",
    "'weave'",
    '"\\u0000"',
    "[]",
    "{}",
    "[1, [2]]",
    "1979-05-27",
    "{ from = 0, to = 1 }",
    "{ from = 0.001, to = 4096, steps = 90000 }",
    "{ from = 5, to = 1, steps = 3 }",
    "{ steps = 2 }",
    "'sobol'",
    "'latin_hypercube'",
    "'crossed'",
    "'rendered'",
    "'fast'",
    "3",
    "5000",
    "250000",
    "['color', 'ground_truth']",
    "{ file = 'model.onnx' }",
    "[0.5, 0.5]",
    "[1, 2, 3]",
    "-0.0",
    "''",
)
PLAN_KEYS = (
    "hfov_deg",
    "width_px",
    "input_px",
    "detector",
    "miss_rate",
    "edge_noise_px",
    "smallest_px",
    "turn_gain",
    "drive_gain",
    "latency_s",
    "frame_hz",
    "lag_s",
    "max_mps",
    "max_accel_mps2",
    "following_distance_m",
    "start_yaw_deg",
    "walk",
    "lighting",
    "seed",
    "[fixed]",
    "[vary]",
    "[detectors.mine]",
    "[detectors.color.warm]",
    "[rendered]",
    "[cost]",
    "chosen",
    "samples",
    "design",
    "design_seed",
    "runs",
    "duration_s",
    "name",
    "file",
    "by",
)


def mutate_plan(rng: np.random.Generator, content: bytes) -> bytes:
    """Lines of a plan: another value, another key, a line more, less or elsewhere; now and then its bytes."""
    lines = content.decode().splitlines()
    for _ in range(rng.integers(1, 5)):
        at, what = int(rng.integers(len(lines))), rng.integers(6)
        key, word = str(rng.choice(PLAN_KEYS)), str(rng.choice(PLAN_WORDS))
        if what <= 1:
            lines[at] = f"{lines[at].partition('=')[0].strip() or 'x'} = {word}"
        elif what <= 3:
            lines.insert(at, key if key[0] == "[" else f"{key} = {word}")
        elif what == 4 and len(lines) > 1:
            del lines[at]
        else:
            lines.insert(int(rng.integers(len(lines))), lines[at])
    data = "\n".join(lines).encode()
    return mutate_bytes(rng, data) if rng.integers(5) == 0 else data


def mutate_model(rng: np.random.Generator, content: bytes) -> bytes:
    """Metadata as JSON or as nasty text; nodes, attributes, shapes and numbers of the graph; now and then bytes."""
    if rng.integers(6) == 0:
        return mutate_bytes(rng, content)
    model = onnx.ModelProto.FromString(content)
    for _ in range(rng.integers(1, 3)):
        nodes, arrays, known = model.graph.node, model.graph.initializer, model.metadata_props
        what = rng.integers(10)
        if what <= 3:
            entry = known[rng.choice([n for n, one in enumerate(known) if one.key in ("facts", "classes", "working")])]
            try:
                entry.value = mutate_json(rng, entry.value.encode()).decode("utf-8", "replace")
            except (ValueError, RecursionError):  # mutated before, and JSON no more
                entry.value = str(nasty(rng))
        elif what == 4:
            entry = known[rng.integers(len(known))]
            entry.value = str(nasty(rng))
        elif what == 5:
            attributes = [one for node in nodes for one in node.attribute]
            one = attributes[rng.integers(len(attributes))]
            number = int(rng.choice([0, -1, 1, 2, 7, 64, 4096, 2**31 - 1, 2**62]))
            if one.ints:
                one.ints[rng.integers(len(one.ints))] = number
            else:
                one.i = number
        elif what == 6:
            array = arrays[rng.integers(len(arrays))]
            if array.dims and rng.integers(2):
                array.dims[rng.integers(len(array.dims))] = int(rng.choice([0, 1, 2, 3, 2**20, 2**40, 2**62]))
            elif rng.integers(2):
                array.raw_data = mutate_bytes(rng, array.raw_data or b"\0")
            else:
                numbers = np.frombuffer(array.raw_data, np.float32 if array.data_type == 1 else np.int64).copy()
                numbers[rng.integers(max(1, len(numbers))) :][:1] = rng.choice([0, -1, 1, 7, 1e4, 2**40])
                array.raw_data = numbers.tobytes()
        elif what == 7:
            node = nodes[rng.integers(len(nodes))]
            names = [name for other in nodes for name in (*other.input, *other.output)]
            node.input[rng.integers(len(node.input))] = names[rng.integers(len(names))]
        elif what == 8:
            nodes[rng.integers(len(nodes))].op_type = str(
                rng.choice([*sorted({n.op_type for n in nodes}), "Loop", "Tile"])
            )
        elif rng.integers(2):
            nodes.insert(int(rng.integers(len(nodes))), nodes[rng.integers(len(nodes))])
        else:
            array = arrays[rng.integers(len(arrays))]
            array.data_location = onnx.TensorProto.EXTERNAL
            array.external_data.add(key="location", value=str(rng.choice(["/dev/zero", "a.png", "../1.png"])))
    return model.SerializeToString()


def mutate_state(rng: np.random.Generator, content: bytes) -> bytes:
    """The note of a training state as JSON; its arrays of other shapes, types and numbers, or gone; now and then bytes."""
    if rng.integers(4) == 0:
        return mutate_bytes(rng, content)
    arrays = dict(np.load(io.BytesIO(content)))
    name = str(rng.choice(list(arrays)))
    what = rng.integers(8)
    if what <= 3:
        arrays["note"] = np.frombuffer(mutate_json(rng, arrays["note"].tobytes()), np.uint8)
    elif what == 4:
        del arrays[name]
    elif what == 5:
        arrays[name] = np.full(arrays[name].shape, rng.choice([np.nan, np.inf, -1e30, 0]))
    elif what == 6:
        arrays[name] = np.resize(arrays[name], rng.integers(0, 4, int(rng.integers(0, 4))))
    else:
        arrays[name] = arrays[name].astype(str(rng.choice(["S9", "U9", "c16", "i1", "bool", "M8[s]"])))
    made = io.BytesIO()
    np.savez(made, **arrays)
    return made.getvalue()


OPTIONS = [
    ["fit", "SET", "-o", "OUT/m.onnx", "--quiet", "--seed", "0", "--training", "frozen-backbone", "--head", "mlp"],
    [
        "fit",
        "SET",
        "-o",
        "OUT/m.onnx",
        "--quiet",
        "--training",
        "fine-tuning",
        "--epochs",
        "1",
        "--resume",
        "OUT/state",
    ],
    ["judge", "SET", "--with", "MODEL", "--html", "OUT/r.html", "--save-results", "OUT/r.json", "--recordings", "a,b"],
    ["judge", "SET", "--results", "RESULTS", "--json", "--classes", "post", "--html", "OUT/r.html"],
    ["compare", "SET", "--with", "MODEL", "--walks", "none", "-o", "OUT/c.html", "--learn", "a"],
    ["drive", "--with", "MODEL", "--walk", "weave:warm", "-o", "OUT/d.html", "--log", "OUT/d.log"],
    ["checkup", "SET", "--json"],
    [
        "checkup",
        "SET",
        "--html",
        "OUT/c.html",
        "--quick",
        "--film",
        "OUT/c.gif",
        "--second-annotator",
        "SET",
        "--quiet",
    ],
    [
        "plan",
        "SET",
        "--object-height",
        "0.5",
        "--target",
        "post",
        "--size",
        "320x240",
        "--lightings",
        "dusk",
        "-o",
        "OUT/p.html",
    ],
    ["split", "SET", "--hold-out", "0.5", "--in-time", "OUT/s", "--gap", "0.1", "--seed", "1"],
    ["export", "SET", "-o", "OUT/l.csv", "--as", "csv"],
    ["tour", "-o", "OUT/tour", "--seed", "3"],
]


def mutate_options(rng: np.random.Generator, content: bytes) -> bytes:
    """Values of options replaced by nasty or other ones; now and then words taken out, repeated, or of another command."""
    words = json.loads(content)
    every = [word for line in OPTIONS for word in line]
    for _ in range(rng.integers(1, 4)):
        values = [n for n, word in enumerate(words) if n and not word.startswith("-")] or [0]
        at = values[rng.integers(len(values))]
        what = rng.integers(12)
        if what <= 4:
            words[at] = str(nasty(rng))
        elif what <= 8:
            words[at] = str(rng.choice([word for word in every if not word.startswith("-")]))
        elif what == 9 and len(words) > 1:
            del words[at]
        else:
            words[at : at + int(what == 10)] = [every[rng.integers(len(every))]]
    return json.dumps(words).encode()
