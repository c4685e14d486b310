"""The box labeler: a picture to draw boxes on, in the notebook."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Sequence
from typing import Any

import traitlets

from robotlab.data import LabeledImage
from robotlab.data.values import as_id
from robotlab.errors import DataSetError, InputError, PictureError, counted, short
from robotlab.files import read_plain
from robotlab.image.file import LARGEST_FILE_BYTES
from robotlab.label.labels import PictureLabels
from robotlab.label.store import READ_ONLY, LabelStore
from robotlab.label.suggest import Suggester
from robotlab.report.plots import COLORS
from robotlab.widgets.kit import Widget, browser_code

# Vermilion and blue first, as in the other widgets.
CLASS_COLORS = (COLORS[1], COLORS[0], *COLORS[2:])


class BoxLabeler(Widget):
    """Draw boxes on the pictures of a data set; every change is on the disk before it says "saved".

    Parameters
    ----------
    path : path-like
        A data set: its folder, or its COCO-style labels file.
    pictures : sequence of int or str, optional
        Ids of the pictures to label; all when left out.
    suggestions : bool
        False: no detector suggests, and pictures come in the order of the file.

    Raises
    ------
    DataSetError
        If the data set cannot be opened, or a picture is not in it.

    Notes
    -----
    Drag to draw; drag a box or its corner to correct; click on an object to
    have it outlined by its color.  Enter accepts what is suggested and goes
    on.  The keys are listed below the picture.  :attr:`store` is the data set
    as it stands, :attr:`suggester` who suggests.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> from robotlab.data import Sample, write_dataset
    >>> _ = write_dataset(tempfile.mkdtemp() + "/bench", [Sample("a.png", np.zeros((6, 8, 3), np.uint8))], ["post"])
    >>> BoxLabeler(_.folder)
    Box labeler: 0 of 1 picture labeled, 0 post.
    """

    _esm = browser_code("box_labeler")

    # Which pictures there are: id, name, width, height, recording, and whether each is labeled.
    pictures: traitlets.List = traitlets.List().tag(sync=True)
    # What the browser keeps pending changes under, where they survive a closed tab.
    key = traitlets.Unicode().tag(sync=True)
    colors: traitlets.List = traitlets.List().tag(sync=True)
    status: traitlets.Dict = traitlets.Dict().tag(sync=True)
    # The picture that a page shows first: the last one shown, where the page is opened anew.
    first: traitlets.Any = traitlets.Any().tag(sync=True)

    def __init__(
        self, path: str | os.PathLike, pictures: Sequence[int | str] | None = None, suggestions: bool = True
    ) -> None:
        self.store = LabelStore(path)
        self.suggester = Suggester(self.store, background=suggestions)
        self._suggesting = suggestions
        # Which page asked last; by page and picture, the numbers of the last change and of the last undo or redo done.
        self._page: Any = None
        self._saved: dict[tuple, int] = {}
        self._undone: dict[tuple, int] = {}
        if isinstance(pictures, (str, int)):
            raise InputError(f"pictures must be a list of ids, got {short(pictures)}; write [{short(pictures)}]")
        self._ids = list(self.store.ids) if pictures is None else [self.store.entry(id).id for id in pictures]
        if not self._ids:
            raise InputError("pictures must name at least one picture, it is empty; leave it out for all")
        super().__init__(
            pictures=self._overview(),
            key=hashlib.sha256(str(self.store.labels_path).encode()).hexdigest()[:16],
            colors=list(CLASS_COLORS),
            status=self._status(),
            first=(self._next([]) or (self._ids[0], ""))[0],
            alt=f"A picture of {self.store.labels_path.parent.name} with its boxes, to draw and correct boxes on.",
        )
        self.on_msg(self._hear)

    def close(self) -> None:
        """Let another window label, and end a fit that is under way."""
        self.store.close()
        self.suggester.close()
        super().close()

    def _overview(self) -> list[list]:
        return [
            [one.id, one.name, one.width_px, one.height_px, one.recording, self.store.is_labeled(one.id)]
            for one in map(self.store.entry, self._ids)
        ]

    def _status(self) -> dict[str, Any]:
        counts, suggester = self.store.counts(), self.suggester
        whole = len(self._ids) == counts["pictures"]
        return {
            "classes": [[id, name, counts["boxes"][id]] for id, name in self.store.classes.items()],
            "labeled": counts["labeled"] if whole else sum(map(self.store.is_labeled, self._ids)),
            "pictures": len(self._ids),
            "read_only": READ_ONLY if self.store.read_only else "",
            "fitting": suggester.fitting,
            "learned_from": suggester.learned_from,
            "trouble": suggester.trouble,
        }

    def _next(self, passed: Collection) -> tuple[Any, str] | None:
        if self._suggesting:
            return self.suggester.next(self._ids, passed)
        left = (id for id in self._ids if id not in passed and not self.store.is_labeled(id))
        return next(((id, "") for id in left), None)

    # Messages

    def _hear(self, _: object, said: Any, buffers: list) -> None:
        if not isinstance(said, dict):
            return
        self._page = said.get("page")
        answer = getattr(self, f"_on_{said.get('say')}", None)
        if answer is None:
            return
        try:
            answer(said)
        except (DataSetError, PictureError) as error:
            self._refuse(said, str(error), again=False)
        except OSError as error:
            self._refuse(said, f"not saved: {error.strerror or error}; free some room, it is tried again", again=True)
        if self._suggesting and not self.store.read_only:
            self.suggester.poll()
        self.status = self._status()  # sent where it has changed

    def _answer(self, say: str, buffers: list | None = None, **more: Any) -> None:
        """Every page that shows this labeler hears it; `page` is the one that asked."""
        self.send({"say": say, "page": self._page, **more}, buffers)

    def _refuse(self, said: dict, text: str, again: bool) -> None:
        id = as_id(said.get("id"))
        labels = self.store.labels(id).plain() if id in self._ids else None
        self._answer("refused", number=said.get("number"), id=id, text=text, again=again, labels=labels)

    def _on_picture(self, said: dict) -> None:
        """The browser shows a picture, or loads it ahead."""
        entry = self.store.entry(as_id(said.get("id")))
        content = read_plain(entry.path, LARGEST_FILE_BYTES, "a picture", PictureError)
        self._answer("picture", [content], **self._told(entry.id), reason=said.get("reason", ""))

    def _told(self, id: Any) -> dict[str, Any]:
        return {"id": id, "labels": self.store.labels(id).plain()}

    def _on_suggest(self, said: dict) -> None:
        id = self.store.entry(as_id(said.get("id"))).id
        found = self.suggester.suggest(id) if self._suggesting else []
        self._answer("suggestions", id=id, boxes=[vars(one) for one in found], by=self.suggester.source)

    def _on_next(self, said: dict) -> None:
        """Which picture comes next, so that it can be loaded ahead; and which one is shown."""
        shown = as_id(said.get("shown"))
        if shown in self._ids:
            self.first = shown
        passed = {as_id(id) for id in said.get("passed", ())}
        found = self._next(passed)
        self._answer(
            "next", number=said.get("number"), id=found[0] if found else None, reason=found[1] if found else ""
        )

    def _on_click(self, said: dict) -> None:
        id = self.store.entry(as_id(said.get("id"))).id
        box = self.suggester.at_click(id, float(said["x"]), float(said["y"]))
        self._answer("clicked", id=said.get("id"), box=None if box is None else list(box))

    def _on_labels(self, said: dict) -> None:
        """New labels of a picture: they follow a state that the page has seen, or are merged with what is there."""
        entry = self.store.entry(as_id(said.get("id")))
        if self.store.read_only and not self.store.take_over():
            self._refuse(said, "this window is read-only; what it has not saved is kept in this browser", again=True)
            return
        place, number, merged = (said.get("made_on"), entry.id), said.get("number"), False
        if not isinstance(number, int):
            raise DataSetError(f"{entry.name}: a change must have a number, got {short(number)}; draw it again")
        # Sent again, since the answer was late or lost: it may have been undone since.
        if number > self._saved.get(place, -1):
            merged = self._take_in(entry, said, self._undone.get(place, 0))
            self._saved[place] = number
        self._answer("saved", number=number, merged=merged, **self._told(entry.id))

    def _take_in(self, entry: LabeledImage, said: dict, undone: int) -> bool:
        """Put a change; whether it had to be merged with one from elsewhere."""
        size = (entry.width_px, entry.height_px)
        now, wanted = self.store.labels(entry.id), PictureLabels.read(said.get("to"), *size)
        seen = [one for one in said.get("from", ()) if isinstance(one, dict)]
        # What was seen before an undo that has been done is void.
        seen = [one for one in seen if one.get("undo", 0) >= undone] or seen
        states = [PictureLabels.read(one, *size) for one in seen]
        merged = not any(now.same(one) for one in (*states, wanted))
        if merged:
            if not states:
                raise DataSetError(f"{entry.name}: a change must say what it follows, this one does not; draw it again")
            wanted = wanted.merged(min(states, key=now.distance), now)
        self.store.put(entry.id, wanted)
        return merged

    def _on_undo(self, said: dict) -> None:
        self._tell_back(self.store.undo(), said)

    def _on_redo(self, said: dict) -> None:
        self._tell_back(self.store.redo(), said)

    def _tell_back(self, id: Any, said: dict) -> None:
        self._undone[said.get("page"), id] = said.get("number", 0)
        told = self._told(id) if id in self._ids else {"id": None}
        self._answer("went_back", number=said.get("number"), **told)

    def _on_add_class(self, said: dict) -> None:
        added: dict[str, Any] = {"class": self.store.add_class(str(said.get("name", "")).strip())}
        self._answer("class_added", number=said.get("number"), **added)

    def _on_rename_class(self, said: dict) -> None:
        self.store.rename_class(as_id(said.get("class")), str(said.get("name", "")).strip())
        self._answer("class_renamed", number=said.get("number"))

    def _on_status(self, said: dict) -> None:
        """The browser asks while a fit runs, and while this window is read-only."""
        if self.store.read_only:
            self.store.take_over()

    def __repr__(self) -> str:
        counts = self.store.counts()
        boxes = ", ".join(f"{counts['boxes'][id]} {name}" for id, name in self.store.classes.items())
        return f"Box labeler: {counts['labeled']} of {counted(counts['pictures'], 'picture')} labeled, {boxes}."
