"""A simulated annotator: what suggestions save, counted on a data set whose labels are known."""

from __future__ import annotations

import os
from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from robotlab.data import DataSet, write_dataset
from robotlab.errors import DataSetError
from robotlab.label.fitting import fit_on_labeled
from robotlab.label.labels import LabeledBox, PictureLabels
from robotlab.label.store import LabelStore
from robotlab.label.suggest import Suggester
from robotlab.label.views import best_matches

# A suggestion is kept from this IoU with the truth on: closer than two people usually are (common practice, no source).
KEPT_IOU = 0.75
# One that overlaps a truth by at least this is dragged right; less is deleted and drawn anew.
DRAG_IOU = 0.25


@dataclass(frozen=True)
class Effort:
    """What the simulated annotator had to do.

    Parameters
    ----------
    pictures, boxes : int
        Pictures labeled, and boxes in them.
    kept, dragged, drawn, deleted : int
        Suggestions kept and corrected, boxes drawn, suggestions deleted or
        marked as not sure.

    Examples
    --------
    >>> Effort(10, 20, 18, 1, 1, 2).drawn_or_dragged_percent, Effort(10, 20, 18, 1, 1, 2).actions
    (10.0, 14)
    """

    pictures: int = 0
    boxes: int = 0
    kept: int = 0
    dragged: int = 0
    drawn: int = 0
    deleted: int = 0

    def __add__(self, other: Effort) -> Effort:
        mine, its = vars(self).values(), vars(other).values()
        return Effort(*(a + b for a, b in zip(mine, its)))

    @property
    def drawn_or_dragged_percent(self) -> float:
        """Boxes that took a drag of the pointer, of 100."""
        return 100 * (self.drawn + self.dragged) / max(1, self.boxes)

    @property
    def actions(self) -> int:
        """Boxes drawn, dragged and deleted, and one key a picture to accept and go on."""
        return self.drawn + self.dragged + self.deleted + self.pictures

    @property
    def actions_by_hand(self) -> int:
        """The same without suggestions: every box drawn, one key a picture."""
        return self.boxes + self.pictures


def unlabeled_copy(data: DataSet, folder: str | os.PathLike) -> DataSet:
    """Write a data set again without its labels, to label it anew.

    Parameters
    ----------
    data : DataSet
        Pictures, ids and classes to keep.
    folder : path-like
        Where; new or empty.

    Returns
    -------
    DataSet
        Written: the same pictures, no boxes, none of them marked as labeled.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import Sample
    >>> home = tempfile.mkdtemp()
    >>> data = write_dataset(home + "/a", [Sample("a.png", np.zeros((6, 8, 3), np.uint8), [[1, 2, 5, 5]], [0])], ["post"])
    >>> unlabeled_copy(data, home + "/b").box_count
    0
    """
    bare = [replace(entry.pick(np.zeros(0, int)), record={**entry.record, "labeled": False}) for entry in data]
    return write_dataset(folder, data.having(bare))


def simulate_labeling(
    store: LabelStore, truth: DataSet, first: int = 12, every: int = 24, seed_labels: bool = True, seed: int = 0
) -> tuple[Effort, Effort, Suggester]:
    """Label a data set as a person with the labeler would who draws the known boxes.

    Parameters
    ----------
    store : LabelStore
        The data set to label; pictures that are labeled stay as they are.
    truth : DataSet
        The same pictures, by id, with the boxes to draw; its classes must be
        among the store's, by name.
    first, every : int
        A detector is fitted when so many pictures are labeled, and again after
        every so many more.
    seed_labels : bool
        Whether color suggestions count before the first fit.
    seed : int
        Of the fits, and of the picture that comes first: 0 takes the first of
        the file, others draw one, and those before it come last.

    Returns
    -------
    before, after : Effort
        For the first pictures, and for those after the first fit.
    suggester : Suggester
        With the newest detector's suggestions.

    Raises
    ------
    DataSetError
        If a class or a picture of one is not in the other.

    Notes
    -----
    A suggestion is kept as it is at an IoU of .75 or more with a box of its
    class, dragged right from .25 on, and deleted below; a kept suggestion
    stays in the labels as suggested.  Truths that nobody has to find are not
    drawn; a suggestion on one is marked as not sure.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import Sample
    >>> home, picture = tempfile.mkdtemp(), np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> samples = [Sample(f"{n}.png", np.roll(picture, n, 1), [[30 + n, 20, 40 + n, 50]], [0]) for n in range(4)]
    >>> truth = write_dataset(home + "/truth", samples, ["post"])
    >>> before, after, _ = simulate_labeling(LabelStore(unlabeled_copy(truth, home + "/mine").folder), truth)
    >>> before.drawn, before.kept  # by color, from the second picture on
    (1, 3)
    """
    ids = {name: id for id, name in store.classes.items()}
    missing = [name for name in truth.classes if name not in ids]
    if missing:
        raise DataSetError(f"classes of the truth must be in the data set, {missing[0]} is not; add it")
    known = {entry.id: entry for entry in truth}
    suggester = Suggester(store, background=False)
    efforts = [Effort(), Effort()]
    fitted_at = 0
    order = deque(store.ids)
    order.rotate(-int(np.random.default_rng(seed).integers(len(order))) if seed else 0)
    while True:
        counts = store.counts()
        if counts["labeled"] >= (fitted_at + every if fitted_at else first) and counts["labeled"] < counts["pictures"]:
            labeled, everything = store.data(), store.data(labeled_only=False)
            assert labeled is not None and everything is not None
            rest = everything.having([entry for entry in everything if not store.is_labeled(entry.id)])
            suggester.learn(fit_on_labeled(labeled, rest, seed)[1])
            fitted_at = counts["labeled"]
        chosen = suggester.next(order)
        if chosen is None:
            return efforts[0], efforts[1], suggester
        id = chosen[0]
        suggested = suggester.suggest(id) if fitted_at or seed_labels else []
        labels, effort = _correct(suggested, known[id], {place: ids[name] for place, name in enumerate(truth.classes)})
        efforts[fitted_at > 0] += effort
        store.put(id, labels)


def _correct(suggested, entry, category_of) -> tuple[PictureLabels, Effort]:
    """What a person makes of suggestions: the labels, and the effort."""
    boxes, kept, dragged, used = [], 0, 0, 0
    for place, category in category_of.items():
        rows = np.flatnonzero((entry.labels == place) & entry.counted)
        some = np.array([one.box for one in suggested if one.category_id == category]).reshape(-1, 4)
        pairs = {truth: row for row, truth in best_matches(some, entry.boxes[rows], DRAG_IOU)}
        used += len(pairs)
        for n, row in enumerate(rows):
            corners = entry.boxes[row]
            if n in pairs:
                near = some[pairs[n]]
                if best_matches(near[None], corners[None], KEPT_IOU):
                    corners, kept = near, kept + 1
                else:
                    dragged += 1
            boxes.append(LabeledBox(tuple(corners.tolist()), category))
        free = np.delete(some, list(pairs.values()), axis=0)
        for left, _ in best_matches(free, entry.boxes[(entry.labels == place) & ~entry.counted], DRAG_IOU):
            boxes.append(LabeledBox(tuple(free[left].tolist()), category, not_sure=True))
    count = sum(not box.not_sure for box in boxes)
    effort = Effort(1, count, kept, dragged, count - kept - dragged, len(suggested) - used)
    return PictureLabels(tuple(boxes), True), effort
