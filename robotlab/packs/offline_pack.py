"""The offline pack: the course with all its wheels, for a room without network."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path

from robotlab.files import read_plain
from robotlab.packs.class_pack import course_folder, lesson_files, page, project
from robotlab.packs.library_wheel import library_wheel
from robotlab.packs.platforms import check_target, this_platform, this_python
from robotlab.packs.wheels import check_disk, fetch_wheels
from robotlab.packs.writing import WrittenPack, check_new_output, files_of, new_pack, put, size_of

# The extra that each kind of pack needs, MB of its wheels, and the machine that they were measured for, with Python 3.11 on
# the day of this version.
_WHEELS = {"offline": ("course", 183, "linux-x86_64"), "robot": ("robot", 88, "linux-aarch64")}
# What pip installs in a pack.
_NAME = "robotlab"


def posix_script(extra: str, python: str) -> bytes:
    """The install script for Linux and macOS: ``sh install.sh``.

    Parameters
    ----------
    extra : str
        Such as ``"course"``.
    python : str
        Version that the wheels are for, such as ``"3.11"``.

    Returns
    -------
    bytes
        ASCII, lines end in LF.

    Examples
    --------
    >>> posix_script("course", "3.11").count(b"\\n")
    5
    """
    return (
        "#!/bin/sh\n"
        "# Installs from the folder wheels, without network, into .venv beside this file.\n"
        'cd "$(dirname "$0")" || exit 1\n'
        f'"${{PYTHON:-python{python}}}" -m venv .venv &&\n'
        f'.venv/bin/python -m pip install --no-index --find-links wheels "{_NAME}[{extra}]"\n'
    ).encode("ascii")


def windows_script(extra: str, python: str) -> bytes:
    """The install script for Windows, to be double-clicked or run: ``install.cmd``.

    Parameters
    ----------
    extra : str
        Such as ``"course"``.
    python : str
        Version that the wheels are for, such as ``"3.11"``.

    Returns
    -------
    bytes
        ASCII, lines end in CR LF.

    Examples
    --------
    >>> windows_script("course", "3.11").startswith(b"@echo off\\r\\n")
    True
    """
    lines = (
        "@echo off",
        "rem Installs from the folder wheels, without network, into .venv beside this file.",
        'pushd "%~dp0" || exit /b 1',
        f"py -{python} -m venv .venv || exit /b 1",
        f'.venv\\Scripts\\python -m pip install --no-index --find-links wheels "{_NAME}[{extra}]" || exit /b 1',
    )
    return "".join(f"{line}\r\n" for line in lines).encode("ascii")


def requirements(root: Path, extra: str) -> list[str]:
    """What the library requires with an extra.

    Parameters
    ----------
    root : Path
        The folder of the course.
    extra : str
        Such as ``"course"``.

    Returns
    -------
    list of str
        As in ``pyproject.toml``.

    Examples
    --------
    >>> requirements(course_folder(), "robot")[0]
    'numpy>=2.0'
    """
    about = project(root)["project"]
    return [*about["dependencies"], *about["optional-dependencies"][extra]]


def write_with_wheels(
    kind: str,
    place: Path,
    files: Mapping[str, bytes],
    root: Path,
    platform: str,
    python: str,
    words: Mapping[str, object],
    then: str,
    tell: Callable[[str], None],
) -> WrittenPack:
    """Write a pack of files, the library, its license, and the wheels that it needs.

    Parameters
    ----------
    kind : str
        ``offline`` or ``robot``: says which extra it needs, and which page is its README.
    place : Path
        Where, from :func:`robotlab.packs.writing.check_new_output`.
    files : mapping of str to bytes
        What else goes into it.
    root : Path
        The folder of the course.
    platform, python : str
        For which machine and which Python.
    words : mapping
        For the page, besides platform, Python, and count and size of the wheels.
    then : str
        What to do with the pack.
    tell : callable
        Gets a line for each step.

    Returns
    -------
    WrittenPack
        What was written.
    """
    extra, megabytes, machine = _WHEELS[kind]
    name, library = library_wheel(root)
    files = {**files, "LICENSE": read_plain(root / "LICENSE", 2**20, "the license"), f"wheels/{name}": library}
    # A zip file is written beside the folder that it is made from.
    check_disk(place, 2.2 * megabytes)
    tell(
        f"fetching the wheels of the {extra} for {platform}, Python {python}: about {megabytes} MB (measured for {machine})"
    )
    with new_pack(place) as beside:
        put(beside, files)
        fetch_wheels(beside / "wheels", requirements(root, extra), platform, python)
        wheels = list((beside / "wheels").glob("*.whl"))
        wheels_mb = sum(path.stat().st_size for path in wheels) / 1e6
        about = {"platform": platform, "python": python, "wheels": len(wheels), "size": f"{wheels_mb:.0f}"}
        put(beside, {"README.md": page(f"{kind}_pack", **about, **words)})
        count = len(files_of(beside))
    tell(f"{len(wheels)} wheels, {wheels_mb:.1f} MB")
    return WrittenPack(kind, place, count, size_of(place), then)


def pack_offline(
    output: str | os.PathLike,
    platform: str | None = None,
    python: str | None = None,
    root: str | os.PathLike | None = None,
    tell: Callable[[str], None] = lambda text: None,
) -> WrittenPack:
    """Write the course with all wheels that it needs, and the scripts that install it without network.

    Parameters
    ----------
    output : path-like
        A new or empty folder, or a new file that ends in ``.zip``.
    platform : str, optional
        The learners' machines, one of :data:`robotlab.packs.PLATFORMS`; by
        default like this one.
    python : str, optional
        Their Python, such as ``"3.11"``; by default like this one.
    root : path-like, optional
        The folder of the course.
    tell : callable
        Told what is going on.

    Returns
    -------
    WrittenPack
        What was written.

    Raises
    ------
    InputError
        If something is there already, a notebook has been worked in, the disk
        is too full, or pip finds no wheel.

    Examples
    --------
    >>> pack_offline("pack", "toaster")
    Traceback (most recent call last):
    robotlab.errors.InputError: --platform must be one of linux-x86_64, linux-aarch64, macos-arm64, macos-x86_64, windows-x86_64, got 'toaster'; choose one of these
    """
    platform, python = platform or this_platform(), python or this_python()
    check_target(platform, python)
    place, folder = check_new_output(output), course_folder(root)
    if platform.startswith("windows"):
        install, script = {"install.cmd": windows_script("course", python)}, "double-click install.cmd"
    else:
        install, script = {"install.sh": posix_script("course", python)}, "sh install.sh"
    then = f"copy it to a machine of the kind {platform} with Python {python}, there: {script}; needs no network"
    files = lesson_files(folder) | install
    return write_with_wheels("offline", place, files, folder, platform, python, {}, then, tell)
