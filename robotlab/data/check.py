"""Check a data set over: what is wrong, what is worth a look, what is in it."""

from __future__ import annotations

import itertools
import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.boxes import iou
from robotlab.data.coco import read_labels
from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.data.locating import find_labels
from robotlab.data.opening import open_dataset
from robotlab.errors import DataSetError, counted, some
from robotlab.image.hashing import TooManyAlikeError, image_hash, near_duplicates

# Edges of the size histogram, px of the longer side; doubling, as the
# distance at which an object looks half as large doubles (own choice).
SIZE_EDGES_PX = (0, 8, 16, 32, 64, 128, 256)
# A box with a side below this covers one or two cells of a network that looks
# every 4 px (own choice).
TINY_PX = 6
# Two boxes of one class that overlap more than this are one object labeled
# twice (own choice; annotators agree to within about .8 to .9 IoU, common
# practice, no source).
TWICE_IOU = 0.9
# A class with less than this part of the boxes of the largest one is rare
# (own choice).
RARE = 0.1
# More than this part of at least so many boxes in one third of the picture is
# one-sided (own choice).
ONE_SIDED, FEW = 0.8, 20
# Pairs of near-duplicates across recordings that are listed, the most alike first.
MOST_PAIRS = 50
# Broken rules, and objects labeled twice in one picture, that are listed.
MOST_PROBLEMS, MOST_TWICE = 10_000, 20


@dataclass(frozen=True)
class DataSetReport:
    """What :func:`check_dataset` found.

    Parameters
    ----------
    path : str
        What was checked.
    problems : tuple of str
        Broken rules; training and judging refuse them.
    notes : tuple of str
        Things worth a look; they may be as they should be.
    facts : dict
        Counts and histograms; plain numbers, text, lists and dicts.

    Examples
    --------
    >>> DataSetReport("bench", (), ("1 picture has no boxes",), {}).ok
    True
    """

    path: str
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    facts: dict[str, Any]

    @property
    def ok(self) -> bool:
        """True if no rule is broken."""
        return not self.problems

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values, ready for JSON.

        Returns
        -------
        dict
            ``path``, ``ok``, ``problems``, ``notes``, ``facts``.
        """
        return {
            "path": self.path,
            "ok": self.ok,
            "problems": [*self.problems],
            "notes": [*self.notes],
            "facts": self.facts,
        }

    def text(self, most: int = 20) -> str:
        """Everything as lines to read.

        Parameters
        ----------
        most : int
            Most problems and notes to list of each.

        Returns
        -------
        str
            Several lines.
        """
        lines = [f"Check-up of {self.path}", ""]
        for title, items in (("Broken rules", self.problems), ("Worth a look", self.notes)):
            lines.append(f"{title}: {len(items) or 'none'}")
            lines += [f"  - {item}" for item in items[:most]]
            if len(items) > most:
                lines.append(f"  ... and {len(items) - most} more")
        if self.facts:
            lines += ["", *_facts_text(self.facts)]
        return "\n".join(lines)


def check_dataset(data: DataSet | str | os.PathLike, look: bool = True) -> DataSetReport:
    """Check a data set over.

    Parameters
    ----------
    data : DataSet or path-like
        Opened, or a path: then every broken rule is listed, not just the first.
    look : bool
        True reads every picture: damaged ones and near duplicates are found.

    Returns
    -------
    Report
        Problems, notes and facts.

    Raises
    ------
    DataSetError
        If there is nothing at the path.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import Sample, write_dataset
    >>> sample = Sample("a.png", np.zeros((60, 80, 3), np.uint8), [[10, 20, 40, 50]], [0])
    >>> report = check_dataset(write_dataset(Path(tempfile.mkdtemp()) / "one", [sample], ["post"]))
    >>> report.ok, report.facts["boxes"]
    (True, 1)
    """
    problems: list[str] = []
    opened = data if isinstance(data, DataSet) else _open(Path(data), problems)
    path = str(data.labels_path if isinstance(data, DataSet) else data)
    if opened is None:
        return DataSetReport(path, tuple(problems), (), {})
    facts = _facts(opened)
    notes = [*_notes(opened, facts)]
    if look:
        seen = []
        for entry in opened.pictures:
            try:
                seen.append((entry, image_hash(opened.load(entry))))
            except DataSetError as error:
                problems.append(str(error))
        notes += _duplicate_notes(seen, facts)
    return DataSetReport(path, tuple(problems), tuple(notes), facts)


def _open(path: Path, problems: list[str]) -> DataSet | None:
    labels = find_labels(path)
    count = 0

    def complain(sentence: str) -> None:
        nonlocal count
        count += 1
        if count <= MOST_PROBLEMS:
            problems.append(sentence)

    try:
        return open_dataset(path) if labels is None else read_labels(labels, complain=complain, unlabeled=True)
    except DataSetError as error:
        problems.append(str(error))
        return None
    finally:
        if count > MOST_PROBLEMS:
            problems.append(f"{labels}: {count - MOST_PROBLEMS} more broken rules are not listed; fix these first")


def _facts(data: DataSet) -> dict[str, Any]:
    sides = np.concatenate([entry.boxes[:, 2:] - entry.boxes[:, :2] for entry in data]).reshape(-1, 2)
    longer, shorter = sides.max(axis=1), sides.min(axis=1)
    labels = np.concatenate([entry.labels for entry in data]).astype(int)
    counts = np.concatenate([entry.counted for entry in data]).astype(bool)
    edges = (*SIZE_EDGES_PX, np.inf)
    names = [f"{low}-{high} px" for low, high in itertools.pairwise(SIZE_EDGES_PX)] + [f"over {SIZE_EDGES_PX[-1]} px"]
    recordings: dict[str, dict[str, Any]] = {}
    for entry in data:
        row = recordings.setdefault(entry.recording, {"pictures": 0, "boxes": 0, "lightings": []})
        row["pictures"] += 1
        row["boxes"] += len(entry)
        if entry.lighting not in (None, *row["lightings"]):
            row["lightings"].append(entry.lighting)
    sizes = Counter(f"{entry.width_px} x {entry.height_px}" for entry in data)
    lightings = Counter(entry.lighting for entry in data if entry.lighting is not None)
    return {
        "pictures": len(data),
        "boxes": data.box_count,
        "boxes_not_counted": int((~counts).sum()),
        "pictures_without_boxes": sum(len(entry) == 0 for entry in data),
        "boxes_per_class": {name: int(((labels == place) & counts).sum()) for place, name in enumerate(data.classes)},
        "longer_side": dict(zip(names, np.histogram(longer, edges)[0].tolist(), strict=True)),
        "positions": _positions(data),
        "tiny_boxes": int(((shorter < TINY_PX) & counts).sum()),
        "picture_sizes": dict(sizes.most_common()),
        "recordings": recordings,
        "lightings": dict(lightings.most_common()),
    }


def _positions(data: DataSet) -> list[list[int]]:
    """How many boxes have their center in each ninth of the picture, rows from the top."""
    table = np.zeros((3, 3), int)
    for entry in data:
        middle = (entry.boxes[:, :2] + entry.boxes[:, 2:]) / 2 / [entry.width_px, entry.height_px]
        column, row = np.minimum((3 * middle).astype(int), 2).T
        np.add.at(table, (row, column), 1)
    return table.tolist()


def _notes(data: DataSet, facts: dict[str, Any]) -> Iterator[str]:
    columns = np.sum(facts["positions"], axis=0)
    if columns.sum() >= FEW and columns.max() > ONE_SIDED * columns.sum():
        where = ("left", "middle", "right")[int(columns.argmax())]
        yield (
            f"{columns.max()} of {columns.sum()} boxes are in the {where} third of their pictures: turn the camera, so that "
            "objects are seen everywhere"
        )
    counts = facts["boxes_per_class"]
    if not counts:
        yield "nothing is labeled yet: start with robotlab label"
    for name, count in counts.items():
        if count == 0:
            yield f"class {name} has no box that counts: label some, or take the class out"
        elif count < RARE * max(counts.values()):
            yield f"class {name} is rare, {count} boxes beside {max(counts.values())} of the largest: gather more of it"
    if len(data.recordings) == 1:
        yield "all pictures are one recording: make a second one at another time, to test on"
    waiting = [entry.name for entry in data if entry.waits_for_labels]
    if counts and waiting:
        yield f"{counted(len(waiting), 'picture')} not labeled yet ({some(waiting, 3)}): fit and judge leave them out; go on with robotlab label"
    bare = [entry.name for entry in data if len(entry) == 0 and not entry.waits_for_labels]
    if counts and bare:
        yield f"{counted(len(bare), 'picture')} without boxes ({some(bare, 3)}): right if nothing is in view, else label them"
    if facts["tiny_boxes"]:
        yield (
            f"{counted(facts['tiny_boxes'], 'box', 'boxes')} with a side under {TINY_PX} px: too small to learn from, "
            "mark them ignore or go closer"
        )
    for entry in data:
        overlap = np.triu(iou(entry.boxes, entry.boxes), 1)
        overlap[entry.labels[:, None] != entry.labels[None, :]] = 0
        twice = np.argwhere(overlap > TWICE_IOU)
        if len(twice) > MOST_TWICE:
            yield f"{entry.name}: {len(twice)} pairs of annotations of one class overlap by IoU {TWICE_IOU} or more, the first:"
        for a, b in twice[:MOST_TWICE]:
            yield (
                f"{entry.name}: annotations {entry.annotation_ids[a]} and {entry.annotation_ids[b]} "
                f"({data.classes[entry.labels[a]]}) overlap by IoU {overlap[a, b]:.2f}: is one object labeled twice?"
            )


def _duplicate_notes(seen: list[tuple[LabeledImage, np.ndarray]], facts: dict[str, Any]) -> list[str]:
    """Near duplicates: counted within a recording, told of across recordings."""
    if len(seen) < 2:
        return []
    within = 0
    across: dict[frozenset[str], list] = {}
    try:
        near = near_duplicates([bits for _, bits in seen])
    except TooManyAlikeError as error:
        return [f"near duplicates are not counted: {error}"]
    for a, b, bits in near.tolist():
        first, second = seen[a][0], seen[b][0]
        if first.recording == second.recording:
            within += 1
        else:
            across.setdefault(frozenset((first.recording, second.recording)), []).append((first, second, bits))
    facts["near_duplicates_within_recordings"] = within
    alike = sorted((pair for pairs in across.values() for pair in pairs), key=lambda pair: pair[2])
    facts["duplicates_across"] = [[first.id, second.id, bits] for first, second, bits in alike[:MOST_PAIRS]]
    facts["near_duplicates_across_recordings"] = len(alike)
    return [
        f"recordings {pairs[0][0].recording} and {pairs[0][1].recording} have {counted(len(pairs), 'pair')} of near-duplicate "
        f"pictures (most alike: {pairs[0][0].name} and {pairs[0][1].name}, {pairs[0][2]} of 128 bits differ): "
        "keep both recordings on one side of a split"
        for pairs in across.values()
    ]


def _facts_text(facts: dict[str, Any]) -> list[str]:
    lines = [
        (
            f"{counted(facts['pictures'], 'picture')}, {counted(facts['boxes'], 'box', 'boxes')} "
            f"({facts['boxes_not_counted']} that do not count), {facts['pictures_without_boxes']} without boxes"
        ),
        "Picture sizes: " + ", ".join(f"{size} ({count})" for size, count in facts["picture_sizes"].items()),
    ]
    for title, key in (
        ("Boxes per class", "boxes_per_class"),
        ("Longer side of the boxes", "longer_side"),
        ("Lightings", "lightings"),
    ):
        if facts[key]:
            lines += [f"{title}:", *_bars(facts[key])]
    if facts["boxes"]:
        rows = ("  " + "".join(f"{count:6}" for count in row) for row in facts["positions"])
        lines += ["Boxes by place in the picture, in thirds:", *rows]
    lines.append("Recordings:")
    wide = max(map(len, facts["recordings"]))
    for name, row in facts["recordings"].items():
        lightings = f", {', '.join(row['lightings'])}" if row["lightings"] else ""
        lines.append(f"  {name:{wide}}  {row['pictures']:5} pictures, {row['boxes']:5} boxes{lightings}")
    if "near_duplicates_within_recordings" in facts:
        lines.append(
            f"Near-duplicate pairs: {facts['near_duplicates_within_recordings']} within recordings, "
            f"{facts['near_duplicates_across_recordings']} across"
        )
    return lines


def _bars(table: dict[str, int]) -> list[str]:
    wide, most = max(map(len, table)), max(max(table.values()), 1)
    return [f"  {name:{wide}}  {count:6} {'█' * round(30 * count / most)}".rstrip() for name, count in table.items()]
