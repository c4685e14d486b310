"""Labels as a table, for a spreadsheet or a script: one line a box."""

from __future__ import annotations

import csv
import io

from robotlab.data.dataset import DataSet
from robotlab.data.write import plain

# Of each picture, and of each of its boxes.
PICTURE_COLUMNS = ("picture", "id", "recording", "lighting", "width_px", "height_px")
BOX_COLUMNS = ("class", "x0_px", "y0_px", "x1_px", "y1_px", "ignore", "crowd", "visibility", "distance_m")


def labels_csv(data: DataSet) -> str:
    """All labels as comma-separated values (RFC 4180).

    Parameters
    ----------
    data : DataSet
        The data set.

    Returns
    -------
    str
        A header, and one line a box; a picture without boxes has one line with
        its box left empty.  A name that a spreadsheet would take for a formula
        gets an apostrophe in front.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import LabeledImage
    >>> row = LabeledImage(7, Path("a.png"), 8, 6, boxes=[[0, 0, 4, 4.5]], labels=[0])
    >>> print(labels_csv(DataSet(Path("annotations.json"), ("post",), (1,), (row,))).splitlines()[1])
    a.png,7,all,,8,6,post,0,0,4,4.5,0,0,1,
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(PICTURE_COLUMNS + BOX_COLUMNS)
    for entry in data:
        words = map(_word, (entry.name, entry.id, entry.recording, entry.lighting or ""))
        head = [*words, entry.width_px, entry.height_px]
        for row in range(len(entry)):
            numbers = [*map(plain, entry.boxes[row]), int(entry.ignore[row]), int(entry.crowd[row])]
            numbers += [plain(entry.visibility[row]), plain(entry.distances_m[row])]
            writer.writerow([*head, _word(data.classes[entry.labels[row]]), *numbers])
        if not len(entry):
            writer.writerow(head + [""] * len(BOX_COLUMNS))
    return out.getvalue()


def _word(value: object) -> str:
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in ("=", "+", "-", "@") else text
