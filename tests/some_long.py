"""For tests with many cases: some of them in the default run, all of them with ``pytest -m ""``."""

import pytest


def some_long(cases, every):
    """Cases for ``parametrize``: the first of each ``every`` stays in the default run, the others are long."""
    return [
        pytest.param(
            *(case if isinstance(case, tuple) else (case,)), marks=[pytest.mark.long()] if place % every else []
        )
        for place, case in enumerate(cases)
    ]
