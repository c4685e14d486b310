"""A short film of the greenhouse, for those who have none of their own yet: rendered, with its truth kept apart.

It is what somebody could film by hand in a few minutes: four shots with the
camera at four heights, the post near and far, at the edge, out of view, and
things beside it that look like it.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import DataSetError, InputError
from robotlab.files import write_json
from robotlab.greenhouse.layout import random_scene
from robotlab.greenhouse.recordings import LONGER, annotations_of, is_free
from robotlab.greenhouse.renderer import Frame, render
from robotlab.greenhouse.scene import CLASSES, Scene, Thing
from robotlab.image import write_film
from robotlab.json_file import read_json

# Pictures a second (a choice, no source).
RATE_HZ = 10.0
# Of each shot: height of the lens, m; how far it looks down, rad; distance of the post at its beginning and end, m;
# its bearing there, as a part of half the field of view (above 1 it is out of view).
SHOTS = (
    (0.25, 0.06, (4.5, 0.7), (-0.5, 0.4)),
    (0.45, 0.15, (1.0, 2.6), (0.9, -0.9)),
    (0.20, 0.02, (2.2, 1.6), (-0.6, 1.7)),
    (0.35, 0.10, (3.2, 5.5), (0.2, -0.3)),
)
# Horizontal field of view (a choice, no source).
HFOV_RAD = math.radians(62.0)


def film_frames(
    seed: int = 0, frames: int = 160, lighting: str = "daylight", size_px: tuple[int, int] = (384, 288)
) -> Iterator[Frame]:
    """Render the frames of a film, in order.

    Parameters
    ----------
    seed : int
        Another one is another greenhouse, with things in other places.
    frames : int
        At least 4, one a shot.
    lighting : str
        One of :data:`robotlab.greenhouse.LIGHTINGS`.
    size_px : (int, int)
        Width and height.

    Yields
    ------
    Frame
        The picture and its truth.

    Raises
    ------
    InputError
        If a number or the lighting is wrong.

    Examples
    --------
    >>> next(film_frames(size_px=(96, 72))).picture.shape
    (72, 96, 3)
    """
    if isinstance(frames, bool) or frames != int(frames) or not len(SHOTS) <= frames <= 100_000:
        raise InputError(f"frames must be a whole number from {len(SHOTS)} to 100000, got {frames!r}; 160 is usual")
    rng = np.random.default_rng([seed, 6])
    scene = random_scene(rng, lighting, post=(2.0, 0.0), clutter=1.2)
    exposure = float(rng.uniform(0.9, 1.2)) * LONGER.get(lighting, 1.0)
    others = tuple(thing for thing in scene.things if thing.kind != "post")
    edges = np.linspace(0, frames, len(SHOTS) + 1).round().astype(int)
    for (height, pitch, away, bearing), first, last in zip(SHOTS, edges[:-1], edges[1:], strict=True):
        camera = Camera(*size_px, HFOV_RAD, height, pitch)
        path, post = _free_path(rng, scene, others, away, bearing, int(last - first))
        for pose in path:
            yield render(
                scene.with_post_at(*post), camera, pose, exposure=exposure, seed=int(rng.integers(1 << 31)), samples=1
            )


def _free_path(
    rng: np.random.Generator,
    scene: Scene,
    others: tuple[Thing, ...],
    away_m: tuple[float, float],
    bearing: tuple[float, float],
    count: int,
) -> tuple[list[tuple[float, float, float]], tuple[float, float]]:
    """A way of the camera that runs into nothing, and a place for the post that is free."""
    x0, y0, x1, y1 = scene.room_m
    smooth = 0.5 - 0.5 * np.cos(np.linspace(0, math.pi, count)) if count > 1 else np.zeros(1)
    distance = away_m[0] + (away_m[1] - away_m[0]) * smooth
    turned = HFOV_RAD / 2 * (bearing[0] + (bearing[1] - bearing[0]) * smooth)
    for _ in range(5000):
        post = rng.uniform(max(x0, 0.0) + 0.5, x1 - 0.5), rng.uniform(-0.6, 0.6)
        direction = math.pi + rng.normal(0, 0.15) + rng.normal(0, 0.2) * smooth
        x, y = post[0] + distance * np.cos(direction), post[1] + distance * np.sin(direction)
        yaw = np.arctan2(post[1] - y, post[0] - x) - turned
        free = is_free(others, x, y, post)
        if free and (x > x0 + 0.2).all() and (x < x1 - 0.5).all() and (np.abs(y) < min(-y0, y1) - 0.3).all():
            return list(zip(x.tolist(), y.tolist(), yaw.tolist(), strict=True)), (float(post[0]), float(post[1]))
    raise InputError(f"no free way for the camera in scene {scene.seed} within 5000 tries; use another seed")


def render_film(
    path: str | os.PathLike,
    seed: int = 0,
    frames: int = 160,
    lighting: str = "daylight",
    size_px: tuple[int, int] = (384, 288),
) -> tuple[Path, Path]:
    """Render a film to gather pictures from, and its truth beside it.

    Parameters
    ----------
    path : path-like
        The film; ends in .avi or .mp4.
    seed, frames, lighting, size_px
        As in :func:`film_frames`.

    Returns
    -------
    film, truth : Path
        The truth is ``NAME.truth.json``: a list with the true boxes of each
        frame, for judging what a person or a detector made of the film.

    Raises
    ------
    InputError
        If a number is wrong, OpenCV is not installed, or a file is there
        already.

    Examples
    --------
    >>> import tempfile
    >>> film, truth = render_film(Path(tempfile.mkdtemp()) / "walk.avi", frames=4, size_px=(96, 72))
    >>> film.name, truth.name
    ('walk.avi', 'walk.truth.json')
    """
    path = Path(path)
    truth = path.with_suffix(".truth.json")
    there = [str(one) for one in (path, truth) if one.exists()]
    if there:
        raise InputError(f"a film must be written to a new file, {there[0]} is there already; choose another name")
    rows: list[list[dict]] = []

    def pictures() -> Iterator[np.ndarray]:
        for frame in film_frames(seed, frames, lighting, size_px):
            rows.append(annotations_of(frame))
            yield frame.picture

    write_film(path, pictures(), RATE_HZ)
    made = {"rendered": True, "size_px": list(size_px), "seed": seed, "lighting": lighting, "classes": list(CLASSES)}
    write_json(truth, {**made, "frames": rows}, indent=None)
    return path, truth


def film_truth(data, truth: str | os.PathLike):
    """The same pictures with the true boxes: of a data set gathered from a rendered film.

    Parameters
    ----------
    data : DataSet
        Pictures from :func:`robotlab.gather.gather`; their records say which
        frame each one was, and by how much it was made smaller.
    truth : path-like
        From :func:`render_film`.

    Returns
    -------
    DataSet
        With the classes and boxes of the truth, in the same order.

    Raises
    ------
    DataSetError
        If a picture is not from that film.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.gather import gather
    >>> home = Path(tempfile.mkdtemp())
    >>> film, truth = render_film(home / "walk.avi", frames=4, size_px=(96, 72))
    >>> data = gather(film, home / "set", "walk", every=1, progress=False).data
    >>> film_truth(data, truth).classes
    ('post', 'bucket', 'crate')
    """
    known = read_json(truth, "the truth of a film", DataSetError)
    entries = []
    for entry in data:
        number = str(entry.record.get("source", "")).rpartition(", frame ")[2]
        if not number.isascii() or not number.isdigit() or int(number) >= len(known["frames"]):
            raise DataSetError(
                f"{entry.name} must be a frame of that film, it is not; gather it from {Path(truth).name}'s film"
            )
        scale = float(entry.record.get("scale", 1.0))
        rows = known["frames"][int(number)]
        boxes = np.array([row["bbox"] for row in rows]).reshape(-1, 4)
        corners = np.column_stack([boxes[:, :2], boxes[:, :2] + boxes[:, 2:]]) * scale
        limit = [entry.width_px, entry.height_px] * 2
        entries.append(
            replace(
                entry,
                boxes=corners.clip(0, limit),
                labels=[row["category_id"] - 1 for row in rows],
                areas=None,
                crowd=None,
                ignore=[bool(row["ignore"]) for row in rows],
                visibility=[row["visibility"] for row in rows],
                distances_m=[row["distance_m"] for row in rows],
                annotation_ids=None,
                annotations=(),
            )
        )
    classes = tuple(known["classes"])
    return replace(
        data, classes=classes, category_ids=tuple(range(1, len(classes) + 1)), categories=(), pictures=tuple(entries)
    )
