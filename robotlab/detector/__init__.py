"""The trained detector: network, head fit, full training, one file."""

from robotlab.detector.file import Detector
from robotlab.detector.fitting import fit

__all__ = ["Detector", "fit"]
