"""Pre-train the shipped feature network on drawn pictures.

    python instructor/pretraining/pretrain.py --minutes 8.8 --out OUT

Needs the ``torch`` extra and scikit-image; takes a GPU if there is one.  Writes
``features.onnx``, ``log.json``, ``loss.png`` and ``state.pt`` into OUT; a run that
broke off goes on from the last with ``--resume``.  The seed fixes the first weights
and the pictures drawn, but the length is a time, so two machines give two (equally
good) networks.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from curves import plot_logs
from network import FEATURE_STRIDE, Features, Readings, loss_of, total_loss
from pictures import draw_batch, framed
from render import Batch, Renderer
from views import EACH, HEIGHT_PX, SLOTS, WIDTH_PX, Bank, empty_greenhouses

from robotlab.neural.onnx_weights import weights_from_onnx
from robotlab.neural.onnxio import network_to_onnx, save_onnx
from robotlab.neural.spec import BACKBONE

# Height and width, and pictures a batch on a GPU: about 4 million pixels each.
SIZES = ((128, 160, 192), (160, 208, 128), (192, 256, 80), (240, 320, 56), (288, 384, 40))
AT_ONCE = 6
# Empty greenhouses to choose from.
VIEWS = 240
PEAK_RATE, DECAY, WARM_UP = 4e-3, 2e-4, 0.1
# Mean of the last few hundred steps.
KEEP = 0.999


class Greenhouses:
    """Furnished greenhouses from a bank, kept on the device.

    Parameters
    ----------
    renderer : Renderer
        Gives randomness and device.
    bank : Bank
        May still be growing.
    room : int
        The most greenhouses kept.
    """

    # Enough to start with, and the most taken in at once.
    ENOUGH, AT_ONCE = 4, 40

    def __init__(self, renderer: Renderer, bank: Bank, room: int):
        self.renderer, self.bank = renderer, bank
        count = min(room, len(bank.done))
        self.raw = torch.zeros(count * EACH, 3, HEIGHT_PX, WIDTH_PX, dtype=torch.uint8, device=renderer.device)
        self.rows = torch.zeros(count * EACH, SLOTS, 7, device=renderer.device)
        self.taken: set[int] = set()
        self.made = 0

    def gather(self) -> None:
        """Take in what is finished."""
        new = [int(k) for k in np.flatnonzero(self.bank.done) if k not in self.taken]
        for k in new[: self.AT_ONCE]:
            if self.made == len(self.raw):
                return
            at = slice(self.made, self.made + EACH)
            pictures = torch.from_numpy(self.bank.pictures[k]).to(self.raw.device)
            self.raw[at] = pictures.permute(0, 3, 1, 2)
            self.rows[at] = torch.from_numpy(self.bank.rows[k]).to(self.rows.device)
            self.taken.add(k)
            self.made += EACH

    def batches(self, n: int, height: int, width: int) -> list[Batch]:
        """A random choice of them, framed and lit anew."""
        pick = torch.randint(self.made, (n,), generator=self.renderer.generator, device=self.raw.device)
        return [framed(self.renderer, self.raw[pick], self.rows[pick], height, width)]


def shapes(renderer: Renderer, n: int, height: int, width: int) -> list[Batch]:
    """Drawn shapes, several batches at once, which is faster on a GPU."""
    batch = draw_batch(renderer, n * AT_ONCE, height, width)
    more = SLOTS - batch.shape.shape[1]
    batch.boxes = F.pad(batch.boxes, (0, 0, 0, more))
    batch.shape, batch.color, batch.visible = (
        F.pad(part, (0, more), value=value) for part, value in ((batch.shape, -1), (batch.color, 0), (batch.visible, 0))
    )
    return batch.split(n)


class Pool:
    """Batches on the device, each used a few times, mirrored and relit anew.

    Parameters
    ----------
    renderer : Renderer
        Gives randomness.
    make : callable
        Takes pictures, height and width; gives new batches.
    sizes : sequence of (height, width, pictures)
        To choose from.
    room : int
        The most batches kept.
    uses : int
        How often each is used, about.
    seed : int
        Of the choices.
    """

    def __init__(
        self,
        renderer: Renderer,
        make: Callable[[int, int, int], list[Batch]],
        sizes: Sequence[tuple[int, int, int]],
        room: int,
        uses: int,
        seed: int,
    ):
        self.renderer, self.make, self.sizes, self.room, self.uses = renderer, make, sizes, room, uses
        self.rng = np.random.default_rng(seed)
        self.batches: list[Batch] = []
        self.waiting: list[Batch] = []
        self.drawn = self.turn = 0

    def next(self) -> Batch:
        """A batch to learn from."""
        self.turn += 1
        return self._fresh() if self.turn % self.uses == 1 or self.uses == 1 else self._used()

    def _fresh(self) -> Batch:
        if not self.waiting:
            height, width, n = self.sizes[self.rng.integers(len(self.sizes))]
            self.waiting = list(self.make(n, height, width))
            self.drawn += n * len(self.waiting)
        batch = self.waiting.pop()
        if len(self.batches) < self.room:
            self.batches.append(batch)
        else:
            self.batches[self.rng.integers(self.room)] = batch
        return batch

    def _used(self) -> Batch:
        batch = self.batches[self.rng.integers(len(self.batches))]
        pictures, boxes = batch.pictures, batch.boxes
        if self.rng.random() < 0.5:
            width = pictures.shape[3]
            pictures = pictures.flip(3)
            boxes = torch.stack([width - boxes[..., 2], boxes[..., 1], width - boxes[..., 0], boxes[..., 3]], -1)
        gain = (
            torch.exp(0.15 * self.renderer._randn(len(pictures), 3, 1, 1))
            ** (~batch.colorless)[:, None, None, None].float()
        )
        gain = gain * torch.exp(0.2 * self.renderer._randn(len(pictures), 1, 1, 1))
        pictures = (pictures.float() * gain).clamp(0, 255)
        return Batch(pictures, boxes, batch.shape, batch.color, batch.visible, batch.colorless)


def rate_at(share: float) -> float:
    """Share of the highest rate when this share of the time has gone: up, then a cosine down."""
    if share < WARM_UP:
        return 0.05 + 0.95 * share / WARM_UP
    return 0.002 + 0.998 * 0.5 * (1 + math.cos(math.pi * (share - WARM_UP) / (1 - WARM_UP)))


class RunningMean:
    """Running mean of a model's weights and of the normalization's statistics."""

    def __init__(self, model: torch.nn.Module):
        self.model = copy.deepcopy(model)
        pairs = [
            (a, b)
            for a, b in zip(self.model.state_dict().values(), model.state_dict().values(), strict=True)
            if a.is_floating_point()
        ]
        self._mean, self._now = (list(side) for side in zip(*pairs, strict=True))

    def follow(self, keep: float) -> None:
        """Move toward the model."""
        with torch.no_grad():
            torch._foreach_lerp_(self._mean, self._now, 1 - keep)


def losses_on(
    network: torch.nn.ModuleDict, batch: tuple[torch.Tensor, ...], keys: torch.Tensor
) -> dict[str, torch.Tensor]:
    """Losses of a batch whose pictures are floats already."""
    batch = Batch(*batch)
    with torch.autocast(keys.device.type, torch.bfloat16, enabled=keys.device.type == "cuda"):
        features = network["features"](batch.pictures)
        return loss_of(features, network["readings"], batch, keys)


def prepared(batch: Batch, generator: torch.Generator) -> tuple[tuple[torch.Tensor, ...], torch.Tensor]:
    """What :func:`losses_on` takes."""
    pictures = batch.pictures.float().contiguous(memory_format=torch.channels_last)
    cells = len(pictures) * pictures.shape[2] * pictures.shape[3] // FEATURE_STRIDE**2
    keys = torch.rand(cells, generator=generator, device=pictures.device)
    return (pictures, batch.boxes, batch.shape, batch.color, batch.visible, batch.colorless), keys


def write(out: Path, features: Features, log: dict, parts: Sequence[torch.nn.Module | torch.optim.Optimizer]) -> None:
    """The network and the log so far, and the state of all parts, to go on from."""
    facts = {
        "seed": str(log["seed"]),
        "steps": str(log["total_steps"]),
        "pictures": str(log["pictures"]),
        "greenhouses": str(log["greenhouses"]),
    }
    save_onnx(network_to_onnx(BACKBONE, features.weights(), fold_norm=False, metadata=facts), out / "features.onnx")
    (out / "log.json").write_text(json.dumps(log, indent=1))
    state = {"parts": [part.state_dict() for part in parts], "steps": log["steps"], "held_out": log["held_out"]}
    torch.save(state, out / "state.tmp")
    (out / "state.tmp").replace(out / "state.pt")


def pretrain(given: argparse.Namespace, device: torch.device) -> None:
    """Train for a time."""
    gpu = device.type == "cuda"
    torch.manual_seed(given.seed)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    views = empty_greenhouses(VIEWS if gpu else VIEWS // 10)
    renderer, judge = Renderer(given.seed, device, views), Renderer(given.seed + 1, device, views)
    sizes = [(height, width, max(2, int(n * given.scale))) for height, width, n in SIZES]
    pool = Pool(renderer, partial(shapes, renderer), sizes, 700 if gpu else 24, given.uses, given.seed)
    houses = house_pool = None
    if given.bank is not None:
        houses = Greenhouses(renderer, Bank(given.bank), given.room)
        house_pool = Pool(renderer, houses.batches, sizes[1:], 200 if gpu else 8, given.house_uses, given.seed + 2)
    held = [batch for height, width, n in sizes for batch in shapes(judge, max(2, n // AT_ONCE), height, width)[:2]]
    model = torch.nn.ModuleDict(
        {"features": Features(BACKBONE, given.seed), "readings": Readings(BACKBONE[-1].channels, given.named)}
    )
    if given.start_from is not None and given.start_from.suffix == ".pt":
        model.load_state_dict(torch.load(given.start_from, map_location="cpu", weights_only=True)["parts"][1])
    elif given.start_from is not None:
        model["features"].load(weights_from_onnx(given.start_from))
    model = model.to(device, memory_format=torch.channels_last)
    mean = RunningMean(model)
    norms = [module for module in model.modules() if isinstance(module, torch.nn.BatchNorm2d)]
    kernels = [p for p in model.parameters() if p.ndim > 1]
    others = [p for p in model.parameters() if p.ndim <= 1]
    optimizer = torch.optim.AdamW(
        [{"params": kernels, "weight_decay": DECAY}, {"params": others, "weight_decay": 0.0}], lr=given.rate, fused=gpu
    )
    torch._dynamo.config.recompile_limit = 64
    modes = {1: "default", 2: "reduce-overhead"}
    quick = torch.compile(losses_on, dynamic=False, mode=modes[given.compile]) if given.compile else losses_on

    def held_out() -> dict[str, float]:
        mean.model.eval()
        with torch.no_grad():
            rows = [losses_on(mean.model, *prepared(batch, judge.generator)) for batch in held]
        return {name: float(np.mean([float(row[name]) for row in rows])) for name in rows[0]}

    log: dict = {
        name: getattr(given, name)
        for name in ("seed", "minutes", "uses", "house_uses", "rate", "furnished", "named", "still")
    }
    log |= {
        "start_from": given.start_from.name if given.start_from else None,
        "device": torch.cuda.get_device_name().partition(" ")[2] if gpu else "CPU",
        "steps": [],
        "held_out": [],
    }
    start, step, recent, next_look = time.time(), 0, [], 0.0
    parts = (model, mean.model, optimizer)
    if given.resume is not None:
        state = torch.load(given.resume, map_location=device, weights_only=True)
        for part, saved in zip(parts, state["parts"], strict=True):
            part.load_state_dict(saved)
        log["steps"], log["held_out"] = state["steps"], state["held_out"]
        step = log["steps"][-1]["step"]
        start -= 60 * given.minutes * log["steps"][-1]["share"]
    while True:
        share = (time.time() - start) / (60 * given.minutes)
        if share >= next_look or share >= 1:
            log |= {"total_steps": step, "pictures": pool.drawn, "greenhouses": houses.made if houses else 0}
            if recent:
                row = {name: float(torch.stack([r[name] for r in recent]).mean()) for name in recent[0]}
                log["steps"].append(
                    {"step": step, "share": share, "pictures": pool.drawn, "greenhouses": log["greenhouses"], **row}
                )
                log["held_out"].append({"step": step, "share": share, **held_out()})
                print(json.dumps({"train": log["steps"][-1], "held_out": log["held_out"][-1]}), flush=True)
                write(given.out, mean.model["features"], log, parts)
                recent = []
            next_look = share + 0.03
        if share >= 1:
            break
        if houses and step % 20 == 0:
            houses.gather()
        furnished = houses and houses.made >= houses.ENOUGH * EACH and pool.rng.random() < given.furnished
        batch = (house_pool if furnished else pool).next()
        for group in optimizer.param_groups:
            group["lr"] = given.rate * rate_at(share)
        model.train()
        if given.still:
            for norm in norms:
                norm.eval()
        torch.compiler.cudagraph_mark_step_begin()
        losses = quick(model, *prepared(batch, renderer.generator))
        optimizer.zero_grad(set_to_none=True)
        total_loss(losses, given.named).backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        optimizer.step()
        mean.follow(min(KEEP, (1 + step) / (10 + step)))
        # Copies: a compiled step writes into the same place again.
        recent.append({name: value.detach().clone() for name, value in losses.items()})
        step += 1
    plot_logs([log], given.out / "loss.png")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--uses", type=int, default=4, help="training steps per drawn batch")
    parser.add_argument("--house-uses", type=int, default=2, help="training steps per batch of furnished greenhouses")
    parser.add_argument(
        "--scale", type=float, default=None, help="pictures a batch, times this (default 1 on a GPU, 0.1 on a CPU)"
    )
    parser.add_argument(
        "--start-from",
        type=Path,
        default=None,
        help="weights to go on from: a features.onnx, or a state.pt for what is read off them too",
    )
    parser.add_argument("--rate", type=float, default=PEAK_RATE, help="highest learning rate")
    parser.add_argument(
        "--bank", type=Path, default=None, help="furnished greenhouses, from views.py; none when left out"
    )
    parser.add_argument("--room", type=int, default=1100, help="the most greenhouses of the bank to keep")
    parser.add_argument("--furnished", type=float, default=0.5, help="share of the steps on furnished greenhouses")
    parser.add_argument(
        "--named",
        type=int,
        default=1,
        help="1: one softmax over background and all pairs; 0: a focal loss for each pair",
    )
    parser.add_argument(
        "--still", type=int, default=0, help="1: normalize by the statistics of the start, not by each batch"
    )
    parser.add_argument(
        "--compile", type=int, default=1, choices=(0, 1, 2), help="compile the step; 2: and replay it as a graph"
    )
    parser.add_argument(
        "--resume", type=Path, default=None, help="state.pt of a run that broke off, to go on with the same --minutes"
    )
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    given.scale = given.scale if given.scale is not None else (1.0 if device.type == "cuda" else 0.1)
    given.out.mkdir(parents=True, exist_ok=True)
    pretrain(given, device)
    return 0


if __name__ == "__main__":
    sys.exit(main())
