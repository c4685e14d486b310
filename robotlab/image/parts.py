"""The parts of a picture file, looked through before Pillow reads it.

The rule: a JPEG has at most 4096 segments, 32 MiB in all, before its pixels, and next to nothing between them; a PNG
has at most 100 000 chunks, 1000 of which are not pixels; a BMP is not compressed.  Pillow goes through these in Python,
byte by byte or part by part, so that a file of nothing else took it minutes.
"""

from __future__ import annotations

import os
from typing import BinaryIO

from robotlab.errors import PictureError

# Profiles, thumbnails and other notes of a camera are some hundred; the profile alone may be 255 of 64 kB (ICC.1, annex B.4).
MOST_SEGMENTS, LARGEST_HEAD_BYTES = 4096, 32 * 2**20
# Of the 8 kB that libpng writes, 256 MiB are 32 thousand.
MOST_CHUNKS = 100_000
# Each can be a profile of 1 MiB once unpacked.
MOST_NOTES = 1000


def check_parts(file: BinaryIO, name: str) -> None:
    """Refuse a picture whose parts were made to keep a decoder busy.

    Parameters
    ----------
    file : binary file
        At its beginning, and there again afterward.
    name : str
        How error messages call it.

    Raises
    ------
    PictureError
        If it breaks a rule above.  What is damaged otherwise, or of another format, is left to the decoder.
    """
    head = file.read(34)
    if head.startswith(b"\xff\xd8\xff"):
        fine = _few_segments(file)
    elif head.startswith(b"\x89PNG"):
        fine = _few_chunks(file)
    else:
        # The field biCompression: 1 and 2 are runs of 8 and 4 bits.
        fine = not (head.startswith(b"BM") and head[30:] in (b"\1\0\0\0", b"\2\0\0\0"))
    file.seek(0)
    if not fine:
        raise PictureError(
            f"{name} must have its pixels in few parts, it has far too many, rubbish between them, or runs (BMP); "
            "open it in a picture viewer and export it"
        )


def _few_segments(file: BinaryIO) -> bool:
    """ITU-T T.81, B.1.1: two bytes of a marker, then the length, which counts itself; whatever else Pillow passes over."""
    file.seek(2)
    for _ in range(MOST_SEGMENTS):
        begin = file.read(1)
        if begin != b"\xff":
            if not begin:
                return True
            continue
        marker = file.read(1)
        if marker == b"\xda":  # the pixels begin
            return True
        if marker == b"\xff":
            file.seek(-1, os.SEEK_CUR)
        elif marker and not (marker in b"\0\1" or 0xD0 <= marker[0] <= 0xD9):  # those stand alone
            length = int.from_bytes(file.read(2), "big")
            if file.seek(max(0, length - 2), os.SEEK_CUR) > LARGEST_HEAD_BYTES:
                return False
    return False


def _few_chunks(file: BinaryIO) -> bool:
    """PNG, section 5.3: length, type, content, checksum."""
    file.seek(8)
    notes = 0
    for _ in range(MOST_CHUNKS):
        head = file.read(8)
        if len(head) < 8 or head[4:] == b"IEND":
            return True
        notes += head[4:] not in (b"IDAT", b"fdAT", b"fcTL")
        if notes > MOST_NOTES:
            return False
        file.seek(int.from_bytes(head[:4], "big") + 4, os.SEEK_CUR)
    return False
