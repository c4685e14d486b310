"""Whole pictures with truth: things put in place, lit, and photographed."""

from __future__ import annotations

import torch
import torch.nn.functional as F
from camera import compressed, on_sensor, through_lens, under_lighting
from render import MOST_THINGS, PATCH, Batch, Renderer
from shapes import COLORS, SHAPES, Draw

GRAYS = [COLORS.index(name) for name in ("white", "gray", "black", "brown")]


def _kinds(
    renderer: Renderer, n: int, slots: int, colorless: torch.Tensor, dull: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Shape and color of every slot; a picture repeats some on purpose."""
    device = renderer.device
    weights = torch.ones(n * slots, len(SHAPES), device=device)
    gray_rows = colorless.repeat_interleave(slots)
    weights = torch.where(gray_rows[:, None], weights * renderer.open_shapes, weights)
    shape = renderer._pick(weights).reshape(n, slots)
    d = Draw(n, renderer.generator)
    # Rows of the same thing, and things of another shape in the same color.
    same_shape = (d.maybe(0.25)[:, None] * d.maybe(0.7, slots)) > 0
    shape = torch.where(same_shape, shape[:, :1], shape)
    hues = renderer._pick(torch.ones(n * slots, len(COLORS), device=device)).reshape(n, slots)
    same_color = (d.maybe(0.35)[:, None] * d.maybe(0.7, slots)) > 0
    hues = torch.where(same_color, hues[:, :1], hues)
    grays = torch.tensor(GRAYS, device=device)[d.whole(0, len(GRAYS) - 1, slots)]
    hues = torch.where((dull[:, None] > 0) & (d.maybe(0.8, slots) > 0), grays, hues)
    # Where a pair is held out, take another color that is not.
    flat_shape, flat_hue = shape.reshape(-1), hues.reshape(-1)
    other = renderer._pick(renderer.allowed[flat_shape])
    fine = renderer.allowed[flat_shape, flat_hue] > 0
    return shape, torch.where(fine, flat_hue, other).reshape(n, slots)


def draw_batch(renderer: Renderer, n: int, height: int, width: int) -> Batch:
    """Draw `n` pictures of one size.

    Parameters
    ----------
    renderer : Renderer
        Gives the randomness and the device.
    n : int
        Pictures.
    height, width : int
        Multiples of 16, px.

    Returns
    -------
    Batch
        Pictures and truth.
    """
    device, slots = renderer.device, MOST_THINGS
    d = Draw(n, renderer.generator)
    colorless, dull = d.maybe(0.12) > 0, d.maybe(0.15)
    shape, color = _kinds(renderer, n, slots, colorless, dull)

    # One typical size a picture (longer side, px), the things around it.
    typical = torch.exp(d.u(0, 1) ** 0.8 * torch.log(torch.tensor(0.55 * width / 10.0))) * 10
    size = (typical[:, None] * torch.exp(0.45 * renderer._randn(n, slots))).clamp(7, 0.75 * width)
    room = 0.6 * height * width / typical**2
    count = (1 + d.u(0, 1) * room.clamp(1.5, slots)).floor().clamp(1, slots)
    count = torch.where(d.maybe(0.03) > 0, torch.zeros_like(count), count)
    used = torch.arange(slots, device=device)[None] < count[:, None]
    # On a floor the near things are large, low in the picture and in front.
    on_floor = d.maybe(0.5)[:, None] > 0
    size = torch.where(on_floor, torch.where(used, size, size.new_tensor(torch.inf)).sort(1)[0], size)
    size = torch.where(used, size, size.new_tensor(7.0))
    center_x = d.u(-0.06, 1.06, slots) * width
    center_y = d.u(-0.06, 1.06, slots) * height
    horizon, spread = d.u(-0.2, 0.5)[:, None] * height, 0.06 * height * renderer._randn(n, slots)
    rank = torch.log(size / 7) / torch.log(size.amax(1, keepdim=True) / 7 + 1e-3).clamp_min(0.3)
    grounded = horizon + (height - horizon) * rank.clamp(0, 1.1) - size / 2 + spread
    center_y = torch.where(on_floor, grounded.clamp(-0.05 * height, 1.05 * height), center_y)

    batch_index, slot = torch.nonzero(used, as_tuple=True)
    rgba, half, extents = renderer.patches(shape[used], color[used])
    longest = torch.maximum(extents[:, 2] - extents[:, 0], extents[:, 3] - extents[:, 1]).clamp_min(1e-3)
    scale = size[used] / longest
    middle = torch.stack([(extents[:, 0] + extents[:, 2]) / 2, (extents[:, 1] + extents[:, 3]) / 2], 1)
    at = torch.stack([center_x[used], center_y[used]], 1) - middle * scale[:, None]
    boxes = at.repeat(1, 2) + extents * scale[:, None]
    rgba = _shrunk(rgba, PATCH / (2 * half.amin(1) * scale).clamp_min(1))

    things = torch.full((n, slots), -1, device=device, dtype=torch.long)
    things[batch_index, slot] = torch.arange(len(slot), device=device)
    pictures, visible = _composed(
        renderer, renderer.backgrounds(n, height, width), things, rgba, half * scale[:, None], at, boxes
    )

    limit = torch.tensor([width, height, width, height], device=device)
    cut = torch.minimum(boxes.clamp_min(0), limit)
    whole = ((boxes[:, 2:] - boxes[:, :2]).clamp_min(1e-3)).prod(1)
    visible = visible * ((cut[:, 2:] - cut[:, :2]).clamp_min(0).prod(1) / whole)
    gray = pictures.mean(1, keepdim=True).expand(-1, 3, -1, -1)
    fade = torch.where(colorless, torch.ones_like(dull), dull * d.u(0, 0.5))[:, None, None, None]
    seen = photographed(torch.lerp(pictures, gray, fade), colorless, renderer.generator)

    out_boxes = torch.zeros(n, slots, 4, device=device)
    out_boxes[used] = cut
    out_visible = torch.zeros(n, slots, device=device)
    out_visible[used] = visible
    none = torch.full_like(shape, -1)
    return Batch(seen, out_boxes, torch.where(used, shape, none), color, out_visible, colorless)


def photographed(pictures: torch.Tensor, colorless: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Lighting, lens, sensor and file: 0 to 1 in, bytes out."""
    for step in (under_lighting, through_lens, on_sensor, compressed):
        pictures = step(pictures, generator)
    gray = pictures.mean(1, keepdim=True).expand(-1, 3, -1, -1)
    pictures = torch.where(colorless[:, None, None, None], gray, pictures)
    return (pictures * 255).round().to(torch.uint8)


def framed(renderer: Renderer, raw: torch.Tensor, rows: torch.Tensor, height: int, width: int) -> Batch:
    """Rendered greenhouses cut to a random window, mirrored or not, and photographed.

    Parameters
    ----------
    renderer : Renderer
        Gives the randomness.
    raw : (B, 3, H, W) tensor of uint8
        From :mod:`views`.
    rows : (B, K, 7) tensor
        As :func:`views.furnished_greenhouse` gives them.
    height, width : int
        Size wanted, px.

    Returns
    -------
    Batch
        Pictures and truth.
    """
    n = len(raw)
    d = Draw(n, renderer.generator)
    # Half of them nearly whole, as the learner's pictures are; a little wider or narrower.
    side, flip, squeeze = (
        torch.where(d.maybe(0.5) > 0, d.u(0.85, 1.0), d.log_u(0.5, 1.0)),
        d.sign(),
        torch.exp(d.u(-0.12, 0.12)),
    )
    wide, high = (side * squeeze).clamp_max(1), (side / squeeze).clamp_max(1)
    left, top = d.u(0, 1) * (1 - wide), d.u(0, 1) * (1 - high)
    zero = torch.zeros_like(side)
    theta = torch.stack([wide * flip, zero, 2 * left + wide - 1, zero, high, 2 * top + high - 1], 1).reshape(n, 2, 3)
    # Four looks a pixel, since the pictures may be larger than what is asked.
    grid = F.affine_grid(theta, (n, 3, 2 * height, 2 * width), align_corners=False)
    pictures = F.avg_pool2d(F.grid_sample(raw.float() / 255, grid, padding_mode="reflection", align_corners=False), 2)
    size = torch.tensor([raw.shape[3], raw.shape[2]], device=raw.device)
    corners = (rows[..., :4].reshape(n, -1, 2, 2) / size - torch.stack([left, top], 1)[:, None, None]) / torch.stack(
        [wide, high], 1
    )[:, None, None]
    x0, x1 = corners[:, :, 0, 0], corners[:, :, 1, 0]
    mirrored = (flip < 0)[:, None]
    x0, x1 = torch.where(mirrored, 1 - x1, x0), torch.where(mirrored, 1 - x0, x1)
    y0, y1 = corners[:, :, 0, 1], corners[:, :, 1, 1]
    whole = (x1 - x0) * (y1 - y0)
    cut = torch.stack([x0, y0, x1, y1], -1).clamp(0, 1)
    share = (cut[..., 2:] - cut[..., :2]).prod(-1) / whole.clamp_min(1e-6)
    shape = torch.where(share > 0.01, rows[..., 4].long(), -torch.ones_like(rows[..., 4].long()))
    boxes = cut * torch.tensor([width, height, width, height], device=raw.device)
    colorless = d.maybe(0.05) > 0
    seen = photographed(pictures, colorless, renderer.generator)
    return Batch(seen, boxes, shape, rows[..., 5].long().clamp_min(0), rows[..., 6] * share, colorless)


def _shrunk(rgba: torch.Tensor, factor: torch.Tensor) -> torch.Tensor:
    """Average what will fall on one pixel, so that small things do not flicker."""
    premultiplied = torch.cat([rgba[:, :3] * rgba[:, 3:], rgba[:, 3:]], 1)
    for level in (2, 4, 8, 16):
        rows = torch.nonzero((factor >= level * 0.75) & (factor < level * 1.5 if level < 16 else factor >= 12))[:, 0]
        if len(rows):
            small = F.avg_pool2d(premultiplied[rows], level)
            premultiplied[rows] = F.interpolate(small, (PATCH, PATCH), mode="bilinear")
    return premultiplied


def _composed(renderer, pictures, things, rgba, half_px, at, boxes):
    """Paint slot after slot with a shadow each; share of each that stays seen."""
    n, _, height, width = pictures.shape
    device = renderer.device
    y = torch.arange(height, device=device) + 0.5
    x = torch.arange(width, device=device) + 0.5
    owner = torch.full((n, height, width), -1, device=device, dtype=torch.long)
    area = torch.zeros(len(rgba), device=device)
    d = Draw(n, renderer.generator)
    shadow_depth, slide = d.u(0, 0.7) * d.maybe(0.6), d.u(-0.6, 0.6)
    for slot in range(things.shape[1]):
        rows = torch.nonzero(things[:, slot] >= 0)[:, 0]
        if len(rows) == 0:
            continue
        k = things[rows, slot]
        box = boxes[k]
        wide, high = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
        # A soft shadow at the foot, drawn out to one side.
        sx = (box[:, 0] + box[:, 2]) / 2 + slide[rows] * wide / 2
        u = (x[None] - sx[:, None]) / (wide * (0.5 + slide[rows].abs() / 2))[:, None]
        v = (y[None] - box[:, 3, None]) / (0.12 * high + 1)[:, None]
        dark = shadow_depth[rows, None, None] * torch.exp(-(u[:, None, :] ** 2) - v[:, :, None] ** 2)
        gx = (x[None] - at[k, 0, None]) / half_px[k, 0, None]
        gy = (y[None] - at[k, 1, None]) / half_px[k, 1, None]
        grid = torch.stack(torch.broadcast_tensors(gx[:, None, :], gy[:, :, None]), -1)
        layer = F.grid_sample(rgba[k], grid, align_corners=False)
        cover = layer[:, 3:]
        pictures[rows] = pictures[rows] * (1 - dark[:, None]) * (1 - cover) + layer[:, :3]
        solid = cover[:, 0] > 0.5
        area[k] = solid.sum((1, 2)).float()
        owner[rows] = torch.where(solid, k[:, None, None], owner[rows])
    seen = torch.bincount(owner[owner >= 0], minlength=len(rgba))
    return pictures, seen / area.clamp_min(1)
