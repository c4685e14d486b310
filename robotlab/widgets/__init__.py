"""Interactive pictures for the notebooks: one file each, on one small kit.

Every one has a text alternative, works from the keyboard, and says so when
the kernel behind it is gone.
"""

from robotlab.widgets.camera_view import CameraView
from robotlab.widgets.replay import Replay
from robotlab.widgets.resizing import Resizing
from robotlab.widgets.slider_picture import Slider, SliderPicture

__all__ = ["CameraView", "Replay", "Resizing", "Slider", "SliderPicture"]
