"""The trained detector: network, head fit, full training, one file."""
