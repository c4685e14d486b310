"""The color detector: a band for each class, blobs, boxes, scores."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from robotlab.color.band_components import pieces_in_band
from robotlab.color.bands import Band, LabBand
from robotlab.color.components import Components
from robotlab.color.learn import CORE, OneOrMore, learn_from_boxes
from robotlab.color.merging import join_stacked
from robotlab.color.shape_limits import Shape
from robotlab.color.store import color_detector_to_json, read_color_detector
from robotlab.color.white_balance import apply_gains, check_gains, gray_world
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.files import write_json
from robotlab.image import check_picture
from robotlab.image.morphology import open_close


class ColorDetector:
    """Color detector: a threshold on color, connected components, boxes.

    Parameters
    ----------
    bands : Band, LabBand, a sequence of them, or a mapping from class to band
        What color each class has.
    classes : sequence of str, optional
        Class names.  With a mapping they may hold more names than have bands;
        of those nothing is ever found.
    shapes : Shape or mapping from class to Shape, optional
        What its blobs must look like.
    all_blobs : bool
        False gives the largest fitting blob of each class, True all of them.
    open_px, close_px : int
        Clean-up of the mask, see :func:`robotlab.image.open_close`.
    balance : None, "gray world", or three gains
        White balance before anything else; gains come from
        :func:`robotlab.color.gray_world`.

    Raises
    ------
    InputError
        If bands and classes do not fit together or a setting is wrong.

    Notes
    -----
    Score of a blob: √(fill × depth) × size.  *Fill* is the fraction of its box
    that the blob covers; *depth* is how far inside the band its pixels lie, on
    average (:meth:`Band.depth`); *size* is n / (n + least area) for n pixels,
    so half at the least area and near 1 for large blobs.  All are 0 to 1; the
    score says how much the blob is like a solid thing of the right color, and
    is *not* a probability.

    Examples
    --------
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> detector = ColorDetector({"post": Band(hue=(5, 18), saturation=(150, 255), value=(80, 255))})
    >>> detector.detect(picture).boxes.tolist()
    [[30.0, 20.0, 40.0, 50.0]]
    """

    def __init__(
        self,
        bands: Band | LabBand | Sequence[Band | LabBand] | Mapping[str, Band | LabBand],
        classes: Sequence[str] | None = None,
        *,
        shapes: Shape | Mapping[str, Shape] | None = None,
        all_blobs: bool = False,
        open_px: int = 0,
        close_px: int = 0,
        balance: str | Sequence[float] | None = None,
    ) -> None:
        self.bands, self.classes = _named_bands(bands, classes)
        shapes = {} if shapes is None else shapes
        if isinstance(shapes, Shape):
            shapes = dict.fromkeys(self.bands, shapes)
        for name, shape in shapes.items():
            if name not in self.classes or not isinstance(shape, Shape):
                raise InputError(
                    f"shapes must give a Shape for classes of the detector, got {name!r}: {shape!r}; see its classes"
                )
        self.shapes = {name: shapes.get(name, Shape()) for name in self.bands}
        self.all_blobs = bool(all_blobs)
        # Radii are checked where they are used; once here, to fail early.
        open_close(np.zeros((1, 1), bool), open_px, close_px)
        self.open_px, self.close_px = int(open_px), int(close_px)
        if isinstance(balance, str) and balance != "gray world":
            raise InputError(f'balance must be None, "gray world" or three gains, got {balance!r}; choose one of them')
        self.balance = balance if balance is None or isinstance(balance, str) else tuple(check_gains(balance).tolist())

    def __repr__(self) -> str:
        bands = ", ".join(f"{name!r}: {band}" for name, band in self.bands.items())
        return f"ColorDetector({{{bands}}}, all_blobs={self.all_blobs}, open_px={self.open_px}, close_px={self.close_px}, balance={self.balance!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ColorDetector) and vars(self) == vars(other)

    def detect(self, picture: np.ndarray, pieces: Mapping[str, tuple] | None = None) -> Detections:
        """Find the things of the detector's classes.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.
        pieces : mapping of str to tuple, optional
            Of each class what :func:`pieces_in_band` has found already.

        Returns
        -------
        Detections
            Best score first; equal scores by class, then larger first.

        Raises
        ------
        PictureError
            If the picture is wrong.
        """
        picture = self.balanced(picture) if pieces is None else picture
        parts = []
        for name in self.bands:
            blobs, scores = self.blobs(picture, name, pieces and pieces[name])
            if not self.all_blobs:
                blobs, scores = blobs.pick(slice(0, 1)), scores[:1]
            parts.append((blobs.boxes, scores, np.full(len(blobs), self.classes.index(name))))
        boxes, scores, labels = (np.concatenate(column) for column in zip(*parts))
        return Detections(boxes, scores, labels, self.classes).pick(np.argsort(-scores, kind="stable"))

    def balanced(self, picture: np.ndarray) -> np.ndarray:
        """The picture after white balance.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        (H, W, 3) ndarray of uint8
            The same array where there is no white balance.

        Raises
        ------
        PictureError
            If the picture is wrong.
        """
        check_picture(picture)
        if self.balance is None:
            return picture
        return apply_gains(picture, gray_world(picture) if self.balance == "gray world" else np.array(self.balance))

    def mask(self, picture: np.ndarray, name: str | None = None) -> np.ndarray:
        """The pixels of a class, cleaned up.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue, before white balance.
        name : str, optional
            The class; may be left out where there is only one.

        Returns
        -------
        (H, W) ndarray of bool
            True where the color fits.

        Raises
        ------
        PictureError, InputError
            If the picture is wrong or the class has no band.
        """
        return open_close(self.band_of(name).mask(self.balanced(picture)), self.open_px, self.close_px)

    def band_of(self, name: str | None = None) -> Band | LabBand:
        """The band of a class.

        Parameters
        ----------
        name : str, optional
            The class; may be left out where there is only one.

        Returns
        -------
        Band or LabBand
            Its band.

        Raises
        ------
        InputError
            If the class has no band, or there are several and no name.
        """
        return self.bands[self._name(name)]

    def _name(self, name: str | None) -> str:
        if name is None and len(self.bands) == 1:
            return next(iter(self.bands))
        if name not in self.bands:
            raise InputError(
                f"the class must be one with a band ({', '.join(self.bands)}), got {name!r}; choose one of them"
            )
        return name

    def blobs(self, picture: np.ndarray, name: str | None = None, pieces=None) -> tuple[Components, np.ndarray]:
        """The fitting blobs of one class, with their scores.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue, *after* white balance (:meth:`balanced`).
        name : str, optional
            The class; may be left out where there is only one.
        pieces : tuple, optional
            As in :meth:`detect`, of this class.

        Returns
        -------
        blobs : Components
            Largest first.
        scores : (N,) ndarray of float64
            See Notes of the class.

        Raises
        ------
        PictureError, InputError
            If the picture is wrong or the class has no band.
        """
        name = self._name(name)
        shape = self.shapes[name]
        blobs, depths = pieces or pieces_in_band(picture, self.bands[name], self.open_px, self.close_px)
        blobs, depths = join_stacked(blobs, depths, shape.join_gap)
        keep = shape.fits(blobs)
        blobs, depths = blobs.pick(keep), depths[keep]
        return blobs, np.sqrt(blobs.fills * depths) * (blobs.areas / (blobs.areas + shape.min_area_px))

    @classmethod
    def learn(
        cls,
        pictures: OneOrMore,
        boxes: OneOrMore,
        class_name: str = "target",
        *,
        core: float = CORE,
        kind: str = "hsv",
        **settings,
    ) -> ColorDetector:
        """A detector for one class from a few boxes.

        Parameters
        ----------
        pictures : (H, W, 3) ndarray of uint8, or a sequence of them
            Red-green-blue.
        boxes : (N, 4) array-like, or one such array for each picture
            Corners, px; for clicks see :func:`robotlab.color.click_boxes`.
        class_name : str
            What is in the boxes.
        core : float
            Middle fraction of each box that is taken.
        kind : {"hsv", "lab"}
            Which sort of band.
        **settings
            As for :class:`ColorDetector`.

        Returns
        -------
        ColorDetector
            With one class.

        Raises
        ------
        InputError
            If there are no boxes or a setting is wrong.

        Examples
        --------
        >>> picture = np.zeros((60, 80, 3), np.uint8)
        >>> picture[20:50, 30:40] = 230, 110, 20
        >>> ColorDetector.learn(picture, [[30, 20, 40, 50]], "post").detect(picture).boxes.tolist()
        [[30.0, 20.0, 40.0, 50.0]]
        """
        untaught = cls(Band(), [class_name], **settings)
        if isinstance(pictures, np.ndarray) and pictures.ndim == 3:
            pictures, boxes = pictures[None], np.asarray(boxes)[None]
        band = learn_from_boxes([untaught.balanced(picture) for picture in pictures], boxes, core, kind)
        return cls(band, [class_name], **settings)

    @classmethod
    def from_dataset(
        cls, data, class_names: str | Sequence[str] | None = None, progress: bool = False
    ) -> ColorDetector:
        """A detector from a labeled data set, with everything chosen on it.

        Parameters
        ----------
        data : robotlab.data.DataSet
            The pictures to learn from; keep those to be judged on apart.
        class_names : str or sequence of str, optional
            Only these classes; without it all that have boxes.
        progress : bool
            Show a progress bar.

        Returns
        -------
        ColorDetector
            Finding all blobs of each class, with the data set's classes.

        Raises
        ------
        InputError
            If a class is unknown or has no boxes.
        """
        from robotlab.color.fitting import fit_color_detector  # needs SciPy, which nobody waits for while driving

        return fit_color_detector(cls, data, class_names, progress)

    def save(self, path: str | os.PathLike) -> Path:
        """Write the detector as a small JSON file.

        Parameters
        ----------
        path : path-like
            Where.

        Returns
        -------
        Path
            The path written.

        Examples
        --------
        >>> import tempfile
        >>> detector = ColorDetector({"post": Band(hue=(5, 18))})
        >>> ColorDetector.load(detector.save(tempfile.mkdtemp() + "/post.json")) == detector
        True
        """
        return write_json(path, color_detector_to_json(self))

    @classmethod
    def load(cls, path: str | os.PathLike) -> ColorDetector:
        """Read a detector that :meth:`save` wrote.

        Parameters
        ----------
        path : path-like
            The file.

        Returns
        -------
        ColorDetector
            Equal to the one saved.

        Raises
        ------
        ModelError
            If the file is missing, damaged, of another kind or breaks a rule.
        """
        return read_color_detector(cls, Path(path))


def _named_bands(bands, classes: Sequence[str] | None) -> tuple[dict[str, Band | LabBand], tuple[str, ...]]:
    """Bands by class name, and all class names."""
    if isinstance(classes, str):
        raise InputError(f"classes must be a list of names, got the text {classes!r}; write [{classes!r}]")
    if isinstance(bands, (Band, LabBand)):
        bands, classes = [bands], ["target"] if classes is None else classes
    if isinstance(bands, Mapping):
        named = dict(bands)
        classes = tuple(named) if classes is None else tuple(classes)
    else:
        bands, classes = list(bands), tuple(classes or ())
        if len(bands) != len(classes):
            raise InputError(
                f"there must be one class name for each band, got {len(classes)} for {len(bands)}; pass classes=[...]"
            )
        named = dict(zip(classes, bands))
    if not named or len(set(classes)) != len(classes):
        raise InputError(
            f"classes must be different names and at least one must have a band, got {list(classes)}; name each once"
        )
    for name, band in named.items():
        if name not in classes or not isinstance(band, (Band, LabBand)):
            raise InputError(
                f"bands must give a Band or LabBand for each of {list(classes)}, got {name!r}: {band!r}; see robotlab.color.Band"
            )
    return {str(name): named[name] for name in classes if name in named}, tuple(str(name) for name in classes)
