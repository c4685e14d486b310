"""Random changes of training pictures: light, mirror, crop and scale.

Each change keeps the boxes true.  What varies here need not be in the learner's
pictures: a lighting never seen, the robot's mirror side, a nearer or farther target.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from robotlab.image import resize
from robotlab.neural.spec import PICTURE_MEAN

# Natural logarithm of the gain of all channels together, and of each channel:
# uniform within plus and minus this.  Covers the ratio of red to blue between
# CIE illuminants A and D65 (about 2.5, CIE 15:2018) and colored lamps beyond.
EXPOSURE_LOG = 0.45
CHANNEL_LOG = 0.45
# Bend of the tone curve, value ** exp(uniform within plus and minus this).
TONE_LOG = 0.25
# Noise, standard deviation in byte steps, uniform from 0 to this.
NOISE_STEPS = 6.0


@dataclass(frozen=True)
class TrainingSample:
    """A picture with its truth.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    boxes : (N, 4) ndarray
        Corners, px.
    labels : (N,) ndarray of int
        Classes.
    ignored : (K, 4) ndarray
        Boxes in which nothing is asked.
    """

    picture: np.ndarray
    boxes: np.ndarray
    labels: np.ndarray
    ignored: np.ndarray


def color_jitter(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A picture under another lighting and exposure, with some sensor noise.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The changed picture, a view of its three planes.

    Notes
    -----
    Each channel has one curve, ``255 (value / 255) ** bend * gain``, so a table
    of 256 values does it (a diagonal change of illuminant: von Kries).

    Examples
    --------
    >>> color_jitter(np.full((2, 2, 3), 90, np.uint8), np.random.default_rng(0)).shape
    (2, 2, 3)
    """
    gains = np.exp(rng.uniform(-EXPOSURE_LOG, EXPOSURE_LOG) + rng.uniform(-CHANNEL_LOG, CHANNEL_LOG, 3))
    bend = np.exp(rng.uniform(-TONE_LOG, TONE_LOG))
    curve = 255 * np.linspace(0, 1, 256) ** bend
    table = (curve * gains[:, None]).clip(0, 255).astype(np.float32)
    # In planes, which is how the network wants them; "clip" looks up without a check of each value.
    planes = np.empty((3, *picture.shape[:2]), np.float32)
    for channel in range(3):
        table[channel].take(picture[..., channel], out=planes[channel], mode="clip")
    spread = rng.uniform(0, NOISE_STEPS)
    if spread > 1:
        noise = rng.standard_normal(picture.shape, np.float32)
        planes += np.multiply(noise, np.float32(spread), out=noise).transpose(2, 0, 1)
    planes += np.float32(0.5)
    return planes.clip(0, 255, out=planes).astype(np.uint8).transpose(1, 2, 0)


def horizontal_flip(sample: TrainingSample) -> TrainingSample:
    """The sample seen in a mirror: left and right change places.

    Parameters
    ----------
    sample : TrainingSample
        Picture and truth.

    Returns
    -------
    TrainingSample
        The mirrored one; its picture is a view.

    Examples
    --------
    >>> one = TrainingSample(np.zeros((4, 8, 3), np.uint8), np.array([[0, 0, 2, 2.0]]), np.array([0]), np.zeros((0, 4)))
    >>> horizontal_flip(one).boxes.tolist()
    [[6.0, 0.0, 8.0, 2.0]]
    """
    width = sample.picture.shape[1]

    def turned(boxes: np.ndarray) -> np.ndarray:
        return np.stack([width - boxes[:, 2], boxes[:, 1], width - boxes[:, 0], boxes[:, 3]], axis=1)

    return TrainingSample(sample.picture[:, ::-1], turned(sample.boxes), sample.labels, turned(sample.ignored))


def resized(sample: TrainingSample, width: int, height: int) -> TrainingSample:
    """The sample made larger or smaller.

    Parameters
    ----------
    sample : TrainingSample
        Picture and truth.
    width, height : int
        New size, px.

    Returns
    -------
    TrainingSample
        The resized one; the boxes follow the picture.

    Examples
    --------
    >>> one = TrainingSample(np.zeros((4, 8, 3), np.uint8), np.array([[0, 0, 2, 2.0]]), np.array([0]), np.zeros((0, 4)))
    >>> resized(one, 16, 8).boxes.tolist()
    [[0.0, 0.0, 4.0, 4.0]]
    """
    old_height, old_width = sample.picture.shape[:2]
    if (old_height, old_width) == (height, width):
        return sample
    ratio = np.array([width / old_width, height / old_height] * 2)
    picture = resize(sample.picture, (width, height), "linear")
    return TrainingSample(picture, sample.boxes * ratio, sample.labels, sample.ignored * ratio)


def augment(sample: TrainingSample, rng: np.random.Generator) -> TrainingSample:
    """Data augmentation: the sample mirrored or not, and under other lighting.

    Parameters
    ----------
    sample : TrainingSample
        Picture and truth.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    TrainingSample
        What to learn from.

    Examples
    --------
    >>> one = TrainingSample(np.zeros((4, 8, 3), np.uint8), np.array([[0, 0, 2, 2.0]]), np.array([0]), np.zeros((0, 4)))
    >>> augment(one, np.random.default_rng(0)).boxes.tolist()
    [[0.0, 0.0, 2.0, 2.0]]
    """
    if rng.random() < 0.5:
        sample = horizontal_flip(sample)
    return replace(sample, picture=color_jitter(sample.picture, rng))


# A truth cut so that less than this fraction of it is left is ignored, not learned.
LEAST_LEFT = 0.35


def crop(sample: TrainingSample, left: int, top: int, width: int, height: int) -> TrainingSample:
    """A window of the sample; what lies outside the picture is gray.

    Parameters
    ----------
    sample : TrainingSample
        Picture and truth.
    left, top, width, height : int
        The window, px; it may reach past the picture's edges.

    Returns
    -------
    TrainingSample
        The window, boxes clipped to it; mostly cut-off truths become ignored.

    Examples
    --------
    >>> one = TrainingSample(np.zeros((4, 8, 3), np.uint8), np.array([[0, 0, 2, 2.0]]), np.array([0]), np.zeros((0, 4)))
    >>> crop(one, -2, 0, 6, 4).boxes.tolist()
    [[2.0, 0.0, 4.0, 2.0]]
    """
    full_height, full_width = sample.picture.shape[:2]
    window = np.full((height, width, 3), round(PICTURE_MEAN), np.uint8)
    x0, y0 = max(left, 0), max(top, 0)
    x1, y1 = min(left + width, full_width), min(top + height, full_height)
    if x1 > x0 and y1 > y0:
        window[y0 - top : y1 - top, x0 - left : x1 - left] = sample.picture[y0:y1, x0:x1]

    # Truths and ignored boxes at once.
    boxes, count = np.concatenate([sample.boxes, sample.ignored]), len(sample.boxes)
    inside = (boxes - np.array([left, top] * 2)).clip(0, np.array([width, height] * 2))
    areas, areas_left = ((one[:, 2:] - one[:, :2]).prod(axis=1) for one in (boxes, inside))
    left_over = areas_left / areas
    counted = left_over[:count] >= LEAST_LEFT
    ignored = left_over > 0
    ignored[:count] &= ~counted
    return TrainingSample(window, inside[:count][counted], sample.labels[counted], inside[ignored])
