"""Check that the Jupyter that shows a notebook is in the same environment as its kernel.

When it is not, code runs and pictures that should move stay away: their
browser side is installed with Jupyter, their Python side with the kernel.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class KernelMatch:
    """Where a kernel and its Jupyter live.

    Parameters
    ----------
    same : bool or None
        Whether it is one environment; None where that cannot be told.
    kernel : str
        The kernel's environment.
    jupyter : str
        Jupyter's environment, empty where unknown.

    Examples
    --------
    >>> KernelMatch(True, "a", "a").text()
    'Jupyter and this kernel are in one environment.'
    """

    same: bool | None
    kernel: str
    jupyter: str

    def text(self) -> str:
        """The finding as a sentence, with the repair where one is needed.

        Returns
        -------
        str
            One or two sentences.

        Examples
        --------
        >>> KernelMatch(None, "a", "").text()
        'This notebook was not started from a Jupyter that can be looked at; if pictures do not move, start it with robotlab open.'
        """
        if self.same:
            return "Jupyter and this kernel are in one environment."
        if self.same is None:
            return (
                "This notebook was not started from a Jupyter that can be looked at; "
                "if pictures do not move, start it with robotlab open."
            )
        return (
            f"Jupyter is in {self.jupyter} and this kernel in {self.kernel}, so pictures that should move will not. "
            "Close Jupyter and start it with robotlab open from the kernel's environment."
        )


def environment_of(program: str) -> str:
    """The environment that a Python program file belongs to.

    Parameters
    ----------
    program : str
        Path of a Python, as the system lists it; not followed to where it
        links, since the Python of a virtual environment is often a link.

    Returns
    -------
    str
        The folder above its ``bin`` or ``Scripts``.

    Examples
    --------
    >>> environment_of("course/.venv/bin/python3").replace(os.sep, "/")
    'course/.venv'
    """
    folder = Path(program).parent
    return str(folder.parent if folder.name.lower() in ("bin", "scripts") else folder)


def kernel_match() -> KernelMatch:
    """Compare this kernel's environment with that of the Jupyter above it.

    Returns
    -------
    KernelMatch
        `same` is None outside a notebook, and where the system hides the parent.

    Examples
    --------
    >>> kernel_match().kernel == sys.prefix
    True
    """
    jupyter = _jupyter_above()
    if not jupyter:
        return KernelMatch(None, sys.prefix, "")
    # A link in either path must not make one place look like two.
    return KernelMatch(os.path.realpath(jupyter) == os.path.realpath(sys.prefix), sys.prefix, jupyter)


def _jupyter_above() -> str:
    """Environment of the nearest parent process that is a Jupyter, or nothing."""
    try:
        import psutil  # An extra's, and this module must do without.
    except ModuleNotFoundError:
        return ""
    try:
        for parent in psutil.Process().parents():
            words = parent.cmdline()
            if len(words) > 1 and any("jupyter" in Path(word).name.lower() for word in words[1:3]):
                return environment_of(words[0])
    except (psutil.Error, OSError):
        return ""
    return ""
