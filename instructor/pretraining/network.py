"""The network of :mod:`robotlab.neural.spec` in PyTorch, and its losses."""

from __future__ import annotations

import math

import numpy as np
import torch
import torch.nn.functional as F
from render import Batch
from shapes import COLORS, NAMES
from torch import nn

from robotlab.neural.spec import BACKBONE, FEATURE_STRIDE, NORM_EPSILON, PICTURE_MEAN, PICTURE_SPREAD, first_weights

# Widths of the soft center of a thing: share of its size, and the least (cells).
CENTER_SHARE, CENTER_LEAST = 0.14, 0.6
# Cells with at least this much of a center learn the box.
BOX_FROM = 0.25
# Cells with more than this are near a thing.  At each step so large a share of
# all cells is chosen anew: near ones first, the others count for the rest.
NEAR, CHOSEN_SHARE = 0.05, 0.3
# A thing of n times as many cells counts n^(1 - this) times as much.
CROWD_POWER = 0.6
# Things less visible than this, or smaller (px), neither count for nor against.
LEAST_VISIBLE, LEAST_SIZE = 0.25, 4.5


class Features(nn.Module):
    """The layers of the spec, one module each, named alike."""

    def __init__(self, layers=BACKBONE, seed: int = 0):
        super().__init__()
        self.layers = tuple(layers)
        self.steps = nn.ModuleDict()
        channels = {"picture": 3}
        for layer in self.layers:
            if layer.kind == "conv":
                pad = layer.dilation * (layer.kernel - 1) // 2
                conv = nn.Conv2d(
                    channels[layer.inputs[0]],
                    layer.channels,
                    layer.kernel,
                    layer.stride,
                    pad,
                    layer.dilation,
                    bias=False,
                )
                self.steps[layer.name] = nn.Sequential(
                    conv, nn.BatchNorm2d(layer.channels, eps=NORM_EPSILON), nn.ReLU()
                )
            channels[layer.name] = layer.channels
        self.load(first_weights(self.layers, seed))

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Features (N, C, h, w) of pictures (N, 3, H, W), RGB 0 to 255."""
        made = {"picture": (pictures - PICTURE_MEAN) / PICTURE_SPREAD}
        for layer in self.layers:
            inputs = [made[name] for name in layer.inputs]
            if layer.kind == "conv":
                made[layer.name] = self.steps[layer.name](inputs[0])
            elif layer.kind == "upsample":
                made[layer.name] = F.interpolate(inputs[0], scale_factor=2, mode="nearest")
            elif layer.kind == "add":
                made[layer.name] = inputs[0] + inputs[1]
            else:
                made[layer.name] = torch.cat(inputs, 1)
        return made[self.layers[-1].name]

    def _named(self) -> dict[str, torch.Tensor]:
        named = {}
        for name, (conv, norm, _) in self.steps.items():
            named[f"{name}.kernel"] = conv.weight
            named[f"{name}.scale"], named[f"{name}.shift"] = norm.weight, norm.bias
            named[f"{name}.mean"], named[f"{name}.variance"] = norm.running_mean, norm.running_var
        return named

    def load(self, weights: dict[str, np.ndarray]) -> None:
        """Take weights named as in the spec."""
        with torch.no_grad():
            for name, tensor in self._named().items():
                tensor.copy_(torch.from_numpy(weights[name]))

    def weights(self) -> dict[str, np.ndarray]:
        """Weights named as in the spec, float32."""
        return {name: tensor.detach().float().cpu().numpy().copy() for name, tensor in self._named().items()}


class Readings(nn.Module):
    """What is read off each cell while pre-training, all of it linear.

    Is there a thing; which shape; which shape in which color; the box.  The
    readings are thrown away afterward.  They are linear because the heads
    that people fit on the features are linear too.
    """

    def __init__(self, channels: int, named: bool = True):
        super().__init__()
        # With `named`, the pairs share one softmax with the background.
        self.named = named
        pairs = len(NAMES) * len(COLORS)
        self.parts = (1, len(NAMES), pairs + named, 4)
        self.weight = nn.Parameter(0.01 * torch.randn(sum(self.parts), channels))
        # One cell in a hundred is a thing at the start (Lin et al., ICCV 2017,
        # section 3.3), with sides of 25 px.
        background = [math.log(pairs)] * named
        self.bias = nn.Parameter(
            torch.tensor([-4.6] * (1 + len(NAMES)) + background + [-4.6] * pairs + [0.0, 0.0, 3.2, 3.2])
        )

    def forward(self, rows: torch.Tensor) -> tuple[torch.Tensor, ...]:
        """Readings of cells (M, C)."""
        *named, _ = F.linear(rows, self.weight, self.bias).split(self.parts, 1)
        # Eight bits of mantissa would blur the boxes.
        with torch.autocast(rows.device.type, enabled=False):
            box = F.linear(rows.float(), self.weight[-4:], self.bias[-4:])
        return (*named, box)


def cell_targets(batch: Batch) -> dict[str, torch.Tensor]:
    """For each cell: the thing whose center is nearest by its own measure.

    Returns
    -------
    dict
        ``heat`` (B, h, w) 0 to 1; ``count`` (B, h, w) 0 where the cell must be
        left out; ``shape``, ``pair`` (B, h, w) class of that thing; ``box``
        (B, 4, h, w) its offset from the cell (cells) and log size (log px);
        ``side`` (B, 2, h, w) its size, px; ``worth`` (B, h, w) how much a cell
        of it counts: 1 for the smallest things, less for those with many cells.
    """
    height, width = (length // FEATURE_STRIDE for length in batch.pictures.shape[2:])
    device = batch.pictures.device
    x0, y0, x1, y1 = (batch.boxes / FEATURE_STRIDE)[..., None, None].unbind(2)
    wide, high = (x1 - x0).clamp_min(0.1), (y1 - y0).clamp_min(0.1)
    dx = (x0 + x1) / 2 - (torch.arange(width, device=device) + 0.5)
    dy = (y0 + y1) / 2 - (torch.arange(height, device=device) + 0.5)[:, None]
    spread_x, spread_y = (CENTER_SHARE * wide).clamp_min(CENTER_LEAST), (CENTER_SHARE * high).clamp_min(CENTER_LEAST)
    bell = torch.exp(-0.5 * (dx / spread_x) ** 2 - 0.5 * (dy / spread_y) ** 2)
    # Between one vote a cell and one vote a thing.
    worth = (CENTER_LEAST**2 / (spread_x * spread_y))[..., 0, 0] ** CROWD_POWER
    # The nearest cell has 1, wherever in it the center lies.
    bell = bell / bell.amax((2, 3), keepdim=True).clamp_min(1e-3)
    exists = batch.shape >= 0
    clear = (
        exists
        & (batch.visible >= LEAST_VISIBLE)
        & (torch.maximum(wide, high)[..., 0, 0] * FEATURE_STRIDE >= LEAST_SIZE)
    )
    heat, best = (bell * clear[..., None, None]).max(1)
    vague = (bell * (exists & ~clear)[..., None, None]).amax(1)
    rows = torch.arange(len(best), device=device)[:, None, None]
    shape, color = batch.shape.clamp_min(0)[rows, best], batch.color[rows, best]
    side = torch.stack([wide[rows, best][..., 0, 0], high[rows, best][..., 0, 0]], 1) * FEATURE_STRIDE
    centers = torch.stack([(x0 + x1)[..., 0, 0], (y0 + y1)[..., 0, 0]], -1)[rows, best] / 2
    offset = centers.permute(0, 3, 1, 2) - torch.stack(
        torch.meshgrid(
            torch.arange(width, device=device) + 0.5, torch.arange(height, device=device) + 0.5, indexing="xy"
        )
    )
    return {
        "heat": heat,
        "count": ((vague < 0.1) | (heat > vague)).float(),
        "shape": shape,
        "pair": shape * len(COLORS) + color,
        "box": torch.cat([offset, torch.log(side)], 1),
        "side": side,
        "worth": worth[rows, best],
    }


def soft_focal(logits: torch.Tensor, chosen: torch.Tensor, heat: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Focal loss with soft targets, summed: |t - s|^2 BCE(s, t), s = sigmoid(logit).

    The target t is `heat` for the class `chosen` in a cell and 0 for all
    others (Li et al., Generalized focal loss, NeurIPS 2020, equation 5, b = 2).
    """
    logits = logits.float()
    absent = (F.softplus(logits) * torch.sigmoid(logits) ** 2).sum(1)
    own = torch.gather(logits, 1, chosen[:, None])[:, 0]
    s = torch.sigmoid(own)
    own_loss = (heat - s) ** 2 * F.binary_cross_entropy_with_logits(own, heat, reduction="none") - F.softplus(
        own
    ) * s**2
    return ((absent + own_loss) * weight).sum()


def overlap_loss(box: torch.Tensor, true_box: torch.Tensor) -> torch.Tensor:
    """1 - GIoU of boxes given as offset (cells) and log size (log px), (M, 4) each.

    Rezatofighi et al., "Generalized intersection over union", CVPR 2019, equation 2.
    """

    def corners(numbers: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        middle, half = numbers[:, :2] * FEATURE_STRIDE, torch.exp(numbers[:, 2:].clamp(-1, 7)) / 2
        return middle - half, middle + half

    (low, high), (true_low, true_high) = corners(box), corners(true_box)
    both = (torch.minimum(high, true_high) - torch.maximum(low, true_low)).clamp_min(0).prod(1)
    either = (high - low).prod(1) + (true_high - true_low).prod(1) - both
    around = (torch.maximum(high, true_high) - torch.minimum(low, true_low)).prod(1)
    return 2 - both / either - either / around


def named_loss(logits: torch.Tensor, chosen: torch.Tensor, heat: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Cross-entropy over the background (the first logit) and all names, summed.

    As the head fit has it (robotlab.neural.box_coding): a thing's nearest cell has
    its name, those beside are background with weight (1 - heat)^4.
    """
    center = heat > 0.999
    weight = weight * torch.where(center, 1.0, (1 - heat) ** 4)
    return (F.cross_entropy(logits.float(), torch.where(center, chosen + 1, 0), reduction="none") * weight).sum()


def loss_of(features: torch.Tensor, readings: Readings, batch: Batch, keys: torch.Tensor) -> dict[str, torch.Tensor]:
    """The parts of the loss, each per thing.

    Parameters
    ----------
    features : (B, C, h, w) tensor
        Of the batch's pictures.
    readings : Readings
        What is read off them.
    batch : Batch
        The truth.
    keys : (B h w) tensor
        Uniform random numbers, one a cell, that choose cells.

    Returns
    -------
    dict of str to tensor
        By name.
    """
    target = cell_targets(batch)
    near = ((target["heat"] > NEAR) & (target["count"] > 0)).flatten()
    open_cells = ((target["heat"] <= NEAR) & (target["count"] > 0)).flatten()
    # A fixed number of cells, so that the GPU need not wait for a count.
    rank = keys + near.float() - 2 * (~(near | open_cells)).float()
    at = torch.topk(rank, int(CHOSEN_SHARE * len(keys)), sorted=False).indices
    near, drawn = near[at], open_cells[at]
    weight = near.float() + drawn.float() * open_cells.sum() / drawn.sum().clamp_min(1)
    heat, shape, pair, worth = (target[name].flatten()[at] for name in ("heat", "shape", "pair", "worth"))
    true_box, side = (target[name].permute(0, 2, 3, 1).flatten(0, 2)[at] for name in ("box", "side"))
    colorless = batch.colorless[:, None].expand(-1, len(keys) // len(batch.colorless)).flatten()[at]
    thing, shape_logits, pair_logits, box = readings(features.permute(0, 2, 3, 1).flatten(0, 2)[at])
    weight = torch.where(near, worth, weight)
    colored = weight * ~colorless
    things = (heat * worth * near).sum().clamp_min(1)
    losses = {
        "thing": soft_focal(thing, torch.zeros_like(shape), heat, weight) / things,
        "shape": soft_focal(shape_logits, shape, heat, weight) / things,
    }
    if readings.named:
        center = (heat > 0.999) & near
        losses["pair"] = named_loss(pair_logits, pair, heat, torch.where(near, 1.0, weight) * ~colorless) / (
            center & ~colorless
        ).sum().clamp_min(1)
    else:
        losses["pair"] = soft_focal(pair_logits, pair, heat, colored) / (heat * colored * near).sum().clamp_min(1)
    center = heat * worth * (heat >= BOX_FROM) * near
    # Offsets count in shares of the size, as they do for the overlap.
    box = box.float()
    error = box - true_box
    error = torch.cat([error[:, :2] * FEATURE_STRIDE / side.clamp_min(4), error[:, 2:]], 1)
    smooth = F.smooth_l1_loss(error, torch.zeros_like(error), beta=0.05, reduction="none").sum(1)
    losses["box"] = (smooth * center).sum() / center.sum().clamp_min(1)
    losses["overlap"] = (overlap_loss(box, true_box) * center).sum() / center.sum().clamp_min(1)
    return losses


# Finding and measuring weigh more than naming, which is harder to begin with.
LOSS_WEIGHTS = {"thing": 2.0, "shape": 1.0, "pair": 1.0, "box": 3.0, "overlap": 3.0}
# The cross-entropy of the pairs is several times as large as their focal loss.
NAMED_WEIGHT = 0.3


def total_loss(losses: dict[str, torch.Tensor], named: bool) -> torch.Tensor:
    """Weighted sum; `named` as in :class:`Readings`."""
    weights = {**LOSS_WEIGHTS, "pair": NAMED_WEIGHT} if named else LOSS_WEIGHTS
    return sum(weights[name] * value for name, value in losses.items())
