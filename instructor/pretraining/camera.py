"""What lighting and a camera do to a picture: colors, blur, noise, compression."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from shapes import Draw

# The quantisation tables of ITU-T T.81 (JPEG), annex K.1 and K.2.
LUMA = (
    16,
    11,
    10,
    16,
    24,
    40,
    51,
    61,
    12,
    12,
    14,
    19,
    26,
    58,
    60,
    55,
    14,
    13,
    16,
    24,
    40,
    57,
    69,
    56,
    14,
    17,
    22,
    29,
    51,
    87,
    80,
    62,
    18,
    22,
    37,
    56,
    68,
    109,
    103,
    77,
    24,
    35,
    55,
    64,
    81,
    104,
    113,
    92,
    49,
    64,
    78,
    87,
    103,
    121,
    120,
    101,
    72,
    92,
    95,
    98,
    112,
    100,
    103,
    99,
)
CHROMA = (
    17,
    18,
    24,
    47,
    99,
    99,
    99,
    99,
    18,
    21,
    26,
    66,
    99,
    99,
    99,
    99,
    24,
    26,
    56,
    99,
    99,
    99,
    99,
    99,
    47,
    66,
    99,
    99,
    99,
    99,
    99,
    99,
) + (99,) * 32
# Weights of linear sRGB (IEC 61966-2-1).
LUMINANCE = torch.tensor([0.2126, 0.7152, 0.0722])
# Gains of red, green and blue near known lamps (common practice, no source):
# daylight, shade, tungsten, sodium, a grower's magenta LEDs, green tubes.
LIGHTINGS = ((1, 1, 1), (0.85, 0.95, 1.15), (1.25, 1.0, 0.6), (1.35, 0.9, 0.25), (1.25, 0.35, 1.2), (0.8, 1.15, 0.85))


def under_lighting(pictures: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Lighting of random color and strength, in linear light; 0 to 1 in and out."""
    n = len(pictures)
    d = Draw(n, generator)
    known = torch.tensor(LIGHTINGS, device=pictures.device)[d.whole(0, len(LIGHTINGS) - 1)]
    gain = torch.where(d.maybe(0.5)[:, None] > 0, known, torch.exp(d.u(-0.35, 0.35, 3)))
    gain = torch.lerp(torch.ones_like(gain), gain, d.u(0, 1.1)[:, None]).clamp_min(0.05)
    # A third under lamps of any color: channels up to e^1.1 apart from the mean either way.
    any_gain = torch.exp(d.u(-1.1, 1.1, 3))
    any_gain = any_gain / (any_gain * LUMINANCE.to(pictures.device)).sum(1, keepdim=True)
    gain = torch.where(d.maybe(0.33)[:, None] > 0, any_gain, gain)
    # A lamp of few lines shows colors less apart: all channels see nearly the same band.
    band = torch.softmax(2 * torch.randn(n, 3, generator=generator, device=pictures.device), 1)
    mixed = (d.u(0, 0.8) * d.maybe(0.3))[:, None, None]
    mixing = torch.eye(3, device=pictures.device) * (1 - mixed) + band[:, None, :] * mixed
    mixing = gain[:, :, None] * mixing
    # Plain light, or up to two stops dark and more than one stop bright.
    level = torch.where(d.maybe(0.5) > 0, d.log_u(0.8, 1.3), d.log_u(0.25, 2.4))
    mixing, gain = mixing * level[:, None, None], gain * level[:, None]
    height, width = pictures.shape[2:]
    y = torch.linspace(-1, 1, height, device=pictures.device)[None, :, None]
    x = torch.linspace(-1, 1, width, device=pictures.device)[None, None, :]
    tilt = (1 + d.u(-0.5, 0.5)[:, None, None] * x + d.u(-0.4, 0.4)[:, None, None] * y).clamp_min(0.15)
    tilt = torch.where(d.maybe(0.5)[:, None, None] > 0, tilt, torch.ones_like(tilt))
    linear = torch.einsum("nij,njyx->niyx", mixing, pictures.clamp_min(1e-4) ** 2.2) * tilt[:, None]
    haze = (d.u(0, 0.25) * d.maybe(0.2))[:, None, None, None]
    linear = linear * (1 - haze) + haze * gain[:, :, None, None] * 0.5
    return linear.clamp(1e-5, 1) ** (1 / d.u(1.8, 2.6)[:, None, None, None])


def through_lens(pictures: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Defocus and motion blur, one strength a picture."""
    n, _, height, width = pictures.shape
    d = Draw(n, generator)
    line = torch.arange(-4, 5, device=pictures.device)
    yy, xx = torch.meshgrid(line, line, indexing="ij")
    sigma = torch.where(d.maybe(0.55) > 0, d.u(0.2, 0.5), d.log_u(0.5, 1.6))[:, None, None]
    kernel = torch.exp(-(xx**2 + yy**2) / (2 * sigma**2))
    angle, length = d.u(0, math.pi)[:, None, None], d.u(1, 4)[:, None, None]
    along, across = xx * torch.cos(angle) + yy * torch.sin(angle), yy * torch.cos(angle) - xx * torch.sin(angle)
    streak = torch.exp(-((across / 0.6) ** 2) - (along / length) ** 4)
    kernel = torch.where(d.maybe(0.15)[:, None, None] > 0, streak, kernel)
    kernel = (kernel / kernel.sum((1, 2), keepdim=True)).repeat_interleave(3, 0)[:, None]
    flat = F.pad(pictures, (4, 4, 4, 4), mode="replicate").reshape(1, 3 * n, height + 8, width + 8)
    return F.conv2d(flat, kernel, groups=3 * n).reshape(n, 3, height, width)


def on_sensor(pictures: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Noise that grows with the light, and a little that does not."""
    n, _, height, width = pictures.shape
    d = Draw(n, generator)
    fixed = torch.where(d.maybe(0.5) > 0, d.u(0, 0.012), d.u(0, 0.045))[:, None, None, None]
    noise = torch.randn(pictures.shape, generator=generator, device=pictures.device)
    # Some cameras smooth their noise into grains of two pixels.
    coarse = torch.randn((n, 3, height // 2, width // 2), generator=generator, device=pictures.device)
    coarse = F.interpolate(coarse, (height, width), mode="bilinear")
    noise = torch.where(d.maybe(0.3)[:, None, None, None] > 0, coarse, noise)
    return (pictures + noise * fixed * (0.4 + pictures.clamp_min(0).sqrt())).clamp(0, 1)


def compressed(pictures: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Most pictures through JPEG's cosine transform and quantisation.

    Quality 35 to 95 scales the tables as is usual (common practice, no
    source); color at half resolution in half of them.
    """
    n, _, height, width = pictures.shape
    d = Draw(n, generator)
    device = pictures.device
    r, g, b = (pictures * 255).unbind(1)
    y = 0.299 * r + 0.587 * g + 0.114 * b
    planes = torch.stack([y - 128, (b - y) * 0.564, (r - y) * 0.713], 1)
    half = F.interpolate(F.avg_pool2d(planes[:, 1:], 2), scale_factor=2)
    planes = torch.where((d.maybe(0.5) > 0)[:, None, None, None], torch.cat([planes[:, :1], half], 1), planes)
    k = torch.arange(8, device=device)
    cosines = torch.cos((2 * k[None, :] + 1) * k[:, None] * math.pi / 16) * torch.where(k == 0, 8**-0.5, 0.5)[:, None]
    quality = d.u(35, 95)
    factor = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    table = torch.tensor([LUMA, CHROMA, CHROMA], device=device, dtype=torch.float32).reshape(1, 3, 1, 8, 1, 8)
    table = (table * factor[:, None, None, None, None, None]).clamp_min(1)
    blocks = planes.reshape(n, 3, height // 8, 8, width // 8, 8)
    waves = torch.einsum("uy,ncaybx,vx->ncaubv", cosines, blocks, cosines)
    waves = (waves / table).round() * table
    y, cb, cr = torch.einsum("uy,ncaubv,vx->ncaybx", cosines, waves, cosines).reshape(n, 3, height, width).unbind(1)
    y = y + 128
    b, r = y + cb / 0.564, y + cr / 0.713
    result = torch.stack([r, (y - 0.299 * r - 0.114 * b) / 0.587, b], 1) / 255
    return torch.where((d.maybe(0.7) > 0)[:, None, None, None], result, pictures).clamp(0, 1)
