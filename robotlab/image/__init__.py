"""Pictures: reading, writing, films, color spaces, resizing, morphology of masks, and hashes to find near-duplicates.

The only package that calls an image library.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.checks import check_picture
    from robotlab.image.blur_measure import sharpness
    from robotlab.image.color_spaces import lab, luminance
    from robotlab.image.file import decode, encode, load, save, size_of
    from robotlab.image.film_writing import write_film
    from robotlab.image.hashing import image_hash, near_duplicates
    from robotlab.image.morphology import dilate, erode, open_close
    from robotlab.image.resizing import blur, resize
    from robotlab.image.text import write_text
    from robotlab.image.video import open_video

load_lazily(__name__)
