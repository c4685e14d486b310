"""Windows: the crops of training pictures that make up a batch of fine-tuning.

A picture is mostly background, so a step on whole pictures spends most of its
time where there is little to learn.  A window is cut around a target, at a
random scale, mirrored or not, under a random light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.neural import augmentation
from robotlab.neural.augmentation import TrainingSample
from robotlab.neural.box_coding import cell_targets
from robotlab.neural.spec import STRIDE_MULTIPLE

# Windows of this side, unless the targets need larger ones; and how many a step.
# Twelve of 160 px were tried and did worse after twice the pixels (greenhouse
# test recordings, AP .40 against .45): too little around the targets to learn
# what is none, and tall posts cut.
USUAL_SIDE_PX = 240
USUAL_COUNT = 5
# A window is at least so many times as long as all but the largest targets; those
# fit when the scale drawn is small.
ROOM = 1.3
LARGE_SHARE = 0.85
# Logarithm of the scale, uniform within plus and minus this.
SCALE_LOG = 0.35
# Fraction of windows that are placed anywhere.
ANYWHERE = 0.2
# Windows of the first steps show as much of a picture at this scale, with about half the pixels (the contributor's
# guide, "Time against AP"); progressive resizing: Tan & Le, ICML 2021, arXiv:2104.00298.
REDUCED_SCALE = 0.733


@dataclass(frozen=True)
class Batch:
    """What one step learns from.

    Parameters
    ----------
    pictures : (N, 3, H, W) ndarray of float32
        RGB, 0 to 255.
    classes : (N, h, w) ndarray of int
        The true channel of each cell.
    weights : (N, h, w) ndarray of float32
        How much its class counts.
    boxes : (N, 4, h, w) ndarray of float32
        The true ``dx, dy, log w, log h``.
    box_weights : (N, h, w) ndarray of float32
        How much its box counts.
    """

    pictures: np.ndarray
    classes: np.ndarray
    weights: np.ndarray
    boxes: np.ndarray
    box_weights: np.ndarray


@dataclass(frozen=True)
class WindowPlan:
    """Size and number of the windows of a step.

    Parameters
    ----------
    width_px, height_px : int
        Multiples of 16.
    count : int
        How many a step.
    """

    width_px: int
    height_px: int
    count: int


def plan_windows(sizes: Sequence[tuple[int, int]], sides: np.ndarray) -> WindowPlan:
    """Windows that suit the pictures and their targets.

    Parameters
    ----------
    sizes : sequence of (int, int)
        Width and height of the pictures at the size the network sees, px.
    sides : (N,) ndarray
        Longer side of each target there, px.

    Returns
    -------
    WindowPlan
        About the same number of pixels a step, whatever the windows' size.

    Examples
    --------
    >>> plan_windows([(320, 240)], np.array([30.0, 60.0]))
    WindowPlan(width_px=240, height_px=240, count=5)
    """
    large = float(np.quantile(sides, LARGE_SHARE)) if len(sides) else USUAL_SIDE_PX
    side = max(USUAL_SIDE_PX, large * ROOM)

    def blocks(px: float) -> int:
        return max(1, int(np.ceil(px / STRIDE_MULTIPLE))) * STRIDE_MULTIPLE

    width = blocks(min(side, max(w for w, _ in sizes)))
    height = blocks(min(side, max(h for _, h in sizes)))
    count = round(USUAL_COUNT * USUAL_SIDE_PX**2 / (width * height))
    return WindowPlan(width, height, int(np.clip(count, 4, 32)))


def reduced_plan(plan: WindowPlan) -> WindowPlan:
    """Windows that show about as much at ``REDUCED_SCALE``.

    Parameters
    ----------
    plan : WindowPlan
        Windows at full scale.

    Returns
    -------
    WindowPlan
        As many, smaller ones.

    Examples
    --------
    >>> reduced_plan(WindowPlan(240, 240, 5))
    WindowPlan(width_px=176, height_px=176, count=5)
    """
    width, height = (
        max(1, round(REDUCED_SCALE * px / STRIDE_MULTIPLE)) * STRIDE_MULTIPLE for px in (plan.width_px, plan.height_px)
    )
    return WindowPlan(width, height, plan.count)


def joined(batches: Sequence[Batch]) -> Batch:
    """Batches of windows of one size as one.

    Parameters
    ----------
    batches : sequence of Batch
        At least one.

    Returns
    -------
    Batch
        With all their windows, in this order.

    Examples
    --------
    >>> one = batch_of([TrainingSample(np.zeros((32, 32, 3), np.uint8), *[np.zeros((0, 4))] * 3)])
    >>> joined([one, one]).pictures.shape
    (2, 3, 32, 32)
    """
    return Batch(*(np.concatenate(parts) for parts in zip(*(vars(one).values() for one in batches), strict=True)))


def draw_window(
    sample: TrainingSample, width: int, height: int, rng: np.random.Generator, scale: float = 1.0
) -> TrainingSample:
    """A random window of a sample.

    Parameters
    ----------
    sample : TrainingSample
        Picture and truth.
    width, height : int
        Of the window, px.
    rng : numpy.random.Generator
        Where chance comes from.
    scale : float
        Middle of the scales that are drawn from.

    Returns
    -------
    TrainingSample
        Of exactly that size.
    """
    full_height, full_width = sample.picture.shape[:2]
    factor = scale * float(np.exp(rng.uniform(-SCALE_LOG, SCALE_LOG)))
    # The window's size in the picture before scaling.
    wide, high = max(1, round(width / factor)), max(1, round(height / factor))
    spare_x, spare_y = full_width - wide, full_height - high
    if len(sample.boxes) and rng.random() > ANYWHERE:
        box = sample.boxes[rng.integers(len(sample.boxes))]
        left = _place(box[0], box[2], wide, rng)
        top = _place(box[1], box[3], high, rng)
    else:
        left = rng.integers(min(0, spare_x), max(0, spare_x) + 1)
        top = rng.integers(min(0, spare_y), max(0, spare_y) + 1)
    # Inside the picture where the picture is larger than the window.
    left = int(min(max(left, min(0, spare_x)), max(0, spare_x)))
    top = int(min(max(top, min(0, spare_y)), max(0, spare_y)))
    window = augmentation.crop(sample, left, top, wide, high)
    return augmentation.augment(augmentation.resized(window, width, height), rng)


def _place(low: float, high: float, span: int, rng: np.random.Generator) -> float:
    """Where a window of that span starts so that it holds low to high, if it can."""
    first, last = high - span, low
    return rng.uniform(min(first, last), max(first, last))


def batch_of(windows: Sequence[TrainingSample]) -> Batch:
    """Stack windows of one size.

    Parameters
    ----------
    windows : sequence of TrainingSample
        All of one size, multiples of 16 px.

    Returns
    -------
    Batch
        With what every cell must say.

    Examples
    --------
    >>> one = TrainingSample(np.zeros((32, 32, 3), np.uint8), np.array([[4, 4, 20, 20.0]]), np.array([0]), np.zeros((0, 4)))
    >>> batch_of([one, one]).classes.shape
    (2, 8, 8)
    """
    pictures = np.array([window.picture.transpose(2, 0, 1) for window in windows], np.float32)
    asked = [cell_targets(one.boxes, one.labels, one.ignored, *one.picture.shape[:2]) for one in windows]
    names = ("classes", "weights", "boxes", "box_weights")
    return Batch(pictures, *(np.array([getattr(targets, name) for targets in asked]) for name in names))
