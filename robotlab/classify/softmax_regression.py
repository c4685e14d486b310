"""A classifier for classes of your own: frozen features, softmax regression.

Each crop is brought to one size and sent through the feature network that comes
with robotlab.  Its features are pooled: the mean of the crop, the highest value
and the mean of the middle, so the answer does not depend much on where in the
crop the thing is.  What is learned is one multinomial logistic regression
(Bishop, "Pattern Recognition and Machine Learning", 2006, section 4.3.4): a
convex problem with one best answer, solved in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.classify.crops import Crops
from robotlab.errors import InputError
from robotlab.image import check_picture, resize
from robotlab.neural.cells import FrozenBackbone
from robotlab.neural.facts import pretrained_weights
from robotlab.neural.head import fit_logistic, softmax

# Every crop is brought to this side, px; 32 and 64 gave less on test recordings (day4, dusk3, warm1, grow1).
SIDE_PX = 48
# Penalty on the squared weights (features in standard deviations); .001 was as good
# on those test recordings and surer of things it had never seen.
PENALTY = 1e-2


class Classifier:
    """Softmax regression on features of a crop.

    Make one with :meth:`Classifier.learn`.

    Parameters
    ----------
    classes : sequence of str
        K names.
    weights : (F + 1, K) ndarray
        For features in standard deviations, the last row for the bias.
    mean, spread : (F,) ndarray
        Of the features that it learned from.

    Notes
    -----
    A classifier must answer with one of its classes, whatever it is shown: the
    probabilities of a row add up to 1.  They are not calibrated on
    things or lighting that were not among its crops.

    Examples
    --------
    >>> gray = [np.full((20, 20, 3), level, np.uint8) for level in (20, 30, 220, 230)]
    >>> Classifier.learn(Crops(tuple(gray), np.array([0, 0, 1, 1]), ("dark", "bright")))
    <Classifier of dark, bright>
    """

    def __init__(self, classes: Sequence[str], weights: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> None:
        self.classes = tuple(classes)
        self._weights, self._mean, self._spread = weights, mean, spread
        self._network = FrozenBackbone(pretrained_weights())

    @classmethod
    def learn(cls, crops: Crops, penalty: float = PENALTY) -> Classifier:
        """Learn from labeled crops.

        Parameters
        ----------
        crops : Crops
            At least two classes, each with a crop.
        penalty : float
            Times half the squared weights is added to the mean cross-entropy.

        Returns
        -------
        Classifier
            The same crops give the same one.

        Raises
        ------
        InputError
            If a class has no crop, there is only one class, or the penalty is
            not above 0.

        Examples
        --------
        >>> rng = np.random.default_rng(0)
        >>> red, blue = (rng.integers(0, 40, (8, 20, 20, 3), np.uint8) for _ in range(2))
        >>> red[..., 0] += 200; blue[..., 2] += 200
        >>> two = Classifier.learn(Crops((*red, *blue), np.repeat([0, 1], 8), ("red", "blue")))
        >>> two.probabilities([red[0], blue[0]]).argmax(axis=1).tolist()
        [0, 1]
        """
        if not penalty > 0:
            raise InputError(f"penalty must be above 0, got {penalty}; {PENALTY:g} is usual")
        counts = np.bincount(crops.labels, minlength=len(crops.classes))
        if len(counts) < 2 or counts.min() == 0:
            said = ", ".join(f"{name} {count}" for name, count in zip(crops.classes, counts, strict=True))
            raise InputError(f"a classifier needs two classes, each with a crop, got {said or 'none'}; add crops")
        network = FrozenBackbone(pretrained_weights())
        features = np.stack([pooled(network, picture) for picture in crops.pictures])
        mean, spread = features.mean(axis=0), features.std(axis=0) + 1e-6
        rows = _with_bias((features - mean) / spread)
        weights = fit_logistic(rows, crops.labels, np.ones(len(rows)), len(counts), penalty)
        return cls(crops.classes, weights, mean, spread)

    def scores(self, pictures: Sequence[np.ndarray]) -> np.ndarray:
        """Logits: one number for each class, before softmax.

        Parameters
        ----------
        pictures : sequence of (H, W, 3) ndarray of uint8
            Crops of any size, best square.

        Returns
        -------
        (N, K) ndarray
            Their softmax is :meth:`probabilities`.
        """
        if not len(pictures):
            return np.zeros((0, len(self.classes)))
        features = np.stack([pooled(self._network, picture) for picture in pictures])
        return _with_bias((features - self._mean) / self._spread) @ self._weights

    def probabilities(self, pictures: Sequence[np.ndarray]) -> np.ndarray:
        """Class probabilities.

        Parameters
        ----------
        pictures : sequence of (H, W, 3) ndarray of uint8
            Crops of any size, best square.

        Returns
        -------
        (N, K) ndarray
            0 to 1; each row adds up to 1.

        Raises
        ------
        PictureError
            If one is not an RGB byte picture.
        """
        return softmax(self.scores(pictures))

    def __repr__(self) -> str:
        return f"<Classifier of {', '.join(self.classes)}>"


def pooled(network: FrozenBackbone, picture: np.ndarray) -> np.ndarray:
    """Features of a whole crop: their mean, their highest, their mean in the middle.

    Parameters
    ----------
    network : FrozenBackbone
        The feature network.
    picture : (H, W, 3) ndarray of uint8
        Brought to 48x48 px first.

    Returns
    -------
    (3 F,) ndarray of float64
        In that order; the middle is the half of the rows and of the columns.
    """
    check_picture(picture)
    cells = network(resize(picture, (SIDE_PX, SIDE_PX), "linear")).astype(np.float64)
    edge = len(cells) // 4
    middle = cells[edge : len(cells) - edge, edge : len(cells) - edge]
    return np.concatenate([cells.mean(axis=(0, 1)), cells.max(axis=(0, 1)), middle.mean(axis=(0, 1))])


def _with_bias(features: np.ndarray) -> np.ndarray:
    return np.column_stack([features, np.ones(len(features))]).astype(np.float32)
