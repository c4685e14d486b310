"""Write the library as a wheel, without a build tool and without network.

Format: PyPA, Binary distribution format (wheel 1.0, PEP 427) and Core metadata specifications (2.1).
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from robotlab.packs.archive import write_zip
from robotlab.packs.class_pack import library_files, project


def library_wheel(root: Path) -> tuple[str, bytes]:
    """The wheel of the library as it is handed out.

    Parameters
    ----------
    root : Path
        The folder of the course.

    Returns
    -------
    name : str
        Of the file.
    content : bytes
        The wheel.

    Examples
    --------
    >>> from robotlab.packs.class_pack import course_folder
    >>> library_wheel(course_folder())[0].endswith("-py3-none-any.whl")
    True
    """
    return wheel(project(root)["project"], library_files(root))


def wheel(about: Mapping[str, Any], files: Mapping[str, bytes]) -> tuple[str, bytes]:
    """A wheel for any Python and any machine.

    Parameters
    ----------
    about : mapping
        The table ``project`` of a ``pyproject.toml``.
    files : mapping of str to bytes
        What is installed, by name with forward slashes.

    Returns
    -------
    name : str
        Of the file.
    content : bytes
        The wheel.

    Examples
    --------
    >>> wheel({"name": "crates", "version": "1.0"}, {"crates.py": b"ten = 10"})[0]
    'crates-1.0-py3-none-any.whl'
    """
    stem = f"{about['name'].replace('-', '_')}-{about['version']}"
    lines = ["Metadata-Version: 2.1", f"Name: {about['name']}", f"Version: {about['version']}"]
    lines += [f"Requires-Python: {about['requires-python']}"] if "requires-python" in about else []
    lines += [f"Requires-Dist: {one}" for one in about.get("dependencies", ())]
    for extra, needed in about.get("optional-dependencies", {}).items():
        lines.append(f"Provides-Extra: {extra}")
        for one in needed:
            what, _, marker = one.partition(";")
            also = f"({marker.strip()}) and " if marker else ""
            lines.append(f'Requires-Dist: {what.strip()}; {also}extra == "{extra}"')
    all_files = dict(files)
    all_files[f"{stem}.dist-info/METADATA"] = ("\n".join(lines) + "\n").encode()
    all_files[f"{stem}.dist-info/WHEEL"] = (
        b"Wheel-Version: 1.0\nGenerator: robotlab\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
    )
    if about.get("scripts"):
        scripts = "".join(f"{name} = {where}\n" for name, where in about["scripts"].items())
        all_files[f"{stem}.dist-info/entry_points.txt"] = f"[console_scripts]\n{scripts}".encode()
    record = io.StringIO()
    rows = csv.writer(record, lineterminator="\n")
    for name, content in all_files.items():
        digest = base64.urlsafe_b64encode(hashlib.sha256(content).digest()).rstrip(b"=").decode()
        rows.writerow((name, f"sha256={digest}", len(content)))
    rows.writerow((f"{stem}.dist-info/RECORD", "", ""))
    all_files[f"{stem}.dist-info/RECORD"] = record.getvalue().encode()
    out = io.BytesIO()
    write_zip(out, all_files.items())
    return f"{stem}-py3-none-any.whl", out.getvalue()
