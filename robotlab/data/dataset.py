"""What a data set is once it is open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from robotlab import image as pictures_io
from robotlab.data.labeled_image import LabeledImage
from robotlab.errors import DataSetError, InputError, PictureError, short, some

# LVIS has 1203 (Gupta et al., CVPR 2019); a confusion matrix takes memory with their square.
MOST_CLASSES = 2000


@dataclass(frozen=True, eq=False)
class DataSet:
    """Labeled pictures, opened but not yet read.

    Open one with :func:`robotlab.data.open_dataset`.

    Parameters
    ----------
    labels_path : Path
        The labels file, or the folder of VOC files.
    classes : tuple of str
        Class names, in the order of the file; labels index into them.
    category_ids : tuple of int or str
        The classes' ids in the file; may have gaps.
    pictures : tuple of LabeledImage
        The pictures, in the order of the file.
    categories : tuple of mapping
        The classes' records as they stand in the file.
    rest : mapping
        Everything else at the top of the file (``info``, ``licenses``, ...).
    known_ids : frozenset
        Ids of every picture of the file, also those left out by :meth:`only`.
    known_category_ids : frozenset
        Ids of every class of the file, also those left out by
        :meth:`of_classes`.

    Examples
    --------
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (LabeledImage(7, Path("a.png"), 8, 6),))
    >>> len(data), data.recordings, data.box_count
    (1, ('all',), 0)
    """

    labels_path: Path
    classes: tuple[str, ...]
    category_ids: tuple[int | str, ...]
    pictures: tuple[LabeledImage, ...]
    categories: tuple[Mapping[str, Any], ...] = field(default=(), repr=False)
    rest: Mapping[str, Any] = field(default_factory=dict, repr=False)
    known_ids: frozenset = field(default=frozenset(), repr=False)
    known_category_ids: frozenset = field(default=frozenset(), repr=False)

    def __post_init__(self) -> None:
        if len(self.classes) > MOST_CLASSES:
            raise DataSetError(
                f"a data set must have at most {MOST_CLASSES} classes, {self.labels_path} has {len(self.classes)}; is it the "
                "right file?"
            )
        if not self.known_ids:
            object.__setattr__(self, "known_ids", frozenset(entry.id for entry in self.pictures))
        if not self.known_category_ids:
            object.__setattr__(self, "known_category_ids", frozenset(self.category_ids))

    def __len__(self) -> int:
        return len(self.pictures)

    def __iter__(self) -> Iterator[LabeledImage]:
        return iter(self.pictures)

    def __getitem__(self, place: int) -> LabeledImage:
        return self.pictures[place]

    @property
    def folder(self) -> Path:
        """The folder the labels lie in."""
        return self.labels_path if self.labels_path.is_dir() else self.labels_path.parent

    @property
    def recordings(self) -> tuple[str, ...]:
        """The recordings, each once, in order of appearance."""
        return tuple(dict.fromkeys(entry.recording for entry in self.pictures))

    @property
    def lightings(self) -> tuple[str, ...]:
        """The lightings, each once, in order of appearance; unknown ones left out."""
        return tuple(dict.fromkeys(entry.lighting for entry in self.pictures if entry.lighting is not None))

    @property
    def category_records(self) -> list[dict[str, Any]]:
        """The classes as records of a labels file."""
        known = self.categories or ({},) * len(self.classes)
        rows = zip(known, self.category_ids, self.classes, strict=True)
        return [{**record, "id": id, "name": name} for record, id, name in rows]

    @property
    def box_count(self) -> int:
        """How many boxes there are in all pictures together."""
        return sum(len(entry) for entry in self.pictures)

    def only(
        self,
        recordings: Iterable[str] | str | None = None,
        lightings: Iterable[str] | str | None = None,
        ids: Iterable[int | str] | None = None,
    ) -> DataSet:
        """The pictures of some recordings, lightings or ids; all conditions hold.

        Parameters
        ----------
        recordings, lightings : iterable of str, str or None
            Names to keep; ``None`` keeps all.
        ids : iterable of int or str, or None
            Picture ids to keep.

        Returns
        -------
        DataSet
            The same classes with fewer pictures, in the same order.

        Raises
        ------
        DataSetError
            If a name or id is not there, or no picture is left.

        Examples
        --------
        >>> rows = tuple(LabeledImage(n, Path(f"{n}.png"), 8, 6, recording="ab"[n % 2]) for n in range(4))
        >>> data = DataSet(Path("annotations.json"), ("post",), (1,), rows)
        >>> [entry.id for entry in data.only(recordings="b")]
        [1, 3]
        """
        keep = list(self.pictures)
        for word, wanted in (("recording", recordings), ("lighting", lightings), ("id", ids)):
            if wanted is None:
                continue
            wanted = {wanted} if isinstance(wanted, str) else set(wanted)
            there = dict.fromkeys(getattr(entry, word) for entry in self.pictures)
            there.pop(None, None)
            missing = sorted(str(name) for name in wanted - set(there))
            if missing:
                raise DataSetError(
                    f"{self.labels_path}: {word}s must be among {some([*map(str, there)]) or 'none'}, got {', '.join(missing)}; "
                    "check the spelling"
                )
            keep = [entry for entry in keep if getattr(entry, word) in wanted]
        return self.having(keep)

    def of_classes(self, names: Iterable[str] | str) -> DataSet:
        """Only some of the classes; boxes of the others go, all pictures stay.

        Parameters
        ----------
        names : iterable of str, or str
            The classes to keep; they keep the order of the file.

        Returns
        -------
        DataSet
            With fewer classes and labels counted anew.

        Raises
        ------
        DataSetError
            If a class is not there, or none is named.

        Examples
        --------
        >>> row = LabeledImage(7, Path("a.png"), 8, 6, boxes=[[0, 0, 4, 4], [1, 1, 2, 2]], labels=[0, 1])
        >>> data = DataSet(Path("annotations.json"), ("post", "crate"), (1, 4), (row,)).of_classes("crate")
        >>> data.classes, data.category_ids, data[0].labels.tolist()
        (('crate',), (4,), [0])
        """
        wanted = {names} if isinstance(names, str) else set(names)
        missing = sorted(wanted - set(self.classes))
        if missing or not wanted:
            raise DataSetError(
                f"{self.labels_path}: classes must be among {', '.join(self.classes)}, got {', '.join(missing) or 'none'}; "
                "check the spelling"
            )
        keep = [place for place, name in enumerate(self.classes) if name in wanted]
        new = np.full(len(self.classes), -1)
        new[keep] = np.arange(len(keep))
        entries = []
        for entry in self.pictures:
            rows = np.flatnonzero(new[entry.labels] >= 0)
            entries.append(entry.pick(rows, new[entry.labels[rows]]))
        return replace(
            self,
            classes=tuple(self.classes[place] for place in keep),
            category_ids=tuple(self.category_ids[place] for place in keep),
            categories=tuple(self.categories[place] for place in keep) if self.categories else (),
            pictures=tuple(entries),
        )

    def having(self, entries: Sequence[LabeledImage]) -> DataSet:
        """The same data set with other entries.

        Parameters
        ----------
        entries : sequence of LabeledImage
            At least one.

        Returns
        -------
        DataSet
            With those entries.

        Raises
        ------
        DataSetError
            If there are none.

        Examples
        --------
        >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (LabeledImage(7, Path("a.png"), 8, 6),))
        >>> len(data.having([data[0], data[0]]))
        2
        """
        if not entries:
            raise DataSetError(
                f"{self.labels_path}: a data set must have at least one picture, none is left; choose more"
            )
        return replace(self, pictures=tuple(entries))

    @property
    def labeled(self) -> DataSet:
        """Without the pictures that nobody has labeled yet: gathered, noted ``labeled: false``, and without a box.

        To learn from or to judge by, those would count as pictures without
        the objects.
        """
        entries = [entry for entry in self.pictures if not entry.waits_for_labels]
        if not entries:
            raise DataSetError(
                f"{self.labels_path}: at least one of the {len(self)} pictures chosen must be labeled, none is yet; "
                "draw boxes with robotlab label, or choose other recordings"
            )
        return self if len(entries) == len(self) else self.having(entries)

    def need_boxes(self) -> DataSet:
        """Return the data set if it has boxes to learn from or to judge by.

        Returns
        -------
        DataSet
            Itself.

        Raises
        ------
        DataSetError
            If no picture has a box that counts.

        Examples
        --------
        >>> row = LabeledImage(7, Path("a.png"), 8, 6, boxes=[[0, 0, 4, 4]])
        >>> DataSet(Path("annotations.json"), ("post",), (1,), (row,)).need_boxes().box_count
        1
        """
        if not any(entry.counted.any() for entry in self.pictures):
            raise DataSetError(
                f"{self.labels_path}: the {len(self)} pictures chosen must have at least one box that counts, "
                "they have none; label them, or choose other recordings"
            )
        return self

    def load(self, entry: LabeledImage) -> np.ndarray:
        """Read one picture.

        Parameters
        ----------
        entry : LabeledImage
            One of the data set's pictures.

        Returns
        -------
        (H, W, 3) ndarray of uint8
            Red-green-blue.

        Raises
        ------
        DataSetError
            If the file is missing, cut short, no picture, or of another size
            than its label says.

        Examples
        --------
        >>> import tempfile
        >>> path = pictures_io.save(Path(tempfile.mkdtemp()) / "a.png", np.zeros((6, 8, 3), np.uint8))
        >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (LabeledImage(7, path, 8, 6),))
        >>> data.load(data[0]).shape
        (6, 8, 3)
        """
        where = f"{self.labels_path}: picture id {entry.id} ({entry.name})"
        try:
            picture = pictures_io.load(entry.path)
        except PictureError as error:
            raise DataSetError(f"{where}: {error}") from None
        label, size = (entry.width_px, entry.height_px), (picture.shape[1], picture.shape[0])
        if size != label:
            raise DataSetError(f"{where}: {size_problem(label, size)}")
        return picture


def check_data_set(data: object) -> DataSet:
    """What is to be a data set, checked.

    Parameters
    ----------
    data : object
        From a caller.

    Returns
    -------
    DataSet
        The same.

    Raises
    ------
    InputError
        If it is something else.

    Examples
    --------
    >>> check_data_set("labels")
    Traceback (most recent call last):
    robotlab.errors.InputError: data must be a data set, got 'labels'; open one with robotlab.data.open_dataset
    """
    if not isinstance(data, DataSet):
        raise InputError(f"data must be a data set, got {short(data)}; open one with robotlab.data.open_dataset")
    return data


def size_problem(label: tuple[int, int], real: tuple[int, int]) -> str:
    """The sentence for a picture whose size is not the one its label gives.

    Parameters
    ----------
    label, real : (int, int)
        Width and height by the label and by the file, px.

    Returns
    -------
    str
        Rule, what came, repair.
    """
    turned = " (width and height are swapped: was it turned after labeling?)" if real == label[::-1] else ""
    return (
        f"width and height must be those of the file, the label says {label[0]} x {label[1]} px "
        f"and the file has {real[0]} x {real[1]} px{turned}; "
        "correct the label, or bring back the picture that was labeled"
    )
