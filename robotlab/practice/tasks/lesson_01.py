"""Lesson 01: pictures are numbers."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task

# ITU-R BT.601-7 and BT.709-6, weights of red, green and blue.
_BT601 = np.array([0.299, 0.587, 0.114])
_BT709 = np.array([0.2126, 0.7152, 0.0722])


def luminance(picture):
    """Gray value of each pixel, 0 to 255, not rounded: an array (H, W) of float.

    picture: (H, W, 3) array of uint8; red, green, blue.
    """
    return picture @ _BT601


def _picture(rng):
    return (rng.integers(0, 256, (int(rng.integers(3, 6)), int(rng.integers(6, 8)), 3)).astype(np.uint8),)


LUMINANCE = Task(
    reference=luminance,
    lesson=1,
    statement="Write luminance(picture): the luminance of each pixel, 0.299 red + 0.587 green + 0.114 blue (ITU-R BT.601). The picture is "
    "(H, W, 3) of uint8, the result (H, W) of float from 0 to 255, not rounded.",
    unit="",
    fixed=(
        (np.array([[[255, 0, 0], [255, 255, 255]], [[0, 255, 0], [90, 90, 90]], [[0, 0, 255], [0, 0, 0]]], np.uint8),),
        (np.arange(36, dtype=np.uint8).reshape(3, 4, 3) * 7,),
    ),
    draw=_picture,
    nudges=(
        "picture[..., 0] is the red channel: the red of every pixel at once, an array (H, W).",
        "Multiply each of the three channels by its weight, and add the three products. No loop is needed.",
        "A byte holds 0 to 255 and then overflows to 0. Multiply by the weights before you add, so that NumPy converts to float first.",
    ),
    misconceptions=(
        Misconception(
            "all colors alike",
            "You gave the three channels the same weight. The eye does not: green looks far brighter than blue.",
            lambda p: p.mean(axis=2),
        ),
        Misconception(
            "blue, green, red",
            "You gave red the weight of blue. Pictures here are RGB; some libraries keep them as BGR.",
            lambda p: p @ _BT601[::-1],
        ),
        Misconception(
            "bytes that overflow",
            "Your sums overflow: three bytes were added as bytes, and beyond 255 they start again at 0. Convert to float first.",
            lambda p: (p[..., 0] + p[..., 1] + p[..., 2]) / 3,
        ),
        Misconception(
            "another standard's weights",
            "Your weights are those of ITU-R BT.709, a later standard for HD television. The task asks for BT.601.",
            lambda p: p @ _BT709,
        ),
        Misconception(
            "a mean of weighted colors",
            "Your result is the gray of each pixel divided by three: a mean of the weighted colors. "
            "The weights add up to 1, so their sum is the mean already.",
            lambda p: (p * _BT601).mean(axis=2),
        ),
        Misconception(
            "the largest color",
            "You took the largest of the three channels. That is the value of HSV; it calls pure "
            "blue as bright as white.",
            lambda p: p.max(axis=2).astype(float),
        ),
        Misconception(
            "cut to bytes",
            "Your gray values are cut off to whole bytes. Keep the fractions; round when you save a picture.",
            lambda p: (p @ _BT601).astype(np.uint8),
        ),
        Misconception(
            "integer division",
            "You divided bytes with //, which throws a fraction away three times, and all channels have the same weight.",
            lambda p: (p // 3).sum(axis=2).astype(float),
        ),
        Misconception(
            "rows for colors",
            "picture[0] is the first row of pixels, not the red channel. Channels are the last axis: picture[..., 0].",
            lambda p: 0.299 * p[0] + 0.587 * p[1] + 0.114 * p[2],
        ),
        Misconception(
            "0 to 1", "Your gray values run from 0 to 1. The task asks for 0 to 255.", lambda p: p @ _BT601 / 255
        ),
    ),
)


def scaled_size(width_px, height_px, longest_px):
    """Size (width, height), whole px, of a picture scaled to longest_px.

    width_px, height_px: size now, px.  longest_px: its longer side afterward, px.
    The aspect ratio is kept; each side is rounded to the nearest px and is at least 1.
    """
    longest = max(width_px, height_px)
    return max(1, round(width_px * longest_px / longest)), max(1, round(height_px * longest_px / longest))


def _size(rng):
    """A size whose shorter side does not land near half a pixel, where roundings may differ."""
    while True:
        width, height, longest = (int(n) for n in rng.integers((90, 90, 60), (1200, 1200, 700)))
        shorter = min(width, height) * longest / max(width, height)
        if abs(shorter % 1 - 0.5) > 0.02 and abs(width - height) > 9:
            return width, height, longest


def _scaled(width, height, factor):
    return max(1, round(width * factor)), max(1, round(height * factor))


SCALED_SIZE = Task(
    reference=scaled_size,
    lesson=1,
    statement="Write scaled_size(width_px, height_px, longest_px): the size (width, height) in whole px that a picture gets when it is "
    "scaled, with its aspect ratio kept, so that its longer side is longest_px. Round to the nearest px; no side may be less than 1 px. "
    "A small picture is made larger.",
    unit="px",
    fixed=((640, 480, 320), (1920, 1080, 300), (480, 640, 320), (1080, 1920, 301), (100, 75, 400)),
    draw=_size,
    edges=((4000, 3, 300), (2, 900, 300), (1, 900, 300)),
    nudges=(
        "One factor scales both sides, or the aspect ratio changes and the picture is squashed. Which side decides it?",
        "The factor is longest_px / max(width_px, height_px). It may be more than 1.",
        "round(...) gives the nearest whole number, int(...) cuts off. max(1, ...) keeps a thin picture from vanishing.",
    ),
    misconceptions=(
        Misconception(
            "always by the width",
            "You scaled by the width. A portrait picture's longer side is its height.",
            lambda w, h, n: _scaled(w, h, n / w),
        ),
        Misconception(
            "by the shorter side",
            "You scaled by the shorter side, so the longer one is larger than longest_px.",
            lambda w, h, n: _scaled(w, h, n / min(w, h)),
        ),
        Misconception(
            "squashed",
            "You gave both sides the same length. That changes the aspect ratio: a post in the picture becomes wider or thinner.",
            lambda w, h, n: (n, n),
        ),
        Misconception(
            "rows for columns",
            "You return height before width. NumPy's shape has that order; sizes of pictures here are (width, height).",
            lambda w, h, n: _scaled(h, w, n / max(w, h)),
        ),
        Misconception(
            "cut off",
            "Your sizes are cut off, as // and int(...) do. Round to the nearest px.",
            lambda w, h, n: (max(1, w * n // max(w, h)), max(1, h * n // max(w, h))),
        ),
        Misconception(
            "rounded up",
            "Your sizes are rounded up. Round to the nearest px.",
            lambda w, h, n: (-(-w * n // max(w, h)), -(-h * n // max(w, h))),
        ),
        Misconception(
            "a factor of 0",
            "Your factor is 0 for every picture larger than longest_px: // throws the fraction away, and here the fraction is all there is.",
            lambda w, h, n: (w * (n // max(w, h)), h * (n // max(w, h))),
            also=(lambda w, h, n: _scaled(w, h, n // max(w, h)),),
        ),
        Misconception(
            "whole factor",
            "You divide by a whole number: // throws its fraction away before you use it.",
            lambda w, h, n: tuple(max(1, side // max(1, max(w, h) // n)) for side in (w, h)),
        ),
        Misconception(
            "a side of 0 px",
            "A very thin picture gets a side of 0 px. It must keep at least 1.",
            lambda w, h, n: (round(w * n / max(w, h)), round(h * n / max(w, h))),
        ),
        Misconception(
            "never larger",
            "You leave small pictures as they are. Here they are made larger too.",
            lambda w, h, n: _scaled(w, h, min(1, n / max(w, h))),
        ),
        Misconception(
            "upside down",
            "Your factor is upside down: large pictures grow and small ones shrink.",
            lambda w, h, n: _scaled(w, h, max(w, h) / n),
        ),
    ),
)


def shrink(gray, step):
    """A smaller picture: each pixel the mean of step × step, (H / step, W / step).

    gray: (H, W) array, gray values.  step: whole number that divides H and W.
    """
    return _blocks(gray, step).mean(axis=(1, 3))


def _blocks(gray, step):
    """The pixels under each new one, on axes 1 and 3."""
    return gray.reshape(gray.shape[0] // step, step, gray.shape[1] // step, step)


def _gray(rng):
    step = int(rng.integers(2, 4))
    # Rows and columns in different numbers, so that mixing them up shows.
    return rng.integers(0, 256, (2 * step, int(rng.integers(3, 5)) * step)).astype(np.uint8), step


SHRINK = Task(
    reference=shrink,
    lesson=1,
    statement="Write shrink(gray, step): downsample a gray picture (H, W) by area, so that each new pixel is the mean of the step × step pixels "
    "that it covers. H and W are multiples of step; the result is (H / step, W / step) of float, not rounded.",
    unit="",
    fixed=((np.arange(16.0).reshape(4, 4), 2), (np.arange(24, dtype=np.uint8).reshape(4, 6) * 10, 2)),
    draw=_gray,
    nudges=(
        "gray[0:step, 0:step] is the block under the first new pixel. Which slice lies under the new pixel in row i, column j?",
        "Two loops over i and j will do: the mean of gray[i * step:(i + 1) * step, j * step:(j + 1) * step].",
        "Without loops: reshape to (H // step, step, W // step, step) and take the mean over the axes 1 and 3.",
    ),
    misconceptions=(
        Misconception(
            "one pixel of each block",
            "You kept one pixel of each block and dropped the others: nearest-neighbor. A thin far post may lie on the dropped ones.",
            lambda g, n: g[::n, ::n].astype(float),
        ),
        Misconception(
            "the middle of each block",
            "You kept the middle pixel of each block and dropped the others. A thin far post may lie on the dropped ones.",
            lambda g, n: g[n // 2 :: n, n // 2 :: n].astype(float),
        ),
        Misconception(
            "sum for mean",
            "You added the pixels of each block. Divide by how many there are, or the picture becomes brighter as it shrinks.",
            lambda g, n: _blocks(g, n).sum(axis=(1, 3)).astype(float),
        ),
        Misconception(
            "bytes that overflow",
            "Your sums overflow: bytes were added as bytes, start again at 0 beyond 255, and were divided afterward. Convert to float first.",
            lambda g, n: _blocks(g, n).sum(axis=(1, 3), dtype=g.dtype) / (n * n),
        ),
        Misconception(
            "divided by step once",
            "You divided the sum by step. A block holds step × step pixels.",
            lambda g, n: _blocks(g, n).sum(axis=(1, 3)) / n,
        ),
        Misconception(
            "the largest of each block",
            "You took the largest pixel of each block (max pooling). Bright objects grow and dark ones vanish.",
            lambda g, n: _blocks(g, n).max(axis=(1, 3)).astype(float),
        ),
        Misconception(
            "rows and columns changed",
            "Your result has rows and columns exchanged. The first axis of a picture is its rows.",
            lambda g, n: _blocks(g, n).mean(axis=(1, 3)).T,
        ),
        Misconception(
            "cut to whole numbers",
            "Your means are cut off to whole numbers. Keep the fractions.",
            lambda g, n: np.floor(_blocks(g, n).mean(axis=(1, 3))),
        ),
        Misconception(
            "overlapping blocks",
            "Your blocks move on by one pixel and overlap. The next block begins step pixels on.",
            lambda g, n: np.array(
                [[g[i : i + n, j : j + n].mean() for j in range(g.shape[1] // n)] for i in range(g.shape[0] // n)]
            ),
        ),
        Misconception(
            "runs for blocks",
            "You averaged runs of pixels in reading order. A block reaches over several rows.",
            lambda g, n: g.reshape(g.shape[0] // n, g.shape[1] // n, n * n).mean(axis=2),
        ),
    ),
)


def alias_frequency(cycles_per_px, step):
    """Frequency left when every step-th pixel is kept, cycles per kept pixel, 0 to 0.5.

    cycles_per_px: frequency before, cycles per pixel.  step: whole number, 1 or more.
    """
    seen = cycles_per_px * step
    return abs(seen - round(seen))


def _fold(frequency):
    return abs(frequency - round(frequency))


def _stripes(rng):
    """Stripes that are not seen near 0 or 0.5, where folded and unfolded look alike."""
    while True:
        frequency, step = float(rng.uniform(0.02, 0.5)), int(rng.integers(2, 8))
        if 0.02 < _fold(frequency * step) < 0.48:
            return frequency, step


ALIAS_FREQUENCY = Task(
    reference=alias_frequency,
    lesson=1,
    statement="Write alias_frequency(cycles_per_px, step): stripes repeat cycles_per_px times per pixel, and only every step-th pixel of "
    "the picture is kept. What frequency do the stripes have in the small picture, after aliasing, in cycles per kept pixel? It lies between 0 and "
    "the Nyquist limit of 0.5: light, dark, light, dark.",
    unit="cycles/px",
    fixed=((0.1, 2), (0.4, 2), (0.3, 2), (0.45, 3), (0.35, 1)),
    draw=_stripes,
    nudges=(
        "From one kept pixel to the next the stripes move on by cycles_per_px · step cycles.",
        "A whole cycle more cannot be seen: 1.2 cycles from pixel to pixel look like 0.2.",
        "And 0.8 of a cycle forward looks like 0.2 backward. So the answer is the distance to the nearest whole number.",
    ),
    misconceptions=(
        Misconception(
            "no folding",
            "You multiplied, and that is the first half. More than 0.5 cycles from pixel to pixel is above the Nyquist limit: it looks like less.",
            lambda f, n: f * n,
        ),
        Misconception(
            "remainder only",
            "You took whole cycles away, and what is left may still be more than 0.5. 0.8 forward looks like something backward.",
            lambda f, n: f * n % 1,
        ),
        Misconception(
            "starts again at 0.5",
            "You start again from 0 beyond 0.5. Frequencies fold back there: a little more than 0.5 looks like a little less.",
            lambda f, n: f * n % 0.5,
        ),
        Misconception(
            "divided by step",
            "You divided by step. With fewer pixels, each step between kept ones covers more of the stripes, not less.",
            lambda f, n: _fold(f / n),
        ),
        Misconception(
            "in old pixels",
            "Your frequency is in cycles per old pixel. The small picture is counted in kept pixels.",
            lambda f, n: _fold(f * n) / n,
        ),
        Misconception(
            "held at 0.5",
            "You held the frequency at 0.5. It does not stop there, it folds back: finer stripes look coarse.",
            lambda f, n: min(f * n, 0.5),
        ),
        Misconception(
            "step forgotten",
            "Your result does not depend on step. These are the stripes before any pixel was dropped.",
            lambda f, n: _fold(f),
        ),
        Misconception(
            "with a sign",
            "Some of your frequencies are negative: stripes that seem to run backward. The task asks for their size.",
            lambda f, n: f * n - round(f * n),
        ),
    ),
)

TASKS = (LUMINANCE, SCALED_SIZE, SHRINK, ALIAS_FREQUENCY)
