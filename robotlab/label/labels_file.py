"""The labels file as text, written again after each change."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from robotlab.data import DataSet
from robotlab.data.coco import Reader
from robotlab.data.labels_text import record_text
from robotlab.data.locating import PictureFinder
from robotlab.data.values import as_id, is_word
from robotlab.errors import DataSetError, short


def checked(path: Path, value: Any) -> DataSet:
    """A labels file, parsed, as a data set that keeps every rule; its classes may be none yet."""
    return Reader(path, PictureFinder(path), unlabeled=True).read(value)


def picture_text(record: Mapping[str, Any], notes: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    """The lines of one picture: its record, and those of its annotations."""
    return record_text(record), ",\n".join(map(record_text, notes))


def tally(record: Mapping[str, Any], notes: Sequence[Mapping[str, Any]]) -> Counter:
    """What one picture adds to the counts of a set; its boxes by class id under ``("boxes", id)``."""
    labeled = bool(record.get("labeled", bool(notes)))
    counts: Counter = Counter(pictures=1, labeled=labeled, empty=labeled and not notes)
    for note in notes:
        counts["boxes", as_id(note["category_id"])] += 1
        counts["not_sure"] += bool(note.get("not_sure"))
        counts["hidden"] += bool(note.get("hidden"))
    return counts


def check_class_name(name: object, there: Iterable[str]) -> None:
    """Refuse a class name that is not a printable word, or is there already."""
    if not is_word(name) or len(name) > 60:
        raise DataSetError(f"a class must have a printable name of at most 60 signs, got {short(name)}; write one")
    if name in there:
        raise DataSetError(f"class names must differ, {short(name)} is there already; choose another")


def signature(path: Path) -> tuple[int, int, int]:
    """Time, size and number of the file: what changes when another program writes it."""
    try:
        found = path.stat()
    except OSError as error:
        raise DataSetError(
            f"the labels file must stay where it is while it is labeled, {path} does not ({error.strerror}); bring it back"
        ) from None
    return found.st_mtime_ns, found.st_size, found.st_ino
