"""Views to make films and photographs of, and the content of a folder."""

from pathlib import Path

import numpy as np


def views(count: int, size=(160, 120), step: int = 12, seed: int = 0) -> list[np.ndarray]:
    """Windows that move over a pattern of blocks and grain by so many pixels a frame; nowhere is it like elsewhere."""
    rng = np.random.default_rng(seed)
    wide = size[0] + step * count
    blocks = rng.integers(30, 220, (size[1] // 20, wide // 20 + 1, 3), dtype=np.uint8)
    pattern = blocks.repeat(20, 0).repeat(20, 1)[: size[1], :wide] + rng.normal(0, 8, (size[1] // 20 * 20, wide, 1))
    pattern = pattern.clip(0, 255).astype(np.uint8)
    return [np.ascontiguousarray(pattern[:, n * step : n * step + size[0]]) for n in range(count)]


def content(folder: Path) -> dict[str, bytes]:
    """All files of a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }
