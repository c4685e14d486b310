"""robotlab: see an object of your choosing with one camera, and follow it.

Data flows one way: picture -> boxes -> scores, and box -> command -> motion
-> picture.  Start with :mod:`robotlab.trackers` for the contract that every
tracker keeps, and with ``robotlab tour`` for the whole chain in a minute.
"""

import os
from typing import TYPE_CHECKING

# ONNX Runtime's builds from 1.32 on look up an events host and keep a device id, unless this stands before it is
# imported. Every module of robotlab, and every process that one starts, passes here first.
os.environ.setdefault("ORT_DISABLE_TELEMETRY", "1")

from robotlab._lazy import load_lazily  # noqa: E402

if TYPE_CHECKING:
    from robotlab import (
        boxes,
        camera,
        classify,
        color,
        course,
        dataset,
        design_sheet,
        detector,
        errors,
        face_off,
        follow,
        greenhouse,
        motion,
        picture,
        plots,
        practice,
        report,
        scoring,
        trackers,
        widgets,
    )

__version__ = "0.1.0"
__all__ = [
    "boxes",
    "camera",
    "classify",
    "color",
    "course",
    "dataset",
    "design_sheet",
    "detector",
    "errors",
    "face_off",
    "follow",
    "greenhouse",
    "motion",
    "picture",
    "plots",
    "practice",
    "report",
    "scoring",
    "trackers",
    "widgets",
]
load_lazily(__name__)
