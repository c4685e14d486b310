"""Data sets: labelled pictures on disk, opened, checked, split and written.

Any COCO-style JSON file opens; VOC XML comes in and goes out.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.dataset.check import Report, checkup
    from robotlab.dataset.coco import open_dataset, read_labels
    from robotlab.dataset.entry import Entry
    from robotlab.dataset.likeness import mark, near_pairs
    from robotlab.dataset.model import DataSet
    from robotlab.dataset.results import read_results, write_results
    from robotlab.dataset.sheet import contact_sheet, draw_boxes
    from robotlab.dataset.split import Leak, find_leaks, split_by_recording
    from robotlab.dataset.voc import corners_from_voc, open_voc, voc_from_corners, write_voc
    from robotlab.dataset.write import Sample, write_dataset

__all__ = [
    "DataSet",
    "Entry",
    "Leak",
    "Report",
    "Sample",
    "checkup",
    "contact_sheet",
    "corners_from_voc",
    "draw_boxes",
    "find_leaks",
    "mark",
    "near_pairs",
    "open_dataset",
    "open_voc",
    "read_labels",
    "read_results",
    "split_by_recording",
    "voc_from_corners",
    "write_dataset",
    "write_results",
    "write_voc",
]

load_lazily(__name__)
