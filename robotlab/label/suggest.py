"""Suggestions for the pictures that are not labeled yet, and which of them comes next.

From the first labels on, the color detector suggests; once a dozen pictures
are labeled, a detector fitted in the background does, again after every 24
more.  Asking about the pictures that a model is least sure about is called
uncertainty sampling (Lewis & Gale, SIGIR 1994).
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import weakref
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.color import ColorDetector, Shape, click_boxes, core_pixels, learn_band
from robotlab.detections import Detections
from robotlab.image import load
from robotlab.json_file import read_json
from robotlab.label.store import LabelStore
from robotlab.label.views import best_matches

# The first fit, and every later one after so many more labeled pictures (chosen by trial).
FIRST, EVERY = 12, 24
# The color detector learns from so many pictures, the newest, and looks at every n-th pixel of larger ones.
COLOR_PICTURES, LONGEST_PX = 8, 640
# It suggests a class only where it finds its labels: F1 at IoU .5 on the pictures it learned from.
WORTH_F1 = 0.6
# Pictures without a find are doubtful when this part of the labeled ones has boxes.
USUALLY = 0.9


@dataclass(frozen=True)
class Suggestion:
    """One box that a detector proposes.

    Parameters
    ----------
    box : (float, float, float, float)
        Corners, px.
    category_id : int or str
        Its class.
    score : float
        The detector's.
    """

    box: tuple[float, float, float, float]
    category_id: int | str
    score: float


class Suggester:
    """Suggests boxes and an order, and learns along.

    Parameters
    ----------
    store : LabelStore
        The data set being labeled.
    background : bool
        False fits nothing by itself; :meth:`learn` then gives it what a fit found.

    Examples
    --------
    >>> import numpy as np
    >>> from robotlab.data import Sample, write_dataset
    >>> from robotlab.label import LabeledBox, PictureLabels
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> folder = Path(tempfile.mkdtemp()) / "bench"
    >>> _ = write_dataset(folder, [Sample(f"{n}.png", np.roll(picture, n, 1)) for n in range(3)], ["post"])
    >>> store = LabelStore(folder)
    >>> store.put(1, PictureLabels((LabeledBox((30, 20, 40, 50), 1),), True))
    >>> suggester = Suggester(store, background=False)
    >>> suggester.suggest(3)[0].box, suggester.source
    ((32.0, 20.0, 42.0, 50.0), 'color')
    """

    def __init__(self, store: LabelStore, background: bool = True) -> None:
        self._store, self._background = store, background
        self._found: dict[Any, list] = {}
        self._score = 1.0
        # How many labeled pictures the newest detector has learned from; 0 before the first.
        self.learned_from = 0
        self._color: tuple[tuple, dict[Any, ColorDetector]] = ((), {})
        self._process: subprocess.Popen | None = None
        self._asked_for = 0
        self._folder = Path(tempfile.mkdtemp(prefix="robotlab-labeler-"))
        self._remove = weakref.finalize(self, shutil.rmtree, self._folder, True)
        self.trouble = ""

    @property
    def source(self) -> str:
        """Who suggests now: ``detector``, ``color``, or ``nobody``."""
        return "detector" if self._found else "color" if self._color_detectors() else "nobody"

    @property
    def fitting(self) -> bool:
        """Whether a fit is under way."""
        return self._process is not None

    @property
    def model_path(self) -> Path | None:
        """The newest detector's file, until the labeler is closed; None before the first."""
        path = self._folder / "model.onnx"
        return path if path.is_file() else None

    # The detector that learns along

    def poll(self) -> bool:
        """Take in a fit that has ended, begin one that is due.

        Returns
        -------
        bool
            Whether one has ended or begun.
        """
        news = False
        if self._process is not None and self._process.poll() is not None:
            ended, self._process = self._process, None
            said = ended.communicate()[1].decode(errors="replace").strip()
            if ended.returncode == 0:
                self.trouble = ""
                self.learn(read_json(self._folder / "suggestions.json", "suggestions"))
            else:
                self.trouble = said.splitlines()[-1][:300] if said else f"the fit ended with code {ended.returncode}"
            news = True
        if self._background and self._process is None and self._due():
            self._asked_for = self._store.counts()["labeled"]
            words = [sys.executable, "-m", "robotlab.label.fitting", str(self._store.labels_path), str(self._folder)]
            self._process = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
            news = True
        return news

    def _due(self) -> bool:
        counts = self._store.counts()
        before = max(self._asked_for, self.learned_from)
        wanted = FIRST if not before else before + EVERY
        return wanted <= counts["labeled"] < counts["pictures"] and sum(counts["boxes"].values()) > 0

    def learn(self, found: dict[str, Any]) -> None:
        """Take in what a fit found.

        Parameters
        ----------
        found : dict
            From :func:`robotlab.label.fitting.fit_on_labeled`.
        """
        self.learned_from, self._score = int(found["labeled"]), float(found["score"])
        self._found = dict(found["pictures"])

    def close(self) -> None:
        """End a fit that is under way."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        self._remove()

    # The color detector

    def _color_detectors(self) -> dict[Any, ColorDetector]:
        """For each class whose color gives it away, a detector learned from the newest labels."""
        shown = [id for id in self._store.ids if self._store.is_labeled(id) and self._store.labels(id).boxes]
        newest = tuple(shown[:: max(1, len(shown) // COLOR_PICTURES)][-COLOR_PICTURES:])
        key = tuple((id, self._store.labels(id)) for id in newest)
        if key != self._color[0]:
            self._color = (key, self._learn_colors(newest))
        return self._color[1]

    def _learn_colors(self, ids: Sequence) -> dict[Any, ColorDetector]:
        seen = [(*self._thin(id), self._store.labels(id)) for id in ids]
        found = {}
        for category in self._store.classes:
            pairs = [
                (picture, np.array([box.box for box in labels.boxes if box.category_id == category]).reshape(-1, 4) / n)
                for picture, n, labels in seen
            ]
            boxes = np.concatenate([some for _, some in pairs]) if pairs else np.zeros((0, 4))
            if not len(boxes):
                continue
            pixels = np.concatenate([c for picture, some in pairs if len(some) for c in core_pixels(picture, some)])
            sides = boxes[:, 2:] - boxes[:, :2]
            aspects, least = sides[:, 0] / sides[:, 1], sides.prod(axis=1).min()
            shape = Shape(max(1, int(0.2 * least)), (aspects.min() / 1.6, aspects.max() * 1.6), 0.25, 1.5)
            detector = ColorDetector(learn_band(pixels), ["x"], shapes=shape, all_blobs=True)
            right = sum(len(best_matches(detector.detect(picture).boxes, some, 0.5)) for picture, some in pairs)
            said = sum(len(detector.detect(picture)) for picture, _ in pairs)
            if 2 * right >= WORTH_F1 * (said + len(boxes)):
                found[category] = detector
        return found

    def _thin(self, id: Any) -> tuple[np.ndarray, int]:
        """A picture, or every n-th pixel of a large one, and n."""
        picture = load(self._store.entry(id).path)
        every = max(1, -(-max(picture.shape[:2]) // LONGEST_PX))
        return np.ascontiguousarray(picture[::every, ::every]), every

    def at_click(self, id: int | str, x: float, y: float) -> tuple[float, float, float, float] | None:
        """The box around what has the color of a clicked place.

        Parameters
        ----------
        id : int or str
            The picture.
        x, y : float
            The place, px.

        Returns
        -------
        (float, float, float, float) or None
            Corners; None where the color ends nowhere, or at once.
        """
        picture, every = self._thin(id)
        point = np.array([[x / every, y / every]])
        band = learn_band(core_pixels(picture, click_boxes(point, 2.0), 1.0)[0])
        for box in ColorDetector(band, ["x"], all_blobs=True).detect(picture).boxes:
            inside = (box[:2] - 1 <= point[0]).all() and (point[0] <= box[2:] + 1).all()
            if inside and (box[2:] - box[:2]).prod() < 0.5 * picture.shape[0] * picture.shape[1]:
                return tuple((box * every).tolist())
        return None

    # What is said about a picture

    def suggest(self, id: int | str) -> list[Suggestion]:
        """Boxes to accept, correct or refuse; none for a picture that is labeled.

        Parameters
        ----------
        id : int or str
            The picture.

        Returns
        -------
        list of Suggestion
            The surest first.
        """
        if self._store.labels(id).labeled:
            return []
        if id in self._found:
            rows = [row for row in self._found[id] if row[5] >= self._score and row[4] in self._store.classes]
            return [Suggestion(tuple(row[:4]), row[4], row[5]) for row in rows]
        detectors = self._color_detectors()
        if not detectors:
            return []
        picture, every = self._thin(id)
        found = []
        for category, detector in detectors.items():
            seen: Detections = detector.detect(picture)
            found += [
                Suggestion(tuple((box * every).tolist()), category, float(score))
                for box, score in zip(seen.boxes, seen.scores)
            ]
        return sorted(found, key=lambda one: -one.score)

    def doubt(self, id: int | str) -> tuple[float, str]:
        """How unsure the detector is about a picture, 0 to 1, and why.

        Parameters
        ----------
        id : int or str
            The picture.

        Returns
        -------
        (float, str)
            1 for a score right at the threshold; the reason for people.
        """
        rows, limit = self._found.get(id, []), self._score
        away = [abs(row[5] - limit) / (limit if row[5] < limit else max(1 - limit, 1e-9)) for row in rows]
        doubt, why = 0.0, "the detector is sure about all it sees"
        if away:
            row = rows[int(np.argmin(away))]
            doubt = 1 - min(away)
            name = self._store.classes.get(row[4], "?")
            why = f"a {name} with score {row[5]:.2f}, near the threshold {limit:.2f}"
        counts = self._store.counts()
        boxed = 1 - counts["empty"] / max(1, counts["labeled"])
        if boxed >= USUALLY and all(row[5] < limit for row in rows) and doubt < 0.8:
            doubt, why = 0.8, "nothing found, and nearly all labeled pictures have boxes"
        return doubt, why

    def next(self, ids: Sequence, passed: Collection = ()) -> tuple[Any, str] | None:
        """The picture to label next, and why it is this one.

        Parameters
        ----------
        ids : sequence of int or str
            Pictures to choose from.
        passed : collection of int or str
            Pictures that were shown already and left unlabeled.

        Returns
        -------
        (id, str) or None
            None where all are labeled or passed.
        """
        left = [id for id in ids if id not in passed and not self._store.is_labeled(id)]
        if not left:
            return None
        # Of the recording of which least is labeled: the least sure pictures of a film are often neighbors.
        by_recording: dict[str, list] = {}
        for id in ids:
            by_recording.setdefault(self._store.entry(id).recording, []).append(id)
        open_ids = set(left)
        name = min(
            (name for name, some in by_recording.items() if open_ids & set(some)),
            key=lambda name: sum(id not in open_ids for id in by_recording[name]) / len(by_recording[name]),
        )
        if self._found:
            doubts = [(id, *self.doubt(id)) for id in by_recording[name] if id in open_ids]
            return max(doubts, key=lambda one: one[1])[::2]
        # Before there is a detector: as far from what is labeled as can be.
        some = by_recording[name]
        seen = [place for place, id in enumerate(some) if id not in open_ids]
        far = [
            (min((abs(place - one) for one in seen), default=0), -place) if id in open_ids else (-1, 0)
            for place, id in enumerate(some)
        ]
        over = f"all recordings; this is {name}" if len(by_recording) > 1 else f"the whole recording {name}"
        return some[far.index(max(far))], f"the first pictures are spread over {over}"
