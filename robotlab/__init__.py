"""See an object of your choosing with one camera, and follow it.

Data flows one way: picture -> boxes -> metrics, and box -> velocity
command -> motion -> picture.  Start with :mod:`robotlab.detections` for the contract that every
detector keeps, and with ``robotlab tour`` for the whole chain in a minute.
"""

import os
from typing import TYPE_CHECKING

# ONNX Runtime's builds from 1.32 on look up an events host and keep a device id, unless this stands before it is
# imported. Every module of robotlab, and every process that one starts, passes here first.
os.environ.setdefault("ORT_DISABLE_TELEMETRY", "1")

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab import (
        boxes,
        budget,
        camera,
        classify,
        color,
        control,
        course,
        data,
        design_sheet,
        detections,
        environment,
        errors,
        face_off,
        gather,
        greenhouse,
        image,
        label,
        loop,
        marking,
        metrics,
        neural,
        optics,
        packs,
        practice,
        report,
        robot,
        sweep,
        tour,
        widgets,
    )

__version__ = "0.1.0"
load_lazily(__name__)
