"""Gather pictures into a data set: from a film, a camera or photographs."""

from __future__ import annotations

import contextlib
import os
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from robotlab._progress import progress_bar
from robotlab.checks import whole_between
from robotlab.data.dataset import DataSet
from robotlab.data.drawing import picture_sheet
from robotlab.data.opening import open_dataset
from robotlab.data.values import is_word
from robotlab.errors import DataSetError, InputError, counted, short
from robotlab.files import free_disk
from robotlab.gather.selection import SWITCHES, CandidateRecord, Selector
from robotlab.gather.sources import Candidate, Frames, Photographs, open_source
from robotlab.gather.store import SPARE_BYTES, Store
from robotlab.image import encode, resize
from robotlab.image.hashing import NEAR_BITS
from robotlab.one_writer import one_writer

# The longer side of a picture in the data set, px: enough for any detector here, and a tenth of the disk of 12 megapixels.
LONGEST_PX = 1280
# JPEG quality of the pictures written.
QUALITY = 92
# Pictures of a camera, which has no end of its own.
FROM_CAMERA = 200
# Pictures that were left out are shown this wide, px, and so many of each kind.
_SHOWN_PX, _SHOWN = 200, 12


@dataclass(frozen=True, eq=False)
class GatherReport:
    """What :func:`gather` did.

    Parameters
    ----------
    folder : Path
        The data set.
    recording : str
        The recording.
    looks : tuple of CandidateRecord
        One for each candidate, also those of earlier runs.
    new : int
        Pictures added by this run.
    notes : tuple of str
        What is worth knowing, such as a film that is cut short.
    thumbnails : dict of int to ndarray
        Small pictures of some that this run left out, by their place.

    Examples
    --------
    >>> report = GatherReport(Path("my_set"), "walk", (CandidateRecord(0, "a.mp4, frame 0", "taken", kept=True),), 1)
    >>> print(report.text())
    walk: looked at 1 picture, 1 in the data set, 1 new
    """

    folder: Path
    recording: str
    looks: tuple[CandidateRecord, ...]
    new: int
    notes: tuple[str, ...] = ()
    thumbnails: dict[int, np.ndarray] = field(default_factory=dict, repr=False)

    @property
    def counts(self) -> dict[str, int]:
        """How many candidates have each verdict."""
        return dict(Counter(look.verdict for look in self.looks))

    @property
    def data(self) -> DataSet:
        """The data set as it is now; classes may be none yet."""
        return open_dataset(self.folder, unlabeled=True)

    def text(self, most: int = 5) -> str:
        """Everything as lines to read.

        Parameters
        ----------
        most : int
            Most pictures to list of each verdict.

        Returns
        -------
        str
            Several lines.
        """
        kept = sum(look.kept for look in self.looks)
        looked = counted(len(self.looks), "picture")
        lines = [f"{self.recording}: looked at {looked}, {kept} in the data set, {self.new} new"]
        for verdict in ("near-duplicate", "blurred", "unreadable"):
            mine = [look for look in self.looks if look.verdict == verdict]
            if not mine:
                continue
            switch = next((word for word, left in SWITCHES.items() if left == verdict), None)
            what = "kept" if any(look.kept for look in mine) else "left out"
            hint = f" (--keep {switch} keeps them)" if switch and what == "left out" else ""
            lines.append(f"{verdict}, {what}: {len(mine)}{hint}")
            lines += [f"  - {look}" for look in mine[:most]]
            if len(mine) > most:
                lines.append(f"  ... and {len(mine) - most} more")
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes)])

    def left_out_sheet(self) -> np.ndarray:
        """What this run left out, each with its measure, on one page.

        Returns
        -------
        (H, W, 3) ndarray of uint8
            The page.

        Raises
        ------
        DataSetError
            If nothing was left out.
        """
        rows = [look for look in self.looks if look.place in self.thumbnails]
        if not rows:
            raise DataSetError(
                f"{self.recording}: there must be something left out to be shown, there is nothing; all is in the set"
            )
        captions = [f"{look.place}: {look.measure}" for look in rows]
        return picture_sheet([self.thumbnails[look.place] for look in rows], captions, _SHOWN_PX)


def gather(
    source: str | os.PathLike | int,
    folder: str | os.PathLike,
    recording: str,
    *,
    every: int | None = None,
    changed_bits: int | None = None,
    keep: Sequence[str] = (),
    longest_px: int = LONGEST_PX,
    most: int | None = None,
    classes: Sequence[str] = (),
    lighting: str | None = None,
    progress: bool = True,
) -> GatherReport:
    """Add pictures of a film, a camera or a folder of photographs to a data set.

    Parameters
    ----------
    source : path-like or int
        A film, a camera's number, or a folder of photographs.
    folder : path-like
        The data set: new, or one to be added to.
    recording : str
        What these pictures are called together: one film, or one session with
        the camera.  Splits are made by recording.
    every : int, optional
        Look at one frame of so many; two a second when left out.  Not for
        photographs.
    changed_bits : int, optional
        Take a picture only when it differs from each one taken before in more
        than so many of 128 bits of its hash.  12, the limit of near-duplicates,
        when left out; 25 asks for another view.
    keep : sequence of {"near-duplicates", "blurred"}
        What is kept all the same.
    longest_px : int
        A picture whose longer side is larger is made smaller; its record keeps
        the factor as ``scale``.
    most : int, optional
        Stop after so many pictures; 200 from a camera when left out.
    classes : sequence of str
        Classes to label later; more can be added then.
    lighting : str, optional
        Noted for each picture.
    progress : bool
        Show a progress bar, and the disk needed.

    Returns
    -------
    GatherReport
        What was looked at, with its measures.

    Raises
    ------
    InputError
        If the source cannot be read, the folder holds something else, another
        program writes into it, or the disk has too little room.

    Notes
    -----
    A run may be interrupted or killed at any moment: the same call goes on
    where it stopped.  Nothing that is there is overwritten.  The same call with
    more to `keep` adds what was left out before.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.image import save
    >>> home, rng = Path(tempfile.mkdtemp()), np.random.default_rng(0)
    >>> for n in range(3):
    ...     _ = save(home / "photos" / f"{n}.jpg", rng.integers(0, 256, (60, 80, 3), dtype=np.uint8))
    >>> report = gather(home / "photos", home / "set", "bench", longest_px=40, progress=False)
    >>> len(report.data), report.data[0].record["scale"], report.data.recordings
    (3, 0.5, ('bench',))
    """
    _check(keep, longest_px, changed_bits, most, lighting)
    settings: dict[str, Any] = {
        "every": every,
        "changed_bits": NEAR_BITS if changed_bits is None else int(changed_bits),
        "keep": sorted(set(keep)),
        "longest_px": int(longest_px),
    }
    pictures = open_source(source, every)
    try:
        identity = {**pictures.identity, "name": pictures.name}
        checked = Store(folder, recording, identity, settings, classes)  # before anything is made
        most = FROM_CAMERA if most is None and pictures.live else most
        _check_disk(pictures, checked, most, progress)
        Path(folder).mkdir(parents=True, exist_ok=True)
        with one_writer(folder, "a labeler or another gather", DataSetError):
            store = Store(folder, recording, identity, settings, classes)
            store.sweep()
            if not store.notes_path.exists():  # before the labels: they alone would not say whose pictures these are
                store.commit()
            one_after_another = not isinstance(pictures, Photographs)
            selector = Selector(settings["changed_bits"], frozenset(SWITCHES[word] for word in keep), one_after_another)
            for look in store.looks:
                selector.remember(look)
            record = {"recording": recording} | ({"lighting": lighting} if lighting else {})
            return _run(pictures, store, selector, record, most, progress)
    finally:
        pictures.close()


def _check(
    keep: Sequence[str], longest_px: int, changed_bits: int | None, most: int | None, lighting: str | None
) -> None:
    wrong = [word for word in ([keep] if isinstance(keep, str) else keep) if word not in SWITCHES]
    if wrong or isinstance(keep, str):
        raise InputError(f"keep must be a list of {' and '.join(SWITCHES)}, got {keep!r}; choose among them")
    for name, value, low, high in (
        ("longest_px", longest_px, 16, 20_000),
        ("changed_bits", 0 if changed_bits is None else changed_bits, 0, 127),
        ("most", 1 if most is None else most, 1, 1_000_000),
    ):
        whole_between(value, name, low, high)
    if lighting is not None and not is_word(lighting):
        raise InputError(f"lighting must be a printable word, got {short(lighting)}; write for instance dusk")


def _check_disk(pictures: Frames | Photographs, store: Store, most: int | None, progress: bool) -> None:
    """Say what the disk must hold, and refuse where it does not."""
    home, free = free_disk(store.folder)
    left = None if pictures.total is None else max(0, pictures.total - len(store.looks))
    count = min(number for number in (left, most, 1_000_000) if number is not None)
    each = _bytes_each(pictures, store.settings["longest_px"])
    if left is None and most is None:
        words = f"at most {each / 1e3:.0f} kB a picture (the film does not say how many there are)"
        need: float = SPARE_BYTES
    else:
        words, need = f"up to {count} pictures, {count * each / 1e6:.0f} MB", count * each + SPARE_BYTES
    if need > free:
        raise DataSetError(
            f"{home} must have room for {words}, and {SPARE_BYTES / 1e6:.0f} MB to spare; it has {free / 1e6:.0f} MB free; "
            "make room, take fewer (--every, --max-pictures), or smaller ones (--max-side)"
        )
    if progress:
        tqdm.write(f"disk: {words}; {free / 1e9:.1f} GB free", file=sys.stderr)


def _bytes_each(pictures: Frames | Photographs, longest_px: int) -> float:
    """What a picture takes on the disk, rather too much: 3 bits a pixel (a leafy scene at this quality took 2.4)."""
    if isinstance(pictures, Photographs):
        return min(longest_px**2 * 3 / 8, max(path.stat().st_size for path in pictures.files) * 1.5)
    width, height = pictures.size
    factor = min(1.0, longest_px / max(width, height))
    return width * height * factor**2 * 3 / 8


def _run(
    pictures: Frames | Photographs, store: Store, selector: Selector, record: dict, most: int | None, progress: bool
) -> GatherReport:
    before = sum(look.kept for look in store.looks)
    thumbnails: dict[int, np.ndarray] = {}
    shown: Counter[str] = Counter()
    known = {(look.name, look.bytes) for look in store.looks}
    finished = store.done and not isinstance(pictures, Photographs)
    notes = [f"recording {store.recording} was finished before: nothing to do"] if finished else []
    total = pictures.total
    full = False
    first = 0 if store.again and isinstance(pictures, Frames) else store.next_candidate
    begun = min(len(known), total or len(known))
    try:
        with progress_bar(total, store.recording, progress, initial=begun, unit="picture") as bar:
            for candidate in () if finished else pictures.candidates(known, first):
                if most is not None and sum(look.kept for look in store.looks) >= most:
                    full = True
                    break
                small = _take(candidate, store, selector, record)
                look = store.looks[-1]
                if small is not None and not look.kept and shown[look.verdict] < _SHOWN:
                    shown[look.verdict] += 1
                    height_px = max(1, round(_SHOWN_PX * small.shape[0] / small.shape[1]))
                    thumbnails[look.place] = resize(small, (_SHOWN_PX, height_px))
                bar.update()
    except BaseException:
        # Interrupted: what was looked at is kept. A full disk may keep it from being written, and the first error counts.
        with contextlib.suppress(OSError):
            store.commit()
        raise
    if not finished:
        store.commit(done=not full and not pictures.live)
    notes += [pictures.ended_early] if pictures.ended_early else []
    alike = sum(look.verdict == "near-duplicate" and not look.kept for look in store.looks)
    if 2 * alike > len(store.looks) and not isinstance(pictures, Photographs):
        notes.append(
            f"{alike} of {len(store.looks)} pictures look alike as a whole: where the camera stands still and the objects "
            "move, the same command with --keep near-duplicates adds them"
        )
    if full:
        notes.append(f"stopped at {most} pictures, as asked: a larger --max-pictures goes on")
    kept = sum(look.kept for look in store.looks)
    if not kept:
        raise DataSetError(
            f"{pictures.name} must give at least one picture to label, it gave none: {store.looks[0] if store.looks else 'it is empty'}"
        )
    return GatherReport(store.folder, store.recording, tuple(store.looks), kept - before, tuple(notes), thumbnails)


def _take(candidate: Candidate, store: Store, selector: Selector, record: dict) -> np.ndarray | None:
    """Judge one candidate and write it, or leave it out; the picture at the size it would have in the set."""
    picture = candidate.picture
    if picture is None:
        look = CandidateRecord(
            candidate.place, candidate.name, "unreadable", problem=candidate.problem, bytes=candidate.bytes
        )
        store.leave_out(look)
        return None
    height, width = picture.shape[:2]
    factor = min(1.0, store.settings["longest_px"] / max(width, height))
    if factor < 1:
        picture = resize(picture, (max(1, round(width * factor)), max(1, round(height * factor))))
    known = store.again.pop((candidate.name, candidate.bytes), None)
    if known is None:
        look = selector.look(candidate.place, candidate.name, picture, candidate.bytes)
    else:
        look = replace(known, kept=True)
        selector.remember(look)
    if not look.kept:
        store.leave_out(look)
        return picture
    size = {"width": picture.shape[1], "height": picture.shape[0]}
    note = size | record | {"source": candidate.name, "scale": round(factor, 6)}
    measured = {"time_s": candidate.time_s, "sharpness": look.sharpness}
    note |= {name: value for name, value in measured.items() if value is not None}
    store.add(look, encode(picture, "jpg", QUALITY), note)
    return picture
