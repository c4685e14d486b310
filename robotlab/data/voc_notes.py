"""What VOC XML has no tags for, kept beside its own tags, so that a round trip loses nothing.

Each file has one element ``robotlab`` with the picture's record as JSON, and
each object one with its own.  Programs that know VOC alone pass over them.  The
tags of VOC win: where one was changed by such a program, what the note says
about it counts no longer.
"""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from typing import Any

import numpy as np

from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.data.values import as_id, four_numbers
from robotlab.data.write import annotation_records, picture_record
from robotlab.errors import DataSetError
from robotlab.json_file import parse_json

TAG = "robotlab"


def picture_note(data: DataSet, entry: LabeledImage, place: int) -> str:
    """The note of a picture: its record, and the classes of the set.

    Parameters
    ----------
    data : DataSet
        The set.
    entry : LabeledImage
        The picture.
    place : int
        Its number in the set: VOC files have no order but that of their names.

    Returns
    -------
    str
        JSON.
    """
    record = picture_record(entry, entry.name)
    for key in ("file_name", "width", "height"):  # VOC has tags for these
        record.pop(key)
    return json.dumps({"image": record, "place": place, "categories": data.category_records}, allow_nan=False)


def object_notes(data: DataSet, entry: LabeledImage) -> list[str]:
    """The notes of a picture's boxes.

    Parameters
    ----------
    data : DataSet
        The set.
    entry : LabeledImage
        The picture.

    Returns
    -------
    list of str
        JSON, one for each box.
    """
    rows = []
    for record in annotation_records(entry, data.category_ids):
        record.pop("image_id")
        rows.append(json.dumps(record, allow_nan=False))
    return rows


def read_note(tree: ElementTree.Element, where: str) -> dict[str, Any]:
    """The note in an element; empty where there is none.

    Parameters
    ----------
    tree : Element
        A picture's, or an object's.
    where : str
        For messages.

    Returns
    -------
    dict
        What it holds.

    Raises
    ------
    DataSetError
        If it is not a JSON object.
    """
    text = tree.findtext(TAG)
    if text is None:
        return {}
    note = parse_json(text, f"{where}: <{TAG}>", DataSetError)
    if not isinstance(note, dict):
        raise DataSetError(f"{where}: <{TAG}> must hold a JSON object, it has a {type(note).__name__}; delete it")
    return note


def exact(standard: dict[str, Any], note: dict[str, Any], rounded: Sequence[float], to_voc) -> dict[str, Any]:
    """An annotation by its note, where the tags of VOC still say the same.

    Parameters
    ----------
    standard : dict
        The annotation by VOC's tags.
    note : dict
        From :func:`read_note`.
    rounded : (4,) sequence of int
        ``xmin, ymin, xmax, ymax`` of the file.
    to_voc : callable
        Corners to those numbers.

    Returns
    -------
    dict
        The annotation; its class, id and picture are the caller's.
    """
    box = four_numbers(note.get("bbox"))
    if box is None or not np.isfinite(box).all() or max(map(abs, box)) > 1e9:
        return standard
    x, y, width, height = box
    same_box = to_voc([[x, y, x + width, y + height]])[0].tolist() == list(rounded)
    counts = not standard.get("ignore")
    same_flag = counts == (note.get("ignore", 0) == 0 and note.get("iscrowd", 0) == 0)
    if not (same_box and same_flag):
        return standard
    return {key: value for key, value in standard.items() if key != "ignore"} | note


def one_numbering(given: list[Any]) -> list[Any]:
    """Ids of the notes, if all are there and differ; else numbers from 1.

    Parameters
    ----------
    given : list
        Ids as noted, None where there is none.

    Returns
    -------
    list
        Ids.

    Examples
    --------
    >>> one_numbering([7, "a"]), one_numbering([7, None]), one_numbering([7, 7])
    ([7, 'a'], [1, 2], [1, 2])
    """
    ids = [as_id(id) for id in given]
    return ids if None not in ids and len(set(ids)) == len(ids) else list(range(1, len(ids) + 1))


def in_order(rows: list[tuple[dict[str, Any], Any]]) -> list[tuple[dict[str, Any], Any]]:
    """Pictures in the order that their notes give; as they are where notes are missing or disagree.

    Parameters
    ----------
    rows : list of (dict, object)
        Note and picture.

    Returns
    -------
    list of (dict, object)
        The same, in order.
    """
    places = [note.get("place") for note, _ in rows]
    sound = all(type(place) is int for place in places) and len(set(places)) == len(places)
    return sorted(rows, key=lambda row: row[0]["place"]) if sound else rows


def classes_of(notes: list[dict[str, Any]], names: set[str]) -> list[dict[str, Any]]:
    """Categories as the notes have them, if they agree and hold all names; else the names in order.

    Parameters
    ----------
    notes : list of dict
        Of the pictures.
    names : set of str
        Every class that a box has.

    Returns
    -------
    list of dict
        Categories.
    """
    noted = notes[0].get("categories") if notes else None
    if (
        isinstance(noted, list)
        and all(note.get("categories") == noted for note in notes)
        and all(isinstance(one, dict) and isinstance(one.get("name"), str) for one in noted)
    ):
        known, ids = [one["name"] for one in noted], {as_id(one.get("id")) for one in noted}
        if None not in ids and len(ids) == len(known) == len(set(known)) and names <= {name.strip() for name in known}:
            return noted
    return [{"id": place, "name": name} for place, name in enumerate(sorted(names), 1)]
