"""Classification: one class for a whole picture, and the step from there to boxes.

* :class:`Classifier`: trained in seconds on crops of any labeled data set;
* :func:`labeled_crops`, :func:`square_crop`: where crops come from;
* :class:`SlidingWindowDetector`: a classifier slid over the picture, the slow path from "what" to "where";
* :class:`CellMap`: what a detector's head says in each of its cells, the fast path;
* :class:`ImageNetClassifier`: a 1000-class network for photographs (extra ``imagenet``).
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.classify.cell_map import CellMap
    from robotlab.classify.crops import Crops, labeled_crops, square_crop
    from robotlab.classify.imagenet import ImageNetClassifier, imagenet_available
    from robotlab.classify.sliding_window import SlidingWindowDetector
    from robotlab.classify.softmax_regression import Classifier

load_lazily(__name__)
