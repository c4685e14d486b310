"""Average the networks of several runs that began from the same weights.

    python instructor/pretraining/average.py OUT BANK first/features.onnx second/features.onnx

The mean of weights that went apart from one start is often better than either
(Wortsman et al., "Model soups", ICML 2022, arXiv:2203.05482).  The statistics
of the normalization are measured anew on drawn and rendered pictures.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import torch
from network import Features
from pretrain import Greenhouses, shapes
from render import Renderer
from views import Bank, empty_greenhouses

from robotlab.neural.onnx_weights import weights_from_onnx
from robotlab.neural.onnxio import network_to_onnx, save_onnx
from robotlab.neural.spec import BACKBONE

# Rounds of measuring, each of 18 pictures; seed of the pictures.
ROUNDS, SEED = 8, 77


def averaged(paths: list[Path], bank: Path) -> Features:
    """The mean network, its statistics measured on pictures."""
    runs = [weights_from_onnx(path, BACKBONE) for path in paths]
    features = Features(BACKBONE)
    features.load(
        {name: np.mean([run[name].astype(np.float64) for run in runs], axis=0).astype(np.float32) for name in runs[0]}
    )
    renderer = Renderer(SEED, torch.device("cpu"), empty_greenhouses(6))
    houses = Greenhouses(renderer, Bank(bank), 8)
    houses.gather()
    for module in features.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.reset_running_stats()
            # No forgetting: the plain mean over all pictures seen.
            module.momentum = None
    features.train()
    with torch.no_grad():
        for _ in range(ROUNDS):
            features(houses.batches(6, 240, 320)[0].pictures.float())
            features(shapes(renderer, 1, 192, 256)[0].pictures.float())
            features(torch.cat([batch.pictures for batch in shapes(renderer, 1, 240, 320)]).float())
    return features


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, help="the file to write")
    parser.add_argument("bank", type=Path, help="furnished greenhouses, from views.py")
    parser.add_argument("runs", type=Path, nargs="+", help="files to average")
    parser.add_argument("--fact", action="append", default=[], help="NAME=VALUE for the file's metadata")
    given = parser.parse_args()
    torch.set_num_threads(1)
    facts = dict(fact.split("=", 1) for fact in given.fact)
    save_onnx(
        network_to_onnx(BACKBONE, averaged(given.runs, given.bank).weights(), fold_norm=False, metadata=facts),
        given.out,
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
