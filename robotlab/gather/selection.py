"""Select the pictures that are worth labeling: no near-duplicates, not blurred."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.image import blur, image_hash, near_duplicates, sharpness
from robotlab.image.hashing import NEAR_BITS

# A picture is blurred when it is less than this part as sharp as the median of its last neighbors.  From a trial: no
# sharp picture of the 14 rendered recordings fell under .65; smeared along the rows by 4 px the median came to .39, by
# 8 px all 40 tried (with 6 photographs of scikit-image) came under .38.
BLURRED = 0.4
# A photograph, which has no neighbors, is blurred when blurring it by 1 px more leaves at least this part of its
# sharpness (a smear along one direction is not found so).  From the same pictures: .26 at most of sharp ones, .64 at most when blurred by 1 px before, .80 at least by 2 px.
SOFT = 0.7
# Words to keep what a verdict would leave out.
SWITCHES = {"near-duplicates": "near-duplicate", "blurred": "blurred"}
# Neighbors that the median is taken of, and the fewest that say something.
NEIGHBORS, FEWEST = 15, 4


@dataclass(frozen=True)
class CandidateRecord:
    """The record of one candidate picture: its measures, and whether it was taken.

    Parameters
    ----------
    place : int
        Number of the frame or the photograph.
    name : str
        What it is called.
    verdict : {"taken", "near-duplicate", "blurred", "unreadable"}
        Why it was left out; a picture that was kept by a switch has the verdict that it would have been left out for.
    sharpness : float or None
        Variance of the Laplacian; None for a near-duplicate.
    bits : int or None
        How many of 128 bits differ from the most alike picture taken before.
    like : int or None
        The place of that picture.
    hash : str
        Hexadecimal.
    kept : bool
        It is in the data set.
    problem : str
        Why it cannot be read.
    relative : float or None
        Sharpness over the median of its neighbors that are not near-duplicates.
    soft : float or None
        Sharpness that is left when it is blurred by 1 px more, as a part.
    bytes : int or None
        Size of the photograph's file.
    """

    place: int
    name: str
    verdict: str
    sharpness: float | None = None
    bits: int | None = None
    like: int | None = None
    hash: str = ""
    kept: bool = False
    problem: str = ""
    relative: float | None = None
    soft: float | None = None
    bytes: int | None = None

    @property
    def measure(self) -> str:
        """What it was left out for, in a few words."""
        if self.verdict == "near-duplicate":
            return f"{self.bits} bits from {self.like}"
        if self.soft is not None:
            return f"{self.soft:.2f} of its sharpness left when blurred more"
        return f"{self.relative:.2f} times as sharp as its neighbors"

    def __str__(self) -> str:
        if self.verdict == "near-duplicate":
            return f"{self.name}: near-duplicate of {self.like}, {self.bits} of 128 bits differ"
        if self.verdict == "blurred":
            return f"{self.name}: blurred, {self.measure} (variance of its Laplacian {self.sharpness:.0f})"
        return self.problem if self.verdict == "unreadable" else f"{self.name}: taken"


class Selector:
    """Decides on one candidate picture after the other: taken, near-duplicate, blurred.

    Parameters
    ----------
    near_bits : int
        A candidate that differs from one taken before in at most this many of
        128 bits is its near-duplicate.
    keep : set of str
        Verdicts that are kept all the same.
    neighbors : bool
        Pictures follow one another, so that their sharpness can be compared;
        photographs need not.
    """

    def __init__(self, near_bits: int = NEAR_BITS, keep: frozenset[str] = frozenset(), neighbors: bool = True) -> None:
        self.near_bits, self.keep, self.neighbors = near_bits, keep, neighbors
        self._sharpnesses: list[float] = []
        self._hashes: list[np.ndarray] = []
        self._places: list[int] = []

    def look(self, place: int, name: str, picture: np.ndarray, bytes: int | None = None) -> CandidateRecord:
        """Judge a picture, and remember it.

        Parameters
        ----------
        place : int
            Its number.
        name : str
            Its name.
        picture : (H, W, 3) ndarray of uint8
            The picture, at the size at which it would be written.
        bytes : int, optional
            Size of its file.

        Returns
        -------
        CandidateRecord
            The verdict with its measures.
        """
        bits = image_hash(picture)
        verdict, sharp, differ, like, relative, soft = "taken", None, None, None, None, None
        if self._hashes:
            row = near_duplicates(bits[None], np.array(self._hashes), limit_bits=bits.size)[0]
            differ, like = int(row[2]), self._places[int(row[1])]
        if differ is not None and differ <= self.near_bits:
            verdict = "near-duplicate"
        else:
            sharp = round(sharpness(picture), 2)
            if not self.neighbors:
                soft = round(sharpness(blur(picture, 1.0)) / sharp, 3) if sharp > 0 else 1.0
            elif len(self._sharpnesses) >= FEWEST:
                usual = float(np.median(self._sharpnesses[-NEIGHBORS:]))
                relative = round(sharp / usual, 3) if usual > 0 else None
            if (soft or 0) >= SOFT or (1.0 if relative is None else relative) < BLURRED:
                verdict = "blurred"
        kept = verdict == "taken" or verdict in self.keep
        code = np.packbits(bits).tobytes().hex()
        seen = CandidateRecord(place, name, verdict, sharp, differ, like, code, kept, "", relative, soft, bytes)
        self.remember(seen)
        return seen

    def remember(self, seen: CandidateRecord) -> None:
        """Take in a verdict, also one of an earlier run.

        Parameters
        ----------
        seen : CandidateRecord
            From :meth:`look`.
        """
        if seen.sharpness is not None:
            self._sharpnesses.append(seen.sharpness)
        if seen.kept and seen.hash:
            self._hashes.append(np.unpackbits(np.frombuffer(bytes.fromhex(seen.hash), np.uint8)).astype(bool))
            self._places.append(seen.place)
