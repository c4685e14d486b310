"""Label pictures: boxes drawn by a person, with suggestions from a detector that learns along.

``store`` keeps every change on the disk, ``suggest`` fits and suggests, ``labeler`` is the interactive picture.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.label.labeler import BoxLabeler
    from robotlab.label.labels import LabeledBox, PictureLabels
    from robotlab.label.simulated import Effort, simulate_labeling, unlabeled_copy
    from robotlab.label.store import LabelStore
    from robotlab.label.suggest import Suggester

load_lazily(__name__)
