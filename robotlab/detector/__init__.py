"""The trained detector: network, head fit, full training, one file."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.detector.file import Detector
    from robotlab.detector.fitting import fit

__all__ = ["Detector", "fit"]

load_lazily(__name__)
