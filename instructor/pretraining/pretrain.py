"""Pre-train the shipped feature network on drawn pictures.

    python instructor/pretraining/pretrain.py --minutes 8 --out OUT

Needs the ``torch`` extra and scikit-image; takes a GPU if there is one.  Writes
``features.onnx``, ``log.json`` and ``loss.png`` into OUT.  The seed fixes the
first weights and the pictures drawn, but the length is a time, so two machines
give two (equally good) networks.
"""

from __future__ import annotations

import argparse
import copy
import json
import sys
import time
from pathlib import Path

import numpy as np
import torch

from network import Features, Readings, loss_of, total_loss
from pictures import draw_batch
from render import Batch, Renderer
from robotlab.detector.onnxio import network_to_onnx, save_onnx
from robotlab.detector.spec import FEATURES
from views import empty_greenhouses

# Height and width, and pictures a batch on a GPU: about 4 million pixels each.
SIZES = ((128, 160, 192), (160, 208, 128), (192, 256, 80), (240, 320, 56), (240, 320, 56), (288, 384, 40))
AT_ONCE = 6
# Empty greenhouses to choose from.
VIEWS = 600
PEAK_RATE, DECAY, WARM_UP = 4e-3, 2e-4, 0.1
# Mean of the last few hundred steps.
KEEP = 0.998


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
    """Learning rate when this share of the time has gone: up, then a cosine down."""
    if share < WARM_UP:
        return PEAK_RATE * (0.05 + 0.95 * share / WARM_UP)
    return PEAK_RATE * (0.002 + 0.998 * 0.5 * (1 + np.cos(np.pi * (share - WARM_UP) / (1 - WARM_UP))))


def average_into(mean: torch.nn.Module, model: torch.nn.Module, keep: float) -> None:
    """Running mean of weights and of the normalisation's statistics."""
    with torch.no_grad():
        pairs = [(a, b) for a, b in zip(mean.state_dict().values(), model.state_dict().values(), strict=True) if a.is_floating_point()]
        torch._foreach_lerp_([a for a, _ in pairs], [b for _, b in pairs], 1 - keep)


def pretrain(minutes: float, seed: int, device: torch.device, uses: int, scale: float, layers=FEATURES) -> tuple[Features, dict]:
    """Train for a time; each drawn batch is used about `uses` times."""
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    views = empty_greenhouses(VIEWS if device.type == "cuda" else VIEWS // 10)
    renderer, judge = Renderer(seed, device, views), Renderer(seed + 1, device, views)
    pool = Pool(renderer, 1200 if device.type == "cuda" else 24, seed)
    held = [draw_batch(judge, max(2, int(n * scale)), h, w) for h, w, n in SIZES]
    model = torch.nn.ModuleDict({"features": Features(layers, seed), "readings": Readings(layers[-1].channels)})
    model = model.to(device, memory_format=torch.channels_last)
    mean = copy.deepcopy(model)
    kernels = [p for p in model.parameters() if p.ndim > 1]
    others = [p for p in model.parameters() if p.ndim <= 1]
    optimizer = torch.optim.AdamW([{"params": kernels, "weight_decay": DECAY}, {"params": others, "weight_decay": 0.0}], lr=PEAK_RATE, fused=device.type == "cuda")

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

    log: dict = {"seed": seed, "minutes": minutes, "uses": uses, "steps": [], "held_out": []}
    start, step, recent, next_look = time.time(), 0, [], 0.0
    while True:
        share = (time.time() - start) / (60 * minutes)
        if share >= next_look or share >= 1:
            if recent:
                names = recent[0].keys()
                row = {name: float(torch.stack([r[name] for r in recent]).mean()) for name in names}
                log["steps"].append({"step": step, "share": share, "pictures": pool.drawn, **row})
                log["held_out"].append({"step": step, "share": share, **held_out()})
                late = log["held_out"][-1]
                print(f"{100 * share:5.1f}% step {step} drawn {pool.drawn} train {row} held out {late}", flush=True)
                recent = []
            next_look = share + 0.03
        if share >= 1:
            break
        batch = pool.fresh(scale) if step % uses == 0 else pool.used()
        for group in optimizer.param_groups:
            group["lr"] = rate_at(share)
        model.train()
        losses = losses_on(model, batch)
        optimizer.zero_grad(set_to_none=True)
        total_loss(losses).backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        optimizer.step()
        average_into(mean, model, min(KEEP, (1 + step) / (10 + step)))
        recent.append({name: value.detach() for name, value in losses.items()})
        step += 1
    log.update(total_steps=step, pictures=pool.drawn, device=torch.cuda.get_device_name() if device.type == "cuda" else "CPU")
    return mean["features"], log


def plot_log(log: dict, path: Path) -> None:
    """Loss curves as a PNG."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    names = ("thing", "shape", "pair", "box")
    figure, axes = plt.subplots(1, len(names), figsize=(12, 3), layout="constrained")
    for ax, name in zip(axes, names, strict=True):
        for key, style in (("steps", "0.6"), ("held_out", "C0")):
            ax.plot([row["step"] for row in log[key]], [row[name] for row in log[key]], color=style, label="training" if key == "steps" else "held out")
        ax.set(title=name, xlabel="step", yscale="log")
    axes[0].set_ylabel("loss per thing")
    axes[0].legend()
    figure.savefig(path, dpi=110)
    plt.close(figure)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--uses", type=int, default=4, help="training steps per drawn batch")
    parser.add_argument("--scale", type=float, default=None, help="pictures a batch, times this (default 1 on a GPU, 0.1 on a CPU)")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    scale = given.scale if given.scale is not None else (1.0 if device.type == "cuda" else 0.1)
    given.out.mkdir(parents=True, exist_ok=True)
    features, log = pretrain(given.minutes, given.seed, device, given.uses, scale)
    facts = {"seed": str(given.seed), "steps": str(log["total_steps"]), "pictures": str(log["pictures"])}
    save_onnx(network_to_onnx(FEATURES, features.weights(), fold_norm=False, metadata=facts), given.out / "features.onnx")
    (given.out / "log.json").write_text(json.dumps(log, indent=1))
    plot_log(log, given.out / "loss.png")
    return 0


if __name__ == "__main__":
    sys.exit(main())
