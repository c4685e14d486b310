"""The labels of one data set while people label it: each change is on the disk before it counts.

The labels file is written whole after each change (beside, flush, rename,
flush of the folder), so every other program can read it at any moment, and
nothing has to be recovered after a crash.  Of each picture the text is kept,
so that a change costs one picture's JSON and one write.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import weakref
from collections import Counter
from pathlib import Path
from typing import Any

from robotlab.data import DataSet, LabeledImage
from robotlab.data.atomic_folder import flush_folder
from robotlab.data.labels_text import labels_text
from robotlab.data.locating import find_labels
from robotlab.data.values import as_id
from robotlab.errors import DataSetError, short
from robotlab.files import write_whole
from robotlab.json_file import read_json
from robotlab.label.labels import PictureLabels, labels_of, notes_of
from robotlab.label.labels_file import check_class_name, checked, picture_text, signature, tally
from robotlab.one_writer import one_writer

# Which store of this process writes to a labels file; a newer one takes over.
_WRITERS: weakref.WeakValueDictionary[str, LabelStore] = weakref.WeakValueDictionary()
READ_ONLY = (
    "another window or program has this data set open; this one only shows it. Close the other one to go on here"
)


class LabelStore:
    """A data set being labeled.

    Parameters
    ----------
    path : path-like
        A data set: its folder, or its COCO-style labels file.

    Raises
    ------
    DataSetError
        If the data set cannot be opened, or is one of VOC files.

    Notes
    -----
    One store writes to a data set, guarded by a lock that ends with its
    process; a second one is read-only and says so (:attr:`read_only`).  A
    second one of the *same* process takes over, as when a notebook's cell is
    run again.  What another program writes into the file meanwhile is read
    before the next change, and kept.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> from robotlab.data import Sample, open_dataset, write_dataset
    >>> from robotlab.label import LabeledBox
    >>> folder = Path(tempfile.mkdtemp()) / "bench"
    >>> _ = write_dataset(folder, [Sample("a.png", np.zeros((6, 8, 3), np.uint8))], ["post"])
    >>> store = LabelStore(folder)
    >>> store.put(1, PictureLabels((LabeledBox((1, 2, 5, 5), 1),), labeled=True))
    >>> open_dataset(folder)[0].boxes.tolist()
    [[1.0, 2.0, 5.0, 5.0]]
    >>> store.undo(), store.labels(1).boxes
    (1, ())
    """

    def __init__(self, path: str | os.PathLike) -> None:
        found = find_labels(path)
        if found is None:
            raise DataSetError(
                f"{path} must hold a COCO-style labels file to be labeled, it has none; make one with robotlab gather, or write the data set with robotlab.data.write_dataset"
            )
        self.labels_path = Path(os.path.realpath(found))
        # Holds the lock on the folder while it is held; that ends with the process, however that ends.
        self._lock, self._held = contextlib.ExitStack(), False
        self._undo: list[tuple] = []
        self._redo: list[tuple] = []
        self._read()
        before = _WRITERS.get(str(self.labels_path))
        if before is not None:
            before.close()
        self.take_over()

    def _read(self) -> None:
        """Read the labels file, checking every record by the data-set contract."""
        read = signature(self.labels_path)
        value = read_json(self.labels_path, "a labels file", DataSetError)
        data = checked(self.labels_path, value)
        self._value, self._signature = value, read
        self._entries = {entry.id: entry for entry in data}
        self._records = {as_id(record["id"]): record for record in value["images"]}
        self._notes: dict[Any, list[dict]] = {id: [] for id in self._records}
        for note in value["annotations"]:
            self._notes[as_id(note["image_id"])].append(note)
        used = [as_id(note.get("id")) for notes in self._notes.values() for note in notes]
        self._new_id = itertools.count(1 + max((id for id in used if isinstance(id, int)), default=0)).__next__
        for note in value["annotations"]:
            if "id" not in note:
                note["id"] = self._new_id()
        self._text: dict[Any, tuple[str, str]] = {}
        self._counted = sum((tally(record, self._notes[id]) for id, record in self._records.items()), Counter())

    @property
    def ids(self) -> tuple[int | str, ...]:
        """The pictures' ids, in the order of the file."""
        return tuple(self._entries)

    @property
    def classes(self) -> dict[Any, str]:
        """Class names by their ids, in the order of the file."""
        return {as_id(record["id"]): record["name"] for record in self._value["categories"]}

    @property
    def read_only(self) -> bool:
        """Whether another window or program holds this data set."""
        return not self._held

    def entry(self, id: int | str | None) -> LabeledImage:
        """The picture as the data set had it when it was read: path, size, recording.

        Parameters
        ----------
        id : int or str
            The picture.

        Returns
        -------
        LabeledImage
            Its boxes may have changed since; :meth:`labels` has them.

        Raises
        ------
        DataSetError
            If it is none of the data set.
        """
        if id not in self._entries:
            raise DataSetError(f"{self.labels_path}: a picture must be one of the data set, id {short(id)} is none")
        return self._entries[id]

    def labels(self, id: int | str) -> PictureLabels:
        """The labels of one picture, as they are on the disk.

        Parameters
        ----------
        id : int or str
            The picture.

        Returns
        -------
        PictureLabels
            All of them.
        """
        entry = self.entry(id)
        return labels_of(self._records[id], self._notes[id], (entry.width_px, entry.height_px))

    def is_labeled(self, id: int | str) -> bool:
        """Whether a person is done with a picture; as :meth:`labels`, in less time.

        Parameters
        ----------
        id : int or str
            The picture.

        Returns
        -------
        bool
            True if so.
        """
        return bool(self._records[id].get("labeled", bool(self._notes[id])))

    def data(self, labeled_only: bool = True) -> DataSet | None:
        """The data set as it stands.

        Parameters
        ----------
        labeled_only : bool
            True leaves out pictures that are not labeled yet.

        Returns
        -------
        DataSet or None
            None where no picture is left.
        """
        data = checked(self.labels_path, self._value)
        chosen = [entry for entry in data if not labeled_only or self.is_labeled(entry.id)]
        return data.having(chosen) if chosen else None

    def counts(self) -> dict[str, Any]:
        """How many pictures there are, how many are labeled, and boxes by class id.

        Returns
        -------
        dict
            ``pictures``, ``labeled``, ``empty`` (labeled without a box),
            ``not_sure``, ``hidden``, and ``boxes`` by class id.
        """
        names = ("pictures", "labeled", "empty", "not_sure", "hidden")
        boxes = {id: self._counted["boxes", id] for id in self.classes}
        return {**{name: self._counted[name] for name in names}, "boxes": boxes}

    def take_over(self) -> bool:
        """Become the one that writes, if nobody else is.

        Returns
        -------
        bool
            Whether this store may write now.
        """
        if self._held:
            return True
        folder = self.labels_path.parent
        with contextlib.suppress(DataSetError):
            self._lock.enter_context(one_writer(folder, "a gather or another labeler", DataSetError))
            self._held = True
        if self._held:
            _WRITERS[str(self.labels_path)] = self
            self._refresh()
            # What a killed program left beside; nobody writes there now.
            for part in folder.glob(f".{self.labels_path.name}.*.part"):
                part.unlink(missing_ok=True)
        return self._held

    def close(self) -> None:
        """Let others write; this store then only shows."""
        self._lock.close()
        self._held = False

    def put(self, id: int | str, labels: PictureLabels) -> None:
        """Replace the labels of one picture; they are on the disk when this returns.

        Parameters
        ----------
        id : int or str
            The picture.
        labels : PictureLabels
            All of its labels.

        Raises
        ------
        DataSetError
            If another program holds the set, the picture is none of it, or a
            box has no class of it.
        OSError
            If it cannot be written, as on a full disk; the store then holds
            what it held before.
        """
        self._writable()
        entry = self.entry(id)
        unknown = [box.category_id for box in labels.boxes if box.category_id not in self.classes]
        if unknown:
            raise DataSetError(
                f"{entry.name}: a box must be of a class of the set, {short(unknown[0])} is none; add it"
            )
        notes = notes_of(labels, id, self._notes[id], (entry.width_px, entry.height_px), self._new_id)
        self._change(id, (notes, labels.labeled))

    def add_class(self, name: str) -> int | str:
        """Add a class, after the others.

        Parameters
        ----------
        name : str
            Printable, and not one of the names there.

        Returns
        -------
        int
            Its id.
        """
        self._writable()
        check_class_name(name, self.classes.values())
        id = 1 + max((id for id in self.classes if isinstance(id, int)), default=0)
        self._change(None, [*self._value["categories"], {"id": id, "name": name}])
        return id

    def rename_class(self, id: int | str | None, name: str) -> None:
        """Give a class another name; its boxes stay.

        Parameters
        ----------
        id : int or str
            The class.
        name : str
            Printable, and not one of the names there.
        """
        self._writable()
        if id not in self.classes:
            raise DataSetError(f"a class must be one of the set, id {short(id)} is none; add it")
        check_class_name(name, self.classes.values())
        renamed = [
            {**record, "name": name} if as_id(record["id"]) == id else record for record in self._value["categories"]
        ]
        self._change(None, renamed)

    def undo(self) -> int | str | None:
        """Take back the last change of this store.

        Returns
        -------
        int, str or None
            The picture's id; None where it was a change of the classes.

        Raises
        ------
        DataSetError
            If there is none, or another program has overwritten it.
        """
        return self._back(self._undo, self._redo, "take back")

    def redo(self) -> int | str | None:
        """Make again what was taken back last.

        Returns
        -------
        int, str or None
            As :meth:`undo`, also in what it raises.
        """
        return self._back(self._redo, self._undo, "make again")

    def _back(self, source: list[tuple], target: list[tuple], words: str) -> int | str | None:
        self._writable()
        if not source:
            raise DataSetError(f"there must be a change to {words}, there is none")
        id, before, after = source[-1]
        if id in self._records or id is None:
            now = self._now(id)
            used = {as_id(note["category_id"]) for notes in self._notes.values() for note in notes}
            gone = id is None and used - {as_id(record["id"]) for record in before}
            if now == after and not gone:
                self._apply(id, before)
                target.append((id, after, before))
                source.pop()
                return id
        source.pop()
        raise DataSetError("a change that another program has overwritten cannot be undone; what is there is kept")

    def _now(self, id: int | str | None) -> Any:
        """A picture's records as they are, or the classes'."""
        if id is None:
            return list(self._value["categories"])
        return list(self._notes[id]), self.is_labeled(id)

    def _change(self, id: int | str | None, after: Any) -> None:
        before = self._now(id)
        if before != after:
            self._apply(id, after)
            self._undo.append((id, before, after))
            self._redo.clear()

    def _apply(self, id: int | str | None, state: Any) -> None:
        """Set and write; where writing fails everything is as before."""
        before = self._now(id)
        self._set(id, state)
        try:
            self._write()
        except BaseException:
            self._set(id, before)
            raise

    def _set(self, id: int | str | None, state: Any) -> None:
        if id is None:
            self._value["categories"] = list(state)
            return
        self._counted.subtract(tally(self._records[id], self._notes[id]))
        self._notes[id] = list(state[0])
        self._records[id]["labeled"] = state[1]
        self._counted.update(tally(self._records[id], self._notes[id]))
        self._text.pop(id, None)

    def _writable(self) -> None:
        if not self._held:
            raise DataSetError(f"{self.labels_path}: {READ_ONLY}")
        self._refresh()

    def _refresh(self) -> None:
        """Read the file again if somebody else has written it."""
        if signature(self.labels_path) != self._signature:
            self._read()

    def _write(self) -> None:
        for id in self._records.keys() - self._text.keys():
            self._text[id] = picture_text(self._records[id], self._notes[id])
        self._value["annotations"] = [note for notes in self._notes.values() for note in notes]
        texts = [self._text[id] for id in self._records]
        lines = {"images": [record for record, _ in texts], "annotations": [notes for _, notes in texts if notes]}
        write_whole(self.labels_path, labels_text(self._value, lines))
        with contextlib.suppress(OSError):
            flush_folder(self.labels_path.parent)
        self._signature = signature(self.labels_path)
