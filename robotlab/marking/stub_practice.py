"""In the sandbox this stands in place of ``robotlab.practice``: no task, no answer, no case."""

from __future__ import annotations

from typing import Any


class Outside:
    """What every function of the sandbox of practice gives in the sandbox."""

    def __call__(self, *given: object, **named: object) -> Outside:
        return self

    def __getattr__(self, name: str) -> Outside:
        if name.startswith("_"):
            raise AttributeError(name)
        return self

    def __iter__(self) -> Any:
        return iter(())

    def __bool__(self) -> bool:
        return False

    def __repr__(self) -> str:
        return "marked outside"


def __getattr__(name: str) -> Outside:
    if name.startswith("_"):
        raise AttributeError(name)
    return Outside()
