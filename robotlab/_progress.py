"""The one progress bar."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tqdm import tqdm


@contextmanager
def progress_bar(total: int | None, words: str, shown: bool, **more: Any) -> Iterator[tqdm]:
    """A progress bar, hidden unless shown; `more` is passed on to tqdm."""
    from tqdm import tqdm

    # A notebook shows what comes over stderr on pink, as it shows errors.
    file = sys.stdout if "ipykernel" in sys.modules else None
    with tqdm(total=total, desc=words, disable=not shown, file=file, **more) as bar:
        yield bar
