"""The trained detector: network, frozen backbone or fine-tuning, one file.

:func:`fit` trains one, :class:`NeuralDetector` runs it.  The other names are what lesson 07 takes
apart: the cells of the grid, the layers, what a training needs; :mod:`.engine` is the training engine.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.neural.box_coding import boxes_at, cell_targets
    from robotlab.neural.budget import activation_count, check_disk, disk_bytes, memory_bytes
    from robotlab.neural.cells import Cells, FrozenBackbone, cells_of
    from robotlab.neural.detector import NeuralDetector
    from robotlab.neural.facts import pretrained_weights
    from robotlab.neural.fitting import fit
    from robotlab.neural.graph import head_layers
    from robotlab.neural.head import softmax
    from robotlab.neural.learning_curves import nested_subsets
    from robotlab.neural.samples import SampleSource
    from robotlab.neural.spec import BACKBONE, Layer
    from robotlab.neural.validation import detect_all, metrics_of

load_lazily(__name__)
