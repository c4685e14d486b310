"""The errors of robotlab: one small tree, rooted in ``ValueError``.

Every message says the rule, what came, and the repair, in that order, in one
line that stays one line: whatever text came from outside, it is made printable
by :func:`printable`, the door for all text that is shown.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path

# Joiners inside words and emoji; all other format characters are invisible, or
# turn the direction of the text around them (Unicode, UAX #9).
_JOINERS = "\u200c\u200d"


def printable(text: object, keep: str = "") -> str:
    r"""Foreign text with everything that is not plain signs written as an escape.

    Parameters
    ----------
    text : object
        Its ``str`` is taken.
    keep : str
        Characters to leave, such as ``"\n"``.

    Returns
    -------
    str
        Without control characters, terminal sequences, line separators, marks
        that turn the direction of writing, and lone surrogates; so it can be
        printed, stays on its line, and can be encoded.

    Examples
    --------
    >>> print(printable("post\x1b[2J\n\u202etsop"))
    post\x1b[2J\x0a\u202etsop
    """

    def shown(sign: str) -> str:
        kind = unicodedata.category(sign)
        if sign in keep or (kind not in ("Cc", "Cs", "Zl", "Zp") and (kind != "Cf" or sign in _JOINERS)):
            return sign
        # Python escapes the other signs so too, and leaves ASCII alone.
        return sign.encode("ascii", "backslashreplace").decode() if ord(sign) > 127 else f"\\x{ord(sign):02x}"

    text = str(text)
    return text if text.isascii() and text.isprintable() else "".join(map(shown, text))


# What came is quoted in messages, and may be a page.
LONGEST_MESSAGE = 2000


def short(value: object) -> str:
    """A value in at most 60 characters, for a message.

    Parameters
    ----------
    value : object
        From a file.

    Returns
    -------
    str
        As Python writes it, cut off where it is long.

    Examples
    --------
    >>> short([3, "post"])
    "[3, 'post']"
    """
    try:
        text = repr(value)
    except ValueError:  # a whole number of more digits than Python writes
        text = "a number of too many digits"
    return text if len(text) <= 60 else text[:57] + "..."


def some(names: Sequence[str], most: int = 20) -> str:
    """Names in a row, the first of them where there are very many.

    Parameters
    ----------
    names : sequence of str
        Of recordings, say.
    most : int
        So many are named.

    Returns
    -------
    str
        With commas, and the count of the rest.

    Examples
    --------
    >>> some(["a", "b", "c"], 2)
    'a, b and 1 more'
    """
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def counted(number: int, one: str, many: str = "") -> str:
    """A number and the word for what is counted.

    Parameters
    ----------
    number : int
        How many there are.
    one, many : str
        The word for one, and for more where that is not `one` with an s.

    Returns
    -------
    str
        Both.

    Examples
    --------
    >>> counted(1, "picture"), counted(3, "box", "boxes")
    ('1 picture', '3 boxes')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


class InputError(ValueError):
    """Something given to robotlab breaks a stated rule; the root of the tree."""

    def __init__(self, message: object = "") -> None:
        text = printable(message)
        super().__init__(text if len(text) <= LONGEST_MESSAGE else text[:LONGEST_MESSAGE] + "...")


class BoxError(InputError):
    """Boxes or scores of a wrong shape, order or value."""


class PictureError(InputError):
    """A picture that is missing, damaged, or not an RGB byte array."""


class DataSetError(InputError):
    """A labels file, a results file or a folder of pictures that breaks a rule."""


class ModelError(InputError):
    """A model file that is damaged, foreign, or made for other classes."""


class MotionError(InputError):
    """A speed, gain, limit or time that a robot cannot be driven with."""


def install_hint(extra: str) -> str:
    """The command that installs one of robotlab's extras here.

    Parameters
    ----------
    extra : str
        Such as ``"robot"``, see ``pyproject.toml``.

    Returns
    -------
    str
        In a clone, the editable install, from the clone's folder.  Installed
        from a wheel, the packages of that extra by name, for the name robotlab
        need not be in any package index.

    Examples
    --------
    >>> install_hint("robot").startswith("pip install ")
    True
    """
    root = Path(__file__).resolve().parents[1]
    if (root / "pyproject.toml").is_file():
        return f'pip install -e ".[{extra}]" (in {root})'
    from importlib.metadata import requires  # slow to import, needed here alone

    needed = [line for line in requires("robotlab") or () if f'extra == "{extra}"' in line.replace("'", '"')]
    return "pip install " + " ".join(f'"{line.split(";")[0].strip()}"' for line in needed)
