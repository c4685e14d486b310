"""The machines that wheels are fetched for."""

from __future__ import annotations

import platform
import re
import sys
from dataclasses import dataclass

from robotlab.errors import InputError


@dataclass(frozen=True)
class Platform:
    """What names a kind of machine has.

    Parameters
    ----------
    tags : tuple of str
        Platform tags of wheels that run there, newest first.
    markers : mapping of str to str
        What environment markers of requirements are there.

    Examples
    --------
    >>> PLATFORMS["windows-x86_64"].tags
    ('win_amd64',)
    """

    tags: tuple[str, ...]
    markers: dict[str, str]


def _linux(machine: str) -> Platform:
    # PEP 600 and its older names; glibc 2.28 is that of Debian 10 and RHEL 8.
    tags = [f"manylinux_2_{minor}_{machine}" for minor in range(28, 16, -1)] + [f"manylinux2014_{machine}"]
    return Platform(tuple(tags), _markers("linux", "Linux", "posix", machine))


def _macos(machine: str, oldest: int) -> Platform:
    tags = tuple(f"macosx_{major}_0_{machine}" for major in range(14, oldest - 1, -1))
    return Platform(tags, _markers("darwin", "Darwin", "posix", machine))


def _markers(sys_platform: str, system: str, os_name: str, machine: str) -> dict[str, str]:
    return {"sys_platform": sys_platform, "platform_system": system, "os_name": os_name, "platform_machine": machine}


PLATFORMS = {
    "linux-x86_64": _linux("x86_64"),
    "linux-aarch64": _linux("aarch64"),
    "macos-arm64": _macos("arm64", 11),
    "macos-x86_64": _macos("x86_64", 11),
    "windows-x86_64": Platform(("win_amd64",), _markers("win32", "Windows", "nt", "AMD64")),
}


def this_platform() -> str:
    """The name of this machine's kind.

    Returns
    -------
    str
        Of :data:`PLATFORMS`, where it is among them.

    Examples
    --------
    >>> "-" in this_platform()
    True
    """
    system = {"darwin": "macos", "win32": "windows"}.get(sys.platform, sys.platform)
    machine = platform.machine()
    return f"{system}-{'x86_64' if machine == 'AMD64' else machine}"


def this_python() -> str:
    """The version of this Python.

    Returns
    -------
    str
        Such as ``"3.11"``.

    Examples
    --------
    >>> this_python().startswith("3.")
    True
    """
    return f"{sys.version_info.major}.{sys.version_info.minor}"


def check_target(name: str, python: str) -> None:
    """Refuse a machine or a Python that no wheels are known for.

    Parameters
    ----------
    name : str
        One of :data:`PLATFORMS`.
    python : str
        Version, such as ``"3.11"``.

    Raises
    ------
    InputError
        If it is another.

    Examples
    --------
    >>> check_target("linux-x86_64", "3.12")
    """
    if name not in PLATFORMS:
        raise InputError(f"--platform must be one of {', '.join(PLATFORMS)}, got {name!r}; choose one of these")
    if not re.fullmatch(r"3\.(1[1-9]|[2-9][0-9])", python):
        raise InputError(f"--python must be a version from 3.11 on, such as 3.11, got {python!r}; give two numbers")
