"""Data sets: labelled pictures on disk, opened, checked, split and written.

Any COCO-style JSON file opens; VOC XML comes in and goes out.
"""

from robotlab.dataset.coco import open_dataset, read_labels
from robotlab.dataset.model import DataSet, Entry
from robotlab.dataset.results import read_results, write_results
from robotlab.dataset.write import Sample, write_dataset

__all__ = ["DataSet", "Entry", "Sample", "open_dataset", "read_labels", "read_results", "write_dataset", "write_results"]
