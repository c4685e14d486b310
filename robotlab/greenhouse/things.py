"""Things in the picture: culling, nearest intersections (visibility), shading."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import accumulate

import numpy as np

from robotlab.greenhouse.ground_truth import VisiblePixels
from robotlab.greenhouse.materials import Surface, orient_materials, shade_faces, shade_plants
from robotlab.greenhouse.ray_intersections import (
    FAR,
    Light,
    billboard_parameters,
    box_parameters,
    cone_parameters,
    intersect_billboard,
    intersect_box,
    intersect_cone,
)
from robotlab.greenhouse.scene import Thing
from robotlab.greenhouse.static_parts import Stage
from robotlab.greenhouse.view import NEAR_M, View


def screen_windows(
    view: View, things: Sequence[Thing], cx: Sequence[float], cy: Sequence[float]
) -> list[tuple[int, int, int, int, int]]:
    """Which rays may meet which things, from the upright cylinder around each.

    Parameters
    ----------
    view : View
        What materials.
    things : sequence of Thing
        The things.
    cx, cy : sequence of float
        Middles of their feet, body axes, m.

    Returns
    -------
    list of (int, int, int, int, int)
        Place in the sequence, first column and row, and last plus one: the whole
        picture where a thing beside the lens may show; none for things out of view.
    """
    cos, sin, eye, f, tan, slope = view.cos, view.sin, view.camera.height_m, view.focal, view.tan, view.slope
    columns, rows, found = view.columns, view.rows, []
    for i, (thing, x, y) in enumerate(zip(things, cx, cy, strict=True)):
        reach, top = thing.reach_m, eye - thing.height_m
        near, far = x - reach, x + reach
        # Wholly behind the lens, or outside the upright plane through the lens and the picture's left
        # edge, which is y = tan * depth, or through its right edge; 1e-6 m is far above rounding.
        highest = max(sin * eye, sin * top)
        if cos * far + highest <= NEAR_M or abs(y) - tan * (cos * x + highest) - reach * slope > 1e-6:
            continue
        # Depth of the nearer and farther side at the ground and at the top: rows and columns
        # are ratios, so their extremes are at these four corners.
        a, b, c, d = cos * near + sin * eye, cos * near + sin * top, cos * far + sin * eye, cos * far + sin * top
        close, deep = min(a, b), max(c, d)
        if close <= NEAR_M:
            found.append((i, 0, 0, columns, rows))
            continue
        left, right = y + reach, y - reach
        corners = ((eye, near, a), (top, near, b), (eye, far, c), (top, far, d))
        down = [(cos * below - sin * ahead) / depth for below, ahead, depth in corners]
        c0 = max(0, int(columns / 2 - f * (left / close if left > 0 else left / deep)))
        c1 = min(columns, int(columns / 2 - f * (right / deep if right > 0 else right / close)) + 1)
        r0, r1 = max(0, int(rows / 2 + f * min(down))), min(rows, int(rows / 2 + f * max(down)) + 1)
        if c0 < c1 and r0 < r1:
            found.append((i, c0, r0, c1, r1))
    return found


def draw_things(
    view: View, stage: Stage, lighting: Light, light: np.ndarray | None, cx: np.ndarray, cy: np.ndarray, yaw: float
) -> VisiblePixels:
    """Paint the things into a picture.

    Parameters
    ----------
    view : View
        What materials.
    stage : Stage
        The things.
    lighting : Light
        Body axes.
    light : (3, rows * columns) ndarray of float32, or None
        The picture, changed in place; None to see without painting.
    cx, cy : (N,) ndarray
        Middle of each thing's foot, body axes, m.
    yaw : float
        Where the camera looks, rad.

    Returns
    -------
    VisiblePixels
        From which the truth can be worked out.
    """
    eye, sheet, scuffs = view.camera.height_m, stage.decor.plants, stage.decor.scuffs
    x, y = cx.tolist(), cy.tolist()
    on_screen = screen_windows(view, stage.things, x, y)
    if not on_screen:
        none = np.zeros(0, int)
        return VisiblePixels(view, [], [], [], yaw, [0], none, [], none)
    which, parts = [one[0] for one in on_screen], [view.pixels[r0:r1, c0:c1].ravel() for _, c0, r0, c1, r1 in on_screen]

    # Cones come first, then boxes, then plants: where each of these ends.
    m, n = bisect_left(which, stage.ends[0]), bisect_left(which, stage.ends[1])
    placed = [(stage.things[i], x[i], y[i]) for i in which]
    numbers: list[tuple[float | np.float32, ...]] = [cone_parameters(*one, eye) for one in placed[:m]]
    numbers += [box_parameters(*one, one[0].heading_rad - yaw, eye) for one in placed[m:n]]
    numbers += [billboard_parameters(*one, view.focal, sheet) for one in placed[n:]]
    geometry, materials = np.array(numbers, np.float32).T, stage.materials.take(which, axis=1)
    orient_materials(materials[:, :m], geometry[:2, :m], lighting)

    # Where every ray meets every thing in its way.
    sizes = [part.size for part in parts]
    stops, every = [0, *accumulate(sizes)], np.concatenate(parts)
    rays, own = view.rays_at(every), geometry.repeat(sizes, axis=1)
    depth, on_top, intersection, texels = np.empty(every.size, np.float32), None, None, None
    i, j = stops[m], stops[n]
    if i:
        depth[:i], on_top = intersect_cone(rays[:, :i], own[:, :i], eye)
    if i < j:
        depth[i:j], intersection = intersect_box(rays[:, i:j], own[:, i:j])
    if j < every.size:
        depth[j:], texels = intersect_billboard(rays[:, j:], own[:, j:], eye, sheet)

    # Which it meets first.
    hits = (depth < FAR).nonzero()[0]
    seen = hits.take(_nearest(every.take(hits), depth.take(hits), view.pixels.size))
    pixels, t = every.take(seen), depth.take(seen)
    ends = seen.searchsorted(stops).tolist()
    shown = [stop - start for start, stop in zip(ends[:-1], ends[1:], strict=True)]

    visible = VisiblePixels(view, stage.order, which, placed, yaw, stops, hits, shown, pixels)
    if light is None:
        return visible

    # What color that is.
    rays, own = rays.take(seen, axis=1), np.concatenate([geometry, materials]).repeat(shown, axis=1)
    color = np.empty((3, seen.size), np.float32)
    a, b = ends[m], ends[n]
    if b:
        surface, boxes = Surface(rays[:, :b], own[:, :b], t[:b], a, eye), None
        if a < b:
            faces = shade_faces(geometry[:2, m:n], lighting).repeat(shown[m:n], axis=1)
            assert intersection is not None
            boxes = intersection.take(seen[a:b] - i), faces
        flat = on_top.take(seen[:a]) if on_top is not None and a else None
        color[:, :b] = surface.colors(flat, boxes, stage.profiles, scuffs, lighting)
    if b < seen.size:
        assert texels is not None
        sprites = sheet.colors.take(texels.take(seen[b:] - j), axis=1)
        color[:, b:] = shade_plants(rays[:, b:], own[:, b:], t[b:], sprites, eye, lighting)
    for plane, value in zip(light, color, strict=True):
        plane[pixels] = value
    return visible


def _nearest(pixels: np.ndarray, depth: np.ndarray, size: int) -> np.ndarray:
    """Which of some intersections, in order, are the nearest of all in their pixel; the picture has `size` pixels."""
    # Of several in one pixel any is written down, then the least of them.
    least = np.empty(size, np.float32)
    least[pixels] = depth
    np.minimum.at(least, pixels, depth)
    return (depth == least.take(pixels)).nonzero()[0]
