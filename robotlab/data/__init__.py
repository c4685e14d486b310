"""Data sets: labeled pictures on disk, opened, checked, split and written.

Any COCO-style JSON file opens; VOC XML comes in and goes out.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.data.check import DataSetReport, check_dataset
    from robotlab.data.coco import read_labels
    from robotlab.data.dataset import DataSet
    from robotlab.data.drawing import contact_sheet, draw_boxes
    from robotlab.data.labeled_image import LabeledImage
    from robotlab.data.opening import open_dataset
    from robotlab.data.results import read_results, write_results
    from robotlab.data.split import Leak, find_leaks, split_by_recording, split_in_time
    from robotlab.data.voc import corners_from_voc, open_voc, voc_from_corners, write_voc
    from robotlab.data.write import Sample, write_dataset

load_lazily(__name__)
