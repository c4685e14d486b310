"""Open a data set of either format."""

from __future__ import annotations

import os

from robotlab.data.coco import read_labels
from robotlab.data.dataset import DataSet
from robotlab.data.locating import find_labels
from robotlab.data.voc import open_voc, voc_folder
from robotlab.errors import DataSetError


def open_dataset(path: str | os.PathLike, pictures: bool = True, unlabeled: bool = False) -> DataSet:
    """Open labeled pictures: a COCO-style JSON file, or a folder.

    Parameters
    ----------
    path : path-like
        A ``.json`` file, a folder with one, or a folder of VOC ``.xml`` files.
    pictures : bool
        True: every picture file must be there and have the size its label
        gives (its head is read, its pixels are not).  False: labels alone are
        enough, for instance to score a results file.
    unlabeled : bool
        True opens a set that has no classes and no boxes yet, as
        :func:`robotlab.gather.gather` leaves it.

    Returns
    -------
    DataSet
        Opened; pixels are read by ``load``.

    Raises
    ------
    DataSetError
        At the first thing that breaks a rule, naming file and entry.
        :func:`robotlab.data.check_dataset` lists all of them.

    Notes
    -----
    A box that reaches at most 1 px outside its picture is cut off at the edge;
    one that reaches further is refused.  Boxes without area, NaN, unknown
    classes or pictures, and ids or file names that come twice are refused.
    A picture without ``recording`` belongs to the recording named after its
    folder, or to ``all``.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import numpy as np
    >>> from robotlab.files import write_json
    >>> from robotlab.image import save
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = save(folder / "a.png", np.zeros((6, 8, 3), np.uint8))
    >>> _ = write_json(folder / "annotations.json", {
    ...     "images": [{"id": 1, "file_name": "a.png", "width": 8, "height": 6}],
    ...     "annotations": [{"id": 1, "image_id": 1, "category_id": 3, "bbox": [1, 2, 4, 3]}],
    ...     "categories": [{"id": 3, "name": "post"}]})
    >>> data = open_dataset(folder)
    >>> data.classes, data[0].boxes.tolist()
    (('post',), [[1.0, 2.0, 5.0, 5.0]])
    """
    labels = find_labels(path)
    if labels is None:
        if voc_folder(path) is not None:
            return open_voc(path, pictures=pictures)
        raise DataSetError(
            f"{path} must hold labels: a COCO-style .json file or VOC .xml files, it has neither; "
            "give the folder or the file that has them"
        )
    return read_labels(labels, pictures=pictures, unlabeled=unlabeled)
