"""The training engine in plain NumPy: forward, backward, losses, steps.

Read it in this order: :mod:`.reference` (one convolution of one picture and its
gradients, place by place), :mod:`.layers` (the same as matrix products, fast),
:mod:`.network` (all layers, forward and backward), :mod:`.losses`,
:mod:`.optimizer`.  :mod:`.gradient_check` proves a gradient by finite differences, and
:mod:`.workers` puts the pictures of a batch on all processor cores, :mod:`.scratch`
keeps its working arrays.  Lesson 07 goes the same way with pictures.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.neural.engine.gradient_check import gradient_error
    from robotlab.neural.engine.layers import convolve, convolve_backward
    from robotlab.neural.engine.losses import detection_loss, focal_loss
    from robotlab.neural.engine.network import Network, parameter_count
    from robotlab.neural.engine.optimizer import AdamW, one_cycle
    from robotlab.neural.engine.reference import convolve_backward_reference, convolve_reference
    from robotlab.neural.engine.scratch import Scratch

load_lazily(__name__)
