"""The shipped data set: rendered recordings with labels, made by one command.

``python -m robotlab.greenhouse.recordings datasets/greenhouse`` renders every
picture again and writes the labels and the card.  A recording is one drive
through one greenhouse with one camera in one lighting, so its pictures resemble
each other: split by recording, never by picture.
"""

from __future__ import annotations

import argparse
import math
import os
import platform
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import scipy

from robotlab import image as pictures
from robotlab.camera import Camera
from robotlab.errors import InputError
from robotlab.files import write_json, write_whole
from robotlab.greenhouse.layout import random_scene
from robotlab.greenhouse.renderer import Frame, render
from robotlab.greenhouse.scene import CLASSES, Thing

# The shipped set: small enough for a clone, large enough for a head fit (a choice, no source).
WIDTH_PX, HEIGHT_PX = 320, 240
PICTURES_EACH = 29
JPEG_QUALITY = 88

# Things less visible or smaller than this are labeled, but marked `ignore`:
# a person could not be blamed for missing them (a choice, no source).
LEAST_VISIBILITY, LEAST_SIDE_PX = 0.25, 4.0

# Ground distances of the post, m.
NEAREST_M, FARTHEST_M = 0.4, 6.0

# Dim light: the camera keeps its shutter open longer, up to a point.
LONGER = {"dusk": 1.5, "grow": 1.25, "warm": 1.15}


@dataclass(frozen=True)
class Recording:
    """One drive.

    Parameters
    ----------
    name : str
        As the labels call it.
    lighting : str
        One of :data:`robotlab.greenhouse.LIGHTINGS`.
    use : {"train", "test"}
        What it is meant for.
    seed : int
        Decides all else.
    """

    name: str
    lighting: str
    use: str
    seed: int


# Two kinds of lighting, warm and grow, are kept for testing: a detector that has trained on
# the recordings for training has never seen them.
RECORDINGS: tuple[Recording, ...] = (
    Recording("day1", "daylight", "train", 101),
    Recording("day2", "daylight", "train", 102),
    Recording("day3", "daylight", "train", 103),
    Recording("overcast1", "overcast", "train", 104),
    Recording("overcast2", "overcast", "train", 105),
    Recording("dusk1", "dusk", "train", 106),
    Recording("dusk2", "dusk", "train", 107),
    Recording("day4", "daylight", "test", 201),
    Recording("overcast3", "overcast", "test", 202),
    Recording("dusk3", "dusk", "test", 203),
    Recording("warm1", "warm", "test", 204),
    Recording("warm2", "warm", "test", 205),
    Recording("grow1", "grow", "test", 206),
    Recording("grow2", "grow", "test", 207),
)


def frames(recording: Recording, count: int = PICTURES_EACH) -> Iterator[Frame]:
    """Render the pictures of one recording, in order.

    Parameters
    ----------
    recording : Recording
        Which one.
    count : int
        How many pictures.

    Yields
    ------
    Frame
        The picture and its truth.

    Examples
    --------
    >>> next(frames(RECORDINGS[0])).picture.shape
    (240, 320, 3)
    """
    rng = np.random.default_rng([recording.seed, 7])
    scene = random_scene(rng, recording.lighting, post=(2.0, 0.0), clutter=1.2)
    camera = Camera(
        WIDTH_PX, HEIGHT_PX, math.radians(rng.uniform(52, 74)), rng.uniform(0.18, 0.48), rng.uniform(0.02, 0.26)
    )
    exposure = rng.uniform(0.85, 1.3) * LONGER.get(recording.lighting, 1.0)
    noise, blur = rng.uniform(0.7, 1.7), rng.uniform(0.35, 0.85)
    others = tuple(thing for thing in scene.things if thing.kind != "post")
    for i in range(count):
        pose, post = _place(rng, scene, others, camera, i / count)
        empty = rng.random() < 0.06
        now = replace(scene, things=others) if empty else scene.with_post_at(*post)
        yield render(
            now,
            camera,
            pose,
            exposure=exposure * rng.uniform(0.92, 1.08),
            noise=noise,
            blur=blur,
            seed=int(rng.integers(1 << 31)),
            samples=2,
        )


def _place(rng, scene, others, camera, progress) -> tuple[tuple[float, float, float], tuple[float, float]]:
    """Where the trolley is at this part of the drive, and the post in front of it."""
    x0, y0, x1, y1 = scene.room_m
    for _ in range(1000):
        x = -1.0 + 5.0 * progress + rng.normal(0, 0.3)
        y = float(np.clip(rng.normal(0, 0.35), -scene.path_half_m, scene.path_half_m))
        yaw = rng.normal(0, 0.30)
        # Even in the logarithm: as many pictures from 0.4 to 0.8 m as from 3 to 6 m.
        away = NEAREST_M * (FARTHEST_M / NEAREST_M) ** rng.random()
        bearing = camera.hfov_rad * rng.uniform(-0.48, 0.48)
        px, py = x + away * math.cos(yaw + bearing), y + away * math.sin(yaw + bearing)
        if is_free(others, x, y, (px, py)) and x0 + 0.2 < x < x1 - 0.5 and x0 < px < x1 - 0.3 and abs(py) < y1 - 0.3:
            return (x, y, yaw), (px, py)
    raise InputError(f"no free place for the post in scene {scene.seed} within 1000 tries; use another seed")


def is_free(
    things: tuple[Thing, ...], x_m: float | np.ndarray, y_m: float | np.ndarray, post: tuple[float, float]
) -> bool:
    """Whether a camera and a post keep clear of things, though a post may stand in a plant.

    Parameters
    ----------
    things : tuple of Thing
        What stands there.
    x_m, y_m : float or (N,) ndarray
        Where the camera is, or its way.
    post : (float, float)
        Where the post is, m.

    Returns
    -------
    bool
        True where nothing is touched.

    Examples
    --------
    >>> is_free((Thing("crate", 2.0, 0.0),), 1.0, 0.0, (2.1, 0.0))
    False
    """
    return all(
        np.hypot(thing.x_m - x_m, thing.y_m - y_m).min() > thing.reach_m + 0.25
        and math.dist((thing.x_m, thing.y_m), post) > thing.reach_m * (thing.shape != "plant") + 0.07
        for thing in things
    )


def annotations_of(frame: Frame) -> list[dict]:
    """COCO-style annotations of one rendered picture, without ids.

    Parameters
    ----------
    frame : Frame
        The picture and its truth.

    Returns
    -------
    list of dict
        ``category_id`` (1 is the first class), ``bbox`` (x, y, width, height,
        px), ``area``, ``iscrowd``, ``ignore``, ``visibility``, ``distance_m``;
        things that show less than a pixel are left out.

    Examples
    --------
    >>> annotations_of(next(frames(RECORDINGS[0])))[0]["category_id"] in (1, 2, 3)
    True
    """
    truths, rows = frame.truths, []
    for box, label, visibility, distance in zip(
        truths.boxes, truths.labels, truths.visibility, truths.distance_m, strict=True
    ):
        x0, y0, x1, y1 = (round(float(v), 2) for v in box)
        width, height = round(x1 - x0, 2), round(y1 - y0, 2)
        if width < 1 or height < 1:
            continue
        ignored = int(visibility < LEAST_VISIBILITY or min(width, height) < LEAST_SIDE_PX)
        rows.append(
            {
                "category_id": int(label) + 1,
                "bbox": [x0, y0, width, height],
                "area": round(width * height, 2),
                # Many COCO tools know only iscrowd as the flag of what does not count.
                "iscrowd": ignored,
                "ignore": ignored,
                "visibility": round(float(visibility), 3),
                "distance_m": round(float(distance), 3),
            }
        )
    return rows


def build(
    folder: str | os.PathLike, recordings: tuple[Recording, ...] = RECORDINGS, count: int = PICTURES_EACH
) -> Path:
    """Render the data set into a folder.

    Parameters
    ----------
    folder : path-like
        Gets ``pictures/``, ``annotations.json`` and ``card.md``.
    recordings : tuple of Recording
        Which ones.
    count : int
        Pictures of each.

    Returns
    -------
    Path
        The labels file.

    Examples
    --------
    >>> import tempfile
    >>> build(tempfile.mkdtemp(), RECORDINGS[:1], count=2).name
    'annotations.json'
    """
    folder = Path(folder)
    images: list[dict] = []
    annotations: list[dict] = []
    for recording in recordings:
        for i, frame in enumerate(frames(recording, count)):
            name = f"{recording.name}_{i:03d}.jpg"
            pictures.save(folder / "pictures" / name, frame.picture, quality=JPEG_QUALITY)
            image = {
                "id": len(images) + 1,
                "file_name": f"pictures/{name}",
                "width": WIDTH_PX,
                "height": HEIGHT_PX,
                "recording": recording.name,
                "lighting": recording.lighting,
            }
            rows = annotations_of(frame)
            for row in rows:
                annotations.append({"id": len(annotations) + 1, "image_id": image["id"], **row})
                if row["category_id"] == 1 and not row["ignore"]:
                    image["distance_m"] = row["distance_m"]
            images.append(image)
    labels = {
        "info": {
            "description": "Rendered greenhouse: a guide post among buckets and crates. No camera took these pictures.",
            "license": "BSD-3-Clause",
            "uses": {r.name: r.use for r in recordings},
            "made_with": made_with(),
        },
        "categories": [{"id": i + 1, "name": name} for i, name in enumerate(CLASSES)],
        "images": images,
        "annotations": annotations,
    }
    write_whole(folder / "card.md", card_text(labels, folder))
    return write_json(folder / "annotations.json", labels, indent=None)


def card_text(labels: dict, folder: Path) -> str:
    """The data card, written from the labels.

    Parameters
    ----------
    labels : dict
        As in annotations.json.
    folder : Path
        Where the pictures are.

    Returns
    -------
    str
        Markdown.
    """
    images, annotations = labels["images"], labels["annotations"]
    by_id = {image["id"]: image for image in images}
    classes = []
    for category in labels["categories"]:
        mine = [a for a in annotations if a["category_id"] == category["id"]]
        heights = [a["bbox"][3] for a in mine if not a["ignore"]]
        tall = f"{np.median(heights):.0f}" if heights else "-"
        classes.append(f"| {category['name']} | {len(heights)} | {len(mine) - len(heights)} | {tall} |")
    table = []
    for name, use in labels["info"]["uses"].items():
        mine = [image for image in images if image["recording"] == name]
        counted = sum(by_id[a["image_id"]]["recording"] == name and not a["ignore"] for a in annotations)
        table.append(f"| {name} | {mine[0]['lighting']} | {use} | {len(mine)} | {counted} |")
    size = sum((folder / image["file_name"]).stat().st_size for image in images)
    template = Path(__file__).with_name("card_template.md").read_text(encoding="utf-8")
    return template.format(
        pictures=len(images),
        width=images[0]["width"],
        height=images[0]["height"],
        recordings=len(table),
        boxes=len(annotations),
        size=size / 1e6,
        classes="\n".join(classes),
        table="\n".join(table),
        folder="datasets/greenhouse",
        quality=JPEG_QUALITY,
        visibility=LEAST_VISIBILITY,
        side=LEAST_SIDE_PX,
    )


def made_with() -> dict[str, str]:
    """Versions that the last bit of a picture may depend on.

    Returns
    -------
    dict of str to str
        Library names and versions, and the kind of processor.

    Examples
    --------
    >>> sorted(made_with())
    ['machine', 'numpy', 'pillow', 'scipy']
    """
    return {
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "pillow": version("pillow"),
        "machine": platform.machine(),
    }


def main(arguments: list[str] | None = None) -> int:
    """The command: render the data set again.

    Parameters
    ----------
    arguments : list of str, optional
        From the command line when left out.

    Returns
    -------
    int
        Exit code.
    """
    parser = argparse.ArgumentParser(
        prog="python -m robotlab.greenhouse.recordings", description="Render the greenhouse data set."
    )
    parser.add_argument("folder", help="where it goes, such as datasets/greenhouse")
    folder = Path(parser.parse_args(arguments).folder)
    try:
        labels = build(folder)
    except (InputError, OSError) as error:
        print(f"error: {error}", file=sys.stderr)
        return 2
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    print(f"Rendered {len(RECORDINGS)} recordings of {PICTURES_EACH} pictures, {size / 1e6:.1f} MB in all.")
    print(f"Labels: {labels}")
    print(f"Next: robotlab fit {folder} -o model.onnx")
    return 0


if __name__ == "__main__":
    sys.exit(main())
