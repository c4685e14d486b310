"""For all tests, and the notebooks and browsers they start: no progress is written into the user's home."""

import os

os.environ["ROBOTLAB_PROGRESS"] = "off"
