"""Where pictures come from: a film, a camera, or a folder of photographs; one candidate after the other."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from robotlab.errors import InputError, PictureError, printable
from robotlab.image import load
from robotlab.image.video import Video, open_video

# Pictures a second that are looked at in a film or from a camera when nobody says (own choice: a robot at walking
# pace moves some 20 cm between two).
LOOKS_HZ = 2.0
# The frame rate assumed where a film or a driver does not say.
USUAL_HZ = 30.0


@dataclass(frozen=True, eq=False)
class Candidate:
    """A picture that could be taken.

    Parameters
    ----------
    place : int
        Number of the frame, or of the photograph, from 0.
    name : str
        For messages and for the labels file.
    picture : (H, W, 3) ndarray of uint8, or None
        None where it cannot be read.
    time_s : float or None
        Since the beginning, where known.
    problem : str
        Why it cannot be read.
    bytes : int or None
        Size of the photograph's file.
    """

    place: int
    name: str
    picture: np.ndarray | None
    time_s: float | None = None
    problem: str = ""
    bytes: int | None = None


class Frames:
    """Every so many frames of a film or a camera.

    Parameters
    ----------
    source : path-like or int
        As in :func:`robotlab.image.open_video`.
    every : int or None
        Frames from one candidate to the next; None for two a second, by the
        film's own times: a phone's frames come at varying rates.
    """

    def __init__(self, source: str | os.PathLike | int, every: int | None) -> None:
        self.video: Video = open_video(source)
        # An address may hold a password, which does not belong into a data set.
        self.name = "stream" if "://" in self.video.name else printable(Path(self.video.name).name)
        self.live = self.video.live
        self._rate_hz = self.video.rate_hz or USUAL_HZ
        self._by_time = every is None and not self.live
        self.every = every or max(1, round(self._rate_hz / LOOKS_HZ))
        self.size = self.video.size
        # What identifies a film: another one under the same name is not continued.
        self.identity = {"kind": "camera"} if self.live else {"kind": "film", "bytes": os.stat(source).st_size}
        self.ended_early = ""

    @property
    def total(self) -> int | None:
        """How many candidates there will be; None where nobody knows."""
        frames = self.video.frames
        # Some containers count clock ticks; more than an hour at 240 Hz is not believed.
        if frames is None or frames > 1_000_000:
            return None
        return math.ceil(frames / self._rate_hz * LOOKS_HZ) if self._by_time else -(-frames // self.every)

    def candidates(self, known: set[tuple[str, int | None]], first: int) -> Iterator[Candidate]:
        """Candidates from a place on.

        Parameters
        ----------
        known : set of (str, int or None)
            Names of frames that were looked at.
        first : int
            Number of the first frame that is wanted; a camera goes on counting there.

        Yields
        ------
        Candidate
            In order.
        """
        place = first if self.live else 0
        frame_s = 1 / self._rate_hz
        time_s, looks = -frame_s, 0
        while self.video.skip():
            # Damaged times stand still or go back: then a frame counts as long as usual.
            step_s = self.video.time_s - time_s if self.video.time_s > time_s else frame_s
            time_s += step_s
            # The nearest frame to each look, or the first one after a gap.
            due = math.floor((time_s + min(step_s, frame_s) / 2) * LOOKS_HZ) + 1
            wanted = due > looks if self._by_time else place % self.every == 0
            looks = max(looks, due)
            name = f"{self.name}, frame {place}"
            if wanted and place >= first and (name, None) not in known:
                picture = self.video.passed()
                if picture is None:
                    break
                yield Candidate(place, name, picture, round(self.video.time_s, 3))
            place += 1
        said = self.video.frames
        if self.live:
            self.ended_early = f"{self.name} gave no more pictures after {place}: check its cable"
        # One frame less than the container says is usual (common practice, no source). Where the number is worked out
        # from the length, a film of varying frame rate has fewer, and ends in time.
        elif said is not None and place < said - 1 and time_s < (said - 2) * frame_s:
            self.ended_early = (
                f"{self.name} ends after {place} frames and says that it has {said}: it was trimmed, is cut short, "
                "damaged, or counts wrongly"
            )

    def close(self) -> None:
        """Close the film or camera."""
        self.video.close()


class Photographs:
    """The picture files of a folder, by name.

    Parameters
    ----------
    folder : path-like
        Holds them; folders in it are not looked into.
    """

    live = False
    ended_early = ""

    def __init__(self, folder: str | os.PathLike) -> None:
        self.folder = Path(folder)
        self.files = sorted(path for path in self.folder.iterdir() if path.is_file() and not path.name.startswith("."))
        self.name = printable(self.folder.resolve().name)
        self.identity = {"kind": "photographs"}
        if not self.files:
            inside = sorted(path.name for path in self.folder.iterdir() if path.is_dir())
            folders = f"give one of its folders ({', '.join(inside[:5])}), each as its own recording"
            hint = folders if inside else "check the path"
            raise InputError(f"a folder of photographs must have picture files in it, {self.folder} has none; {hint}")
        self.total = len(self.files)

    def candidates(self, known: set[tuple[str, int | None]], first: int) -> Iterator[Candidate]:
        """Photographs that have not been looked at yet.

        Parameters
        ----------
        known : set of (str, int)
            Names and sizes in bytes of those that were looked at.
        first : int
            Number of the next one.

        Yields
        ------
        Candidate
            By name.
        """
        place = first
        for path in self.files:
            name = printable(path.name)
            size = path.stat().st_size
            if (name, size) in known:
                continue
            try:
                yield Candidate(place, name, load(path), bytes=size)
            except PictureError as error:
                yield Candidate(place, name, None, problem=str(error), bytes=size)
            place += 1

    def close(self) -> None:
        """Nothing to close."""


def open_source(source: str | os.PathLike | int, every: int | None) -> Frames | Photographs:
    """A film, a camera or a folder of photographs.

    Parameters
    ----------
    source : path-like or int
        A folder, or what :func:`robotlab.image.open_video` opens.
    every : int or None
        Frames from one candidate to the next.

    Returns
    -------
    Frames or Photographs
        To be read, and closed.

    Raises
    ------
    InputError
        If it is none of them, or `every` is wrong.
    """
    if every is not None and (isinstance(every, bool) or every != int(every) or not 1 <= every <= 1_000_000):
        raise InputError(f"every must be a whole number of frames, 1 or more, got {every}; 15 is two a second at 30 Hz")
    if not isinstance(source, int) and os.path.isdir(source):
        if every is not None:
            raise InputError(f"photographs are looked at one by one, got every {every}; leave --every out")
        return Photographs(source)
    return Frames(source, every)
