"""The parts that shapes are made of, and the plain shapes; :mod:`shapes` has the rest."""

from __future__ import annotations

import torch

# Name and default of every number of a part.
#   x, y      center                     a, b     half width and half height
#   taper     width at y is a (1 + taper y / b); > 0 is wider at the foot
#   lean      sideways shift per unit down        slant    downward shift per unit right
#   power     p above
#   hollow    width of the wall as a share of the radius, 0 is solid
#   lobes, swing, phase   the radius times 1 + swing cos(lobes angle + phase)
#   turn      rad                        paint    +1 paints, -1 cuts, 0 absent
#   tone      brightness                 dye      which of the three colors
#   round     0 flat, 1 lit like an upright cylinder, 2 like a ball
DEFAULTS = {
    "x": 0.0,
    "y": 0.0,
    "a": 1.0,
    "b": 1.0,
    "taper": 0.0,
    "lean": 0.0,
    "slant": 0.0,
    "power": 2.0,
    "hollow": 0.0,
    "lobes": 0.0,
    "swing": 0.0,
    "phase": 0.0,
    "turn": 0.0,
    "paint": 1.0,
    "tone": 1.0,
    "dye": 0.0,
    "round": 0.0,
}
FIELD = {name: index for index, name in enumerate(DEFAULTS)}
MOST_PARTS = 9
# A power at which a superellipse is a rectangle to the eye.
SQUARE = 14.0

Part = dict[str, "torch.Tensor | float"]


class Draw:
    """Random numbers for `n` things at once, from one seeded generator."""

    def __init__(self, n: int, generator: torch.Generator):
        self.n, self.generator, self.device = n, generator, generator.device

    def u(self, low: float = 0.0, high: float = 1.0, *more: int) -> torch.Tensor:
        """Uniform, shape (n, *more)."""
        return low + (high - low) * torch.rand(self.n, *more, generator=self.generator, device=self.device)

    def log_u(self, low: float, high: float, *more: int) -> torch.Tensor:
        """Uniform in the logarithm."""
        span = torch.log(torch.tensor(high / low)).item()
        return low * torch.exp(self.u(0.0, span, *more))

    def maybe(self, chance: float, *more: int) -> torch.Tensor:
        """1.0 with this chance, else 0.0."""
        return (self.u(0, 1, *more) < chance).float()

    def whole(self, low: int, high: int, *more: int) -> torch.Tensor:
        """Whole numbers from `low` to `high`, both included."""
        return torch.randint(low, high + 1, (self.n, *more), generator=self.generator, device=self.device)

    def sign(self) -> torch.Tensor:
        """-1.0 or 1.0."""
        return 2 * self.maybe(0.5) - 1


def disc(d: Draw) -> list[Part]:
    b, inner = d.u(0.7, 1), d.u(0.3, 0.85)
    return [
        {"b": b, "round": 2 * d.maybe(0.5)},
        {
            "a": inner,
            "b": inner * b,
            "tone": d.u(0.6, 1.4),
            "paint": d.maybe(0.6),
            "dye": d.whole(0, 1),
            "lobes": d.whole(3, 9),
            "swing": d.u(0, 0.4) * d.maybe(0.6),
            "phase": d.u(0, 6),
        },
        {"b": b, "hollow": d.u(0.05, 0.2), "tone": d.u(0.7, 1.3), "paint": d.maybe(0.5)},
    ]


def ring(d: Draw) -> list[Part]:
    return [{"b": d.u(0.4, 1), "hollow": d.u(0.15, 0.5), "power": d.u(1.6, 6), "round": 2 * d.maybe(0.5)}]


def panel(d: Draw) -> list[Part]:
    b = d.u(0.35, 1)
    return [
        {"b": b, "power": d.u(4, SQUARE)},
        {
            "x": d.u(-0.3, 0.3),
            "y": d.u(-0.3, 0.3) * b,
            "a": d.u(0.2, 0.6),
            "b": d.u(0.1, 0.4) * b,
            "power": SQUARE,
            "dye": d.whole(1, 2),
            "paint": d.maybe(0.5),
        },
    ]


def block(d: Draw) -> list[Part]:
    """A cuboid: front, side and top face."""
    b, deep, side = d.u(0.4, 1.2), d.u(0.1, 0.4), d.u(0.1, 0.5)
    slope = -deep / side
    flip = d.sign()
    return [
        {"a": 0.8, "b": b, "power": SQUARE},
        {
            "x": flip * (0.8 + side / 2),
            "y": -deep / 2,
            "a": side / 2,
            "b": b,
            "power": SQUARE,
            "tone": d.u(0.4, 0.8),
            "slant": flip * slope,
        },
        {
            "x": flip * side / 2,
            "y": -b - deep / 2,
            "a": 0.8,
            "b": deep / 2,
            "power": SQUARE,
            "tone": d.u(0.9, 1.5),
            "lean": -flip * side / deep,
        },
    ]


def can(d: Draw) -> list[Part]:
    """An upright cylinder with its lid seen from above."""
    b, lid, band = d.u(0.5, 1.6), d.u(0.06, 0.3), d.u(-0.5, 0.5)
    return [
        {"a": 0.8, "y": b, "b": lid, "round": 1},
        {"a": 0.8, "b": b, "power": SQUARE, "round": 1},
        {"a": 0.8, "y": band * b, "b": d.u(0.1, 0.4) * b, "power": SQUARE, "round": 1, "dye": 1, "paint": d.maybe(0.5)},
        {"a": 0.8, "y": -b, "b": lid, "tone": d.u(0.5, 1.5), "dye": 2 * d.maybe(0.3)},
    ]


def tub(d: Draw) -> list[Part]:
    """A bucket: wider at the top, with its dark mouth and sometimes a handle."""
    b, taper, lid, mouth = d.u(0.5, 1.1), -d.u(0.06, 0.3), d.u(0.05, 0.28), d.u(0.8, 0.95)
    return [
        {
            "y": -b,
            "a": 0.75 * (1 - taper),
            "b": d.u(0.5, 1.1),
            "hollow": d.u(0.03, 0.07),
            "tone": d.u(0.3, 1.2),
            "dye": 2,
            "paint": d.maybe(0.4),
        },
        {"y": b, "a": 0.75 * (1 + taper), "b": lid * 0.8, "round": 1},
        {"a": 0.75, "b": b, "taper": taper, "power": SQUARE, "round": 1},
        {"y": -b, "a": 0.75 * (1 - taper), "b": lid, "tone": d.u(0.8, 1.4)},
        {"y": -b, "a": 0.75 * (1 - taper) * mouth, "b": lid * mouth, "tone": d.u(0.2, 0.8), "dye": 2 * d.maybe(0.3)},
    ]


def cone(d: Draw) -> list[Part]:
    b, foot = d.u(0.6, 1.5), d.u(0.04, 0.15)
    return [
        {
            "y": b,
            "a": 1.25 * d.u(0.9, 1.0),
            "b": foot,
            "power": d.u(2, SQUARE),
            "tone": d.u(0.5, 1.0),
            "paint": d.maybe(0.6),
        },
        {"a": 0.52, "b": b, "taper": d.u(0.7, 0.98), "power": SQUARE, "round": 1},
        {
            "y": d.u(-0.2, 0.4) * b,
            "a": 0.5,
            "b": d.u(0.08, 0.2) * b,
            "taper": 0.15,
            "power": SQUARE,
            "round": 1,
            "dye": 1,
            "paint": d.maybe(0.4),
        },
    ]


def pole(d: Draw) -> list[Part]:
    a = d.log_u(0.07, 0.35)
    return [
        {"a": a, "b": 1.4, "power": d.u(5, SQUARE), "round": 1},
        {
            "y": -1.4,
            "a": a * d.u(0.8, 1.6),
            "b": a * d.u(0.5, 1.5),
            "round": 2,
            "paint": d.maybe(0.4),
            "dye": d.whole(0, 1),
        },
        {
            "y": 1.4,
            "a": a * d.u(1.2, 3),
            "b": a * d.u(0.2, 0.6),
            "paint": d.maybe(0.4),
            "tone": d.u(0.4, 1),
            "dye": d.whole(0, 2),
        },
    ]


def banded_pole(d: Draw) -> list[Part]:
    a, step, b = d.log_u(0.1, 0.35), d.u(0.35, 0.7), d.u(0.08, 0.2)
    parts: list[Part] = [{"a": a, "b": 1.4, "power": d.u(5, SQUARE), "round": 1}]
    for k in (-1, 0, 1):
        parts.append({"y": k * step, "a": a, "b": b, "power": SQUARE, "round": 1, "dye": 1})
    return parts


def slats(d: Draw) -> list[Part]:
    """A crate: dark inside, boards across, two uprights."""
    b, count = d.u(0.45, 1.0), d.whole(3, 4)
    pitch = 2 * b / count
    parts: list[Part] = [
        {
            "a": 1.0,
            "b": b * 0.97,
            "power": SQUARE,
            "tone": d.u(0.1, 0.6),
            "dye": 2 * d.maybe(0.5),
            "paint": d.maybe(0.8),
        }
    ]
    for k in range(4):
        parts.append(
            {
                "y": -b + (k + 0.5) * pitch,
                "b": pitch * d.u(0.28, 0.42),
                "power": SQUARE,
                "paint": (k < count).float(),
                "tone": d.u(0.85, 1.1),
            }
        )
    for k in (-1, 1):
        parts.append({"x": k * 0.9, "a": d.u(0.07, 0.12), "b": b, "power": SQUARE, "tone": d.u(0.6, 1.2)})
    return parts


def cross(d: Draw) -> list[Part]:
    arm = d.u(0.15, 0.4)
    return [
        {"a": arm, "power": SQUARE},
        {"b": arm * d.u(0.7, 1.3), "y": d.u(-0.4, 0.3), "a": d.u(0.6, 1), "power": SQUARE},
    ]


def star(d: Draw) -> list[Part]:
    return [
        {"lobes": d.whole(3, 7), "swing": d.u(0.25, 0.5), "phase": d.u(0, 6), "round": 2 * d.maybe(0.4)},
        {"a": d.u(0.15, 0.35), "b": d.u(0.15, 0.35), "paint": d.maybe(0.5), "dye": 1},
    ]


def pawn(d: Draw) -> list[Part]:
    head = d.u(0.3, 0.5)
    return [
        {"y": 1.2, "a": d.u(0.6, 0.8), "b": d.u(0.1, 0.25), "power": d.u(2, 8), "round": 1},
        {"y": 0.2, "a": d.u(0.3, 0.45), "b": 1, "taper": d.u(0.1, 0.5), "power": SQUARE, "round": 1},
        {"y": -1, "a": head, "b": head, "round": 2, "dye": d.whole(0, 1)},
    ]


def table(d: Draw) -> list[Part]:
    leg, b, x = d.u(0.05, 0.15), d.u(0.4, 1.0), d.u(0.5, 0.9)
    return [
        {
            "x": -x,
            "y": b,
            "a": leg,
            "b": b,
            "power": SQUARE,
            "lean": d.u(-0.25, 0),
            "tone": d.u(0.5, 1),
            "dye": d.whole(0, 1),
        },
        {"x": x, "y": b, "a": leg, "b": b, "power": SQUARE, "lean": d.u(0, 0.25), "tone": d.u(0.5, 1), "dye": 0},
        {
            "x": x - 0.5,
            "y": b * 0.9,
            "a": leg * 0.8,
            "b": b * 0.9,
            "power": SQUARE,
            "tone": d.u(0.4, 0.9),
            "paint": d.maybe(0.5),
        },
        {"b": d.u(0.08, 0.3), "power": d.u(4, SQUARE)},
        {"x": d.sign() * 0.9, "y": -0.6, "a": leg, "b": 0.6, "power": SQUARE, "paint": d.maybe(0.4)},
    ]


def leaf(d: Draw) -> list[Part]:
    a = d.u(0.25, 0.6)
    return [
        {"a": a, "power": d.u(1.1, 1.7), "taper": d.u(-0.3, 0.3)},
        {"a": 0.03, "b": 1.15, "power": SQUARE, "tone": d.u(0.5, 1.4)},
        {
            "x": d.u(-0.7, 0.7),
            "y": d.u(-0.3, 0.6),
            "a": a,
            "b": 0.8,
            "turn": d.u(-1.2, 1.2),
            "power": 1.4,
            "tone": d.u(0.6, 1.3),
            "paint": d.maybe(0.5),
        },
    ]
