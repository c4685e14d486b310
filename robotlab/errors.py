"""The errors of robotlab: one small tree, rooted in ``ValueError``.

Every message says the rule, what came, and the repair, in that order.
"""


class InputError(ValueError):
    """Something given to robotlab breaks a stated rule; the root of the tree."""


class BoxError(InputError):
    """Boxes or scores of a wrong shape, order or value."""


class PictureError(InputError):
    """A picture that is missing, damaged, or not an RGB byte array."""


class DataSetError(InputError):
    """A labels file, a results file or a folder of pictures that breaks a rule."""


class ModelError(InputError):
    """A model file that is damaged, foreign, or made for other classes."""


class MotionError(InputError):
    """A speed, gain, limit or time that a robot cannot be driven with."""
