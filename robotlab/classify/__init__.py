"""What, but not where: one answer for a whole picture, and the step from there to boxes.

* :class:`Classifier`: trained in seconds on crops of any labelled data set;
* :func:`labelled_crops`, :func:`square_crop`: where crops come from;
* :class:`SlidingTracker`: a classifier slid over the picture, a slow way to "where";
* :class:`CellMap`: what a detector's head says in each of its cells, the quick way;
* :class:`Photographs`: a 1000-class network for photographs (extra ``imagenet``).
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.classify.cells import CellMap
    from robotlab.classify.crops import Crops, labelled_crops, square_crop
    from robotlab.classify.own import Classifier
    from robotlab.classify.photographs import Photographs, photographs_are_there
    from robotlab.classify.sliding import SlidingTracker

__all__ = [
    "CellMap",
    "Classifier",
    "Crops",
    "Photographs",
    "SlidingTracker",
    "labelled_crops",
    "photographs_are_there",
    "square_crop",
]

load_lazily(__name__)
