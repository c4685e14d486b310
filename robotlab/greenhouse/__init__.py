"""The rendered greenhouse: a trolley's view of a guide post among buckets and crates.

Pictures from here are *rendered*; no camera took them.  Start with
:func:`random_scene` and :func:`render`, or with a scripted walk from
:data:`WALKS`.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.greenhouse.film import film_frames, film_truth, render_film
    from robotlab.greenhouse.layout import random_scene
    from robotlab.greenhouse.lighting import LIGHTINGS
    from robotlab.greenhouse.renderer import Frame, GroundTruth, render
    from robotlab.greenhouse.scene import CLASSES, KINDS, Scene, Thing
    from robotlab.greenhouse.walks import WALKS, Walk

load_lazily(__name__)
