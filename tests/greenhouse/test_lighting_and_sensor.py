"""Lamps against the CIE and published line spectra; the sensor against sRGB and photon statistics."""

import numpy as np
import pytest
import skimage

from robotlab.errors import InputError
from robotlab.greenhouse.lighting import LIGHTING, LIGHTINGS, WAVELENGTHS_NM, _planck, lighting_named
from robotlab.greenhouse.sensor import (
    FULL_WELL_E,
    READ_NOISE_E,
    blur_in_place,
    develop,
    gain_of,
    srgb_decode,
    srgb_encode,
)


def expose(light, exposure, noise, seed):
    gain = np.full(light.shape[1:], gain_of(np.float32(exposure), noise))
    return develop(np.array(light, np.float32), gain, noise, seed)


def blur_planes(light, sigma_px):
    return blur_in_place(np.array(light, np.float32, order="C"), sigma_px)


def test_srgb_curve_of_the_standard():
    # IEC 61966-2-1:1999; linear values of bytes recomputed with scikit-image and another library of color science.
    assert float(srgb_encode(0.18)) == pytest.approx(0.461356129500442, abs=1e-12)
    bytes_ = np.array([11, 55, 128, 188])
    np.testing.assert_allclose(
        srgb_decode(bytes_ / 255), [0.003346536, 0.038204372, 0.215860500, 0.502886458], atol=1e-7
    )
    every = np.arange(256) / 255
    np.testing.assert_allclose(srgb_encode(srgb_decode(every)), every, atol=1e-7)


def test_srgb_equals_scikit_image():
    values = np.linspace(0, 1, 1001)
    gray = np.repeat(values[:, None], 3, axis=1)
    # Its conversion from XYZ ends in the curve, and this matrix undoes all that comes before.
    shown = skimage.color.xyz2rgb(gray @ skimage.color.colorconv.xyz_from_rgb.T)
    np.testing.assert_allclose(np.repeat(srgb_encode(values)[:, None], 3, axis=1), shown, atol=1e-7)


def test_bytes_of_the_table_are_those_of_the_curve():
    light = np.linspace(0, 1, 4097, dtype=np.float32)
    picture = expose(np.tile(light, (3, 1, 1)), 1.0, 0.0, seed=0)[0, :, 0]
    exact = srgb_encode(light) * 255
    # Rounding is half a byte, a step of the table a sixth of one.
    assert np.abs(picture - exact).max() < 0.67


def test_planck_spectrum_peaks_where_wien_says():
    # Wien's displacement constant 2897.77 um K (CODATA 2018): 5000 K peaks at 579.6 nm.
    assert WAVELENGTHS_NM[_planck(5000.0).argmax()] == pytest.approx(579.6, abs=2.5)


def test_daylight_changes_no_color_and_the_others_do():
    for name in LIGHTINGS:
        matrix = LIGHTING[name].matrix()
        balanced = matrix / matrix.sum(axis=1, keepdims=True)
        if name == "daylight":
            np.testing.assert_allclose(matrix, LIGHTING[name].level * np.eye(3), atol=1e-9)
        # Luminance of a white card (weights of IEC 61966-2-1) is the level that the lighting states.
        assert matrix.sum(axis=1) @ [0.2126, 0.7152, 0.0722] == pytest.approx(LIGHTING[name].level, rel=1e-9)
        assert np.isfinite(balanced).all()


def test_white_card_under_each_lighting():
    """Common practice, no source: dusk is bluish, sodium is orange, grow lightings are magenta."""
    white = {name: LIGHTING[name].matrix().sum(axis=1) for name in LIGHTINGS}
    assert white["dusk"][2] > 1.05 * white["dusk"][0]
    assert white["warm"][0] > 1.5 * white["warm"][1] > 1.5 * white["warm"][2]
    assert min(white["grow"][0], white["grow"][2]) > 1.3 * white["grow"][1]


def test_sodium_light_makes_orange_and_yellow_alike():
    """Nearly one wavelength leaves brightness only: hues that daylight tells apart move together."""
    orange, yellow = (srgb_decode(np.array(c) / 255) for c in ((232, 92, 18), (232, 186, 38)))

    def ratio(name, color):
        seen = np.clip(LIGHTING[name].matrix() @ color, 1e-6, None)
        return seen[1] / seen[0]

    day = ratio("daylight", yellow) / ratio("daylight", orange)
    sodium = ratio("warm", yellow) / ratio("warm", orange)
    assert day > 4 and sodium < 2


def test_unknown_lighting_is_refused():
    with pytest.raises(InputError, match="lighting must be one of daylight"):
        lighting_named("candle")


@pytest.mark.parametrize("level", [0.02, 0.2, 0.7])
def test_noise_has_the_spread_of_counted_electrons(level):
    # Var(N) = N for a Poisson count; read noise adds its own variance.
    light = np.full((3, 200, 200), level, np.float32)
    linear = srgb_decode(expose(light, 1.0, 1.0, seed=5) / 255.0)
    expected = np.sqrt(level / FULL_WELL_E + (READ_NOISE_E / FULL_WELL_E) ** 2)
    # Rounding to bytes adds a twelfth of a byte squared.
    step = 1 / 255 / (srgb_encode(level + 1e-4) - srgb_encode(level - 1e-4)) * 2e-4
    assert linear.std() == pytest.approx(np.hypot(expected, step / np.sqrt(12)), rel=0.05)
    assert linear.mean() == pytest.approx(level, rel=0.01)


def test_noise_is_seeded():
    light = np.full((3, 20, 30), 0.3, np.float32)
    first, again, other = (expose(light, 1.0, 1.0, seed) for seed in (7, 7, 8))
    assert (first == again).all() and (first != other).any()


def test_exposing_leaves_the_light_alone_and_darkness_is_black():
    light = np.random.default_rng(3).random((3, 12, 16), dtype=np.float32) - np.float32(0.2)
    before = light.copy()
    picture = expose(light, 1.3, 1.0, seed=9)
    np.testing.assert_array_equal(light, before)
    assert (picture.transpose(2, 0, 1)[light < -0.1] == 0).all()


def test_noise_covers_pictures_larger_than_its_table():
    picture = expose(np.full((3, 800, 900), 0.3, np.float32), 1.0, 1.0, seed=123456)
    assert picture.shape == (800, 900, 3) and picture.std() > 0


@pytest.mark.parametrize("sigma", [0.4, 0.7, 1.3])
def test_blur_has_the_stated_variance_and_keeps_the_light(sigma):
    light = np.zeros((3, 41, 41), np.float32)
    light[:, 20, 20] = 1
    out = blur_planes(light, sigma)[0].astype(float)
    offsets = np.arange(41) - 20
    assert out.sum() == pytest.approx(1, abs=1e-5)
    for axis in (0, 1):
        assert (out.sum(axis=axis) * offsets**2).sum() == pytest.approx(sigma**2, rel=1e-4)
    flat = np.full((3, 9, 9), 0.4, np.float32)
    np.testing.assert_allclose(blur_planes(flat, sigma), flat, atol=1e-6)
