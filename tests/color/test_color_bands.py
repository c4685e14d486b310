"""Bands, the fast path to their pixels, clean-up and white balance."""

import cv2
import numpy as np
import pytest
from color_reference import hsv_reference
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from some_long import some_long

from robotlab.color import Band, LabBand, apply_gains, connected_components, gray_world, hsv, overlay
from robotlab.color.components import blobs_of_runs, runs_of_pixels
from robotlab.color.fast_threshold import pixels_in_band, sieve
from robotlab.errors import InputError, PictureError
from robotlab.image import dilate, erode, open_close


@pytest.fixture(scope="module")
def cube():
    """All 2**24 colors as one picture, and their hue, saturation and value."""
    picture = np.empty((256, 256, 256, 3), np.uint8)
    for axis in range(3):
        picture[..., axis] = np.arange(256).reshape([-1 if axis == place else 1 for place in range(3)])
    picture = picture.reshape(4096, 4096, 3)
    return picture, np.moveaxis(hsv(picture), -1, 0).copy()


def of_opencv(picture, band):
    """inRange, twice where hue wraps."""
    colors = cv2.cvtColor(picture, cv2.COLOR_RGB2HSV)
    h0, h1 = band.hue
    parts = [(h0, h1)] if h0 <= h1 else [(h0, 179), (0, h1)]
    mask = np.zeros(picture.shape[:2], bool)
    for low, high in parts:
        mask |= (
            cv2.inRange(colors, (low, band.saturation[0], band.value[0]), (high, band.saturation[1], band.value[1])) > 0
        )
    return mask


BANDS = [
    Band((5, 18), (150, 255), (100, 255)),
    Band((170, 8), (60, 255), (30, 255)),
    Band((55, 65), (1, 255), (1, 255)),
    Band((100, 130), (40, 250), (20, 240)),
    Band((29, 31), (90, 255), (3, 255)),
    Band((85, 95), (5, 9), (5, 255)),
]


@pytest.mark.parametrize("band", some_long(BANDS, every=3), ids=str)
def test_sieve_loses_no_color_of_the_cube(cube, band):
    picture, colors = cube
    assert np.array_equal(pixels_in_band(picture, band)[0], np.flatnonzero(band.holds(*colors)))


def test_sieve_of_random_bands_loses_nothing(cube):
    picture, colors = cube
    flat = picture.reshape(-1, 3)
    rng = np.random.default_rng(11)
    for _ in range(20):
        start, width = int(rng.integers(180)), int(rng.integers(0, 100))
        band = Band((start, (start + width) % 180), (int(rng.integers(1, 256)), 255), (int(rng.integers(0, 256)), 255))
        inside = flat[band.holds(*colors).ravel()]
        for a, b, least in sieve(band):
            difference = inside[:, a].astype(np.int16) - inside[:, b]
            assert not difference.size or difference.min() >= least, (band, a, b, least)


def test_sieve_is_tight(cube):
    # It finds the differences that a person would: for each one the band holds a color within three.
    picture, colors = cube
    flat = picture.reshape(-1, 3)
    for band in BANDS[:2]:
        inside = flat[band.holds(*colors).ravel()].astype(int)
        assert len(sieve(band)) == 2
        for a, b, least in sieve(band):
            assert (inside[:, a] - inside[:, b]).min() <= least + 3
    # Greys, and bands of nearly all hues, have no such difference.
    assert sieve(Band(value=(90, 255))) == sieve(Band((0, 178), (90, 255), (90, 255))) == ()


@st.composite
def any_band(draw):
    ends = [sorted((draw(st.integers(0, 255)), draw(st.integers(0, 255)))) for _ in range(2)]
    return Band((draw(st.integers(0, 179)), draw(st.integers(0, 179))), *map(tuple, ends))


@settings(max_examples=200, deadline=None)
@given(any_band(), st.integers(0, 2**32 - 1), st.sampled_from([(1, 1), (1, 37), (41, 1), (23, 31), (300, 200)]))
def test_fast_clear_and_opencv_agree(band, seed, size):
    picture = np.random.default_rng(seed).integers(0, 256, (*size, 3), np.uint8)
    mask = band.mask(picture)
    assert np.array_equal(mask, of_opencv(picture, band))
    pixels, colors = pixels_in_band(picture, band)
    assert np.array_equal(pixels, np.flatnonzero(mask))
    assert np.array_equal(np.stack(colors, -1), hsv(picture)[mask])
    clear = connected_components(mask, 2)
    runs = runs_of_pixels(pixels, picture.shape[1])
    for few, some in ((blobs_of_runs(runs, 2)[0], clear), (blobs_of_runs(runs, 2, most=1)[0], clear.pick(slice(0, 1)))):
        for field in ("areas", "boxes", "centroids", "firsts"):
            assert np.array_equal(getattr(few, field), getattr(some, field))


def test_views_go_the_fast_way_too():
    picture = np.random.default_rng(2).integers(0, 256, (50, 60, 3), np.uint8)
    for view in (picture[::-1, ::2], picture[5:40, 7:50], picture.transpose(1, 0, 2), picture[..., ::-1]):
        assert np.array_equal(pixels_in_band(view, BANDS[0])[0], np.flatnonzero(BANDS[0].mask(view)))


def test_hue_wraps():
    reds = np.array([[[255, 0, 20], [255, 20, 0], [0, 255, 0]]], np.uint8)
    assert Band(hue=(170, 8)).mask(reds).tolist() == [[True, True, False]]
    assert Band(hue=(8, 170)).mask(reds).tolist() == [[False, False, True]]
    assert Band(hue=(170, 8)).hue_width == 19 and Band(hue=(170, 8)).hue_center == 179
    assert Band().hue_width == 180 and Band(hue=(10, 9)).hue_width == 180


def test_band_means_what_colorsys_says():
    picture = np.random.default_rng(4).integers(0, 256, (20, 20, 3), np.uint8)
    slow = hsv_reference(picture)
    # Clear of the ends by more than rounding.
    surely = (slow > [20.7, 60.7, 80.7]).all(-1) & (slow[..., 0] < 49.3)
    surely_not = (slow < [19.3, 59.3, 79.3]).any(-1) | (slow[..., 0] > 50.7)
    mask = Band((20, 50), (60, 255), (80, 255)).mask(picture)
    assert mask[surely].all() and not mask[surely_not].any() and surely.any()


@settings(max_examples=50, deadline=None)
@given(any_band(), st.integers(0, 2**32 - 1))
def test_depth_is_above_zero_inside_and_zero_outside(band, seed):
    colors = np.random.default_rng(seed).integers(0, [180, 256, 256], (200, 3)).astype(np.uint8).T
    depth, inside = band.depth(*colors), band.holds(*colors)
    assert ((depth > 0) == inside).all() and depth.max(initial=0) <= 1


@pytest.mark.parametrize(
    "wrong",
    [
        {"hue": (0, 180)},
        {"hue": (-1, 5)},
        {"hue": (1.5, 5)},
        {"hue": 5},
        {"hue": (1, 2, 3)},
        {"hue": (float("nan"), 3)},
        {"saturation": (0, 256)},
        {"saturation": (9, 3)},
        {"value": (200, 100)},
        {"value": ("a", "b")},
        {"value": (0, float("inf"))},
    ],
)
def test_wrong_bands_are_refused(wrong):
    with pytest.raises(InputError, match=next(iter(wrong))):
        Band(**wrong)


def test_lab_band_is_a_distance():
    from skimage.color import deltaE_cie76, rgb2lab

    picture = np.random.default_rng(6).integers(0, 256, (15, 16, 3), np.uint8)
    band = LabBand((55.0, 40.0, 30.0), 35.0)
    # GroundTruthDetector: scikit-image's rgb2lab and deltaE_cie76.
    wanted = deltaE_cie76(rgb2lab(picture), np.array(band.center))
    assert band.distance(picture) == pytest.approx(wanted, abs=1e-9)
    assert np.array_equal(band.mask(picture), wanted <= 35)
    assert np.array_equal(pixels_in_band(picture, band)[0], np.flatnonzero(wanted <= 35))
    flat = LabBand((55.0, 40.0, 30.0), 35.0, lightness_weight=0)
    assert (flat.distance(picture) <= wanted + 1e-9).all()


@pytest.mark.parametrize(
    "arguments",
    [
        ((1, 2), 5),
        ((1, 2, np.nan), 5),
        ((1, 2, 3), 0),
        ((1, 2, 3), np.inf),
        ((1, 2, 3), "x"),
        ((1, 2, 3), 5, 2),
        (None, 5),
    ],
)
def test_wrong_lab_bands_are_refused(arguments):
    with pytest.raises(InputError):
        LabBand(*arguments)


def test_overlay_keeps_the_inside():
    picture = np.random.default_rng(8).integers(0, 256, (6, 7, 3), np.uint8)
    mask = picture[..., 0] > 100
    shown = overlay(picture, mask)
    assert np.array_equal(shown[mask], picture[mask]) and (shown[~mask] <= 64).all()
    for wrong in (mask[:3], mask.astype(int)):
        with pytest.raises(InputError, match="mask must be"):
            overlay(picture, wrong)
    with pytest.raises(InputError, match="dim"):
        overlay(picture, mask, dim=np.nan)


@pytest.mark.parametrize("open_px, close_px", [(0, 0), (1, 0), (0, 1), (2, 1), (1, 3), (4, 4)])
def test_clean_up_equals_opencv_and_scipy(open_px, close_px):
    rng = np.random.default_rng(9)
    for _ in range(20):
        mask = ndimage.gaussian_filter(rng.random(rng.integers(1, 60, 2)), 1) > 0.5
        wanted, other = mask.astype(np.uint8), mask
        # References: OpenCV morphologyEx (its border does not count); SciPy with the border set to the same.
        for radius, kind, first, second in (
            (open_px, cv2.MORPH_OPEN, ndimage.binary_erosion, ndimage.binary_dilation),
            (close_px, cv2.MORPH_CLOSE, ndimage.binary_dilation, ndimage.binary_erosion),
        ):
            if radius:
                square = np.ones((2 * radius + 1,) * 2)
                wanted = cv2.morphologyEx(wanted, kind, square.astype(np.uint8))
                for step in (first, second):
                    other = step(other, square, border_value=step is ndimage.binary_erosion)
        assert np.array_equal(open_close(mask, open_px, close_px), wanted > 0)
        assert np.array_equal(open_close(mask, open_px, close_px), other)


def test_grow_and_shrink_against_scipy():
    mask = np.random.default_rng(10).random((30, 40)) < 0.3
    assert np.array_equal(dilate(mask, 2), ndimage.binary_dilation(mask, np.ones((5, 5))))
    assert np.array_equal(
        erode(mask | dilate(mask, 1), 1),
        ndimage.binary_erosion(mask | dilate(mask, 1), np.ones((3, 3)), border_value=1),
    )


@pytest.mark.parametrize("radius", [-1, 1.5, True, "2", None])
def test_wrong_radii_are_refused(radius):
    with pytest.raises(InputError, match="whole number"):
        open_close(np.ones((3, 3), bool), open_px=radius)


def test_gray_world_makes_the_mean_gray():
    picture = np.random.default_rng(13).integers(0, [120, 90, 60], (40, 50, 3)).astype(np.uint8)
    # Without gains cut off, the gains are the common mean over each mean.
    wanted = picture.mean() / picture.reshape(-1, 3).mean(axis=0)
    assert gray_world(picture) == pytest.approx(wanted, rel=1e-12)
    means = apply_gains(picture, gray_world(picture)).reshape(-1, 3).mean(axis=0)
    assert np.ptp(means) < 0.5 and means.mean() == pytest.approx(picture.mean(), abs=0.5)


def test_black_pictures_balance_to_themselves():
    assert gray_world(np.zeros((2, 2, 3), np.uint8)).tolist() == [1, 1, 1]
    one_sided = gray_world(np.full((2, 2, 3), [200, 0, 200], np.uint8))
    assert np.isfinite(one_sided).all() and one_sided.max() <= 8


def test_wrong_balance_is_refused():
    picture = np.full((4, 4, 3), 255, np.uint8)
    for wrong in ((1, 2), (1, 2, 0), (1, np.nan, 1), "abc"):
        with pytest.raises(InputError, match="gains"):
            apply_gains(picture, wrong)
    with pytest.raises(PictureError):
        gray_world(picture[..., 0])
