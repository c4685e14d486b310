"""A run as plain pictures: a filmstrip for a page, a moving GIF for a readme."""

from __future__ import annotations

import io
import math
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from robotlab.errors import InputError
from robotlab.files import write_whole
from robotlab.greenhouse.scene import KINDS
from robotlab.image import decode
from robotlab.loop.replay import plan_view
from robotlab.loop.run import Run

# Colors that the color-blind can tell apart (Okabe and Ito, 2008).
_POST, _TROLLEY, _TRUTH, _BOX = (213, 94, 0), (0, 114, 178), (86, 180, 233), (240, 228, 66)
_GRAY = (74, 79, 87)


def snapshot(run: Run, t_s: float, height_px: int = 240) -> np.ndarray:
    """One moment of a run: plan beside camera view.

    Parameters
    ----------
    run : Run
        A run with pictures.
    t_s : float
        Which moment.
    height_px : int
        Height of the picture.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The picture.

    Raises
    ------
    InputError
        If the run has no pictures.

    Examples
    --------
    >>> from robotlab.color import Band, ColorDetector
    >>> from robotlab.loop import simulate
    >>> from robotlab.greenhouse import WALKS
    >>> detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    >>> snapshot(simulate(detector, WALKS["straight"], duration_s=0.5), 0.3).shape[0]
    240
    """
    if not run.pictures:
        raise InputError("a film needs a run with pictures, this one kept none; simulate with pictures=True")
    tick = int(np.searchsorted(run.t_s, t_s + 1e-6)) - 1
    eye = _eye(run, t_s, height_px)
    # The plan takes twice the width of the camera view at most.
    plan = _plan(run, max(tick, 0), height_px, int(2 * eye.width))
    both = Image.new("RGB", (plan.width + 6 + eye.width, height_px), "white")
    both.paste(plan, (0, 0))
    both.paste(eye, (plan.width + 6, 0))
    return np.asarray(both)


def filmstrip(run: Run, times_s: Sequence[float] | None = None, height_px: int = 200) -> np.ndarray:
    """Several moments of a run, one under the other.

    Parameters
    ----------
    run : Run
        A run with pictures.
    times_s : sequence of float, optional
        The moments; by default four, evenly spread.
    height_px : int
        Height of each.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The picture.

    Raises
    ------
    InputError
        If the run has no pictures.

    Examples
    --------
    >>> from robotlab.color import Band, ColorDetector
    >>> from robotlab.loop import simulate
    >>> from robotlab.greenhouse import WALKS
    >>> detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    >>> filmstrip(simulate(detector, WALKS["straight"], duration_s=0.5), [0.0, 0.4], 100).shape[0]
    206
    """
    times = np.linspace(0.1, 0.95, 4) * run.t_s[-1] if times_s is None else times_s
    rows = [snapshot(run, float(t), height_px) for t in times]
    gap = np.full((6, rows[0].shape[1], 3), 255, np.uint8)
    return np.vstack([part for row in rows for part in (row, gap)][:-1])


def save_gif(
    run: Run, path: str | os.PathLike, height_px: int = 200, picture_hz: float = 5.0, faster: float = 2.0
) -> Path:
    """Write a run as a moving GIF, whole or not at all.

    Parameters
    ----------
    run : Run
        A run with pictures.
    path : path-like
        Ends in .gif.
    height_px : int
        Height of the pictures.
    picture_hz : float
        Pictures a second of the film.
    faster : float
        How many times faster than the run.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    InputError
        If the run has no pictures or the name ends otherwise.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.color import Band, ColorDetector
    >>> from robotlab.loop import simulate
    >>> from robotlab.greenhouse import WALKS
    >>> detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    >>> run = simulate(detector, WALKS["straight"], duration_s=0.5)
    >>> save_gif(run, Path(tempfile.mkdtemp()) / "run.gif", height_px=60).name
    'run.gif'
    """
    path = Path(path)
    if path.suffix.lower() != ".gif":
        raise InputError(f"the film's name must end in .gif, got {path.name!r}; rename it")
    if not (picture_hz > 0 and faster > 0):
        raise InputError(
            f"picture_hz and faster must be more than 0, got {picture_hz} and {faster}; for instance 5 and 2"
        )
    times = np.arange(0.0, run.t_s[-1], faster / picture_hz)
    frames = [Image.fromarray(snapshot(run, float(t), height_px)) for t in times]
    # One palette for all, so that still parts do not flicker.
    palette = frames[len(frames) // 2].quantize(128, method=Image.Quantize.MEDIANCUT)
    frames = [frame.quantize(palette=palette, dither=Image.Dither.NONE) for frame in frames]
    out = io.BytesIO()
    frames[0].save(
        out, "GIF", save_all=True, append_images=frames[1:], duration=round(1000 / picture_hz), loop=0, optimize=True
    )
    return write_whole(path, out.getvalue())


def _eye(run: Run, t_s: float, height: int) -> Image.Image:
    kept = sorted(run.pictures)
    i = max((i for i in kept if run.picture_t_s[i] <= t_s + 1e-6), default=kept[0])
    size = (run.camera.width_px, run.camera.height_px)
    scale = height / size[1]
    picture = Image.fromarray(decode(run.pictures[i]))
    smooth = Image.Resampling.BICUBIC if picture.width >= size[0] else Image.Resampling.NEAREST
    image = picture.resize((round(size[0] * scale), height), smooth)
    pen = ImageDraw.Draw(image)
    for box, color, width in ((run.truths[i], _TRUTH, 1), (run.boxes[i], _BOX, 2)):
        if not np.isnan(box).any():
            corners = [float(corner) * scale for corner in box]
            pen.rectangle(
                [corners[0] - 1, corners[1] - 1, corners[2] + 1, corners[3] + 1], outline=(0, 0, 0), width=width + 2
            )
            pen.rectangle(corners, outline=color, width=width)
    return image


def _plan(run: Run, tick: int, height: int, most_width: int) -> Image.Image:
    # Drawn three times as large and then made smaller: smooth edges.
    fine = 3
    x0, y0, x1, y1 = plan_view(run)
    scale = min(height / (y1 - y0), most_width / (x1 - x0)) * fine
    size = (round((x1 - x0) * scale), height * fine)
    rest = (size[1] - (y1 - y0) * scale) / 2
    image = Image.new("RGB", size, (231, 225, 214))
    pen = ImageDraw.Draw(image, "RGBA")

    def at(x, y):
        return ((x - x0) * scale, rest + (y1 - y) * scale)

    half = run.facts["path_half_m"]
    pen.rectangle([*at(x0, half), *at(x1, -half)], fill=(244, 241, 236))
    for thing in run.facts["things"]:
        _draw_thing(pen, thing, at, scale)
    pen.line([at(*place) for place in run.post_m[::10]], fill=(*_POST, 110), width=round(0.03 * scale))
    pen.line(
        [at(*place[:2]) for place in run.pose[: tick + 1 : 5]] or [at(0, 0)], fill=_TROLLEY, width=round(0.04 * scale)
    )
    x, y, yaw = run.pose[tick]
    wide, reach = run.camera.hfov_rad / 2, 2.4
    rim = [at(x + reach * math.cos(yaw + a), y + reach * math.sin(yaw + a)) for a in np.linspace(-wide, wide, 25)]
    pen.polygon([at(x, y), *rim], fill=(*_TRUTH, 80))
    r = run.settings.radius_m
    body = [(0.85, 0.66), (0.85, -0.66), (-0.85, -0.66), (-0.85, 0.66)]
    corners = [
        (x + r * (a * math.cos(yaw) - b * math.sin(yaw)), y + r * (a * math.sin(yaw) + b * math.cos(yaw)))
        for a, b in body
    ]
    pen.polygon([at(*corner) for corner in corners], fill=_TROLLEY, outline=(255, 255, 255))
    px, py = at(*run.post_m[tick])
    dot = 0.1 * scale
    pen.ellipse([px - dot, py - dot, px + dot, py + dot], fill=_POST, outline=(27, 31, 36))
    text = f"{run.t_s[tick]:.1f} s  {run.state_at(tick)}  post {run.true_distances_m[tick]:.2f} m"
    font, place = ImageFont.load_default(13 * fine), (8 * fine, 4 * fine)
    x0, y0, x1, y1 = pen.textbbox(place, text, font=font)
    edge = 3 * fine
    pen.rectangle([x0 - edge, y0 - edge, x1 + edge, y1 + edge], fill=(255, 255, 255, 215))
    pen.text(place, text, fill=_GRAY, font=font)
    return image.resize((size[0] // fine, height), Image.Resampling.LANCZOS)


def _draw_thing(pen: ImageDraw.ImageDraw, thing: dict, at, scale: float) -> None:
    color = KINDS[thing["kind"]].color if thing["kind"] in KINDS else (136, 136, 136)
    a, b, _ = thing["size"]
    if thing["shape"] == "box":
        cos, sin = math.cos(thing["heading"]), math.sin(thing["heading"])
        corners = [(i * a / 2, j * b / 2) for i, j in ((1, 1), (1, -1), (-1, -1), (-1, 1))]
        pen.polygon(
            [at(thing["x"] + cos * u - sin * v, thing["y"] + sin * u + cos * v) for u, v in corners],
            fill=color,
            outline=_GRAY,
        )
        return
    radius = (a / 2 if thing["shape"] == "plant" else max(a, b)) * scale
    x, y = at(thing["x"], thing["y"])
    alpha = 130 if thing["shape"] == "plant" else 255
    pen.ellipse([x - radius, y - radius, x + radius, y + radius], fill=(*color, alpha), outline=(*_GRAY, alpha))
