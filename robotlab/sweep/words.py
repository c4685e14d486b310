"""Words for what a sweep varies and gives, with units, as axes show them."""

from __future__ import annotations

from collections.abc import Sequence

from robotlab.sweep.parameters import PARAMETERS

_WORDS = {
    "latency_s": "latency, from the picture to the command, s",
    "time_in_view": "share of the pictures with the post in view",
    "time_following": "share of the time in which the post is followed",
    "distance_error_m": "distance error (root mean square), m",
    "bearing_error_rad": "bearing error (root mean square), rad",
    "last_bearing_rad": "bearing in the last third (root mean square), rad",
    "losses": "times that the post was lost",
    "closest_m": "closest distance, m",
}
# By the end of a column's name; what has its unit in the text needs none.
_UNITS = {"deg": "°", "px": "px", "s": "s", "mps": "m/s", "mps2": "m/s²", "m": "m"}


def words_of(name: str) -> str:
    """A column in words, with its unit.

    Parameters
    ----------
    name : str
        The column.

    Returns
    -------
    str
        For an axis; an unknown column is called by its name.

    Examples
    --------
    >>> words_of("turn_gain"), words_of("lag_s"), words_of("other")
    ('steering gain, 1/s', 'time constant of the motors, s', 'other')
    """
    if name in _WORDS or name not in PARAMETERS:
        return _WORDS.get(name, name)
    text, unit = PARAMETERS[name].text, _UNITS.get(name.rpartition("_")[2])
    return text if unit is None or f", {unit}" in text else f"{text}, {unit}"


def listed(names: Sequence[str]) -> str:
    """Names in a sentence.

    Parameters
    ----------
    names : sequence of str
        One or more.

    Returns
    -------
    str
        With ``and`` before the last.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed(["a"])
    ('a, b and c', 'a')
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
