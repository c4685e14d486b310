"""The boxes of one picture as a person labels them, and as the labels file holds them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from robotlab.data.values import as_id, four_numbers
from robotlab.data.write import plain
from robotlab.errors import DataSetError, short


@dataclass(frozen=True)
class LabeledBox:
    """One box, drawn by a person or accepted.

    Parameters
    ----------
    box : (float, float, float, float)
        Corners ``x0, y0, x1, y1``, px.
    category_id : int or str
        Its class, by the id in the labels file.
    not_sure : bool
        Nobody has to find it, and it is not an error to find it: its annotation
        also carries ``ignore``.
    hidden : bool
        A part of the object is hidden behind something else.
    id : int, str or None
        The annotation's id; None where it is new.

    Examples
    --------
    >>> LabeledBox((1.0, 2.0, 5.0, 8.0), 1).size_px
    (4.0, 6.0)
    """

    box: tuple[float, float, float, float]
    category_id: int | str
    not_sure: bool = False
    hidden: bool = False
    id: int | str | None = None

    @property
    def size_px(self) -> tuple[float, float]:
        """Width and height, px."""
        return self.box[2] - self.box[0], self.box[3] - self.box[1]

    @property
    def content(self) -> tuple:
        """All but the id, corners to .01 px: what two boxes must have in common to be the same."""
        return tuple(round(number, 2) for number in self.box), self.category_id, self.not_sure, self.hidden

    def plain(self) -> dict[str, Any]:
        """As JSON.

        Returns
        -------
        dict
            Every field by its name.
        """
        return vars(self) | {"box": list(self.box)}

    @classmethod
    def read(cls, value: object, width_px: int, height_px: int) -> LabeledBox:
        """Check a box from JSON, and cut it off at the picture's edge.

        Parameters
        ----------
        value : object
            As :meth:`plain` gives it.
        width_px, height_px : int
            The picture's size.

        Returns
        -------
        LabeledBox
            Inside the picture.

        Raises
        ------
        DataSetError
            If it is not a box, or nothing of it is inside the picture.
        """
        known = value if isinstance(value, dict) else {}
        numbers = four_numbers(known.get("box"))
        if numbers is None or as_id(known.get("category_id")) is None:
            raise DataSetError(f"a box must have four numbers and a class, got {short(value)}; draw it again")
        found = cls._inside(known, numbers, (width_px, height_px))
        if not (found.box[0] < found.box[2] and found.box[1] < found.box[3]):  # NaN fails too
            raise DataSetError(
                f"a box must lie in its picture ({width_px} x {height_px} px) and have an area, got {short(list(numbers))}; draw it again"
            )
        return found

    @classmethod
    def _inside(cls, note: Mapping[str, Any], corners: Sequence[float], size: tuple[int, int]) -> LabeledBox:
        """A box of given corners, cut off at the picture's edge, that is for the rest as its note says."""
        x0, y0, x1, y1 = corners
        box = (max(x0, 0.0), max(y0, 0.0), min(x1, float(size[0])), min(y1, float(size[1])))
        marks = bool(note.get("not_sure")), bool(note.get("hidden"))
        category = as_id(note["category_id"])
        assert category is not None  # who calls has looked
        return cls(box, category, *marks, as_id(note.get("id")))


@dataclass(frozen=True)
class PictureLabels:
    """What a person has said about one picture.

    Parameters
    ----------
    boxes : tuple of LabeledBox
        Its boxes.
    labeled : bool
        The person is done with it: a picture without boxes that is labeled
        shows none of the classes; one that is not has not been looked at.

    Examples
    --------
    >>> PictureLabels((LabeledBox((0, 0, 4, 4), 1, id=7),), True).same(PictureLabels((LabeledBox((0, 0, 4, 4), 1),), True))
    True
    """

    boxes: tuple[LabeledBox, ...] = ()
    labeled: bool = False

    def same(self, other: PictureLabels) -> bool:
        """Whether both say the same, whatever the ids are.

        Parameters
        ----------
        other : PictureLabels
            Labels of the same picture.

        Returns
        -------
        bool
            True if they do, corners to 0.01 px.
        """
        mine, its = ([box.content for box in one.boxes] for one in (self, other))
        return mine == its and self.labeled == other.labeled

    def distance(self, other: PictureLabels) -> int:
        """How many boxes only one of both has.

        Parameters
        ----------
        other : PictureLabels
            Labels of the same picture.

        Returns
        -------
        int
            0 where both have the same boxes, in any order.
        """
        mine, its = (Counter(box.content for box in one.boxes) for one in (self, other))
        return ((mine - its) + (its - mine)).total()

    def merged(self, base: PictureLabels, other: PictureLabels) -> PictureLabels:
        """Do to `other` what was done to `base` to get these labels: a three-way merge, box by box.

        Parameters
        ----------
        base : PictureLabels
            What both started from.
        other : PictureLabels
            What somebody else made of it meanwhile.

        Returns
        -------
        PictureLabels
            Both changes.  Of a box that both changed this one's version
            counts, and a box that one changed and one deleted stays.

        Examples
        --------
        >>> post, crate = LabeledBox((0, 0, 4, 4), 1, id=7), LabeledBox((5, 5, 9, 9), 2)
        >>> PictureLabels((post, crate)).merged(PictureLabels((post,)), PictureLabels()).boxes == (crate,)
        True
        """
        here, there = _partners(base.boxes, self.boxes), _partners(base.boxes, other.boxes)
        boxes, new = dict(enumerate(other.boxes)), []
        for was, mine, its in zip(base.boxes, here, there, strict=True):
            if mine is None:
                if its is not None and other.boxes[its].content == was.content:
                    del boxes[its]
            elif self.boxes[mine].content != was.content:
                if its is None:
                    new.append(self.boxes[mine])
                else:
                    boxes[its] = replace(self.boxes[mine], id=other.boxes[its].id)
        new += [box for place, box in enumerate(self.boxes) if place not in here]
        known = {box.content for box in boxes.values()}
        added = (replace(box, id=None) for box in new if box.content not in known)
        labeled = other.labeled if self.labeled == base.labeled else self.labeled
        return PictureLabels((*boxes.values(), *added), labeled)

    def plain(self) -> dict[str, Any]:
        """As JSON.

        Returns
        -------
        dict
            Every field by its name.
        """
        return {"boxes": [box.plain() for box in self.boxes], "labeled": self.labeled}

    @classmethod
    def read(cls, value: object, width_px: int, height_px: int) -> PictureLabels:
        """Check labels from JSON.

        Parameters
        ----------
        value : object
            As :meth:`plain` gives it.
        width_px, height_px : int
            The picture's size.

        Returns
        -------
        PictureLabels
            All boxes inside the picture.

        Raises
        ------
        DataSetError
            If a box is wrong.
        """
        if not isinstance(value, dict) or not isinstance(value.get("boxes"), list):
            raise DataSetError(f"labels of a picture must have a list of boxes, got {short(value)}; send them again")
        boxes = tuple(LabeledBox.read(box, width_px, height_px) for box in value["boxes"])
        return cls(boxes, bool(value.get("labeled")))


def _partners(boxes: Sequence[LabeledBox], others: Sequence[LabeledBox]) -> list[int | None]:
    """For each box the place of the same box in another list: that of its id, else one with the same content."""
    free = dict(enumerate(others))
    found: list[int | None] = [None] * len(boxes)
    for same in (lambda a, b: a.id is not None and a.id == b.id, lambda a, b: a.content == b.content):
        for row, box in enumerate(boxes):
            if found[row] is None:
                place = next((place for place, other in free.items() if same(box, other)), None)
                if place is not None:
                    found[row] = place
                    del free[place]
    return found


def labels_of(record: Mapping[str, Any], notes: Sequence[Mapping[str, Any]], size: tuple[int, int]) -> PictureLabels:
    """The labels of a picture from its records in a labels file that has been checked.

    Parameters
    ----------
    record : mapping
        The picture's; without ``labeled`` it counts as labeled if it has boxes.
    notes : sequence of mapping
        Its annotations.
    size : (int, int)
        Its width and height, px.

    Returns
    -------
    PictureLabels
        The same, for people.

    Examples
    --------
    >>> labels_of({}, [{"id": 3, "category_id": 1, "bbox": [1, 1, 4, 4], "hidden": 1}], (8, 8)).boxes[0].hidden
    True
    """
    boxes = []
    for note in notes:
        x, y, w, h = (float(number) for number in note["bbox"])
        boxes.append(LabeledBox._inside(note, (x, y, x + w, y + h), size))
    return PictureLabels(tuple(boxes), bool(record.get("labeled", bool(notes))))


def notes_of(
    labels: PictureLabels, image_id: int | str, old: Iterable[dict[str, Any]], size: tuple[int, int], new_id: Any
) -> list[dict[str, Any]]:
    """Annotation records for the labels of one picture; what robotlab does not know in old ones is kept.

    Parameters
    ----------
    labels : PictureLabels
        As they shall be.
    image_id : int or str
        The picture's id.
    old : iterable of dict
        Its annotations so far.
    size : (int, int)
        Its width and height, px.
    new_id : callable
        Gives ids that are not in use.

    Returns
    -------
    list of dict
        One for each box; those that did not change are the old ones.

    Examples
    --------
    >>> old = [{"id": 3, "image_id": 7, "category_id": 1, "bbox": [1, 1, 4, 4], "by": "ann"}]
    >>> moved = PictureLabels((LabeledBox((2.0, 1.0, 6.0, 5.0), 1, id=3),))
    >>> notes_of(moved, 7, old, (8, 8), None)
    [{'id': 3, 'image_id': 7, 'category_id': 1, 'bbox': [2, 1, 4, 4], 'by': 'ann', 'area': 16, 'iscrowd': 0}]
    """
    known = {as_id(note.get("id")): note for note in old}
    notes = []
    for box in labels.boxes:
        before = known.pop(box.id, None)
        was = None if before is None else labels_of({}, [before], size).boxes[0]
        if before is not None and was is not None and was.content == box.content:
            notes.append(before)
            continue
        note = dict(before) if before is not None else {"id": new_id(), "image_id": image_id}
        note["category_id"] = box.category_id
        if was is None or was.box != box.box:
            (x0, y0, _, _), (wide, tall) = box.box, box.size_px
            note["bbox"] = [plain(round(number, 3)) for number in (x0, y0, wide, tall)]
            note["area"] = plain(round(wide * tall, 3))
            note.setdefault("iscrowd", 0)
            note.pop("segmentation", None)  # an outline of the old box is wrong for the new one
        for key, mark in (("not_sure", "not_sure"), ("ignore", "not_sure"), ("hidden", "hidden")):
            if was is None or getattr(was, mark) != getattr(box, mark):
                if getattr(box, mark):
                    note[key] = 1
                else:
                    note.pop(key, None)
        notes.append(note)
    return notes
