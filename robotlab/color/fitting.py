"""Fit a color detector to a labeled data set: bands, cleanup, shape limits.

The band of a class is the box in hue, saturation and value that best tells its
pixels from all others; then white balance, clean-up and shape limits are tried,
and what finds the labeled boxes best is kept.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.ndimage import gaussian_filter

from robotlab._progress import progress_bar
from robotlab.boxes import xywh_from_corners
from robotlab.color.band_components import pieces_in_band
from robotlab.color.bands import Band, LabBand
from robotlab.color.fast_threshold import pixels_in_band
from robotlab.color.hsv_conversion import HUES, hsv_of_bytes
from robotlab.color.learn import core_pixels, learn_band, thin
from robotlab.color.shape_limits import Shape
from robotlab.errors import DataSetError
from robotlab.metrics.coco import evaluate_coco
from robotlab.metrics.tables import GroundTruthTable, detection_table

if TYPE_CHECKING:
    from robotlab.color.detector import ColorDetector
    from robotlab.detections import Detections

# Saturation and value are counted in steps of 4; finer than the noise of a
# camera is of no use (common practice, no source).
_STEP = 4
_STEPS = 256 // _STEP

# Counts are blurred by this much (hue, saturation, value; in steps of the
# counts), so that a band does not end at the last color that happened to be
# seen (common practice, no source).
_BLUR = (2.0, 2.0, 2.0)

# Enough to count colors and to compare settings, and about 10 s of work.
_MOST_PICTURES = 160
_MOST_TRIALS = 96
# Larger pictures are looked at by every n-th pixel until their longer side is this:
# colors, noise and all, stay as they were, and work and memory stay those of small ones.
_LONGEST_PX = 960

# Limits of shape: a little beyond what the labels have (common practice, no
# source); boxes cut off at the picture's edge make any shape possible, so the
# ends are percentiles.
_ASPECT_SLACK = 1.6
_AREA_SLACK = 0.3

# Clean-ups tried, gentlest first: (open, close) in px.
_CLEANUPS = ((0, 0), (0, 1), (1, 0), (1, 1), (0, 2), (1, 2), (0, 4), (1, 4))
# Shape settings tried, simplest first, one after the other.
_TRIED = (("join_gap", (1.5, 3.0)), ("min_fill", (0.25, 0.4, 0.55)))

# A setting must win by this much average precision to be preferred to a
# simpler one.
_WORTH = 0.01


@dataclass(frozen=True, eq=False)
class _LabeledPicture:
    """Every n-th pixel of a picture, with the boxes that count and after them those that do not."""

    picture: np.ndarray
    boxes: np.ndarray
    labels: np.ndarray
    unclear: np.ndarray
    every: int

    def boxes_of(self, label: int) -> np.ndarray:
        """Those of a class that count."""
        return self.boxes[(self.labels == label) & ~self.unclear]


def fit_color_detector(
    make: Callable[..., ColorDetector], data, class_names: str | Sequence[str] | None = None, progress: bool = False
) -> ColorDetector:
    """Fit every parameter of a color detector to a labeled data set.

    Parameters
    ----------
    make : callable
        :class:`~robotlab.color.ColorDetector` itself, which calls this.
    data : robotlab.data.DataSet
        The pictures to learn from.
    class_names : str or sequence of str, optional
        Only these classes; without it all that have boxes.
    progress : bool
        Show a progress bar.

    Returns
    -------
    ColorDetector
        Finding all blobs of each class; its classes are the data set's.

    Raises
    ------
    DataSetError
        If a class is unknown or has no boxes.

    Notes
    -----
    Nothing is random.  Of larger sets an even selection of pictures is used, and
    of larger pictures every n-th pixel; limits in px are those of the pictures
    as they are.
    """
    wanted = _wanted(data, class_names)
    steps = min(len(data), _MOST_PICTURES) + 4 + len(_CLEANUPS) + sum(len(values) for _, values in _TRIED)
    with progress_bar(steps, "color learning", progress, leave=False) as shown_bar:
        return _fit(make, data, wanted, class_names is not None, shown_bar.update)


def _fit(
    make: Callable[..., ColorDetector], data, wanted: list[str], named: bool, tick: Callable[[], object]
) -> ColorDetector:
    """The same, telling `tick` of each step."""
    shown = _load(data, tick)
    names = [name for name in wanted if any(len(one.boxes_of(data.classes.index(name))) for one in shown)]
    if not names or (named and len(names) < len(wanted)):
        missing = [name for name in wanted if name not in names]
        raise DataSetError(
            f"{data.labels_path}: a color is learned from boxes, there are none of {', '.join(missing)} "
            "(crowds, ignored and mostly hidden things do not count); label some"
        )
    shapes = {name: _shape(shown, data.classes.index(name)) for name in names}
    places = _evenly(len(shown), _MOST_TRIALS)
    trials = [shown[place] for place in places]

    def judged(detector: ColorDetector, pieces: Iterable[dict]) -> np.ndarray:
        tick()
        found = [detector.detect(one.picture, some) for one, some in zip(trials, pieces)]
        return _average_precisions(found, trials, labels)

    def made(bands: Mapping[str, Band | LabBand], shapes: dict[str, Shape] = shapes, **settings) -> ColorDetector:
        return make(bands, data.classes, shapes=shapes, all_blobs=True, **settings)

    labels = [data.classes.index(name) for name in names]
    best: ColorDetector | None = None
    best_ap = -1.0
    for balance in (None, "gray world"):
        seen = [made({name: Band() for name in names}, balance=balance).balanced(one.picture) for one in shown]
        counted = [_Colors.of(shown, seen, label) for label in labels]
        for choose in (_Colors.percentiles, _Colors.searched):
            detector = made(dict(zip(names, map(choose, counted))), balance=balance)
            ap = judged(detector, _pieces(detector, (seen[place] for place in places))).mean()
            if ap > best_ap + _WORTH:
                best, best_ap = detector, ap
    assert best is not None
    balanced = [best.balanced(one.picture) for one in trials]
    # The same whatever the clean-up: eight pixels a byte.
    masks = [{name: _packed(one, band) for name, band in best.bands.items()} for one in balanced]
    for open_px, close_px in _CLEANUPS[1:]:
        detector = made(best.bands, balance=best.balance, open_px=open_px, close_px=close_px)
        ap = judged(detector, _pieces(detector, balanced, masks)).mean()
        if ap > best_ap + _WORTH:
            best, best_ap = detector, ap
    settings: dict[str, Any] = {"balance": best.balance, "open_px": best.open_px, "close_px": best.close_px}
    # The same whatever the shapes.
    pieces = list(_pieces(best, balanced))
    kept = judged(best, pieces)
    for key, values in _TRIED:
        start = shapes
        for value in values:
            changed: dict[str, Any] = {key: value}
            tried = {name: replace(shape, **changed) for name, shape in start.items()}
            found = judged(made(best.bands, tried, **settings), pieces)
            for place in np.flatnonzero(found > kept + _WORTH):
                kept[place] = found[place]
                shapes = shapes | {names[place]: tried[names[place]]}
    # From the pixels looked at to those of the pictures; a speck of noise, which
    # opening takes away, is one pixel in both.
    every = float(np.median([one.every for one in shown]))
    shapes = {
        name: replace(shape, min_area_px=max(1, round(shape.min_area_px * every**2))) for name, shape in shapes.items()
    }
    settings["close_px"] = round(settings["close_px"] * every)
    return made(best.bands, shapes, **settings)


def _packed(picture: np.ndarray, band: Band | LabBand) -> np.ndarray:
    """The pixels in a band, eight a byte."""
    mask = np.zeros(picture[..., 0].size, bool)
    mask[pixels_in_band(picture, band)[0]] = True
    return np.packbits(mask)


def _pieces(
    detector: ColorDetector, balanced: Iterable[np.ndarray], masks: Iterable[dict] | None = None
) -> Iterator[dict]:
    """What is in the bands of balanced pictures, one after the other; `masks`: the pixels in them, packed."""
    for picture, known in zip(balanced, masks or itertools.repeat({})):
        found = {}
        for name, band in detector.bands.items():
            mask = None
            if name in known:
                height, width = picture.shape[:2]
                mask = np.unpackbits(known[name], count=height * width).reshape(height, width).view(bool)
            found[name] = pieces_in_band(picture, band, detector.open_px, detector.close_px, mask)
        yield found


def _average_precisions(
    detections: Sequence[Detections], shown: Sequence[_LabeledPicture], labels: Sequence[int]
) -> np.ndarray:
    """AP50 of some classes; boxes unfit for training are ignored."""
    truths = GroundTruthTable(
        np.repeat(np.arange(len(shown)), [len(one.boxes) for one in shown]),
        np.concatenate([one.labels for one in shown]),
        xywh_from_corners(np.concatenate([one.boxes for one in shown])),
        len(shown),
        detections[0].classes,
        ignore=np.concatenate([one.unclear for one in shown]),
    )
    found = detection_table(detections, detections[0].classes)
    return evaluate_coco(truths, found, use_ignore=True).per_class(0.5)[labels]


def _wanted(data, class_names) -> list[str]:
    if class_names is None:
        return list(data.classes)
    names = [class_names] if isinstance(class_names, str) else list(class_names)
    for name in names:
        if name not in data.classes:
            raise DataSetError(
                f"{data.labels_path}: class must be one of {', '.join(data.classes)}, got {name!r}; check the spelling"
            )
    if not names:
        raise DataSetError("class_names must name at least one class, got none; leave it out for all of them")
    return names


def _evenly(count: int, most: int) -> np.ndarray:
    """At most so many places out of `count`, evenly spread."""
    return np.arange(min(count, most)) * count // min(count, most)


def _load(data, tick: Callable[[], object]) -> list[_LabeledPicture]:
    """An even selection of the pictures, with their boxes."""
    entries = data.pictures
    if not len(entries):
        raise DataSetError(f"{data.labels_path}: a color is learned from pictures, there are none; add some")
    shown = []
    for place in _evenly(len(entries), _MOST_PICTURES):
        entry = entries[place]
        sides = entry.boxes[:, 2:] - entry.boxes[:, :2]
        clear = ~entry.crowd & ~entry.ignore & (sides.min(axis=1, initial=np.inf) > 0)
        teaches = clear & (entry.visibility >= 0.5)
        every = -(-max(entry.width_px, entry.height_px) // _LONGEST_PX)
        picture = np.ascontiguousarray(data.load(entry)[every // 2 :: every, every // 2 :: every])
        # Boxes end at the last pixel looked at.
        boxes = np.minimum(entry.boxes / every, picture.shape[1::-1] * 2)
        order = np.argsort(~teaches, kind="stable")
        shown.append(_LabeledPicture(picture, boxes[order], entry.labels[order], ~teaches[order], every))
        tick()
    return shown


def _shape(shown: list[_LabeledPicture], label: int) -> Shape:
    """Limits of area and aspect from the labeled boxes."""
    boxes = np.concatenate([one.boxes_of(label) for one in shown])
    sides = boxes[:, 2:] - boxes[:, :2]
    low, high = np.percentile(sides[:, 0] / sides[:, 1], (2, 98))
    least = np.percentile(sides.prod(axis=1), 2) * _AREA_SLACK
    return Shape(max(int(least), 4), (low / _ASPECT_SLACK, high * _ASPECT_SLACK))


@dataclass(frozen=True, eq=False)
class _Colors:
    """The colors of one class and of everything else, counted."""

    cores: np.ndarray
    inside: np.ndarray
    outside: np.ndarray
    fraction: float

    @classmethod
    def of(cls, shown: list[_LabeledPicture], seen: list[np.ndarray], label: int) -> _Colors:
        """Count them in balanced pictures."""
        inside = np.zeros((HUES, _STEPS, _STEPS))
        outside = np.zeros_like(inside)
        cores, fractions = [], []
        for one, picture in zip(shown, seen):
            boxes = one.boxes_of(label)
            for colors in core_pixels(picture, boxes):
                cores.append(thin(colors))
                # Each box counts the same, near or far.
                _count(inside, cores[-1], 1.0)
            fractions.extend((boxes[:, 2:] - boxes[:, :2]).prod(axis=1) / picture[..., 0].size)
            apart = ~_covered(picture.shape[:2], np.concatenate([boxes, one.boxes[one.unclear]]))
            some = thin(np.flatnonzero(apart), 4096)
            _count(outside, picture.reshape(-1, 3)[some], apart.mean())
        return cls(np.concatenate(cores), inside / len(cores), outside / len(shown), float(np.median(fractions)))

    def percentiles(self) -> Band:
        """The band that a look at the targets alone gives."""
        return learn_band(self.cores)

    def searched(self) -> Band:
        """The band that tells targets from the rest, starting from that one."""
        modes = ("wrap", "nearest", "nearest")
        return search_band(
            gaussian_filter(self.inside, _BLUR, mode=modes),
            gaussian_filter(self.outside, _BLUR, mode=modes),
            self.fraction,
            self.percentiles(),
        )


def _count(counts: np.ndarray, colors: np.ndarray, weight: float) -> None:
    """Add some colors, together of this weight."""
    if len(colors):
        hue, saturation, value = hsv_of_bytes(*colors.T)
        places = np.ravel_multi_index((hue, saturation // _STEP, value // _STEP), counts.shape)
        np.add.at(counts.reshape(-1), places, weight / len(colors))


def _covered(shape: tuple[int, int], boxes: np.ndarray) -> np.ndarray:
    mask = np.zeros(shape, bool)
    for x0, y0, x1, y1 in boxes:
        mask[int(np.floor(y0)) : int(np.ceil(y1)), int(np.floor(x0)) : int(np.ceil(x1))] = True
    return mask


def search_band(inside: np.ndarray, outside: np.ndarray, fraction: float, start: Band) -> Band:
    """The band with the best F1 of pixels, climbing one scale at a time.

    Parameters
    ----------
    inside : (180, 64, 64) ndarray
        Fraction of a target's pixels with each hue, saturation and value (the
        last two in steps of 4); sums to 1.
    outside : (180, 64, 64) ndarray
        The same of the rest of a picture, in fractions of the picture.
    fraction : float
        What fraction of a picture a target covers.
    start : Band
        Where to start.

    Returns
    -------
    Band
        Where no other hue range, saturation range or value range is better.

    Notes
    -----
    With R the fraction of the target inside the band and F the fraction of the
    picture that is wrongly so, precision is ``fraction R / (fraction R + F)`` and
    ``F1 = 2 fraction R / (fraction + fraction R + F)``.
    """
    ranges = [(start.hue[0], start.hue_width)]
    for low, high in (start.saturation, start.value):
        ranges.append((low // _STEP, high // _STEP - low // _STEP + 1))
    best = -1.0
    while True:
        before = best
        for axis in range(3):
            others = tuple(other for other in range(3) if other != axis)
            lines = []
            for counts in (inside, outside):
                for other in others:
                    first, length = ranges[other]
                    counts = counts.take((first + np.arange(length)) % counts.shape[other], axis=other)
                lines.append(counts.sum(axis=others))
            hit, wrong = (_stretches(line, wraps=axis == 0) for line in lines)
            with np.errstate(invalid="ignore"):
                f1 = 2 * fraction * hit / (fraction + fraction * hit + wrong)
            f1[np.isnan(f1)] = -1
            if f1.max() > best + 1e-9:
                best = float(f1.max())
                begin, more = np.unravel_index(int(f1.argmax()), f1.shape)
                ranges[axis] = int(begin), int(more) + 1
        if best <= before:
            break
    (h, width), (s, s_steps), (v, v_steps) = ranges
    return Band(
        (h, (h + width - 1) % HUES), (s * _STEP, (s + s_steps) * _STEP - 1), (v * _STEP, (v + v_steps) * _STEP - 1)
    )


def _stretches(line: np.ndarray, wraps: bool) -> np.ndarray:
    """Sum of each stretch of a line, by its first place and its length - 1; NaN where it would leave the line."""
    bins = len(line)
    sums = np.concatenate([[0], np.cumsum(np.concatenate([line, line]))])
    first, length = np.arange(bins)[:, None], np.arange(1, bins + 1)[None, :]
    total = sums[first + length] - sums[first]
    return total if wraps else np.where(first + length <= bins, total, np.nan)
