"""VOC XML: one file a picture, in and out.

The form is that of Everingham et al., "The PASCAL Visual Object Classes (VOC)
Challenge", IJCV 88(2):303-338, 2010.  Its boxes count pixels from 1 and name
the first and the last pixel *inside*; ours name edges.  So

    x0 = xmin - 1,   x1 = xmax,   width = xmax - xmin + 1.
"""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from robotlab.data.atomic_folder import whole_folder
from robotlab.data.coco import Reader
from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.data.locating import LABEL_FOLDERS, PICTURE_FOLDERS, PictureFinder
from robotlab.data.values import as_id, number_in
from robotlab.data.voc_notes import (
    TAG,
    classes_of,
    exact,
    in_order,
    object_notes,
    one_numbering,
    picture_note,
    read_note,
)
from robotlab.data.write import kept_name
from robotlab.errors import DataSetError, short
from robotlab.files import write_whole
from robotlab.xml_file import read_xml

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

# XML 1.0 has no way to write these characters (W3C, section 2.2).
_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def corners_from_voc(boxes: ArrayLike) -> np.ndarray:
    """Corners from VOC's first and last pixel, counted from 1.

    Parameters
    ----------
    boxes : (N, 4) array-like
        ``[xmin, ymin, xmax, ymax]``, pixel numbers.

    Returns
    -------
    (N, 4) ndarray of float64
        ``[x0, y0, x1, y1]``, px.

    Examples
    --------
    >>> corners_from_voc([[4, 3, 9, 5]]).tolist()  # columns 4-9, rows 3-5
    [[3.0, 2.0, 9.0, 5.0]]
    """
    return np.asarray(boxes, np.float64).reshape(-1, 4) - (1, 1, 0, 0)


def voc_from_corners(boxes: np.ndarray) -> np.ndarray:
    """VOC's first and last pixel, counted from 1, from corners.

    Parameters
    ----------
    boxes : (N, 4) array-like
        ``[x0, y0, x1, y1]``, px.

    Returns
    -------
    (N, 4) ndarray of int
        ``[xmin, ymin, xmax, ymax]``: edges rounded to whole pixels (half a
        pixel up), so a side moves by at most 0.5 px; at least one pixel stays,
        the one that the box begins in where it is narrower.

    Examples
    --------
    >>> voc_from_corners([[3, 2, 9, 5], [1.6, 0, 1.9, 1]]).tolist()
    [[4, 3, 9, 5], [2, 1, 2, 1]]
    """
    boxes = np.asarray(boxes, np.float64).reshape(-1, 4)
    first = np.floor(boxes[:, :2] + 0.5).astype(int)
    last = np.floor(boxes[:, 2:] + 0.5).astype(int)
    thin = last <= first
    first = np.where(thin, np.floor(boxes[:, :2]).astype(int), first)
    return np.column_stack([first + 1, np.where(thin, first + 1, last)])


def voc_folder(folder: str | os.PathLike) -> Path | None:
    """Where the ``.xml`` files of a data set lie.

    Parameters
    ----------
    folder : path-like
        Where to look.

    Returns
    -------
    Path or None
        That folder, one for labels in it, or the folder that has them further
        down; None where there are none.

    Examples
    --------
    >>> import tempfile
    >>> voc_folder(tempfile.mkdtemp()) is None
    True
    """
    folder = Path(folder)
    if any(folder.glob("*.xml")):
        return folder
    places = (*(folder / name for name in LABEL_FOLDERS), folder)
    return next((place for place in places if any(place.glob("**/*.xml"))), None)


def open_voc(folder: str | os.PathLike, pictures: bool = True) -> DataSet:
    """Open a folder of VOC XML files.

    Parameters
    ----------
    folder : path-like
        Has the ``.xml`` files, or has them in ``Annotations`` or in folders
        further down; pictures lie beside them, or in ``JPEGImages``, ``images``
        or ``pictures`` there or beside.
    pictures : bool
        As in :func:`robotlab.data.open_dataset`.

    Returns
    -------
    DataSet
        Classes sorted by name, ids from 1 in the order of file names;
        ``difficult`` things are ``ignore``, and the ``folder`` tag is the
        recording.  What :func:`write_voc` has noted beside comes back too.

    Raises
    ------
    DataSetError
        At the first thing that breaks a rule, naming file and entry.  A file
        with a document type declaration is refused: it can make a parser
        expand a few bytes into gigabytes.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab import image
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = image.save(folder / "a.png", np.zeros((6, 9, 3), np.uint8))
    >>> _ = write_whole(folder / "a.xml", '''<annotation><filename>a.png</filename>
    ... <size><width>9</width><height>6</height></size><object><name>post</name><bndbox>
    ... <xmin>4</xmin><ymin>3</ymin><xmax>9</xmax><ymax>5</ymax></bndbox></object></annotation>''')
    >>> open_voc(folder)[0].boxes.tolist()
    [[3.0, 2.0, 9.0, 5.0]]
    """
    home = voc_folder(folder)
    if home is None:
        raise DataSetError(f"{folder} must hold VOC .xml files, it has none; check the path")
    finder = PictureFinder(home / "labels.xml")
    rows = []
    for path in sorted(home.glob("**/*.xml")):
        tree = _annotation(path)
        note = read_note(tree, str(path))
        kept = note.get("image")
        image = {**(kept if isinstance(kept, dict) else {}), "file_name": _picture_name(path, tree, finder)}
        size = [_text(tree, f"size/{side}", "0") for side in ("width", "height")]
        if any(side.strip("0 ") for side in size):
            image |= {"width": _whole(path, "width", size[0]), "height": _whole(path, "height", size[1])}
        recording = _text(tree, "folder", "")
        if recording != str(image.get("recording", "")).strip():
            image["recording"] = "" if recording in PICTURE_FOLDERS else recording
        rows.append((note, (image, list(_objects(path, tree)))))
    rows = in_order(rows)
    images, things = [image for _, (image, _) in rows], [thing for _, (_, found) in rows for thing in found]
    for image, id in zip(images, one_numbering([image.get("id") for image in images]), strict=True):
        image["id"] = id
    categories = classes_of([note for note, _ in rows], {name for name, _ in things})
    names = {as_id(category["id"]): category["name"].strip() for category in categories}
    ids = {name: id for id, name in names.items()}
    numbers = iter(one_numbering([thing.get("id") for _, thing in things]))
    annotations = []
    for _, (image, found) in rows:
        for name, thing in found:
            noted = as_id(thing.get("category_id"))  # two names may differ in blanks, which the tag has lost
            category = noted if names.get(noted) == name else ids[name]
            annotations.append({**thing, "id": next(numbers), "image_id": image["id"], "category_id": category})
    return Reader(home, finder, pictures).read({"images": images, "annotations": annotations, "categories": categories})


def _annotation(path: Path) -> ElementTree.Element:
    """The ``annotation`` element of a VOC file."""
    tree = read_xml(path, "a VOC file", DataSetError)
    if tree.tag != "annotation":
        raise DataSetError(
            f"{path} must be a VOC file with an <annotation>, it has <{tree.tag[:60]}>; move it out of the folder"
        )
    return tree


def _text(tree: ElementTree.Element, tag: str, usual: str) -> str:
    return (tree.findtext(tag) or usual).strip()


def _whole(path: Path, what: str, text: str) -> int:
    value = number_in(text)
    if value is None or not value.is_integer():
        raise DataSetError(f"{path}: {what} must be a whole number of px, got {short(text)}; correct it")
    return int(value)


def _picture_name(path: Path, tree: ElementTree.Element, finder: PictureFinder) -> str:
    """The file name that is there, for `finder`: as written, or like the .xml file's; seen from the .xml file's folder too."""
    written = _text(tree, "filename", "")
    below = Path(os.path.relpath(path.parent, finder.folder))
    near = PictureFinder(path) if below != Path() else None
    for name in (written, *(path.stem + suffix for suffix in (".jpg", ".jpeg", ".png", ".JPG", ".PNG"))):
        if not name:
            continue
        try:
            for seen in dict.fromkeys(((below / name).as_posix(), name)):
                if finder.find(seen)[0] is not None:
                    return seen
            found = near.find(name)[0] if near else None
        except DataSetError as error:
            raise DataSetError(f"{path}: {error}") from None
        if found is not None and found.is_relative_to(finder.folder):
            return found.relative_to(finder.folder).as_posix()
    return written or f"{path.stem}.jpg"


def _objects(path: Path, tree: ElementTree.Element) -> Iterator[tuple[str, dict]]:
    for place, thing in enumerate(tree.findall("object"), 1):
        name = _text(thing, "name", "")
        where = f"{path}: object {place}" + (f" ({name})" if name else "")
        if not name:
            raise DataSetError(f"{where}: a thing must have a name, it has none; write its class in <name>")
        corners = []
        for side in ("xmin", "ymin", "xmax", "ymax"):
            text = _text(thing, f"bndbox/{side}", "")
            value = number_in(text)
            if value is None:
                raise DataSetError(f"{where}: {side} must be a number, got {short(text)}; label the box again")
            corners.append(value)
        if not np.isfinite(corners).all() or corners[2] < corners[0] or corners[3] < corners[1]:
            raise DataSetError(
                f"{where}: the box must have finite numbers with xmin <= xmax and ymin <= ymax, got {corners}; "
                "label the box again"
            )
        x0, y0, x1, y1 = corners_from_voc([corners])[0].tolist()
        standard = {"bbox": [x0, y0, x1 - x0, y1 - y0], "area": (x1 - x0) * (y1 - y0), "iscrowd": 0}
        if _text(thing, "difficult", "0") not in ("0", "false"):
            standard["ignore"] = 1
        yield name, exact(standard, read_note(thing, where), corners, voc_from_corners)


def write_voc(folder: str | os.PathLike, data: DataSet) -> Path:
    """Write pictures with one VOC XML file beside each.

    Parameters
    ----------
    folder : path-like
        New or empty.
    data : DataSet
        The data set; picture files are copied byte for byte.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    DataSetError
        If something is in the folder, or a name cannot stand in XML.

    Notes
    -----
    VOC has whole pixels, one flag ``difficult`` and no place for lighting and
    distances: in its tags boxes are rounded by at most 0.5 px, ``ignore`` and
    ``crowd`` both become ``difficult``, and visibility below 1 becomes
    ``truncated``.  All else stands as JSON in an element ``robotlab`` that
    other programs pass over, so :func:`open_voc` gives back what was written,
    but for file names and for what stands beside the lists in a labels file.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import Sample, write_dataset
    >>> home = Path(tempfile.mkdtemp())
    >>> sample = Sample("a.png", np.zeros((6, 9, 3), np.uint8), [[3, 2, 9, 5]], [0], recording="walk")
    >>> path = write_voc(home / "voc", write_dataset(home / "coco", [sample], ["post"]))
    >>> sorted(file.name for file in path.iterdir())
    ['a.png', 'a.xml']
    """
    used: set[str] = set()
    with whole_folder(folder) as beside:
        for place, entry in enumerate(data.pictures):
            data.load(entry)  # a damaged picture is not copied on
            name = kept_name(entry, used).replace("/", "_")
            stem, number = Path(name).stem, 1
            while (beside / f"{stem}.xml").exists():
                number += 1
                stem = f"{Path(name).stem}-{number}"
            name = stem + Path(name).suffix
            write_whole(beside / name, entry.path.read_bytes())
            write_whole(beside / f"{stem}.xml", voc_text(data, entry, name, place))
    return Path(folder)


def voc_text(data: DataSet, entry: LabeledImage, name: str, place: int = 0) -> str:
    """One picture's labels as VOC XML.

    Parameters
    ----------
    data : DataSet
        The set it is of.
    entry : LabeledImage
        The picture.
    name : str
        Its file name.
    place : int
        Its number in the set.

    Returns
    -------
    str
        XML.

    Raises
    ------
    DataSetError
        If a name has characters that XML cannot hold.

    Examples
    --------
    >>> entry = LabeledImage(1, Path("a.png"), 9, 6, boxes=[[3, 2, 9, 5]], labels=[0])
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> "<xmin>4</xmin>" in voc_text(data, entry, "a.png")
    True
    """
    tree = ElementTree.Element("annotation")

    def add(parent: ElementTree.Element, tag: str, text: object) -> None:
        if _NOT_IN_XML.search(str(text)):
            raise DataSetError(f"{name}: text in XML must be printable, got {text!r}; rename the {tag}")
        ElementTree.SubElement(parent, tag).text = str(text)

    add(tree, "folder", entry.recording)
    add(tree, "filename", name)
    size = ElementTree.SubElement(tree, "size")
    for tag, value in (("width", entry.width_px), ("height", entry.height_px), ("depth", 3)):
        add(size, tag, value)
    notes = object_notes(data, entry)
    for row, corners in enumerate(voc_from_corners(entry.boxes).tolist()):
        thing = ElementTree.SubElement(tree, "object")
        add(thing, "name", data.classes[int(entry.labels[row])])
        add(thing, "truncated", int(entry.visibility[row] < 1))
        add(thing, "difficult", int(entry.ignore[row] | entry.crowd[row]))
        box = ElementTree.SubElement(thing, "bndbox")
        for tag, value in zip(("xmin", "ymin", "xmax", "ymax"), corners, strict=True):
            add(box, tag, value)
        add(thing, TAG, notes[row])
    add(tree, TAG, picture_note(data, entry, place))
    ElementTree.indent(tree)
    return ElementTree.tostring(tree, encoding="unicode") + "\n"
