"""Zip files, written the same byte for byte from the same files."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable
from typing import BinaryIO

# The earliest that the format holds (APPNOTE 4.4.6), so that equal content gives equal files.
_DATE = (1980, 1, 1, 0, 0, 0)
# Wheels and pictures are packed already; packing them again takes time and saves nothing.
_PACKED = (".whl", ".zip", ".png", ".jpg", ".jpeg", ".onnx")
# Regular file (S_IFREG), readable for all; in the upper half of the attributes as Unix has it (APPNOTE 4.4.15).
_FILE, _PROGRAM = 0o100644 << 16, 0o100755 << 16


def write_zip(out: BinaryIO, files: Iterable[tuple[str, bytes]]) -> None:
    """Write files into one zip file.

    Parameters
    ----------
    out : binary file
        Where the zip file goes.
    files : iterable of (str, bytes)
        Name with forward slashes, and content; ``.sh`` files can be run.

    Examples
    --------
    >>> import io
    >>> out = io.BytesIO()
    >>> write_zip(out, [("a/note.txt", b"ten crates")])
    >>> zipfile.ZipFile(out).read("a/note.txt")
    b'ten crates'
    """
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files:
            info = zipfile.ZipInfo(name, _DATE)
            info.create_system = 3  # Unix, for the attributes
            info.external_attr = _PROGRAM if name.endswith(".sh") else _FILE
            info.compress_type = zipfile.ZIP_STORED if name.endswith(_PACKED) else zipfile.ZIP_DEFLATED
            archive.writestr(info, content)
