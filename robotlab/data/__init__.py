"""Data sets: labeled pictures on disk, opened, checked, split and written.

Any COCO-style JSON file opens; VOC XML comes in and goes out.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.data.check import DataSetReport, check_dataset
    from robotlab.data.coco import read_labels
    from robotlab.data.contact_sheet_drawing import contact_sheet, draw_boxes
    from robotlab.data.labeled_image import LabeledImage
    from robotlab.data.model import DataSet
    from robotlab.data.opening import open_dataset
    from robotlab.data.results import read_results, write_results
    from robotlab.data.split import Leak, find_leaks, split_by_recording, split_in_time
    from robotlab.data.voc import corners_from_voc, open_voc, voc_from_corners, write_voc
    from robotlab.data.write import Sample, write_dataset

__all__ = [
    "DataSet",
    "DataSetReport",
    "LabeledImage",
    "Leak",
    "Sample",
    "check_dataset",
    "contact_sheet",
    "corners_from_voc",
    "draw_boxes",
    "find_leaks",
    "open_dataset",
    "open_voc",
    "read_labels",
    "read_results",
    "split_by_recording",
    "split_in_time",
    "voc_from_corners",
    "write_dataset",
    "write_results",
    "write_voc",
]

load_lazily(__name__)
