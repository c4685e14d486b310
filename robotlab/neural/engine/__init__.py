"""The training engine in plain NumPy: forward, backward, losses, steps.

Read it in this order: :mod:`.clear` (one convolution of one picture and its
gradients, place by place), :mod:`.layers` (the same as matrix products, fast),
:mod:`.network` (all layers, forwards and backwards), :mod:`.losses`,
:mod:`.optim`.  :mod:`.check` proves a gradient by finite differences, and
:mod:`.pool` puts the pictures of a batch on all processor cores.  Lesson 07
goes the same way with pictures.
"""
