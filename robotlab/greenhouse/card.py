"""The data card of the rendered recordings, written from their labels."""

from __future__ import annotations

from pathlib import Path

import numpy as np

_TEXT = """# Data card: the rendered greenhouse

**These pictures are rendered.** No camera took them. {pictures} pictures of
{width} x {height} px in {recordings} recordings, {boxes} labelled things,
{size:.1f} MB. Licence: BSD-3-Clause, as the rest of this project.

## What is in it
A small trolley's view of a greenhouse aisle: the grower's guide post (orange,
50 cm tall, about 7 cm across, sometimes with white bands), blue buckets and
yellow slatted crates are labelled. Plants and terracotta pots are clutter. A
flat orange tray, a blue drum and a yellow pole have the colours of the labelled
things and are *not* labelled: they are there to fool a color tracker.

| class | labels that count | marked ignore | median height, px |
|---|---|---|---|
{classes}

| recording | lamp | meant for | pictures | labels that count |
|---|---|---|---|---|
{table}

The lamps `warm` and `grow` appear only in recordings meant for testing, so that
a tracker can be judged under a lamp that it has never seen. Pictures of one
recording share the greenhouse, the camera and the lamp: split by recording,
never by picture.

## How it was made
`python -m robotlab.greenhouse.recordings {folder}` renders everything again.
Each recording has its own seed, which decides the floor, the plants, the things
and their places, the camera (height 0.18 to 0.48 m, looking down 1 to 15
degrees, 52 to 74 degrees wide), exposure, noise and blur. The post stands 0.4 to
6 m away, even in the logarithm of the distance; about one picture in sixteen
has no post. Four rays a pixel, JPEG quality {quality}. The files come out bit for
bit the same with the libraries named under `made_with` in labels.json; other
versions may round a pixel differently.

## Labels
`labels.json` is COCO-style. A box surrounds the part of a thing that shows, as a
person would draw it. Beside the usual fields there are `recording` and `lamp`
for each picture, `visibility` (share of the thing that is neither hidden nor
outside the picture) and `distance_m` (along the ground, from under the lens to
the middle of the thing's foot) for each label. Labels with a visibility under
{visibility} or a side under {side:.0f} px carry `"ignore": 1`, and `"iscrowd": 1` for tools that
know that mark alone: finding them is neither right nor wrong. `area` is that of the
box.

## Limits
One kind of place, three classes, things that always stand upright on flat
ground, plants that are flat pictures, no people or animals, no motion blur, no
lens distortion, no reflections; the light is one matrix per lamp and not a
spectrum at every pixel. A tracker that does well here has not shown that it
works on a real floor: gather your own pictures for that.
"""


def card_text(labels: dict, folder: Path) -> str:
    """The card.

    Parameters
    ----------
    labels : dict
        As in labels.json.
    folder : Path
        Where the pictures are.

    Returns
    -------
    str
        Markdown.
    """
    from robotlab.greenhouse.recordings import JPEG_QUALITY, LEAST_SIDE_PX, LEAST_VISIBILITY

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
        table.append(f"| {name} | {mine[0]['lamp']} | {use} | {len(mine)} | {counted} |")
    size = sum((folder / image["file_name"]).stat().st_size for image in images)
    return _TEXT.format(
        pictures=len(images), width=images[0]["width"], height=images[0]["height"], recordings=len(table), boxes=len(annotations),
        size=size / 1e6, classes="\n".join(classes), table="\n".join(table), folder="datasets/greenhouse", quality=JPEG_QUALITY,
        visibility=LEAST_VISIBILITY, side=LEAST_SIDE_PX,
    )
