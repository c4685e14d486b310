"""Fine-tuning's reduced windows: what they show, and which steps take them."""

import numpy as np
import pytest

from robotlab.neural.augmentation import TrainingSample
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.training_loop import BatchMaker, train
from robotlab.neural.windows import REDUCED_SCALE, WindowPlan, reduced_plan


def test_reduced_windows_show_the_same_smaller():
    """Of one picture larger than a window, targets are .733 times as large; no other number is drawn."""
    rng = np.random.default_rng(0)
    boxes = rng.uniform(40, 300, (40, 2))
    sample = TrainingSample(
        rng.integers(0, 256, (400, 400, 3), np.uint8),
        np.hstack([boxes, boxes + 30]),
        np.zeros(40, int),
        np.zeros((0, 4)),
    )
    plan = WindowPlan(160, 240, 2)
    assert reduced_plan(plan) == WindowPlan(112, 176, 2)
    with WorkerPool(1) as pool:
        full, reduced = (BatchMaker([sample], plan, 0, pool)(0, reduced) for reduced in (False, True))
    assert full.pictures.shape[2:] == (240, 160) and reduced.pictures.shape[2:] == (176, 112)
    for n in range(2):
        # Logarithms of the sides in cells; a few boxes are cut by the window.
        sides = [one.boxes[n, 2:][:, one.box_weights[n] > 0] for one in (full, reduced)]
        assert np.median(sides[0]) - np.median(sides[1]) == pytest.approx(-np.log(REDUCED_SCALE), abs=0.05)


@pytest.mark.parametrize(("seconds", "ends"), [(None, 500), (600, 300)])
def test_a_long_training_begins_with_reduced_windows(monkeypatch, seconds, ends):
    """Half of the steps or, where the clock is ahead, about half of the time; a short training has none."""
    now, asked = [0.0], []
    monkeypatch.setattr("robotlab.neural.training_loop.time.monotonic", lambda: now[0])

    class Engine:
        """Takes a second for a step."""

        def average(self):
            return {}

        def step(self, batch, rate):
            now[0] += 1.0
            return 0.0

    train(Engine(), lambda step, reduced: asked.append(reduced), 1000, None, max_duration_s=seconds)
    count = sum(asked)
    assert asked == [True] * count + [False] * (len(asked) - count)
    assert count == pytest.approx(ends, abs=0 if seconds is None else 20)
    asked.clear()
    train(Engine(), lambda step, reduced: asked.append(reduced), 499, None)
    assert len(asked) == 499 and not any(asked)
