"""Pictures to pre-train on, drawn on the GPU (or, slowly, on the CPU).

Nothing is stored: every batch is new.  A picture is a background (photograph,
floor and wall, or pattern) with 1 to 14 shapes of :mod:`shapes` on it, seen
under a random lamp by a random camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
import torch
import torch.nn.functional as F
from shapes import COLOR_RANGES, COLORS, FIELD, HELD_OUT, NOT_IN_GRAY, SHAPES, Draw, parts_table

# Side of the square in which a shape is drawn before it is put in place, px.
PATCH = 96
MOST_THINGS = 14
# scikit-image's own photographs that are in the public domain or CC0, as its
# documentation states; the coins, the faces and pictures without a stated
# license stay out.
PHOTOS = (
    "astronaut",
    "brick",
    "camera",
    "cell",
    "chelsea",
    "clock",
    "coffee",
    "grass",
    "gravel",
    "hubble_deep_field",
    "immunohistochemistry",
    "moon",
    "retina",
    "rocket",
    "text",
)
PHOTO_SIDE = 512


@dataclass
class Batch:
    """Pictures with their truth; K slots a picture, unused ones have kind -1."""

    pictures: torch.Tensor  # (B, 3, H, W) uint8
    boxes: torch.Tensor  # (B, K, 4) corners px, cut at the border
    shape: torch.Tensor  # (B, K) index into NAMES, or -1
    color: torch.Tensor  # (B, K) index into COLORS
    visible: torch.Tensor  # (B, K) share of the thing that can be seen
    colorless: torch.Tensor  # (B,) bool: a gray picture, where color says nothing

    def split(self, n: int) -> list[Batch]:
        """The same as several batches of `n` pictures."""
        pieces = [[part.clone() for part in getattr(self, field.name).split(n)] for field in fields(self)]
        return [Batch(*parts) for parts in zip(*pieces, strict=True)]


def photo_atlas(device: torch.device) -> torch.Tensor:
    """The photographs as (P, 3, PHOTO_SIDE, PHOTO_SIDE), 0 to 1."""
    import skimage.data

    tiles = []
    for name in PHOTOS:
        photo = torch.from_numpy(getattr(skimage.data, name)().copy())
        photo = photo[..., None].expand(-1, -1, 3) if photo.ndim == 2 else photo[..., :3]
        photo = photo.permute(2, 0, 1)[None].float() / 255
        tiles.append(F.interpolate(photo, (PHOTO_SIDE, PHOTO_SIDE), mode="bilinear", antialias=True))
    return torch.cat(tiles).to(device)


def hsv_to_rgb(hsv: torch.Tensor) -> torch.Tensor:
    """(..., 3) HSV, hue in turns, to RGB (Smith, SIGGRAPH 1978, the hexcone)."""
    hue, saturation, value = hsv.unbind(-1)
    offset = torch.tensor([5.0, 3.0, 1.0], device=hsv.device)
    k = (offset + hue[..., None] * 6) % 6
    return value[..., None] * (1 - saturation[..., None] * torch.minimum(k, 4 - k).clamp(0, 1))


class Renderer:
    """Draws batches from one seed."""

    def __init__(self, seed: int, device: torch.device, views: np.ndarray):
        self.device = device
        self.views = torch.from_numpy(views).to(device).permute(0, 3, 1, 2)
        self.generator = torch.Generator(device).manual_seed(seed)
        self.atlas = photo_atlas(device)
        # For each shape, the colors it may have.
        allowed = torch.tensor([[float((s, c) not in HELD_OUT) for c in COLORS] for s in SHAPES], device=device)
        self.allowed = allowed
        self.ranges = torch.tensor([COLOR_RANGES[name] for name in COLORS], device=device)
        self.open_shapes = torch.tensor([float(name not in NOT_IN_GRAY) for name in SHAPES], device=device)

    # ---- pieces -------------------------------------------------------------

    def _randn(self, *shape: int) -> torch.Tensor:
        return torch.randn(*shape, generator=self.generator, device=self.device)

    def _pick(self, weights: torch.Tensor) -> torch.Tensor:
        return torch.multinomial(weights, 1, generator=self.generator)[:, 0]

    def cloud(self, n: int, height: int, width: int, channels: int = 1) -> torch.Tensor:
        """Noise with a random share of coarse and fine, about -1 to 1."""
        total = torch.zeros(n, channels, height, width, device=self.device)
        fall = Draw(n, self.generator).u(0.4, 1.0)[:, None, None, None]
        for octave in range(6):
            rows, columns = max(2, height >> (5 - octave)), max(2, width >> (5 - octave))
            total += fall**octave * F.interpolate(
                self._randn(n, channels, rows, columns), (height, width), mode="bilinear"
            )
        return (total / total.std((1, 2, 3), keepdim=True).clamp_min(1e-3) / 2).clamp(-1, 1)

    def pattern(self, n: int, height: int, width: int) -> torch.Tensor:
        """Stripes, checks, dots or noise, -1 to 1, (n, 1, H, W)."""
        d = Draw(n, self.generator)
        y, x = torch.meshgrid(
            torch.arange(height, device=self.device), torch.arange(width, device=self.device), indexing="ij"
        )
        angle, pitch = d.u(0, math.pi), d.log_u(3, 60)
        straight = d.maybe(0.5)
        angle = torch.where(straight > 0, (angle * 2 / math.pi).round() * math.pi / 2, angle)
        along = (
            (x * torch.cos(angle)[:, None, None] + y * torch.sin(angle)[:, None, None])
            / pitch[:, None, None]
            * 2
            * math.pi
        )
        across = (
            (y * torch.cos(angle)[:, None, None] - x * torch.sin(angle)[:, None, None])
            / pitch[:, None, None]
            * 2
            * math.pi
        )
        wave, other = torch.sin(along + d.u(0, 6)[:, None, None]), torch.sin(across + d.u(0, 6)[:, None, None])
        kind = d.whole(0, 3)[:, None, None]
        sharp = d.log_u(1, 12)[:, None, None]
        drawn = torch.where(kind == 0, wave, torch.where(kind == 1, wave * other, torch.minimum(wave, other)))
        drawn = torch.tanh(sharp * (drawn - d.u(-0.6, 0.6)[:, None, None] * (kind == 0)))
        return torch.where((kind == 3)[:, None], self.cloud(n, height, width), drawn[:, None])

    def photo(self, n: int, height: int, width: int, least: float = 0.08, most: float = 1.0) -> torch.Tensor:
        """Turned, mirrored and recolored pieces of photographs, (n, 3, H, W)."""
        d = Draw(n, self.generator)
        side, turn, flip = d.log_u(least, most), d.u(-0.4, 0.4) + d.whole(0, 3) * math.pi / 2, d.sign()
        reach = side * 0.5
        cos, sin = torch.cos(turn) * side, torch.sin(turn) * side
        squeeze = height / width
        theta = torch.stack(
            [cos * flip, -sin * squeeze, d.u(-1, 1) * (1 - reach), sin * flip, cos * squeeze, d.u(-1, 1) * (1 - reach)],
            1,
        )
        grid = F.affine_grid(theta.reshape(n, 2, 3), (n, 3, height, width), align_corners=False)
        index = d.whole(0, len(self.atlas) - 1)
        piece = torch.empty(n, 3, height, width, device=self.device)
        for k in range(len(self.atlas)):
            rows = torch.nonzero(index == k)[:, 0]
            if len(rows):
                source = self.atlas[k : k + 1].expand(len(rows), -1, -1, -1)
                piece[rows] = F.grid_sample(source, grid[rows], padding_mode="reflection", align_corners=False)
        # Channels in another order, and color made stronger or weaker.
        order = torch.argsort(d.u(0, 1, 3), 1)
        mixed = torch.gather(piece, 1, order[:, :, None, None].expand_as(piece))
        piece = torch.where(d.maybe(0.4)[:, None, None, None] > 0, mixed, piece)
        tint = 1 + d.u(-0.35, 0.35, 3)[:, :, None, None] * d.maybe(0.6)[:, None, None, None]
        gray = piece.mean(1, keepdim=True)
        return (gray + (piece - gray) * d.u(0, 1.5)[:, None, None, None]).mul(tint).clamp(0, 1)

    def view(self, n: int, height: int, width: int) -> torch.Tensor:
        """Pieces of the empty greenhouses, (n, 3, H, W)."""
        d = Draw(n, self.generator)
        side, zero = d.log_u(0.4, 1.0), torch.zeros(n, device=self.device)
        theta = torch.stack([side * d.sign(), zero, d.u(-1, 1) * (1 - side), zero, side, d.u(-1, 1) * (1 - side)], 1)
        grid = F.affine_grid(theta.reshape(n, 2, 3), (n, 3, height, width), align_corners=False)
        source = self.views[d.whole(0, len(self.views) - 1)].float() / 255
        return F.grid_sample(source, grid, padding_mode="reflection", align_corners=False)

    def backgrounds(self, n: int, height: int, width: int) -> torch.Tensor:
        """(n, 3, H, W): photographs, or a floor and a wall, with lines and patches."""
        d = Draw(n, self.generator)

        def surface() -> torch.Tensor:
            s = Draw(n, self.generator)
            color = hsv_to_rgb(torch.stack([s.u(0, 1), s.u(0, 1) ** 2 * 0.8, s.u(0.08, 0.95)], 1))[:, :, None, None]
            grain = (
                self.pattern(n, height, width) * s.u(0, 0.35)[:, None, None, None] * s.maybe(0.6)[:, None, None, None]
            )
            grain = grain + self.cloud(n, height, width) * s.u(0, 0.3)[:, None, None, None]
            plain = color * (1 + grain)
            return torch.where(s.maybe(0.55)[:, None, None, None] > 0, self.photo(n, height, width, 0.1, 0.9), plain)

        wall, floor = surface(), surface()
        # The floor again as seen at a slant: rows near the horizon are far.
        y = torch.linspace(0, 1, height, device=self.device)[None, :, None]
        x = torch.linspace(-1, 1, width, device=self.device)[None, None, :]
        horizon = torch.where(d.maybe(0.75) > 0, d.u(0, 0.6), d.u(-3, -0.5))[:, None, None]
        depth = 1 / (y - horizon).clamp_min(0.02)
        scale = d.log_u(0.2, 1.0)[:, None, None]
        grid = torch.stack(torch.broadcast_tensors(x * depth * scale, (depth + 0 * x) * scale), -1)
        floor = F.grid_sample(floor, grid, padding_mode="reflection", align_corners=False)
        far = ((depth - 3) / 20).clamp(0, 1)[:, None]
        floor = floor * (1 - far) + floor.mean((2, 3), keepdim=True) * far
        ground = ((y - horizon) * height + 0.5).clamp(0, 1)[:, None]
        picture = torch.where(
            d.maybe(0.65)[:, None, None, None] > 0,
            ground * floor + (1 - ground) * wall,
            self.photo(n, height, width, 0.3, 1.0),
        )
        picture = torch.where(d.maybe(0.25)[:, None, None, None] > 0, self.view(n, height, width), picture)
        # Bands, edges and cloudy patches of another surface: things to ignore.
        other = surface()
        for _ in range(3):
            s = Draw(n, self.generator)
            angle = torch.where(s.maybe(0.5) > 0, s.u(math.pi / 2, math.pi / 2), s.u(0, math.pi))[:, None, None]
            at = x * torch.cos(angle) + (2 * y - 1) * torch.sin(angle) - s.u(-1, 1)[:, None, None]
            band = torch.sigmoid((s.log_u(0.01, 0.6)[:, None, None] - at.abs()) * width / 2)[:, None]
            picture = torch.lerp(
                picture,
                other * s.u(0.3, 1.5)[:, None, None, None],
                band * (s.maybe(0.3) * s.u(0.2, 1))[:, None, None, None],
            )
        s = Draw(n, self.generator)
        patchy = torch.sigmoid(8 * (self.cloud(n, height, width) - s.u(-0.2, 0.8)[:, None, None, None]))
        return torch.lerp(picture, other.flip(3), patchy * (s.maybe(0.3) * s.u(0.3, 1))[:, None, None, None])

    def patches(self, shape: torch.Tensor, color: torch.Tensor) -> tuple[torch.Tensor, ...]:
        """Draw each thing alone: rgba (n, 4, P, P), size (n, 2) and extents (n, 4) in units."""
        n = len(shape)
        d = Draw(n, self.generator)
        table = parts_table(shape, self.generator)
        part = {name: table[:, :, i] for name, i in FIELD.items()}
        # Half size of a window that surely holds the turned thing.
        reach_x = part["a"] * (1 + part["taper"].abs()) * (1 + part["swing"]) + part["lean"].abs() * part["b"]
        reach_y = part["b"] * (1 + part["swing"]) + part["slant"].abs() * part["a"]
        cos, sin = torch.cos(part["turn"]).abs(), torch.sin(part["turn"]).abs()
        painted = part["paint"] > 0
        wide = ((part["x"].abs() + reach_x * cos + reach_y * sin) * painted).amax(1)
        high = ((part["y"].abs() + reach_x * sin + reach_y * cos) * painted).amax(1)
        stretch = d.log_u(0.75, 1.33)
        tilt = d.u(-0.25, 0.25) * d.maybe(0.5) + d.u(-math.pi, math.pi) * d.maybe(0.12)
        wide = wide * stretch
        cos, sin = torch.cos(tilt), torch.sin(tilt)
        size = torch.stack([wide * cos.abs() + high * sin.abs(), wide * sin.abs() + high * cos.abs()], 1) * 1.04
        line = (torch.arange(PATCH, device=self.device) + 0.5) / PATCH * 2 - 1
        gx, gy = line[None, None, :] * size[:, 0, None, None], line[None, :, None] * size[:, 1, None, None]
        px = (size.prod(1).sqrt() * 2 / PATCH)[:, None, None]
        x0 = (gx * cos[:, None, None] + gy * sin[:, None, None]) / stretch[:, None, None]
        y0 = gy * cos[:, None, None] - gx * sin[:, None, None]
        y0 = torch.where(d.maybe(0.04)[:, None, None] > 0, -y0, y0)
        x0 = x0 * d.sign()[:, None, None]

        low, high_ = self.ranges[color][:, 0::2], self.ranges[color][:, 1::2]
        dyes = [hsv_to_rgb(low + (high_ - low) * d.u(0, 1, 3))]
        dyes.append(hsv_to_rgb(torch.stack([d.u(0, 1), d.u(0, 1) * d.maybe(0.7), d.u(0.1, 1)], 1)))
        dyes.append(hsv_to_rgb(torch.stack([d.u(0, 1), d.u(0, 0.4), d.u(0.02, 0.5)], 1)))
        dyes = torch.stack(dyes, 1)
        light = d.u(-1, 1)[:, None, None]
        depth_of_light = (d.u(0, 1) * d.maybe(0.85))[:, None, None]
        rgb = torch.zeros(n, 3, PATCH, PATCH, device=self.device)
        alpha = torch.zeros(n, PATCH, PATCH, device=self.device)
        for k in range(table.shape[1]):
            p = {name: table[:, k, i, None, None] for name, i in FIELD.items()}
            x, y = x0 - p["x"], y0 - p["y"]
            ct, st = torch.cos(p["turn"]), torch.sin(p["turn"])
            x, y = x * ct + y * st, y * ct - x * st
            x = x - p["lean"] * y
            y = y - p["slant"] * x
            v = y / p["b"]
            u = x / (p["a"] * (1 + p["taper"] * v.clamp(-1, 1)).clamp_min(0.02))
            q = ((u.abs() + 1e-4) ** p["power"] + (v.abs() + 1e-4) ** p["power"]) ** (1 / p["power"])
            q = q / (1 + p["swing"] * torch.cos(p["lobes"] * torch.atan2(v, u + 1e-6) + p["phase"]))
            radius = (x * x + y * y).sqrt() / q
            distance = (q - 1) * radius
            wall = p["hollow"] * radius
            distance = torch.where(p["hollow"] > 0, (distance + wall / 2).abs() - wall / 2, distance)
            cover = (0.5 - distance / px).clamp(0, 1)
            # Lambert's law on a cylinder or a ball; a flat part has a slope of tone.
            uu, vv = u.clamp(-1, 1), v.clamp(-1, 1)
            height = (1 - uu**2 - torch.where(p["round"] > 1.5, vv**2, torch.zeros_like(vv))).clamp_min(0).sqrt()
            lit = 0.35 + 0.75 * (
                light * 0.7 * uu + 0.7 * height - torch.where(p["round"] > 1.5, 0.4 * vv, torch.zeros_like(vv))
            ).clamp_min(0)
            lit = torch.where(p["round"] > 0.5, lit, 0.9 + 0.15 * light * uu - 0.1 * vv)
            dye = dyes[torch.arange(n, device=self.device), table[:, k, FIELD["dye"]].long()]
            paint = dye[:, :, None, None] * (p["tone"] * torch.lerp(torch.ones_like(lit), lit, depth_of_light))[:, None]
            adds = (cover * (p["paint"] > 0))[:, None]
            rgb = torch.lerp(rgb, paint, adds)
            alpha = torch.maximum(alpha, adds[:, 0]) * (1 - cover * (p["paint"] < 0))
        rgb = self._textured(rgb, color, d)
        inside = alpha > 0.5
        extents = []
        for axis, half in ((1, size[:, 0]), (2, size[:, 1])):
            seen = inside.any(axis)
            first = torch.argmax(seen.float(), 1)
            last = PATCH - torch.argmax(seen.flip(1).float(), 1)
            extents += [(first / PATCH * 2 - 1) * half, (last / PATCH * 2 - 1) * half]
        extents = torch.stack(extents, 1)[:, [0, 2, 1, 3]]
        return torch.cat([rgb, alpha[:, None]], 1), size, extents

    def _textured(self, rgb: torch.Tensor, color: torch.Tensor, d: Draw) -> torch.Tensor:
        """Grain, patterns and pieces of photographs on the things."""
        n = len(rgb)
        grain = self.pattern(n, PATCH, PATCH)
        piece = self.photo(n, PATCH, PATCH, 0.04, 0.5)
        gray = piece.mean(1, keepdim=True)
        gray = (gray - gray.mean((2, 3), keepdim=True)) * 2
        strength = (d.u(0, 0.5) * d.maybe(0.4))[:, None, None, None]
        rgb = rgb * (1 + strength * grain)
        rgb = rgb * (1 + gray * (d.u(0.2, 1.2) * d.maybe(0.4))[:, None, None, None])
        is_photo = (color == COLORS.index("photo"))[:, None, None, None]
        rgb = torch.where(is_photo, rgb.mean(1, keepdim=True) * piece * 1.6, rgb)
        return rgb.clamp(0, 1)
