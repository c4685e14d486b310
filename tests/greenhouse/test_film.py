"""The rendered film and its truth."""

import numpy as np
import pytest

from robotlab.errors import DataSetError, InputError
from robotlab.gather import gather
from robotlab.greenhouse import film_frames, film_truth, render_film
from robotlab.image import open_video


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return render_film(tmp_path_factory.mktemp("film") / "walk.avi", frames=24, size_px=(192, 144))


def test_the_film_is_what_was_rendered(made):
    with open_video(made[0]) as film:
        for frame in film_frames(frames=24, size_px=(192, 144)):
            # MJPG keeps it to within its compression.
            assert np.abs(film.read().astype(int) - frame.picture).mean() < 6
        assert film.read() is None


def test_the_post_is_near_and_far_and_out_of_view():
    heights = [
        frame.truths.whole_boxes[frame.truths.labels == 0] for frame in film_frames(frames=24, size_px=(192, 144))
    ]
    tall = [float(boxes[0, 3] - boxes[0, 1]) for boxes in heights if len(boxes)]
    assert max(tall) > 4 * min(tall) and 0 < len(tall) < 24


@pytest.mark.parametrize("longest", [192, 96])
def test_the_truth_finds_its_pictures_again(made, tmp_path, longest):
    data = gather(
        made[0],
        tmp_path / "set",
        "walk",
        every=3,
        longest_px=longest,
        keep=["near-duplicates", "blurred"],
        progress=False,
    ).data
    true = film_truth(data, made[1])
    frames = list(film_frames(frames=24, size_px=(192, 144)))
    assert len(true) == 8 and true.box_count > 8
    for n, entry in enumerate(true):
        real = frames[3 * n].truths
        row = np.flatnonzero(real.labels == 0)
        mine = entry.boxes[entry.labels == 0]
        if len(mine):
            assert np.abs(mine[0] - real.boxes[row[0]] * longest / 192).max() < 0.02


def test_refusals(made, tmp_path):
    with pytest.raises(InputError, match="is there already"):
        render_film(made[0], frames=4)
    with pytest.raises(InputError, match="frames must be a whole number from 4"):
        next(film_frames(frames=3))
    with pytest.raises(InputError, match="lighting must be one of"):
        next(film_frames(lighting="moon"))
    from robotlab.data import Sample, write_dataset

    other = write_dataset(tmp_path / "o", [Sample("a.png", np.zeros((8, 8, 3), np.uint8))], ["post"])
    with pytest.raises(DataSetError, match="must be a frame of that film"):
        film_truth(other, made[1])
