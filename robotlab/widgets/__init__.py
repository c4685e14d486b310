"""Interactive pictures for the notebooks: one file each, on one small kit.

Every one has a text alternative, works from the keyboard, and says so when
the kernel behind it is gone.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.widgets.camera_view import CameraView
    from robotlab.widgets.color_bands import ColorBands
    from robotlab.widgets.frame_picture import FramePicture
    from robotlab.widgets.gain_and_delay import GainAndDelay, step_response
    from robotlab.widgets.live_mask import LiveMask
    from robotlab.widgets.pick_color import PickColor
    from robotlab.widgets.replay import Replay
    from robotlab.widgets.replay_choice import ReplayChoice
    from robotlab.widgets.resizing import Resizing, largest_contrast, without_post
    from robotlab.widgets.slider_picture import Slider, SliderPicture
    from robotlab.widgets.stop_picture import StopPicture
    from robotlab.widgets.threshold_curve import ThresholdCurve
    from robotlab.widgets.top_classes import TopClasses
    from robotlab.widgets.training_monitor import TrainingMonitor
    from robotlab.widgets.two_boxes import TwoBoxes

load_lazily(__name__)
