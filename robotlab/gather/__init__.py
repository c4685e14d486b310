"""Your own pictures: plan them, gather them from a film, a camera or photographs, and check them before you train."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.gather.agreement import Agreement, label_agreement
    from robotlab.gather.gathering import GatherReport, gather
    from robotlab.gather.label_errors import Suspect, suspect_labels
    from robotlab.gather.plan import CapturePlan, capture_plan
    from robotlab.gather.sizes import SizeCheck, box_distances, check_sizes
    from robotlab.gather.time_lapse_film import time_lapse

load_lazily(__name__)
