"""Fit the color detector that ``robotlab drive --with color`` takes: ``python instructor/measure_color_detector.py``.

On all pictures of the greenhouse; nothing in it is random.  Writes ``robotlab/course/measurements/color_detector.json``.
"""

from typing import Any

from robotlab.color import ColorDetector
from robotlab.color.store import color_detector_to_json
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.face_off import threshold
from robotlab.files import write_json


def fitted() -> dict[str, Any]:
    """The detector as JSON values, and the score from which it is believed."""
    source = open_dataset(shipped("datasets/greenhouse"))
    detector = ColorDetector.from_dataset(source)
    return {"detector": color_detector_to_json(detector), "score": threshold(detector, source)}


if __name__ == "__main__":
    write_json(shipped("robotlab/course/resources.py").parent / "measurements" / "color_detector.json", fitted())
