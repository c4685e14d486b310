"""Every public name is documented, and its documentation says what its signature says."""

import dataclasses
import enum
import inspect
import re

import pytest
from docs_walk import exported, is_api, load, module_names, public

# A quantity with a unit ends in it: duration_s, max_accel_mps2.
BARE = {
    "speed",
    "accel",
    "acceleration",
    "delay",
    "latency",
    "timeout",
    "duration",
    "distance",
    "angle",
    "bearing",
    "lag",
    "period",
}


def sections(docstring: str) -> dict[str, str]:
    """The numpydoc sections of a docstring, by heading."""
    lines = inspect.cleandoc(docstring).splitlines()
    heads = [
        i for i in range(len(lines) - 1) if re.fullmatch(r"-{3,}", lines[i + 1]) and len(lines[i]) == len(lines[i + 1])
    ]
    return {lines[i]: "\n".join(lines[i + 2 : end]) for i, end in zip(heads, [*heads[1:], len(lines)])}


def documented(docstring: str) -> list[str]:
    """The names under Parameters, in order; a result that nobody makes by hand may call them Attributes."""
    names, there = [], sections(docstring)
    for line in there.get("Parameters", there.get("Attributes", "")).splitlines():
        if line and not line[0].isspace():
            names += [name.strip().lstrip("*") for name in line.split(" : ")[0].split(",")]
    return names


def taken(thing) -> list[str]:
    """The names that a function, or the making of an object, takes."""
    if dataclasses.is_dataclass(thing):
        return [field.name for field in dataclasses.fields(thing) if field.init and not field.name.startswith("_")]
    if inspect.isclass(thing):
        if "__init__" not in vars(thing):
            return []
        thing = thing.__init__
    return [name for name in inspect.signature(thing).parameters if name not in ("self", "cls")]


def gives_something(function) -> bool:
    return inspect.signature(function).return_annotation not in (None, "None", inspect.Signature.empty, "NoReturn")


def faults_of_callable(name: str, thing, api: bool) -> list[str]:
    """A helper may have one plain line; what it says of its parameters must be true all the same."""
    if not thing.__doc__:
        return [f"{name}: has no docstring"]
    faults, there = [], sections(thing.__doc__)
    faults += [f"{name}: {bare} says no unit" for bare in taken(thing) if api and bare in BARE]
    if (api or "Parameters" in there) and documented(thing.__doc__) != taken(thing):
        faults.append(f"{name}: documents {documented(thing.__doc__)}, takes {taken(thing)}")
    if api and inspect.isfunction(thing) and gives_something(thing) and not {"Returns", "Yields"} & there.keys():
        faults.append(f"{name}: gives something, its docstring has no Returns")
    return faults


def faults_of_class(name: str, thing, api: bool) -> list[str]:
    if issubclass(thing, (BaseException, enum.Enum)):
        return [] if thing.__doc__ else [f"{name}: has no docstring"]
    protocol = getattr(thing, "_is_protocol", False)
    faults = [] if protocol and thing.__doc__ else faults_of_callable(name, thing, api)
    for member, value in vars(thing).items():
        if member.startswith("_"):
            continue
        if isinstance(value, property):
            if not value.__doc__:
                faults.append(f"{name}.{member}: has no docstring")
            continue
        function = value.__func__ if isinstance(value, (classmethod, staticmethod)) else value
        if inspect.isfunction(function):
            faults += faults_of_callable(f"{name}.{member}", function, api)
    return faults


def faults_of_module(name: str, offered: frozenset) -> list[str]:
    module = load(name)
    faults = [] if module.__doc__ else [f"{name}: has no docstring"]
    for short, thing in public(module):
        api = is_api(name) or thing in offered
        faults += (faults_of_class if inspect.isclass(thing) else faults_of_callable)(f"{name}.{short}", thing, api)
        # Results, errors and protocols are not made by hand; the function that gives one has the example.
        made = not inspect.isclass(thing) or (
            not dataclasses.is_dataclass(thing)
            and not issubclass(thing, BaseException)
            and not getattr(thing, "_is_protocol", False)
        )
        if api and made and ">>>" not in sections(thing.__doc__ or "").get("Examples", ""):
            faults.append(f"{name}.{short}: has no runnable example")
    return faults


PARTS = sorted({".".join(name.split(".")[:2]) for name in module_names()})


@pytest.mark.parametrize("part", PARTS)
def test_public_names_are_documented(part):
    faults, left_out, offered = [], [], exported()
    for name in module_names():
        if ".".join(name.split(".")[:2]) == part:
            try:
                faults += faults_of_module(name, offered)
            except pytest.skip.Exception as skipped:  # It needs an extra that is not installed.
                left_out.append(str(skipped))
    assert not faults, "\n".join(faults)
    if left_out:
        pytest.skip("; ".join(left_out))


def test_the_check_itself_sees_a_wrong_name():
    def wrong(width_px: int, height_px: int) -> int:
        """Area.

        Parameters
        ----------
        width_px, hight_px : int
            Sides.
        """

    assert faults_of_callable("wrong", wrong, api=True) == [
        "wrong: documents ['width_px', 'hight_px'], takes ['width_px', 'height_px']",
        "wrong: gives something, its docstring has no Returns",
    ]


def test_the_check_itself_sees_a_name_without_a_unit():
    def wrong(delay: float) -> None:
        """Wait.

        Parameters
        ----------
        delay : float
            Time.
        """

    assert faults_of_callable("wrong", wrong, api=True) == ["wrong: delay says no unit"]
