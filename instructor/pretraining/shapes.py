"""Shapes to pre-train on: each a short list of simple parts.

A part is a superellipse |x/a|^p + |y/b|^p <= 1 (p = 2 an ellipse, large p a
rectangle) that can taper, lean, turn, be hollow and have lobes.  It paints, or
cuts a hole in what was painted before.  x goes right, y down, and a shape is
about two units across; its size in pixels comes later.

The shapes that the course and its users train on stay out: see :data:`HELD_OUT`.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from shape_parts import (
    DEFAULTS,
    FIELD,
    MOST_PARTS,
    SQUARE,
    Draw,
    Part,
    banded_pole,
    block,
    can,
    cone,
    cross,
    disc,
    leaf,
    panel,
    pawn,
    pole,
    ring,
    slats,
    star,
    table,
    tub,
)


def crescent(d: Draw) -> list[Part]:
    return [{}, {"x": d.u(0.35, 0.8), "y": d.u(-0.3, 0.3), "a": d.u(0.7, 1), "b": d.u(0.7, 1), "paint": -1}]


def bracket(d: Draw) -> list[Part]:
    """L, T and U shapes."""
    thick, at = d.u(0.12, 0.3), d.u(-1, 1)
    return [
        {"y": 0.8, "b": thick, "power": SQUARE},
        {"x": -1 + thick, "a": thick, "power": SQUARE, "paint": d.maybe(0.7)},
        {"x": at * (1 - thick), "a": thick, "b": d.u(0.6, 1), "power": SQUARE, "tone": d.u(0.8, 1.1)},
    ]


def arch(d: Draw) -> list[Part]:
    b, hole = d.u(0.6, 1.2), d.u(0.35, 0.75)
    return [
        {"b": b, "power": d.u(3, SQUARE)},
        {"y": b * 0.6, "a": hole, "b": b * d.u(0.6, 1.2), "power": d.u(2, SQUARE), "paint": -1},
    ]


def bottle(d: Draw) -> list[Part]:
    neck = d.u(0.12, 0.25)
    return [
        {"y": 0.45, "a": 0.5, "b": 0.85, "power": d.u(4, SQUARE), "round": 1},
        {"y": -0.4, "a": 0.5, "b": d.u(0.2, 0.45), "round": 1},
        {"y": -0.9, "a": neck, "b": 0.45, "power": SQUARE, "round": 1},
        {"y": -1.3, "a": neck * 1.3, "b": 0.12, "power": 6, "round": 1, "dye": 1},
        {
            "y": d.u(0.2, 0.6),
            "a": 0.5,
            "b": d.u(0.2, 0.4),
            "power": SQUARE,
            "round": 1,
            "dye": d.whole(1, 2),
            "paint": d.maybe(0.6),
        },
    ]


def mug(d: Draw) -> list[Part]:
    b, side = d.u(0.6, 1), d.sign()
    return [
        {"x": side * 0.75, "a": d.u(0.3, 0.5), "b": b * d.u(0.5, 0.7), "hollow": d.u(0.2, 0.4), "tone": d.u(0.7, 1)},
        {"a": 0.75, "b": b, "power": d.u(8, SQUARE), "taper": d.u(-0.15, 0.05), "round": 1},
        {"y": -b, "a": 0.78, "b": d.u(0.05, 0.2), "tone": d.u(0.3, 1.3)},
    ]


def gear(d: Draw) -> list[Part]:
    hole = d.u(0.15, 0.55)
    return [
        {"lobes": d.whole(8, 14), "swing": d.u(0.06, 0.15), "phase": d.u(0, 6)},
        {"a": hole, "b": hole, "paint": -d.maybe(0.7)},
        {"a": d.u(0.5, 0.7), "b": d.u(0.5, 0.7), "hollow": 0.15, "tone": d.u(0.5, 1.4), "paint": d.maybe(0.5)},
    ]


def tray(d: Draw) -> list[Part]:
    """Low and wide."""
    b = d.u(0.08, 0.25)
    return [
        {"b": b, "taper": d.u(-0.25, 0.25), "power": d.u(4, SQUARE)},
        {
            "y": -b * 0.3,
            "a": d.u(0.75, 0.9),
            "b": b * 0.5,
            "tone": d.u(0.4, 0.9),
            "power": SQUARE,
            "paint": d.maybe(0.6),
            "dye": d.whole(0, 1),
        },
    ]


def blob(d: Draw) -> list[Part]:
    """A cut-out with no name: two or three wavy patches."""
    parts: list[Part] = []
    for k in range(3):
        parts.append(
            {
                "x": k * d.u(-0.5, 0.5),
                "y": k * d.u(-0.5, 0.5),
                "a": d.u(0.4, 1),
                "b": d.u(0.4, 1),
                "turn": d.u(0, 3),
                "lobes": d.whole(2, 5),
                "swing": d.u(0, 0.3),
                "phase": d.u(0, 6),
                "power": d.u(1.3, 5),
                "paint": d.maybe(0.7 if k else 1.0),
                "round": d.whole(0, 2),
                "tone": d.u(0.8, 1.2),
            }
        )
    return parts


def beast(d: Draw) -> list[Part]:
    """A long body on four legs."""
    b, leg, side = d.u(0.25, 0.5), d.u(0.07, 0.15), d.sign()
    parts: list[Part] = [
        {
            "x": k * 0.33,
            "y": b + 0.2,
            "a": leg,
            "b": d.u(0.4, 0.8),
            "power": 6,
            "lean": d.u(-0.3, 0.3),
            "tone": d.u(0.5, 1),
        }
        for k in (-2.4, -1.4, 1.4, 2.4)
    ]
    parts.append({"b": b, "power": d.u(2, 4), "round": 1, "x": 0.0})
    parts.append(
        {
            "x": side * 1.0,
            "y": -b * d.u(0.5, 2),
            "a": d.u(0.2, 0.4),
            "b": d.u(0.2, 0.4),
            "round": 2,
            "dye": d.whole(0, 1),
        }
    )
    parts.append(
        {"x": -side * 1.1, "y": -0.2, "a": 0.06, "b": d.u(0.2, 0.5), "turn": d.u(-1, 1), "paint": d.maybe(0.6)}
    )
    return parts


def sign_post(d: Draw) -> list[Part]:
    """A plate on a thin stick."""
    size = d.u(0.35, 0.6)
    return [
        {"y": 0.4, "a": d.u(0.04, 0.1), "b": 1.0, "power": SQUARE, "dye": d.whole(0, 2), "tone": d.u(0.4, 1)},
        {"y": -0.8, "a": size, "b": size * d.u(0.6, 1.2), "power": d.u(1, SQUARE), "lobes": 4, "swing": d.u(0, 0.15)},
        {"y": -0.8, "a": size * 0.6, "b": size * 0.4, "power": d.u(2, SQUARE), "dye": 1, "paint": d.maybe(0.6)},
    ]


def pot_plant(d: Draw) -> list[Part]:
    taper = -d.u(0.1, 0.3)
    parts: list[Part] = [
        {
            "x": d.u(-0.3, 0.3),
            "y": d.u(-0.9, -0.3),
            "a": d.u(0.15, 0.3),
            "b": d.u(0.5, 0.8),
            "turn": k + d.u(-0.2, 0.2),
            "power": 1.5,
            "dye": 1,
            "tone": d.u(0.6, 1.3),
        }
        for k in (-0.9, -0.4, 0.1, 0.5, 0.9)
    ]
    parts.append({"y": 0.6, "a": 0.55, "b": 0.5, "taper": taper, "power": SQUARE, "round": 1})
    parts.append(
        {"y": 0.12, "a": 0.6 * (1 - taper), "b": d.u(0.06, 0.14), "power": 6, "round": 1, "tone": d.u(0.8, 1.3)}
    )
    return parts


def mushroom(d: Draw) -> list[Part]:
    """A cap on a stem, or an umbrella."""
    b = d.u(0.3, 0.9)
    return [
        {
            "y": 0.6,
            "a": d.u(0.05, 0.35),
            "b": 0.8,
            "power": SQUARE,
            "round": 1,
            "dye": d.whole(0, 1),
            "tone": d.u(0.5, 1.1),
        },
        {"b": b, "round": 2},
        {"y": b * 0.7, "a": 1.1, "b": b * 0.7, "power": SQUARE, "paint": -1},
        {"y": 0.7, "a": d.u(0.05, 0.3), "b": 0.7, "power": SQUARE, "round": 1, "dye": 1},
    ]


def hut(d: Draw) -> list[Part]:
    b = d.u(0.4, 0.9)
    return [
        {"y": b, "a": 0.8, "b": b, "power": SQUARE},
        {
            "y": -0.4,
            "a": 0.55,
            "b": 0.45,
            "taper": d.u(0.8, 0.98),
            "power": SQUARE,
            "dye": d.whole(0, 1),
            "tone": d.u(0.5, 1.2),
        },
        {"x": d.u(-0.4, 0.4), "y": b * 1.3, "a": 0.18, "b": b * 0.6, "power": SQUARE, "dye": 2, "paint": d.maybe(0.6)},
    ]


def trestle(d: Draw) -> list[Part]:
    """An A on two spread legs."""
    spread, thick, bar = d.u(0.15, 0.5), d.u(0.08, 0.22), d.u(-0.3, 0.5)
    return [
        {"x": -spread, "a": thick, "b": 1.2, "lean": -spread, "power": SQUARE, "tone": d.u(0.6, 1.0)},
        {"x": spread, "a": thick, "b": 1.2, "lean": spread, "power": SQUARE},
        {"y": bar, "a": spread * 1.2, "b": thick * 0.7, "power": SQUARE, "dye": d.whole(0, 1), "paint": d.maybe(0.6)},
        {"y": -1.1, "a": thick + spread * d.u(0.2, 1), "b": thick, "power": 6, "dye": d.whole(0, 1)},
    ]


def lamp(d: Draw) -> list[Part]:
    """A shade on a stem on a foot."""
    return [
        {"y": 1.2, "a": d.u(0.35, 0.7), "b": d.u(0.06, 0.2), "power": d.u(2, 8), "dye": d.whole(0, 2)},
        {"y": 0.4, "a": d.u(0.05, 0.15), "b": 0.9, "power": SQUARE, "tone": d.u(0.4, 1), "dye": d.whole(0, 2)},
        {"y": -0.8, "a": 0.6, "b": d.u(0.35, 0.6), "taper": d.u(0.2, 0.5), "power": SQUARE, "round": 1},
    ]


def sack(d: Draw) -> list[Part]:
    return [
        {"y": -0.8, "a": d.u(0.15, 0.4), "b": d.u(0.2, 0.5), "taper": -0.5, "power": 3, "tone": d.u(0.6, 1)},
        {"y": 0.2, "a": d.u(0.7, 1), "b": 0.9, "taper": d.u(0.05, 0.3), "power": d.u(2, 4), "round": d.whole(1, 2)},
        {"y": -0.5, "a": 0.3, "b": 0.08, "dye": 1, "paint": d.maybe(0.5)},
    ]


SHAPES: dict[str, Callable[[Draw], list[Part]]] = {
    make.__name__: make
    for make in (
        disc,
        ring,
        panel,
        block,
        can,
        tub,
        cone,
        pole,
        banded_pole,
        slats,
        cross,
        star,
        pawn,
        table,
        leaf,
        crescent,
        bracket,
        arch,
        bottle,
        mug,
        gear,
        tray,
        blob,
        beast,
        sign_post,
        pot_plant,
        mushroom,
        hut,
        trestle,
        lamp,
        sack,
    )
}
# Solid kinds of robotlab.greenhouse, see views.py.
KINDS = ("post", "bucket", "crate", "tray", "drum", "pole", "pot")
NAMES = tuple(SHAPES) + tuple(f"greenhouse {kind}" for kind in KINDS)
COLORS = (
    "red",
    "orange",
    "yellow",
    "green",
    "cyan",
    "blue",
    "purple",
    "pink",
    "brown",
    "white",
    "gray",
    "black",
    "photo",
)
# Hue (turns), saturation and value of the color names: low and high.
COLOR_RANGES = {
    "red": (-0.03, 0.025, 0.65, 1, 0.4, 1),
    "orange": (0.045, 0.095, 0.7, 1, 0.6, 1),
    "yellow": (0.12, 0.18, 0.6, 1, 0.6, 1),
    "green": (0.24, 0.42, 0.4, 1, 0.25, 0.95),
    "cyan": (0.46, 0.54, 0.45, 1, 0.4, 1),
    "blue": (0.57, 0.68, 0.5, 1, 0.35, 1),
    "purple": (0.72, 0.82, 0.35, 1, 0.35, 0.9),
    "pink": (0.86, 0.95, 0.3, 0.8, 0.65, 1),
    "brown": (0.02, 0.09, 0.4, 0.75, 0.2, 0.5),
    "white": (0, 1, 0, 0.1, 0.8, 1),
    "gray": (0, 1, 0, 0.1, 0.25, 0.75),
    "black": (0, 1, 0, 0.3, 0.02, 0.18),
    "photo": (0, 1, 0, 0.3, 0.8, 1),
}
# Never drawn: what the course's own classes look like, and coins (also in
# colorless pictures).  No human figure is among the shapes.
HELD_OUT = frozenset(
    [(shape, "orange") for shape in ("pole", "banded_pole")]
    + [("greenhouse post", color) for color in ("orange", "red", "brown")]
    + [(shape, "blue") for shape in ("tub", "greenhouse bucket")]
    + [(shape, "yellow") for shape in ("slats", "block", "greenhouse crate")]
    + [("disc", color) for color in ("gray", "white", "black")]
)
NOT_IN_GRAY = ("disc",)


def parts_table(shape: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Random parts of each thing.

    Parameters
    ----------
    shape : (n,) tensor of int
        Index into :data:`NAMES`.
    generator : torch.Generator
        Where the randomness comes from.

    Returns
    -------
    (n, MOST_PARTS, len(FIELD)) tensor
        Unused parts have ``paint`` 0.
    """
    table = torch.tensor(list(DEFAULTS.values()), device=shape.device).repeat(len(shape), MOST_PARTS, 1)
    table[:, :, FIELD["paint"]] = 0
    for index, make in enumerate(SHAPES.values()):
        rows = torch.nonzero(shape == index)[:, 0]
        if len(rows) == 0:
            continue
        for k, part in enumerate(make(Draw(len(rows), generator))):
            for name, value in {"paint": 1.0, **part}.items():
                table[rows, k, FIELD[name]] = value.float() if torch.is_tensor(value) else float(value)
    return table
