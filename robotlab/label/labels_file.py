"""The labels file as text, written again after each change."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from robotlab.data import DataSet
from robotlab.data.coco import Reader
from robotlab.data.labels_text import labels_text, record_text
from robotlab.data.locating import PictureFinder
from robotlab.data.values import as_id
from robotlab.errors import DataSetError, printable, short


def checked(path: Path, value: Any) -> DataSet:
    """A labels file, parsed, as a data set that keeps every rule; its classes may be none yet."""
    if not isinstance(value, dict) or not all(
        isinstance(value.get(key), list) for key in ("images", "annotations", "categories")
    ):
        raise DataSetError(
            f"{path} must have the lists images, annotations and categories; export it as COCO-style JSON"
        )
    return Reader(path, PictureFinder(path), True, None, unlabeled=True).read(value)


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


def file_text(value: Mapping[str, Any], pictures: Sequence[tuple[str, str]]) -> str:
    """A labels file, one record a line, as :func:`robotlab.data.labels_text.labels_text` writes it.

    Parameters
    ----------
    value : mapping
        The whole file; of its pictures and annotations only the keys count.
    pictures : sequence of (str, str)
        Their lines, from :func:`picture_text`.

    Returns
    -------
    str
        JSON.

    Examples
    --------
    >>> print(file_text({"images": [], "categories": []}, [('{"id": 1}', "")]))
    {
    "images": [
    {"id": 1}
    ],
    "categories": []
    }
    <BLANKLINE>
    """
    lines = {"images": [record for record, _ in pictures], "annotations": [notes for _, notes in pictures if notes]}
    return labels_text(value, lines)


def check_class_name(name: object, there: Iterable[str]) -> None:
    """Refuse a class name that is no printable word, or is there already."""
    if not isinstance(name, str) or not name.strip() or printable(name) != name or len(name) > 60:
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
