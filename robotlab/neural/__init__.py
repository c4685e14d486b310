"""The trained detector: network, head fit, full training, one file."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.neural.detector import NeuralDetector
    from robotlab.neural.fitting import fit

__all__ = ["NeuralDetector", "fit"]

load_lazily(__name__)
