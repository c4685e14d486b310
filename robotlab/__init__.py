"""robotlab: see an object of your choosing with one camera, and follow it.

Data flows one way: picture -> boxes -> scores, and box -> command -> motion
-> picture.  Start with :mod:`robotlab.trackers` for the contract that every
tracker keeps, and with ``robotlab tour`` for the whole chain in a minute.
"""

__version__ = "0.1.0"
