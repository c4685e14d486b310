"""Pre-train the shipped feature network on drawn pictures.

    python instructor/pretraining/pretrain.py --minutes 8.8 --out OUT

Needs the ``torch`` extra and scikit-image; takes a GPU if there is one.  Writes
``features.onnx``, ``log.json`` and ``loss.png`` into OUT.  The seed fixes the
first weights and the pictures drawn, but the length is a time, so two machines
give two (equally good) networks.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import sys
import time
from pathlib import Path

import numpy as np
import torch

from curves import plot_logs
from network import Features, Readings, loss_of, total_loss
from pictures import draw_batch, framed
from render import Batch, Renderer
from robotlab.detector.onnxio import network_to_onnx, save_onnx, weights_from_onnx
from robotlab.detector.spec import FEATURES
from views import HEIGHT_PX, SLOTS, WIDTH_PX, Furnisher, empty_greenhouses

# Height and width, and pictures a batch on a GPU: about 4 million pixels each.
SIZES = ((128, 160, 192), (160, 208, 128), (192, 256, 80), (240, 320, 56), (240, 320, 56), (288, 384, 40))
AT_ONCE = 6
# Empty greenhouses to choose from.
VIEWS = 240
PEAK_RATE, DECAY, WARM_UP = 4e-3, 2e-4, 0.1
# Mean of the last few hundred steps.
KEEP = 0.998


class Greenhouses:
    """Furnished greenhouses as they come from the workers, kept on the device."""

    # Enough to start with, and the most kept.
    ENOUGH, ROOM = 256, 20_000

    def __init__(self, renderer: Renderer, workers: int):
        self.renderer = renderer
        self.furnisher = Furnisher(workers, each=4)
        self.raw = torch.zeros(self.ROOM, 3, HEIGHT_PX, WIDTH_PX, dtype=torch.uint8, device=renderer.device)
        self.rows = torch.zeros(self.ROOM, SLOTS, 7, device=renderer.device)
        self.made = 0

    def gather(self) -> None:
        """Take in what is finished."""
        for pictures, rows in self.furnisher.ready():
            at = (self.made + torch.arange(len(pictures))) % self.ROOM
            self.raw[at] = torch.from_numpy(pictures).permute(0, 3, 1, 2).to(self.raw.device)
            self.rows[at] = torch.from_numpy(rows).to(self.rows.device)
            self.made += len(pictures)

    def batch(self, n: int, height: int, width: int) -> Batch:
        """A random choice of them, framed and lit anew."""
        pick = torch.randint(min(self.made, self.ROOM), (n,), generator=self.renderer.generator, device=self.raw.device)
        return framed(self.renderer, self.raw[pick], self.rows[pick], height, width)


class Pool:
    """Batches on the device, each used a few times, mirrored and relit anew."""

    def __init__(self, renderer: Renderer, room: int, seed: int):
        self.renderer, self.room = renderer, room
        self.rng = np.random.default_rng(seed)
        self.batches: list[Batch] = []
        self.waiting: list[Batch] = []
        self.drawn = 0

    def fresh(self, scale: float) -> Batch:
        """A new batch; drawn several at once, which is faster on a GPU."""
        if not self.waiting:
            height, width, n = SIZES[self.rng.integers(len(SIZES))]
            n = max(2, int(n * scale))
            self.waiting = draw_batch(self.renderer, n * AT_ONCE, height, width).split(n)
            self.drawn += n * AT_ONCE
        batch = self.waiting.pop()
        if len(self.batches) < self.room:
            self.batches.append(batch)
        else:
            self.batches[self.rng.integers(self.room)] = batch
        return batch

    def used(self) -> Batch:
        batch = self.batches[self.rng.integers(len(self.batches))]
        pictures, boxes = batch.pictures, batch.boxes
        if self.rng.random() < 0.5:
            width = pictures.shape[3]
            pictures = pictures.flip(3)
            boxes = torch.stack([width - boxes[..., 2], boxes[..., 1], width - boxes[..., 0], boxes[..., 3]], -1)
        gain = torch.exp(0.15 * self.renderer._randn(len(pictures), 3, 1, 1)) ** (~batch.colorless)[:, None, None, None].float()
        gain = gain * torch.exp(0.2 * self.renderer._randn(len(pictures), 1, 1, 1))
        pictures = (pictures.float() * gain).clamp(0, 255)
        return Batch(pictures, boxes, batch.shape, batch.color, batch.visible, batch.colorless)


def rate_at(share: float) -> float:
    """Share of the highest rate when this share of the time has gone: up, then a cosine down."""
    if share < WARM_UP:
        return 0.05 + 0.95 * share / WARM_UP
    return (0.002 + 0.998 * 0.5 * (1 + np.cos(np.pi * (share - WARM_UP) / (1 - WARM_UP))))


def average_into(mean: torch.nn.Module, model: torch.nn.Module, keep: float) -> None:
    """Running mean of weights and of the normalisation's statistics."""
    with torch.no_grad():
        pairs = [(a, b) for a, b in zip(mean.state_dict().values(), model.state_dict().values(), strict=True) if a.is_floating_point()]
        torch._foreach_lerp_([a for a, _ in pairs], [b for _, b in pairs], 1 - keep)


def pretrain(minutes: float, seed: int, device: torch.device, uses: int, scale: float, rate: float, furnished: float, start_from: Path | None) -> tuple[Features, dict]:
    """Train for a time; each drawn batch is used about `uses` times."""
    layers = FEATURES
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    views = empty_greenhouses(VIEWS if device.type == "cuda" else VIEWS // 10)
    renderer, judge = Renderer(seed, device, views), Renderer(seed + 1, device, views)
    pool = Pool(renderer, 1200 if device.type == "cuda" else 24, seed)
    houses = Greenhouses(renderer, max(1, (os.cpu_count() or 2) - 2)) if furnished > 0 else None
    held = [draw_batch(judge, max(2, int(n * scale)), h, w) for h, w, n in SIZES]
    model = torch.nn.ModuleDict({"features": Features(layers, seed), "readings": Readings(layers[-1].channels)})
    if start_from is not None:
        model["features"].load(weights_from_onnx(start_from))
    model = model.to(device, memory_format=torch.channels_last)
    mean = copy.deepcopy(model)
    kernels = [p for p in model.parameters() if p.ndim > 1]
    others = [p for p in model.parameters() if p.ndim <= 1]
    optimizer = torch.optim.AdamW([{"params": kernels, "weight_decay": DECAY}, {"params": others, "weight_decay": 0.0}], lr=rate, fused=device.type == "cuda")

    def losses_on(network: torch.nn.ModuleDict, batch: Batch) -> dict[str, torch.Tensor]:
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            pictures = batch.pictures.float().contiguous(memory_format=torch.channels_last)
            features = network["features"](pictures)
            return loss_of(features, network["readings"], batch, renderer.generator)

    def held_out() -> dict[str, float]:
        mean.eval()
        with torch.no_grad():
            rows = [losses_on(mean, batch) for batch in held]
        return {name: float(np.mean([float(row[name]) for row in rows])) for name in rows[0]}

    log: dict = {"seed": seed, "minutes": minutes, "uses": uses, "rate": rate, "start_from": str(start_from.name) if start_from else None, "steps": [], "held_out": []}
    start, step, shape_steps, recent, next_look = time.time(), 0, 0, [], 0.0
    while True:
        share = (time.time() - start) / (60 * minutes)
        if share >= next_look or share >= 1:
            if recent:
                names = recent[0].keys()
                row = {name: float(torch.stack([r[name] for r in recent]).mean()) for name in names}
                log["steps"].append({"step": step, "share": share, "pictures": pool.drawn, **row})
                log["held_out"].append({"step": step, "share": share, **held_out()})
                late = log["held_out"][-1]
                rendered = houses.made if houses else 0
                log["steps"][-1]["greenhouses"] = rendered
                print(f"{100 * share:5.1f}% step {step} drawn {pool.drawn} rendered {rendered} train {row} held out {late}", flush=True)
                recent = []
            next_look = share + 0.03
        if share >= 1:
            break
        if houses and step % 10 == 0:
            houses.gather()
        if houses and houses.made >= houses.ENOUGH * scale and pool.rng.random() < furnished:
            height, width, n = SIZES[pool.rng.integers(2, len(SIZES))]
            batch = houses.batch(max(2, int(n * scale)), height, width)
        else:
            batch = pool.fresh(scale) if shape_steps % uses == 0 else pool.used()
            shape_steps += 1
        for group in optimizer.param_groups:
            group["lr"] = rate * rate_at(share)
        model.train()
        losses = losses_on(model, batch)
        optimizer.zero_grad(set_to_none=True)
        total_loss(losses).backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        optimizer.step()
        average_into(mean, model, min(KEEP, (1 + step) / (10 + step)))
        recent.append({name: value.detach() for name, value in losses.items()})
        step += 1
    if houses:
        houses.furnisher.close()
    log.update(total_steps=step, pictures=pool.drawn, greenhouses=houses.made if houses else 0, device=torch.cuda.get_device_name() if device.type == "cuda" else "CPU")
    return mean["features"], log


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--uses", type=int, default=4, help="training steps per drawn batch")
    parser.add_argument("--scale", type=float, default=None, help="pictures a batch, times this (default 1 on a GPU, 0.1 on a CPU)")
    parser.add_argument("--start-from", type=Path, default=None, help="weights to go on from, a features.onnx")
    parser.add_argument("--rate", type=float, default=PEAK_RATE, help="highest learning rate")
    parser.add_argument("--furnished", type=float, default=0.4, help="share of the steps on furnished greenhouses, 0 for none")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    scale = given.scale if given.scale is not None else (1.0 if device.type == "cuda" else 0.1)
    given.out.mkdir(parents=True, exist_ok=True)
    features, log = pretrain(given.minutes, given.seed, device, given.uses, scale, given.rate, given.furnished, given.start_from)
    facts = {"seed": str(given.seed), "steps": str(log["total_steps"]), "pictures": str(log["pictures"])}
    save_onnx(network_to_onnx(FEATURES, features.weights(), fold_norm=False, metadata=facts), given.out / "features.onnx")
    (given.out / "log.json").write_text(json.dumps(log, indent=1))
    plot_logs([log], given.out / "loss.png")
    return 0


if __name__ == "__main__":
    sys.exit(main())
