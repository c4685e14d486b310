"""Random scenes: where things stand, and how their colors vary."""

from __future__ import annotations

import math

import numpy as np

from robotlab.greenhouse.scene import KINDS, Scene, Thing


def vary_color(rng: np.random.Generator, kind: str) -> tuple[int, int, int]:
    """The color of one copy of a kind: faded, dirty, of another batch.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    kind : str
        One of :data:`KINDS`.

    Returns
    -------
    (int, int, int)
        sRGB bytes.
    """
    base = np.array(KINDS[kind].color, float)
    faded = base + (base.mean() - base) * max(0.0, rng.normal(0.06, 0.08))
    color = faded * rng.normal(1.0, 0.06) + rng.normal(0, 6, 3)
    red, green, blue = np.clip(np.round(color), 0, 255)
    return int(red), int(green), int(blue)


def _place(
    rng: np.random.Generator,
    taken: list[tuple[float, float, float]],
    kind: str,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    bands: int = 0,
) -> Thing | None:
    """A thing that does not stand inside another; its place and reach join those taken."""
    plant = kind == "plant"
    spread = 0.04 if kind == "post" else 0.10
    scale = rng.uniform(0.5, 1.5) if plant else float(np.clip(rng.normal(1.0, spread), 0.8, 1.25))
    for _ in range(30):
        place = round(rng.uniform(*x_range), 4), round(rng.uniform(*y_range), 4)
        heading = round(rng.uniform(-math.pi, math.pi), 4)
        color = vary_color(rng, kind)
        thing = Thing(kind, *place, heading, round(scale, 4), color, bands, seed=int(rng.integers(1000)))
        gap = -0.08 if plant else 0.10
        if all(math.hypot(thing.x_m - x, thing.y_m - y) > r + thing.reach_m + gap for x, y, r in taken):
            taken.append((*place, thing.reach_m * 0.6 if plant else thing.reach_m))
            return thing
    return None


def random_scene(
    rng: np.random.Generator | int,
    lighting: str = "daylight",
    *,
    clutter: float = 1.0,
    wrong_things: bool = True,
    post: tuple[float, float] | None = None,
    seed: int | None = None,
) -> Scene:
    """A greenhouse with a post, buckets, crates and clutter at random places.

    Parameters
    ----------
    rng : numpy.random.Generator or int
        Source of chance, or its seed.
    lighting : str
        One of :data:`robotlab.greenhouse.LIGHTINGS`.
    clutter : float
        Factor on the number of pots and plants.
    wrong_things : bool
        Whether orange trays, blue drums and yellow poles may stand about.
    post : (float, float), optional
        Where the post stands, world frame, m; at random ahead when left out.
    seed : int, optional
        Seed of the textures; drawn from `rng` when left out.

    Returns
    -------
    Scene
        Meant to be looked at from near the origin along world x.

    Examples
    --------
    >>> scene = random_scene(3, "dusk")
    >>> scene.lighting, len(scene.posts)
    ('dusk', 1)
    """
    rng = np.random.default_rng(rng) if isinstance(rng, int | np.integer) else rng
    textures = int(rng.integers(1 << 30)) if seed is None else seed
    floors = [
        ("paving", "soil"),
        ("concrete", "moss"),
        ("soil", "moss"),
        ("gravel", "soil"),
        ("paving", "gravel"),
        ("concrete", "soil"),
        ("moss", "soil"),
    ]
    half = round(rng.uniform(0.8, 1.6), 3)
    taken = [(0.0, 0.0, 0.3)]
    things: list[Thing | None] = []
    bands = int(rng.choice([0, 0, 1, 2]))
    if post is not None:
        things.append(Thing("post", *post, color=vary_color(rng, "post"), bands=bands))
        taken.append((*post, 0.05))
    else:
        things.append(_place(rng, taken, "post", (0.6, 6.0), (-0.6, 0.6), bands))
    count = {
        "bucket": int(rng.integers(2, 6)),
        "crate": int(rng.integers(2, 6)),
        "pot": int(rng.integers(3, 8) * clutter),
        "plant": int(rng.integers(6, 14) * clutter),
    }
    if wrong_things:
        for kind, chance in (("tray", 0.6), ("drum", 0.6), ("pole", 0.7)):
            count[kind] = int(rng.random() < chance) + int(rng.random() < 0.2)
    for kind, number in count.items():
        for _ in range(number):
            near = rng.random() < 0.65 and kind not in ("plant", "drum")
            side = float(rng.choice([-1, 1]))
            low, high = (-half, half) if near else sorted((side * (half - 0.1), side * 3.0))
            things.append(_place(rng, taken, kind, (0.7, 8.5), (low, high)))
    wide, long = round(rng.uniform(3.2, 4.0), 2), round(rng.uniform(9.5, 14.0), 2)
    return Scene(
        tuple(t for t in things if t is not None),
        lighting,
        textures,
        floors[rng.integers(len(floors))],
        half,
        room_m=(-3.0, -wide, long, wide),
        plants_m=round(float(rng.uniform(0.9, 2.0)), 2),
    )
