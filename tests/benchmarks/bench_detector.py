"""The detector: a training step beside PyTorch, inference beside OpenCV, the head fit's time.

``python tests/benchmarks/bench_detector.py`` prints the quality figures too
(some minutes): the head fit on 25 to 200 pictures of the greenhouse, coins, full
training; recall by size and by distance.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

import numpy as np
from timing import Missing, alone, side_by_side

from robotlab.data import DataSet, open_dataset
from robotlab.metrics import evaluate
from robotlab.metrics.breakdown import smallest_usable_px
from robotlab.neural import NeuralDetector, fit
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import NumpyEngine, torch_is_there
from robotlab.neural.facts import pretrained_weights
from robotlab.neural.graph import head_layers
from robotlab.neural.learning_curves import nested_subsets
from robotlab.neural.network_input import network_input
from robotlab.neural.spec import BACKBONE, first_weights
from robotlab.neural.training_loop import BatchMaker
from robotlab.neural.validation import detect_all, metrics_of
from robotlab.neural.windows import WindowPlan

DATASETS = Path(__file__).resolve().parents[2] / "datasets"
LAYERS = BACKBONE + head_layers(3)


class Grain(list):
    """Pictures without a file: grain with boxes, to time on."""

    def __init__(self, count: int, width: int, height: int) -> None:
        from robotlab.neural.augmentation import TrainingSample

        rng = np.random.default_rng(0)
        corner = rng.uniform(0, min(width, height) - 60, (count, 3, 2))
        super().__init__(
            TrainingSample(
                rng.integers(0, 256, (height, width, 3), dtype=np.uint8),
                np.concatenate([corner[n], corner[n] + [30, 50]], axis=1),
                np.arange(3),
                np.zeros((0, 4)),
            )
            for n in range(count)
        )


def train_and_test() -> tuple[DataSet, DataSet]:
    """The greenhouse's recordings meant for training, and those meant for testing."""
    data = open_dataset(DATASETS / "greenhouse")
    names = data.recordings
    return data.only(recordings=names[:7]), data.only(recordings=names[7:])


def start_weights() -> dict[str, np.ndarray]:
    """Shipped features with a random head."""
    return {**first_weights(LAYERS), **pretrained_weights()}


def step_row(windows: WindowPlan, threads: int) -> dict:
    """One training step: forward, loss, backward, AdamW, average of the weights."""
    if not torch_is_there():
        raise Missing("torch")
    import torch

    from robotlab.neural.torch_engine import TorchEngine

    torch.set_num_threads(threads)
    with WorkerPool(threads) as pool:
        batch = BatchMaker(Grain(8, 384, 288), windows, 0, pool)(0)
        ours = NumpyEngine(LAYERS, start_weights(), pool)
        theirs = TorchEngine(LAYERS, start_weights(), "cpu")
        torch.set_num_threads(threads)

        def same(a: float, b: float) -> None:
            assert abs(a - b) < 1e-3 * abs(b), (a, b)

        timed = side_by_side(
            lambda: ours.step(batch, 1e-4), lambda: theirs.step(batch, 1e-4), repeats=9, threads=threads, check=same
        )
    size = f"{windows.count} windows of {windows.width_px}x{windows.height_px}"
    return timed.row(f"NumPy training step, {size}", "PyTorch CPU, same network and batch", aim=2.5)


def inference_row() -> dict:
    """From a padded picture to peaks and boxes, the whole file, one thread."""
    try:
        import cv2
    except ImportError:
        raise Missing("opencv-python-headless") from None
    with tempfile.TemporaryDirectory() as folder:
        path = NeuralDetector.build(LAYERS, start_weights(), ["a", "b", "c"], {}).save(Path(folder) / "model.onnx")
        detector = NeuralDetector.load(path, threads=1)
        picture = np.random.default_rng(0).integers(0, 256, (240, 320, 3), dtype=np.uint8)
        net = cv2.dnn.readNetFromONNX(str(path))
        x = network_input(picture)[None]

        def theirs() -> tuple:
            net.setInput(x)
            return net.forward(["peaks", "boxes"])

        def same(a: tuple, b: tuple) -> None:
            np.testing.assert_allclose(a[1], b[1][0], atol=1e-3)

        # Ours prepares the picture too; OpenCV is given it prepared.
        timed = side_by_side(lambda: detector.outputs(picture), theirs, repeats=25, threads=1, check=same)
    return timed.row("detector, one file, 320x240", "OpenCV DNN on the same file", aim=1.0)


def head_row() -> dict:
    """The head fit on the greenhouse's training recordings, as a learner runs it."""
    train, test = train_and_test()
    fitted = []
    # run.py holds this variable to 1 for the other rows, and a fit starts as many workers as it says.
    with mock.patch.dict(os.environ, OMP_NUM_THREADS="2"):
        timed = alone(lambda: fitted.append(fit(train, progress=False)), repeats=3, threads=2)
    checked = metrics_of(test, detect_all(fitted[-1], test))
    note = f"test recordings AP50 {checked['AP50']:.3f}, AP {checked['AP']:.3f}; {peak_memory_mb():.0f} MB at most"
    return timed.row(f"head fit, {len(train)} pictures of 320x240", None, note=note, aim_s=15)


def peak_memory_mb() -> float:
    """Largest memory of this process so far."""
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (2**20 if sys.platform == "darwin" else 2**10)


def rows() -> list[dict]:
    """The detector's rows of the results table."""
    return [head_row(), inference_row(), step_row(WindowPlan(240, 240, 5), 2), step_row(WindowPlan(160, 160, 12), 2)]


def quality() -> dict:
    """The quality figures, printed as they come."""
    train, test = train_and_test()
    seen = set(train.lightings)
    result: dict = {}

    def note(name: str, data: DataSet, detector: NeuralDetector, seconds: float) -> None:
        checked = metrics_of(data, detect_all(detector, data))
        result[name] = {"AP": checked["AP"], "AP50": checked["AP50"], "seconds": seconds}
        print(f"{name:<52} AP50 {checked['AP50']:.3f}  AP {checked['AP']:.3f}  {seconds:.0f} s", flush=True)

    def timed_fit(data: DataSet, **options: object) -> tuple[NeuralDetector, float]:
        start = time.perf_counter()
        return fit(data, progress=False, **options), time.perf_counter() - start

    def by_lighting(name: str, detector: NeuralDetector) -> None:
        evaluation = evaluate(test, detect_all(detector, test), name)
        result[f"{name}, range"] = {"by_size": evaluation.recall_by_size, "by_distance": evaluation.recall_by_distance}
        sizes = [row for row in evaluation.recall_by_size if row["truths"]]
        print(
            f"  smallest usable {smallest_usable_px(evaluation.recall_by_size)} px; by side:",
            "  ".join(f"from {row['from_px']:g}: {row['recall']:.2f}" for row in sizes),
            flush=True,
        )
        groups = {
            seen_: [lighting for lighting in test.lightings if (lighting in seen) == seen_] for seen_ in (True, False)
        }
        for seen_, lightings in groups.items():
            part = test.only(lightings=lightings)
            checked = metrics_of(part, detect_all(detector, part))
            result[f"{name}, {'seen' if seen_ else 'unseen'} lamps"] = checked
            print(
                f"  {'seen' if seen_ else 'unseen'} lamps {', '.join(lightings)}: AP50 {checked['AP50']:.3f}  AP {checked['AP']:.3f}",
                flush=True,
            )

    for part in nested_subsets(train, (25, 50, 100, 200)):
        note(f"greenhouse, head fit, {len(part)} pictures", test, *timed_fit(part))
    for head in ("linear", "mlp"):
        detector, seconds = timed_fit(train, head=head)
        note(f"greenhouse, head fit ({head})", test, detector, seconds)
        by_lighting(f"greenhouse, head fit ({head})", detector)
    coins = open_dataset(DATASETS / "coins")
    left, right = coins.only(recordings="left"), coins.only(recordings="right")
    note("coins left to right, head fit", right, *timed_fit(left))
    note("coins left to right, fine-tuning (NumPy)", right, *timed_fit(left, training="fine_tuning", engine="numpy"))
    detector, seconds = timed_fit(train, training="fine_tuning", engine="numpy")
    note("greenhouse, fine-tuning (NumPy)", test, detector, seconds)
    by_lighting("greenhouse, fine-tuning (NumPy)", detector)
    return result


if __name__ == "__main__":
    for row in rows():
        print(json.dumps(row))
    print(json.dumps(quality(), indent=1))
