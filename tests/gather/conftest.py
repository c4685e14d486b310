"""Films and photographs to gather from."""

from pathlib import Path

import pytest
from gather_films import views

from robotlab import image


@pytest.fixture(scope="session")
def film(tmp_path_factory) -> Path:
    """120 frames of 160 × 120 px at 30 Hz."""
    return image.write_film(tmp_path_factory.mktemp("film") / "walk.avi", views(120), 30)


@pytest.fixture
def photos(tmp_path) -> Path:
    """Six photographs, of two sizes."""
    folder = tmp_path / "photos"
    for n, view in enumerate(views(6, (400, 300), 300)):
        image.save(folder / f"IMG_{n}.jpg", view if n % 2 else image.resize(view, (200, 150)))
    return folder
