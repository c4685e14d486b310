"""Fetch Python wheels with pip, for this machine or another."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from importlib.metadata import Distribution, distributions
from pathlib import Path

from robotlab.errors import InputError, install_hint, short
from robotlab.files import free_disk
from robotlab.packs.platforms import PLATFORMS, this_platform, this_python

# Each round fetches what the one before showed to be missing; two are usual.
_ROUNDS = 6


def fetch_wheels(folder: Path, needed: Sequence[str], platform: str, python: str) -> None:
    """Fetch the wheels of requirements, and of all that these require.

    Parameters
    ----------
    folder : Path
        Where they go.
    needed : sequence of str
        Requirements as in ``pyproject.toml``.
    platform : str
        One of :data:`robotlab.packs.PLATFORMS`.
    python : str
        Version, such as ``"3.11"``.

    Raises
    ------
    InputError
        If pip finds no wheel for one of them.

    Notes
    -----
    pip asks for conditions such as ``sys_platform == "win32"`` on the machine
    that it runs on.  So what the wheels require on the other machine is read
    from the wheels, and fetched too.

    Examples
    --------
    >>> import tempfile
    >>> fetch_wheels(Path(tempfile.mkdtemp()), [], "linux-aarch64", "3.11")
    """
    wanted = list(needed)
    for _ in range(_ROUNDS):
        if wanted:
            _download(folder, wanted, platform, python)
        wanted = missing(folder, needed, platform, python)
        if not wanted:
            return
    raise InputError(
        f"all that the wheels require must be found, {short(wanted[0])} is not; ask for another --platform or --python"
    )


def _download(folder: Path, needed: Sequence[str], platform: str, python: str) -> None:
    words = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-input"]
    words += ["--progress-bar", "off", "--only-binary", ":all:", "--dest", str(folder)]
    if (platform, python) != (this_platform(), this_python()):
        words += ["--implementation", "cp", "--python-version", python]
        words += [word for tag in PLATFORMS[platform].tags for word in ("--platform", tag)]
    ran = subprocess.run([*words, *needed], stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace")
    if ran.returncode:
        lines = [line for line in ran.stderr.splitlines() if line.startswith("ERROR:")] or ran.stderr.splitlines()
        why = lines[-1].removeprefix("ERROR:").strip() if lines else "pip said nothing"
        if "No module named pip" in why:
            raise InputError("wheels must be fetched by pip, this Python has none; python -m ensurepip adds it")
        raise InputError(
            f"pip must find a wheel of each package for {platform}, Python {python}, it did not ({short(why)}); "
            "check the network, or ask for another --platform or --python"
        )


def missing(folder: Path, needed: Sequence[str], platform: str, python: str) -> list[str]:
    """What the wheels in a folder lack to be installed on a machine without network.

    Parameters
    ----------
    folder : Path
        With wheels.
    needed : sequence of str
        What is to be installed.
    platform : str
        One of :data:`robotlab.packs.PLATFORMS`.
    python : str
        Version, such as ``"3.11"``.

    Returns
    -------
    list of str
        Requirements that no wheel meets.

    Examples
    --------
    >>> import tempfile
    >>> missing(Path(tempfile.mkdtemp()), ["crates>=1"], "linux-aarch64", "3.11")
    ['crates>=1']
    """
    try:
        from packaging.requirements import Requirement
        from packaging.utils import canonicalize_name
    except ModuleNotFoundError:
        raise InputError(f"packs need the package packaging, it is not installed; {install_hint('course')}") from None
    there: dict[str, Distribution] = {}
    for path in sorted(folder.glob("*.whl")):
        for wheel in distributions(path=[str(path)]):
            there[canonicalize_name(wheel.metadata["Name"])] = wheel
    known = PLATFORMS[platform].markers | {
        "python_version": python,
        "python_full_version": f"{python}.0",
        "implementation_name": "cpython",
        "implementation_version": f"{python}.0",
        "platform_python_implementation": "CPython",
        "platform_release": "",
        "platform_version": "",
    }
    lacking: list[str] = []
    waiting, seen = [Requirement(one) for one in needed], set()
    while waiting:
        one = waiting.pop(0)
        name = canonicalize_name(one.name)
        found = there.get(name)
        if found is None or not one.specifier.contains(found.version, prereleases=True):
            lacking.append(f"{one.name}{one.specifier}")
            continue
        for extra in ("", *one.extras):
            if (name, extra) in seen:
                continue
            seen.add((name, extra))
            for line in found.requires or ():
                below = Requirement(line)
                if below.marker is None or below.marker.evaluate(known | {"extra": extra}):
                    waiting.append(below)
    return sorted(set(lacking))


def check_disk(folder: Path, megabytes: float) -> None:
    """Refuse to begin what the disk cannot hold.

    Parameters
    ----------
    folder : Path
        On the disk that is meant; it need not be there yet.
    megabytes : float
        What is needed.

    Raises
    ------
    InputError
        If less is free.

    Examples
    --------
    >>> check_disk(Path("."), 0)
    """
    place, free_bytes = free_disk(folder)
    if free_bytes / 1e6 < megabytes:
        raise InputError(
            f"the pack must have {megabytes:.0f} MB of free disk, {place} has {free_bytes / 1e6:.0f} MB; free some, or choose another disk"
        )
