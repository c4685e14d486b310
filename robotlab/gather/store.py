"""Put pictures into a data set one by one, so that a run can be killed at any moment and go on later."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from robotlab.data.atomic_folder import LITTER
from robotlab.data.coco import read_labels
from robotlab.data.labels_text import labels_text
from robotlab.data.locating import LABELS_NAME, find_labels
from robotlab.data.values import is_word
from robotlab.errors import DataSetError, printable, short
from robotlab.files import write_json, write_whole
from robotlab.gather.selection import SWITCHES, CandidateRecord
from robotlab.json_file import read_json
from robotlab.one_writer import LOCK_NAME

# Where the notes on each recording lie: what was looked at, with its measures.
NOTES = "gathered"
# Labels and notes are written at least this often, s: what a kill costs.
COMMIT_S = 2.0
# Kept free on the disk, bytes: for labels, notes, and whatever else runs (own choice).
SPARE_BYTES = 50_000_000
_LONGEST_NAME = 80


def check_recording(name: str) -> str:
    """Return a recording's name if it can name a folder anywhere, or say what is wrong.

    Parameters
    ----------
    name : str
        As given.

    Returns
    -------
    str
        The name.

    Raises
    ------
    DataSetError
        If it is empty, not printable, too long, or leads elsewhere.

    Examples
    --------
    >>> check_recording("walk 1")
    'walk 1'
    """
    bad = set('/\\:*?"<>|,') & set(name)  # a comma parts the names of --recordings
    if (
        not name
        or bad
        or printable(name) != name
        or name != name.strip(" .").removeprefix("-")
        or len(name.encode("utf-8", "replace")) > _LONGEST_NAME
    ):
        raise DataSetError(
            f"a recording's name must be up to {_LONGEST_NAME} bytes of plain signs that can name a folder, without "
            'slashes or any of : * ? " < > | , and no dot or space at an end, nor a dash in front, '
            f"got {short(name)}; choose for instance walk1"
        )
    return name


def _checked(classes: Sequence[str]) -> tuple[str, ...]:
    """Class names as a labels file may have them: a data set with others could not be opened again."""
    names = () if isinstance(classes, str) else tuple(classes)
    wrong = [name for name in names if not is_word(name)]
    if wrong or len(set(names)) < len(names) or isinstance(classes, str):
        raise DataSetError(
            f"classes must be a list of printable names, each once, got {short(wrong[0] if wrong else classes)}; write for instance post, bucket"
        )
    return names


class Store:
    """The part of a data set that one recording is.

    Parameters
    ----------
    folder : path-like
        The data set: new, empty, or with COCO-style labels in it.
    recording : str
        The recording.
    source : mapping
        What identifies the source.
    settings : mapping
        What must be the same when a run goes on.
    classes : sequence of str
        Classes to be there.

    Raises
    ------
    DataSetError
        If the folder holds something else, or the recording is another one.
    """

    def __init__(
        self,
        folder: str | os.PathLike,
        recording: str,
        source: Mapping[str, Any],
        settings: Mapping[str, Any],
        classes: Sequence[str] = (),
    ) -> None:
        self.folder, self.recording, self.classes = Path(folder), check_recording(recording), _checked(classes)
        self.labels_path = self._labels_path()
        self.notes_path = self.folder / NOTES / f"{recording}.json"
        self.pictures = self.folder / "pictures" / recording
        for place in (self.notes_path, self.pictures):
            self._check_inside(place)
        self.source, self.settings = dict(source), dict(settings)
        self.looks: list[CandidateRecord] = []
        # Left out by an earlier run, and to be kept by this one.
        self.again: dict[tuple[str, int | None], CandidateRecord] = {}
        self.done = False
        self._pending: list[dict] = []
        self._committed = time.monotonic()
        if self.notes_path.exists():
            self._go_on()
        elif self.labels_path.exists():
            data = read_labels(self.labels_path, pictures=False, unlabeled=True)
            if recording in data.recordings:
                raise DataSetError(
                    f"{self.labels_path}: recording {recording} is there already, and was not gathered from here; choose another name"
                )

    def _labels_path(self) -> Path:
        content = {path.name for path in self.folder.iterdir()} if self.folder.is_dir() else set()
        if self.folder.exists() and not self.folder.is_dir():
            raise DataSetError(f"pictures are gathered into a folder, {self.folder} is a file; choose another name")
        found = find_labels(self.folder) if content else None
        if found is not None and found.parent != self.folder:
            raise DataSetError(
                f"{self.folder} must have its labels in {LABELS_NAME} to be added to, they are in {found}; gather into another folder"
            )
        foreign = content - {NOTES, "pictures", LOCK_NAME, *LITTER}
        foreign = {name for name in foreign if not name.endswith(".part")}
        if found is None and foreign:
            raise DataSetError(
                f"{self.folder} must be new, empty, or a data set with COCO-style labels, it holds "
                f"{', '.join(sorted(foreign)[:5])}; choose another folder"
            )
        return found or self.folder / LABELS_NAME

    def _check_inside(self, place: Path) -> None:
        """Refuse a link that leads out of the set: nothing is written elsewhere."""
        home, real = os.path.realpath(self.folder), os.path.realpath(place)
        if not real.startswith(os.path.join(home, "")):
            raise DataSetError(
                f"a data set's files must lie in its folder {self.folder}, {place} leads to {real}; put a folder in place of the link"
            )

    def _go_on(self) -> None:
        """Take in the notes of an earlier run."""
        notes = read_json(self.notes_path, "notes on a recording", DataSetError)
        known = {field.name for field in fields(CandidateRecord)}
        try:
            source, settings, self.done = notes["source"], notes["settings"], notes["done"] is True
            self.looks = [CandidateRecord(**{key: look[key] for key in known}) for look in notes["looks"]]
            sound = isinstance(source, dict) and isinstance(settings, dict) and all(map(_is_sound, self.looks))
        except (KeyError, TypeError):
            sound = False
        if not sound:
            raise DataSetError(
                f"{self.notes_path} must hold the notes of robotlab gather, it does not; move it away, and choose another name "
                "for the recording"
            )
        if source != self.source:
            raise DataSetError(
                f"recording {self.recording} is there already, from another source ({short(source)}); choose another name"
            )
        if self._only_more_is_kept(settings):
            verdicts = {SWITCHES[word] for word in self.settings["keep"]}
            again = [look for look in self.looks if not look.kept and look.verdict in verdicts]
            self.again = {(look.name, look.bytes): look for look in again}
            self.looks = [look for look in self.looks if look not in again]
            self.done = self.done and not again
        elif settings != self.settings:
            changed = next(key for key in {**settings, **self.settings} if settings.get(key) != self.settings.get(key))
            raise DataSetError(
                f"recording {self.recording} was begun with {changed} {short(settings.get(changed))}, got "
                f"{short(self.settings.get(changed))}; give the same to go on, or choose another name"
            )

    def _only_more_is_kept(self, settings: Mapping[str, Any]) -> bool:
        before, now = settings.get("keep"), self.settings["keep"]
        # What a camera has shown is gone.
        return (
            self.source["kind"] != "camera"
            and {**settings, "keep": now} == self.settings
            and isinstance(before, list)
            and all(isinstance(word, str) for word in before)
            and set(before) < set(now)
        )

    def sweep(self) -> None:
        """Remove halves of files that a killed run has left; only while the set is held."""
        for folder, name in (
            (self.pictures, "*.jpg"),
            (self.notes_path.parent, "*.json"),
            (self.folder, self.labels_path.name),
        ):
            for half in folder.glob(f".{name}.*.part"):
                half.unlink(missing_ok=True)

    @property
    def next_candidate(self) -> int:
        """Number of the first candidate that has not been looked at."""
        return 1 + max((look.place for look in (*self.looks, *self.again.values())), default=-1)

    def leave_out(self, look: CandidateRecord) -> None:
        """Note a candidate that is left out.

        Parameters
        ----------
        look : CandidateRecord
            Why.
        """
        self.looks.append(look)
        self._commit_now_and_then()

    def add(self, look: CandidateRecord, content: bytes, record: Mapping[str, Any]) -> None:
        """Write a picture; it is in the labels at the next commit.

        Parameters
        ----------
        look : CandidateRecord
            The verdict.
        content : bytes
            The JPEG file.
        record : mapping
            Its record, without id and file name.

        Raises
        ------
        DataSetError
            If the disk has no room left.
        """
        free = shutil.disk_usage(self.folder).free
        if free < SPARE_BYTES + len(content):
            raise DataSetError(
                f"the disk of {self.folder} must have {SPARE_BYTES / 1e6:.0f} MB free at all times, it has {free / 1e6:.0f} MB; "
                "make room and run the same again: it goes on where it stopped"
            )
        path = self.pictures / f"{look.place:06d}.jpg"
        number = 1
        # Nothing is overwritten; after a kill, the same frame gives the same bytes, and its file is taken over.
        while os.path.lexists(path) and not (path.is_file() and path.read_bytes() == content):
            number += 1
            path = self.pictures / f"{look.place:06d}-{number}.jpg"
        if not os.path.lexists(path):
            write_whole(path, content)
        self._pending.append({"file_name": path.relative_to(self.folder).as_posix(), **record, "labeled": False})
        self.looks.append(look)
        self._commit_now_and_then()

    def _commit_now_and_then(self) -> None:
        if time.monotonic() - self._committed > COMMIT_S:
            self.commit()

    def commit(self, done: bool = False) -> None:
        """Bring labels and notes on the disk up to date: first the labels, then the notes.

        Parameters
        ----------
        done : bool
            The source has no more.
        """
        self.done = done
        # Read anew each time: what anybody else has written meanwhile stays.
        if self.labels_path.exists():
            labels = read_json(self.labels_path, "a labels file", DataSetError)
        else:
            labels = {"images": [], "annotations": [], "categories": []}
        images = _not_listed(labels["images"], "file_name", self._pending)
        categories = _not_listed(labels["categories"], "name", [{"name": name} for name in self.classes])
        labels["images"] += images
        labels["categories"] += categories
        # Without a picture it would be no data set: interrupted before the first one, there is none.
        if labels["images"] and (images or categories):
            write_whole(self.labels_path, labels_text(labels))
        notes = {
            "source": self.source,
            "settings": self.settings,
            "done": done,
            "looks": [asdict(one) for one in self.looks],
        }
        write_json(self.notes_path, notes, indent=None)
        self._pending.clear()
        self._committed = time.monotonic()


def _not_listed(listed: list[dict], key: str, records: list[dict]) -> list[dict]:
    """Records whose `key` no listed one has, numbered after the largest id."""
    known = {one.get(key) for one in listed}
    last = max((one["id"] for one in listed if isinstance(one.get("id"), int)), default=0)
    return [{"id": last + n, **one} for n, one in enumerate((one for one in records if one[key] not in known), 1)]


def _is_sound(look: CandidateRecord) -> bool:
    """Whether each value of a look that was read is of its kind."""
    words = (look.name, look.verdict, look.hash, look.problem)
    counts = (look.place, look.bits, look.like, look.bytes)
    return (
        all(isinstance(word, str) for word in words)
        and re.fullmatch("(?:[0-9a-f]{32})?", look.hash) is not None
        and look.verdict in ("taken", "unreadable", *SWITCHES.values())
        and look.place is not None
        and all(count is None or (type(count) is int and 0 <= count < 2**53) for count in counts)
        and all(
            value is None or (type(value) in (int, float) and abs(value) < 1e300)
            for value in (look.sharpness, look.relative, look.soft)
        )
        and type(look.kept) is bool
    )
